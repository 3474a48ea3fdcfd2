"""Wide columns of a frame table, each in a file of its own (.npy): written, and read, a stretch of rows at a time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["ColumnFile", "ColumnWriter", "is_wide", "runs_of", "step_rows"]

WIDE_BYTES = 1024
"""Entries from this size on make a column wide; 100,000 numbers, one a frame, are less than a megabyte."""

BLOCK_BYTES = 4 * 2**20
"""Of a wide column this much is held at once."""


def is_wide(values: NDArray[Any]) -> bool:
    """Say whether a column has so much for each frame that it gets a file of its own."""
    entry = int(np.prod(values.shape[1:], dtype=np.int64)) * values.dtype.itemsize
    return values.ndim > 1 and values.dtype.kind in "biufc" and entry >= WIDE_BYTES


def step_rows(values: NDArray[Any]) -> int:
    """Return how many rows of a column are held at once."""
    entry = int(np.prod(values.shape[1:], dtype=np.int64)) * values.dtype.itemsize
    return max(BLOCK_BYTES // max(entry, 1), 1)


def runs_of(rows: NDArray[np.int64]) -> Iterator[tuple[int, int]]:
    """Cut row numbers into runs of consecutive ones: (first, behind the last)."""
    for run in np.split(rows, np.flatnonzero(np.diff(rows) != 1) + 1):
        if len(run):
            yield int(run[0]), int(run[-1]) + 1


@dataclass(frozen=True)
class ColumnFile:
    """A column on disk.

    Attributes
    ----------
    path : Path
    dtype : numpy dtype
    shape : tuple of int
        Rows first.
    offset : int
        Of the first row in the file, bytes.
    """

    path: Path
    dtype: np.dtype[Any]
    shape: tuple[int, ...]
    offset: int

    @classmethod
    def open(cls, path: Path) -> ColumnFile:
        """Read what the file says of itself."""
        with path.open("rb") as stream:
            np.lib.format.read_magic(stream)
            shape, _, dtype = np.lib.format.read_array_header_1_0(stream)
            return cls(path, dtype, tuple(shape), stream.tell())

    def mapped(self) -> NDArray[Any]:
        """Return the whole column, read-only; the system reads from the file what is looked at."""
        if 0 in self.shape:
            return np.zeros(self.shape, self.dtype)
        return np.asarray(np.memmap(self.path, self.dtype, "r", self.offset, self.shape))

    def take(self, rows: NDArray[np.int64]) -> NDArray[Any]:
        """Read some rows, in any order; nothing else is read, and nothing is kept."""
        found = np.empty((len(rows), *self.shape[1:]), self.dtype)
        entry = found.itemsize * int(np.prod(self.shape[1:], dtype=np.int64))
        at = 0
        with self.path.open("rb", buffering=0) as stream:
            for first, last in runs_of(rows):
                stream.seek(self.offset + first * entry)
                part = found[at : at + last - first].data.cast("B")
                while len(part):
                    got = stream.readinto(part)
                    if not got:
                        raise OSError(f"{self.path}: ends before row {last}")
                    part = part[got:]
                at += last - first
        return found


class ColumnWriter:
    """Writes a column from its first row to its last; the same bytes as `numpy.save` of all of it.

    Parameters
    ----------
    path : Path
    rows : int
        How many there will be.
    like : ndarray
        Some rows: their type and what lies behind the first axis.
    """

    def __init__(self, path: Path, rows: int, like: NDArray[Any]) -> None:
        self.path, self.dtype, self.shape = path, like.dtype, (rows, *like.shape[1:])
        self.written = 0
        self._stream = path.open("wb")
        head = {"descr": np.lib.format.dtype_to_descr(self.dtype), "fortran_order": False, "shape": self.shape}
        np.lib.format.write_array_header_1_0(self._stream, head)

    def write(self, values: NDArray[Any]) -> None:
        """Append rows."""
        if values.shape[1:] != self.shape[1:]:
            raise ValueError(f"rows of shape {values.shape[1:]} in a column of {self.shape[1:]}")
        if len(values):
            self._stream.write(np.ascontiguousarray(values, self.dtype).data.cast("B"))
        self.written += len(values)

    def close(self) -> ColumnFile:
        """Finish the file and return the column."""
        self._stream.close()
        if self.written != self.shape[0]:
            raise ValueError(f"{self.written} rows in a column of {self.shape[0]}")
        return ColumnFile.open(self.path)

    def __enter__(self) -> ColumnWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stream.close()
