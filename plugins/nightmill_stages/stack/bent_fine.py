"""Drops of bent frames on a finer grid.

As in `drizzle` (Fruchter & Hook 2002, PASP 114, 144, doi:10.1086/338393) every raw sample is a square drop that shares
itself among the output pixels it overlaps, by area. Where shifts differ from place to place the areas do too, so they
are worked out for every output pixel of every frame; within a pixel the bending is taken as a shift.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .mapping import Way
from .phases import Envelope, Layout
from .sums import cleaned, count_in, empty_sums

__all__ = ["add_bent_fine", "empty_bent_fine", "finer"]

Array = NDArray[Any]
Float = NDArray[np.float32]


def finer(picture: Float, scale: int) -> Float:
    """Return a picture (h, w) or (3, h, w) on a finer grid, (h * scale, w * scale, channels) float32."""
    planes = np.moveaxis(picture, 0, -1) if picture.ndim == 3 else picture[..., None]
    height, width = planes.shape[:2]
    large = cv2.resize(np.ascontiguousarray(planes), (width * scale, height * scale), interpolation=cv2.INTER_CUBIC)
    return np.asarray(large, np.float32).reshape(height * scale, width * scale, planes.shape[2])


def empty_bent_fine(layout: Layout, scale: int) -> dict[str, Array]:
    """Return sums of nothing on the finer grid, one plane or three, a weight for each colour of a pixel."""
    shape = (layout.height * scale, layout.width * scale, layout.channels)
    return empty_sums(shape, shape)


def add_bent_fine(
    sums: dict[str, Array],
    layout: Layout,
    drop: float,
    frame: Array,
    half: int,
    way: Way,
    gain: float,
    expected: Envelope,
    picture: Float,
) -> None:
    """Let the samples of one frame fall onto the sums, in place.

    Parameters
    ----------
    sums : dict
        As made by `empty_bent_fine`.
    layout : Layout
    drop : float
        Width of the drops, camera pixels, 0 to 1.
    frame, half, way, gain, expected
        As in `bent.add_bent`; what `way` has of every pixel is on the finer grid.
    picture : ndarray of float32, shape (h * scale, w * scale, channels)
        What differences refer to, ADU.
    """
    shift, field, seen = way.shift, way.field, way.seen
    values = cleaned(sums, layout, frame, shift, gain, expected)
    if values is None:
        return
    rows = field[0] + np.float32(shift[0] + layout.top)
    columns = field[1] + np.float32(shift[1] + layout.left)
    low_rows, low_columns = np.floor(rows), np.floor(columns)
    scale = rows.shape[0] // layout.height
    weight = np.float32(seen.weight) if not isinstance(seen.weight, np.ndarray) else seen.weight
    for down in (0, 1):
        share_down = _overlap(rows - low_rows - np.float32(down), scale, drop)
        for across in (0, 1):
            share = share_down * _overlap(columns - low_columns - np.float32(across), scale, drop) * weight
            at_rows, at_columns = low_rows + np.float32(down), low_columns + np.float32(across)
            sample = cv2.remap(
                values,
                at_columns,
                at_rows,
                cv2.INTER_NEAREST,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=(float("nan"),) * 4,
            )
            sample = seen.lit(sample)
            site = (at_rows.astype(np.int32) & 1) * 2 + (at_columns.astype(np.int32) & 1) if layout.cfa else None
            for channel in range(layout.channels):
                one = sample[..., channel] if sample.ndim == 3 else sample
                mine = np.where(np.isfinite(one), share, np.float32(0))
                if layout.cfa and site is not None:
                    mine *= np.array([name == "RGB"[channel] for name in layout.cfa], np.float32)[site]
                difference = np.where(mine > 0, one - picture[..., channel], np.float32(0))
                count_in(sums, half, channel, difference, mine)
    sums["frames"][half] += 1


def _overlap(offset: Float, scale: int, drop: float) -> Float:
    """Return the share of a drop, along an axis, that falls onto an output pixel whose middle lies `offset` away."""
    reach = np.float32(0.5 / scale + 0.5 * drop)
    most = np.float32(min(1 / scale, drop))
    return np.clip(reach - np.abs(offset), 0, most) / np.float32(drop)
