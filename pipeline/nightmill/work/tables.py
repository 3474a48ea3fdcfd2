"""What the engine does with the columns of a frame table: measured rows put among those of all frames."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["spread"]


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
