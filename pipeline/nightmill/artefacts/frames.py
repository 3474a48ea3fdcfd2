"""A chunk of frames in memory, on its way from a file through the stages. Never stored."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Frames"]


@dataclass(frozen=True)
class Frames:
    """Some frames of one capture.

    Attributes
    ----------
    data : ndarray of shape (n, h, w) or (n, h, w, 3)
        uint8, uint16 or float32, in ADU. May be read-only: stages never write into it.
    numbers : ndarray of int64, shape (n,)
        0-based frame numbers within the capture, increasing.
    utc : ndarray of float64, shape (n,)
        POSIX seconds of the start of each frame; NaN when not known.
    full_scale : float
        The value at which a sample saturates, in the unit of `data`.
    cfa : str or None
        Colour filter array of `data` ("RGGB" ...), or None.
    """

    data: NDArray[Any]
    numbers: NDArray[np.int64]
    utc: NDArray[np.float64]
    full_scale: float
    cfa: str | None = None

    def __len__(self) -> int:
        return len(self.numbers)

    def replace(self, **changes: Any) -> Frames:
        """Return a copy with some attributes changed."""
        return dataclasses.replace(self, **changes)
