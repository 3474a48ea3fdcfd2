"""Products keyed by what they were made from: whole or absent, with checksums that are verified when read.

One product is one folder, `objects/ab/abcd...`, with a `meta.json` that lists its files. It is written aside, forced to
the disk and renamed once, so a killed run leaves at most a folder in `making/`, which the next run sweeps away.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import uuid
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from .files import read_sealed, sync_file, sync_folder, write_json, write_sealed

__all__ = ["DamagedError", "Store", "canonical", "key_of"]

FORMAT = 2
"""Raise it when the layout of products changes: everything is then made anew."""

META = "meta.json"


class DamagedError(Exception):
    """A product's files do not match their checksums; `key` names it."""

    def __init__(self, key: str, what: str) -> None:
        super().__init__(key, what)
        self.key, self.what = key, what

    def __str__(self) -> str:
        return f"product {self.key[:12]} is damaged: {self.what}"


def canonical(value: Any) -> bytes:
    """Return JSON bytes that are the same for equal values."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=False).encode()


def key_of(content: Mapping[str, Any]) -> str:
    """Return the key of a product: the SHA-256 of everything that its bits depend on."""
    return hashlib.sha256(canonical({"format": FORMAT, **content})).hexdigest()


class Store:
    """A folder of products.

    Parameters
    ----------
    root : Path
        Made when missing.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self.objects = root / "objects"
        self.making = root / "making"

    def path(self, key: str) -> Path:
        """Return where the product of this key lies, or would lie."""
        return self.objects / key[:2] / key

    def has(self, key: str) -> bool:
        """Say whether the product is there (its checksums are verified when it is read)."""
        return (self.path(key) / META).is_file()

    def meta(self, key: str) -> dict[str, Any]:
        """Return what was noted with the product; DamagedError when it cannot be read."""
        try:
            meta = read_sealed(self.path(key) / META)
            if not isinstance(meta["files"], dict):
                raise TypeError("no list of files")
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise DamagedError(key, f"its list of files cannot be read ({type(error).__name__})") from error
        return dict(meta)

    @contextlib.contextmanager
    def make(self, key: str, meta: dict[str, Any], *, lasting: bool = True) -> Iterator[Path]:
        """Give an empty folder to fill; it becomes the product `key` when the block ends well.

        Parameters
        ----------
        key : str
        meta : dict
            May be filled inside the block; JSON values.
        lasting : bool
            Whether its files must be on the disk before it counts. What is used up within minutes need not: after a
            power cut its checksums tell, and it is made again.
        """
        self.making.mkdir(parents=True, exist_ok=True)
        folder = self.making / f"{key[:12]}-{uuid.uuid4().hex[:8]}"
        folder.mkdir()
        try:
            yield folder
            listed = {}
            for path in sorted(p for p in folder.rglob("*") if p.is_file()):
                if lasting:
                    sync_file(path)
                listed[path.relative_to(folder).as_posix()] = [path.stat().st_size, _digest(path)]
            write_sealed(folder / META, {**meta, "files": listed})
            target = self.path(key)
            target.parent.mkdir(parents=True, exist_ok=True)
            try:
                folder.rename(target)
            except OSError:
                # Somebody made the same product meanwhile (a retried task): same key, same bits. Or what lies there
                # has lost its list of files, and is no product any more.
                if not self.has(key):
                    self.discard(key)
                    folder.rename(target)
            sync_folder(target.parent)
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def adopt(self, key: str, other: str) -> None:
        """Make the product `key` also the product `other`: the same files, which nobody ever writes to."""
        if self.has(other) or not self.has(key):
            return
        folder = self.making / f"{other[:12]}-{uuid.uuid4().hex[:8]}"
        self.making.mkdir(parents=True, exist_ok=True)
        try:
            shutil.copytree(self.path(key), folder, copy_function=_link)
            target = self.path(other)
            target.parent.mkdir(parents=True, exist_ok=True)
            sync_folder(folder)
            folder.rename(target)
            sync_folder(target.parent)
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def open(self, key: str) -> Path:
        """Verify a product and return its folder.

        Raises
        ------
        DamagedError
            A file is missing, of another size, or its SHA-256 differs.
        """
        folder = self.path(key)
        for name, (size, digest) in self.meta(key)["files"].items():
            path = folder / name
            try:
                if path.stat().st_size != size or _digest(path) != digest:
                    raise DamagedError(key, f"{name} is not what was written")
            except OSError as error:
                raise DamagedError(key, f"{name} cannot be read ({error.strerror})") from error
        return folder

    def refuse(self, key: str, reason: str) -> None:
        """Remember that this product cannot be made, whatever the machine: the data do not allow it."""
        write_json(self.root / "refused" / key[:2] / f"{key}.json", {"reason": reason})

    def refusal(self, key: str) -> str | None:
        """Return why a product cannot be made, or None when nothing is known against it."""
        try:
            held = json.loads((self.root / "refused" / key[:2] / f"{key}.json").read_text(encoding="utf-8"))
            return str(held["reason"])
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def discard(self, key: str) -> None:
        """Remove a product, so that it is made again when wanted."""
        folder = self.path(key)
        if folder.exists():
            # Renamed first: a half-removed product must not look whole.
            self.making.mkdir(parents=True, exist_ok=True)
            doomed = self.making / f"{key[:12]}-{uuid.uuid4().hex[:8]}"
            with contextlib.suppress(OSError):
                folder.rename(doomed)
            shutil.rmtree(doomed, ignore_errors=True)

    def sweep(self) -> None:
        """Remove what killed runs left half made. Only under the output folder's lock."""
        shutil.rmtree(self.making, ignore_errors=True)

    def keys(self) -> Iterator[str]:
        """Iterate over the keys of all products."""
        if self.objects.is_dir():
            for shelf in sorted(self.objects.iterdir()):
                if shelf.is_dir():
                    yield from sorted(entry.name for entry in shelf.iterdir())

    def size(self, key: str) -> int:
        """Return the bytes that a product takes."""
        return sum(path.stat().st_size for path in self.path(key).rglob("*") if path.is_file())


def _link(source: str, target: str) -> None:
    """Give a file a second name; where the file system cannot, copy it."""
    try:
        os.link(source, target)
    except OSError:
        shutil.copyfile(source, target)
        sync_file(Path(target))


def _digest(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def fingerprint(files: list[Path], root: Path) -> str:
    """Return the SHA-256 of a recording: of the file itself, or of the list of its files' sums.

    For a single file it equals what `sha256sum` prints.
    """
    if len(files) == 1:
        return _digest(files[0])
    total = hashlib.sha256()
    for path in files:
        total.update(
            f"{_digest(path)}  {os.path.relpath(path, root)}\n".replace(os.sep, "/").encode("utf-8", "surrogateescape")
        )
    return total.hexdigest()
