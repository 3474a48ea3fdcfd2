"""Files that appear whole or not at all: written aside, forced to the disk, renamed."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import shutil
import time
import uuid
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

__all__ = [
    "copy_whole",
    "json_bytes",
    "laid_out",
    "read_sealed",
    "sweep_parts",
    "sync_file",
    "sync_folder",
    "write_json",
    "write_sealed",
    "write_whole",
]

PART = re.compile(r"\..+\.[0-9a-f]{8}\.part")
"""Temporary names as `aside` gives them."""


def sync_file(path: Path) -> None:
    """Force a file's content to the disk."""
    # Windows flushes only handles that may write.
    descriptor = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def sync_folder(path: Path) -> None:
    """Force a folder's entries to the disk, where the system can (Windows cannot, and needs not)."""
    if os.name == "nt":
        return
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    except OSError:  # some network file systems refuse; the rename itself is still atomic
        pass
    finally:
        os.close(descriptor)


def replace(source: Path, target: Path) -> None:
    """Rename a file over another; on Windows try again while a viewer or virus scanner holds it."""
    for attempt in range(8):
        try:
            source.replace(target)
            return
        except PermissionError:
            if os.name != "nt" or attempt == 7:
                raise
            time.sleep(0.05 * 2**attempt)


@contextlib.contextmanager
def aside(target: Path) -> Iterator[Path]:
    """Give a temporary name beside `target`; what is written there takes its place when the block ends well."""
    target.parent.mkdir(parents=True, exist_ok=True)
    temporary = target.with_name(f".{target.name[:80]}.{uuid.uuid4().hex[:8]}.part")
    try:
        yield temporary
        sync_file(temporary)
        replace(temporary, target)
        sync_folder(target.parent)
    finally:
        temporary.unlink(missing_ok=True)


def write_whole(target: Path, data: bytes) -> None:
    """Write a file atomically."""
    with aside(target) as temporary:
        temporary.write_bytes(data)


def write_json(target: Path, value: Any) -> None:
    """Write JSON for people and programs atomically."""
    write_whole(target, json_bytes(laid_out(value) + "\n"))


def laid_out(value: Any) -> str:
    """Return JSON with a line for each entry of the outermost object, and for each item of a list in there.

    The encoder that indents everything takes seven times as long, and more lines than anybody reads.
    """
    if not isinstance(value, dict):
        return json.dumps(value, ensure_ascii=False)
    lines = []
    for name, held in value.items():
        if isinstance(held, list) and held and isinstance(held[0], (dict, list)):
            text = "[\n  " + ",\n  ".join(json.dumps(one, ensure_ascii=False) for one in held) + "\n ]"
        else:
            text = json.dumps(held, ensure_ascii=False)
        # A name that is no text is written as the encoder would.
        lines.append(f" {json.dumps({name: 0}, ensure_ascii=False)[1:-2]}{text}")
    return "{\n" + ",\n".join(lines) + "\n}" if lines else "{}"


def json_bytes(text: str) -> bytes:
    """Encode JSON as UTF-8; what a file's name holds that is not Unicode becomes an escape that reads back the same."""
    return text.encode("utf-8", "backslashreplace")


def copy_whole(source: Path, target: Path) -> None:
    """Copy a file atomically."""
    with aside(target) as temporary:
        shutil.copyfile(source, temporary)


def write_sealed(target: Path, value: Mapping[str, Any]) -> None:
    """Write a JSON object atomically, with a checksum of its own: a flipped bit may leave JSON that reads well."""
    write_json(target, {"sum": _sum(value), **value})


def read_sealed(path: Path) -> dict[str, Any]:
    """Read what `write_sealed` wrote; ValueError when it is not that, OSError when it cannot be read."""
    held = json.loads(path.read_bytes())
    if not isinstance(held, dict) or held.pop("sum", None) != _sum(held):
        raise ValueError(f"{path.name} is not what was written")
    return held


def sweep_parts(folder: Path) -> None:
    """Remove what killed runs left half written in a folder (not below it). Only under the output folder's lock."""
    if folder.is_dir() and not folder.is_symlink():
        for path in folder.iterdir():
            if PART.fullmatch(path.name):
                path.unlink(missing_ok=True)


def _sum(value: Mapping[str, Any]) -> str:
    return hashlib.sha256(json.dumps(value, sort_keys=True, separators=(",", ":")).encode()).hexdigest()
