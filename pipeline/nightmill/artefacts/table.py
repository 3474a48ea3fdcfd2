"""One row a frame: what the survey stages measured and concluded."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["FrameTable"]


class FrameTable(Mapping[str, NDArray[Any]]):
    """Named columns of equal length, one row a frame, in order of the frame numbers.

    Parameters
    ----------
    columns : mapping of str to ndarray
        Arrays of shape (n,) or (n, ...). Every table has "number" (int64) and "utc" (float64 POSIX seconds).
        Rows of frames that a stage did not measure hold NaN (floats) or 0 (integers, flags).
    """

    def __init__(self, columns: Mapping[str, NDArray[Any]]) -> None:
        self._columns = {name: np.asarray(values) for name, values in columns.items()}
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

    def with_columns(self, columns: Mapping[str, NDArray[Any]]) -> FrameTable:
        """Return a table with columns added or replaced."""
        return FrameTable({**self._columns, **columns})

    def take(self, rows: NDArray[Any] | slice) -> FrameTable:
        """Return the table of some rows, by mask, indices or slice."""
        return FrameTable({name: values[rows] for name, values in self._columns.items()})

    @classmethod
    def join(cls, parts: Iterable[FrameTable]) -> FrameTable:
        """Put tables of the same columns one below the other."""
        parts = list(parts)
        return cls({name: np.concatenate([part[name] for part in parts]) for name in parts[0]})

    def save(self, folder: Path) -> None:
        """Write `table.fits`, one FITS binary table, into `folder`."""
        from astropy.io import fits
        from astropy.table import Table

        from .fitsio import image_hdu, write_hdus

        table = fits.table_to_hdu(Table(dict(self._columns), copy=False))
        table.name = "FRAMES"
        write_hdus(folder / "table.fits", [image_hdu(None), table])

    @classmethod
    def load(cls, folder: Path) -> FrameTable:
        """Read `table.fits` from `folder`."""
        from astropy.io import fits

        with fits.open(folder / "table.fits", memmap=False) as hdus:
            data = hdus["FRAMES"].data
            # FITS is big-endian; the arithmetic, and its bits, want the native order.
            return cls({n: _native(np.asarray(data[n])) for n in data.columns.names})


def _native(values: NDArray[Any]) -> NDArray[Any]:
    return np.ascontiguousarray(values.astype(values.dtype.newbyteorder("="), copy=False))
