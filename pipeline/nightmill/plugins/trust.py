"""Which single-file plugins the user has said to trust: by their SHA-256, in a file of the user's own.

A night folder that came from a stranger may hold a night.yaml and code that it names; such code runs only after
`nightmill plugin trust FILE`, and again only while it is the same to the byte.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
import time
from pathlib import Path

from ..errors import UsageError
from ..files import write_json

__all__ = ["digest_of", "forget", "is_trusted", "trust", "trusted", "trusted_before"]

FORMAT = 1
VARIABLE = "NIGHTMILL_CONFIG"
"""Environment variable that names another folder for the user's settings."""


def digest_of(path: Path) -> str:
    """Return the SHA-256 of a file.

    Raises
    ------
    UsageError
        It is not there or cannot be read.
    """
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as error:
        raise UsageError(f"cannot read {path}: {error.strerror or error}") from None


def trusted() -> dict[str, dict[str, str]]:
    """Return what is trusted: by SHA-256 the "file" it was when trusted, and "since" (UTC)."""
    try:
        held = json.loads(_place().read_text(encoding="utf-8"))
        files = held["files"] if held["format"] == FORMAT else {}
        return {str(digest): {key: str(value) for key, value in one.items()} for digest, one in files.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}  # a file that cannot be read trusts nothing


def is_trusted(path: Path) -> bool:
    """Say whether a file with this content is trusted, wherever it lies."""
    return digest_of(path) in trusted()


def trusted_before(path: Path) -> bool:
    """Say whether another content of this file is trusted."""
    return any(one.get("file") == str(path.resolve()) for one in trusted().values())


def trust(path: Path) -> str:
    """Trust a file as it is now; return its SHA-256."""
    if path.suffix != ".py":
        raise UsageError(f"{path} is not a .py file")
    digest = digest_of(path)
    since = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
    _write({**trusted(), digest: {"file": str(path.resolve()), "since": since}})
    return digest


def forget(path: Path) -> int:
    """Trust a file no longer, in any content; return how many were forgotten."""
    before = trusted()
    digest = digest_of(path) if path.is_file() else ""
    kept = {key: one for key, one in before.items() if key != digest and one.get("file") != str(path.resolve())}
    if len(kept) < len(before):
        _write(kept)
    return len(before) - len(kept)


def _write(files: dict[str, dict[str, str]]) -> None:
    place = _place()
    place.parent.mkdir(parents=True, exist_ok=True)
    write_json(place, {"format": FORMAT, "files": files})


def _place() -> Path:
    return _folder() / "trusted.json"


def _folder() -> Path:
    if given := os.environ.get(VARIABLE):
        return Path(given)
    home = Path.home()
    if sys.platform == "win32":
        return Path(os.environ.get("APPDATA") or home / "AppData" / "Roaming") / "nightmill"
    if sys.platform == "darwin":
        return home / "Library" / "Application Support" / "nightmill"
    return Path(os.environ.get("XDG_CONFIG_HOME") or home / ".config") / "nightmill"
