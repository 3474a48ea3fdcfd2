"""Adding up bent frames from behind a colour filter array: every raw sample as a correction to a picture of its colour.

Each pixel of the result takes the raw sample nearest to where the mesh says it lies, whatever colour that has, and
compares it with what the reference picture of that colour has at the sample's exact place. The mean difference corrects
the reference (the back-projection of Irani & Peleg 1991, CVGIP 53, 231, doi:10.1016/1049-9652(91)90045-L). No colour is
interpolated; samples miss the pixel by up to half a pixel either way, which softens the correction by a known factor.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

from .mapping import Way
from .phases import Envelope, Layout
from .sums import cleaned, count_in, empty_sums

__all__ = ["add_bent_mosaic", "corrected", "dense", "empty_bent_mosaic", "noise_energy", "spread"]

Array = NDArray[Any]
Float = NDArray[np.float32]


SPREAD_PX = 0.7
"""Standard deviation over which samples of a colour are shared where they are few."""

ENOUGH = 6.0
"""Samples of each colour on nearly every pixel with which sharing is not needed."""


def dense(weight: Array) -> bool:
    """Say whether nearly every pixel seen has samples enough of every colour, by sums of weights (..., h, w, 3)."""
    mass = weight.reshape(-1, 3)
    seen = mass[mass.max(axis=1) > 0.1 * mass.max()]
    return bool(len(seen) and np.percentile(seen, 2) >= ENOUGH)


def spread(values: Array, wide: bool) -> Array:
    """Share sums with neighbouring pixels where that is needed, (..., h, w, 3), same dtype."""
    if not wide:
        return values
    flat = values.reshape(-1, *values.shape[-3:])
    return np.stack([cv2.GaussianBlur(one, (5, 5), SPREAD_PX) for one in flat]).reshape(values.shape)


def _box(length: int) -> Array:
    """Return what is lost along an axis because samples lie anywhere within half a pixel, in the cosine domain."""
    return np.sinc(np.arange(length) / (2 * length)).astype(np.float32)


def noise_energy(wide: bool, shape: tuple[int, int]) -> float:
    """Return the noise power of a pixel of the corrected picture over that of the mean of the samples on it."""
    if wide:
        return float((cv2.getGaussianKernel(5, SPREAD_PX) ** 2).sum() ** 2)
    return float(np.prod([np.mean(_box(length).astype(np.float64) ** -2.0) for length in shape]))


def corrected(total: Array, weight: Array, picture: Float, wide: bool) -> Float:
    """Return the picture (3, h, w) with the mean correction added; where nothing was seen it stays as it was.

    Parameters
    ----------
    total, weight : ndarray, shape (h, w, 3)
        Sums of weighted differences, and of weights.
    picture : ndarray of float32, shape (h, w, 3)
        What the differences refer to.
    wide : bool
        Samples are few, see `dense`: they are shared with neighbouring pixels. Otherwise what is lost by the scatter of
        samples within a pixel is known, and undone: the result then depends on the samples alone.
    """
    mass = spread(weight.astype(np.float32), wide)
    change = spread(total.astype(np.float32), wide) / np.maximum(mass, 1e-6)
    change[mass <= 1e-3] = 0
    if not wide:
        loss = (_box(change.shape[0])[:, None] * _box(change.shape[1])[None, :])[..., None]
        waves = scipy.fft.dctn(change, axes=(0, 1), norm="ortho", workers=1)
        change = scipy.fft.idctn(waves / loss, axes=(0, 1), norm="ortho", workers=1)
    return np.moveaxis(picture + change, -1, 0).astype(np.float32)


def empty_bent_mosaic(layout: Layout) -> dict[str, Array]:
    """Return sums of nothing, a weight for each colour of a pixel."""
    shape = (layout.height, layout.width, 3)
    return empty_sums(shape, shape)


def add_bent_mosaic(
    sums: dict[str, Array],
    layout: Layout,
    frame: Array,
    half: int,
    way: Way,
    gain: float,
    expected: Envelope,
    picture: Float,
) -> None:
    """Add one frame to the sums, in place.

    Parameters
    ----------
    sums : dict
        As made by `empty_bent_mosaic`.
    layout : Layout
        With a colour filter array.
    frame : ndarray, shape (h, w)
        ADU, any dtype.
    half : {0, 1}
        Which half-set it belongs to.
    way : Way
        Where it shows what.
    gain : float
        Brightness relative to the reference.
    expected : Envelope
        Of the reference, wide enough for the bending; by parity of the whole shift.
    picture : ndarray of float32, shape (h, w, 3)
        The reference, ADU.
    """
    assert layout.cfa is not None
    height, width = layout.height, layout.width
    shift, field, seen = way.shift, way.field, way.seen
    values = cleaned(sums, layout, frame, shift, gain, expected)
    if values is None:
        return
    # In the frame's own grid, where parity tells colours apart.
    rows = field[0] + np.float32(shift[0] + layout.top)
    columns = field[1] + np.float32(shift[1] + layout.left)
    near_rows, near_columns = np.rint(rows), np.rint(columns)
    sample = cv2.remap(
        values, near_columns, near_rows, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=float("nan")
    )
    sample = seen.lit(sample)
    weight = seen.weight
    # Where on the reference the nearest sample lies: off the pixel by what rounding took away.
    rows -= near_rows
    columns -= near_columns
    np.subtract(np.arange(height, dtype=np.float32)[:, None], rows, out=rows)
    np.subtract(np.arange(width, dtype=np.float32)[None, :], columns, out=columns)
    there = cv2.remap(picture, columns, rows, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    site = (near_rows.astype(np.int32) & 1) * 2 + (near_columns.astype(np.int32) & 1)
    usable = np.isfinite(sample)
    for channel, name in enumerate("RGB"):
        mask = np.zeros(4, bool)
        mask[[index for index in range(4) if layout.cfa[index] == name]] = True
        mine = (mask[site] & usable).astype(np.float32)
        difference = np.where(mine > 0, sample - there[..., channel], np.float32(0))
        if isinstance(weight, np.ndarray) or weight != 1:
            mine *= weight
        count_in(sums, half, channel, difference, mine)
    sums["frames"][half] += 1
