"""What the engine does with the columns of a frame table: measured rows put among those of all frames.

Wide columns (a mesh for every frame) go from file to file, a few megabytes at a time.
"""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..artefacts import FrameTable
from ..artefacts.columns import ColumnFile, ColumnWriter, is_wide, step_rows

__all__ = ["RangeWriter", "add_concluded", "add_measured", "aside", "spread"]

Column = NDArray[Any]


class RangeWriter:
    """Writes the table of a range, chunk by chunk, into a folder.

    Parameters
    ----------
    folder : Path
    rows : int
        Frames that will be measured.
    """

    def __init__(self, folder: Path, rows: int) -> None:
        self.folder, self.rows = folder, rows
        self._narrow: dict[str, list[Column]] = {}
        self._wide: dict[str, ColumnWriter] = {}

    def add(self, columns: Mapping[str, Column]) -> None:
        """Append the rows of a chunk."""
        for name, values in columns.items():
            if name in self._wide:
                self._wide[name].write(values)
            elif name not in self._narrow and is_wide(values):
                self._wide[name] = ColumnWriter(self.folder / f"{name}.npy", self.rows, values)
                self._wide[name].write(values)
            else:
                self._narrow.setdefault(name, []).append(values)

    def close(self) -> None:
        """Finish the table."""
        for writer in self._wide.values():
            writer.close()
        found = {name: np.concatenate(values) for name, values in self._narrow.items()}
        FrameTable(found or {"number": np.zeros(0, np.int64)}).save(self.folder)

    def __enter__(self) -> RangeWriter:
        return self

    def __exit__(self, *_: object) -> None:
        for writer in self._wide.values():
            writer.__exit__(None, None, None)


@contextlib.contextmanager
def aside(folder: Path) -> Iterator[Path]:
    """Give a folder beside the product's, for what is not part of it; what is still open stays for the next run."""
    beside = folder.with_name(f"{folder.name}.aside")
    beside.mkdir()
    try:
        yield beside
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def add_measured(table: FrameTable, parts: Sequence[FrameTable], beside: Path) -> FrameTable:
    """Return the table with what was measured in ranges, in their order; wide columns are written into `beside`."""
    rows = np.concatenate([part["number"] for part in parts])
    found: dict[str, Column] = {}
    files: dict[str, ColumnFile] = {}
    for name in parts[0]:
        if name == "number":
            continue
        if all(name in part.files for part in parts):
            files[name] = _gathered(name, [part.files[name] for part in parts], rows, table, beside)
        else:
            found[name] = spread(np.concatenate([part[name] for part in parts]), rows, table.rows, table.get(name))
    return table.with_columns(found, files)


def add_concluded(table: FrameTable, columns: Mapping[str, Any], beside: Path) -> FrameTable:
    """Return the table with what a survey concluded; columns that come in parts are written into `beside`."""
    found: dict[str, Column] = {}
    files: dict[str, ColumnFile] = {}
    for name, values in columns.items():
        if not isinstance(values, Iterator):
            found[name] = np.asarray(values)
            continue
        # The column of this name may still be read while its successor is written.
        path = beside / f"{name}-{len(list(beside.iterdir()))}.npy"
        first = np.asarray(next(values))
        with ColumnWriter(path, table.rows, first) as writer:
            writer.write(first)
            for part in values:
                writer.write(np.asarray(part))
            files[name] = writer.close()
    return table.with_columns(found, files)


def _gathered(
    name: str, parts: Sequence[ColumnFile], rows: NDArray[np.int64], table: FrameTable, beside: Path
) -> ColumnFile:
    """Write a wide column of all frames from those of the ranges; as `spread` says."""
    blank = np.zeros((1, *parts[0].shape[1:]), np.result_type(*(part.dtype for part in parts)))
    before = table[name] if name in table and table[name].shape[1:] == blank.shape[1:] else None
    if before is not None and len(rows) < table.rows:
        blank = blank.astype(np.promote_types(before.dtype, blank.dtype))
    fill = np.nan if np.issubdtype(blank.dtype, np.floating) else 0
    edges = np.cumsum([0, *(part.shape[0] for part in parts)])
    with ColumnWriter(beside / f"{name}.npy", table.rows, blank) as writer:
        for start in range(0, table.rows, step := step_rows(blank)):
            stop = min(start + step, table.rows)
            if before is None:
                block = np.full((stop - start, *blank.shape[1:]), fill, blank.dtype)
            else:
                block = before[start:stop].astype(blank.dtype)
            first, last = np.searchsorted(rows, [start, stop])
            for part, low, high in zip(parts, edges, edges[1:], strict=False):
                here = np.arange(max(first, low), min(last, high))
                if len(here):
                    block[rows[here] - start] = part.take(here - low)
            writer.write(block)
        return writer.close()


def spread(
    values: NDArray[Any], rows: NDArray[np.int64], count: int, before: NDArray[Any] | None = None
) -> NDArray[Any]:
    """Put the values of measured frames into a column of all frames.

    Parameters
    ----------
    values : ndarray, shape (measured, ...)
    rows : ndarray of int64, shape (measured,)
        Their frames.
    count : int
        Frames in all.
    before : ndarray, shape (count, ...), or None
        The column as an earlier survey left it: it stays where nothing was measured now. One whose entries have
        another shape is another column.

    Returns
    -------
    ndarray, shape (count, ...)
        What no survey measured is NaN, or 0 in columns that know no NaN.
    """
    if len(rows) == count:
        return values
    if before is not None and before.shape[1:] == values.shape[1:]:
        column = before.astype(np.promote_types(before.dtype, values.dtype))
    else:
        fill = np.nan if np.issubdtype(values.dtype, np.floating) else 0
        column = np.full((count, *values.shape[1:]), fill, values.dtype)
    column[rows] = values
    return column
