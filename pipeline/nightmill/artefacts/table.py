"""One row a frame: what the survey stages measured and concluded."""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .columns import ColumnFile, ColumnWriter, is_wide, step_rows

__all__ = ["FrameTable"]


class FrameTable(Mapping[str, NDArray[Any]]):
    """Named columns of equal length, one row a frame, in order of the frame numbers.

    Parameters
    ----------
    columns : mapping of str to ndarray
        Arrays of shape (n,) or (n, ...). Every table has "number" (int64) and "utc" (float64 POSIX seconds).
        Rows of frames that no stage measured hold NaN (floats) or 0 (integers, flags). A column may also be given
        as an iterator of its parts, one below the other.
    files : mapping of str to ColumnFile
        Further columns that lie on disk. They look like any other, read-only; of a table with many frames they are
        best gone through by `blocks`, which never holds more than a few megabytes.
    """

    def __init__(
        self,
        columns: Mapping[str, NDArray[Any] | Iterator[NDArray[Any]]],
        files: Mapping[str, ColumnFile] | None = None,
    ) -> None:
        self._files = dict(files or {})
        self._columns: dict[str, NDArray[Any]] = {}
        for name, values in columns.items():
            self._columns[name] = np.concatenate(list(values)) if isinstance(values, Iterator) else np.asarray(values)
        self._columns |= {name: file.mapped() for name, file in self._files.items()}
        lengths = {name: len(values) for name, values in self._columns.items()}
        if len(set(lengths.values())) > 1:
            raise ValueError(f"columns of different length: {lengths}")
        self._length = next(iter(lengths.values()), 0)

    def __getitem__(self, name: str) -> NDArray[Any]:
        try:
            return self._columns[name]
        except KeyError:
            raise KeyError(f"no column {name!r}; there are {', '.join(self._columns)}") from None

    def __iter__(self) -> Iterator[str]:
        return iter(self._columns)

    def __len__(self) -> int:
        """Number of columns, as for any mapping; `rows` is the number of frames."""
        return len(self._columns)

    @property
    def rows(self) -> int:
        """Number of frames."""
        return self._length

    @property
    def files(self) -> Mapping[str, ColumnFile]:
        """The columns that lie on disk."""
        return self._files

    def with_columns(
        self,
        columns: Mapping[str, NDArray[Any] | Iterator[NDArray[Any]]],
        files: Mapping[str, ColumnFile] | None = None,
    ) -> FrameTable:
        """Return a table with columns added or replaced; `files` are those that lie on disk."""
        new = {*columns, *(files or ())}
        held = {name: values for name, values in self._columns.items() if name not in self._files and name not in new}
        kept = {name: file for name, file in self._files.items() if name not in new}
        return FrameTable({**held, **columns}, {**kept, **(files or {})})

    def without(self, names: Iterable[str]) -> FrameTable:
        """Return a table that lacks some columns."""
        gone = set(names)
        held = {name: values for name, values in self._columns.items() if name not in gone and name not in self._files}
        return FrameTable(held, {name: file for name, file in self._files.items() if name not in gone})

    def take(self, rows: NDArray[Any] | slice) -> FrameTable:
        """Return the table of some rows, by mask, indices or slice; all of it in memory."""
        found = {name: values[rows] for name, values in self._columns.items() if name not in self._files}
        if self._files:
            numbers = np.arange(self._length)[rows]
            found |= {name: file.take(numbers) for name, file in self._files.items()}
        return FrameTable(found)

    def blocks(
        self, name: str, mask: NDArray[np.bool_] | None = None
    ) -> Iterator[tuple[NDArray[np.int64], NDArray[Any]]]:
        """Go through a column a few megabytes at a time, so that memory does not grow with the number of frames.

        Parameters
        ----------
        name : str
        mask : ndarray of bool, shape (rows,), or None
            Rows wanted; all by default.

        Yields
        ------
        rows : ndarray of int64, shape (n,)
            Increasing; cut in the same way every time.
        values : ndarray, shape (n, ...)
        """
        column, file = self[name], self._files.get(name)
        wanted = np.arange(self._length) if mask is None else np.flatnonzero(mask)
        step = step_rows(column)
        for start in range(0, len(wanted), step):
            rows = wanted[start : start + step]
            yield rows, column[rows] if file is None else file.take(rows)

    @classmethod
    def join(cls, parts: Iterable[FrameTable]) -> FrameTable:
        """Put tables of the same columns one below the other."""
        parts = list(parts)
        return cls({name: np.concatenate([part[name] for part in parts]) for name in parts[0]})

    def save(self, folder: Path) -> None:
        """Write `table.fits`, one FITS binary table, into `folder`, and each wide column as `NAME.npy` beside it."""
        from astropy.io import fits
        from astropy.table import Table

        from .fitsio import image_hdu, write_hdus

        wide = {name for name, values in self._columns.items() if name in self._files or is_wide(values)}
        for name in sorted(wide):
            if name in self._files:
                shutil.copyfile(self._files[name].path, folder / f"{name}.npy")
                continue
            with ColumnWriter(folder / f"{name}.npy", self._length, self._columns[name]) as writer:
                for _, values in self.blocks(name):
                    writer.write(values)
                writer.close()
        narrow = {name: values for name, values in self._columns.items() if name not in wide}
        table = fits.table_to_hdu(Table(narrow, copy=False))
        table.name = "FRAMES"
        write_hdus(folder / "table.fits", [image_hdu(None), table])

    @classmethod
    def load(cls, folder: Path) -> FrameTable:
        """Read what `save` wrote; wide columns stay on disk."""
        from astropy.io import fits

        files = {path.stem: ColumnFile.open(path) for path in sorted(folder.glob("*.npy"))}
        with fits.open(folder / "table.fits", memmap=False) as hdus:
            data = hdus["FRAMES"].data
            # FITS is big-endian; the arithmetic, and its bits, want the native order.
            return cls({n: _native(np.asarray(data[n])) for n in data.columns.names}, files)


def _native(values: NDArray[Any]) -> NDArray[Any]:
    return np.ascontiguousarray(values.astype(values.dtype.newbyteorder("="), copy=False))
