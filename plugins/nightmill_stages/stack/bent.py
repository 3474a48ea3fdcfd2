"""Adding up frames that the air has bent: each is resampled once, through its mesh of local shifts.

Where shifts differ from place to place there are no common phases, so every frame goes through one bicubic mapping
(global shift and mesh together) after its impulses were rejected in its own integers.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill import stage

from .mapping import Bending, Way
from .phases import Envelope, Layout, misfits
from .sums import empty_sums

__all__ = ["add_bent", "empty_bent", "mean_of", "variance_of"]

Array = NDArray[Any]
Float = NDArray[np.float32]
Strip = tuple[slice, slice]

STRIP_PIXELS = 2**15
"""Pixels that are worked on at a time."""

BANDS = 4
"""Parts of a frame that may be worked on at the same time."""


def empty_bent(layout: Layout) -> dict[str, Array]:
    """Return sums of nothing; the colours of a pixel share their weight."""
    return empty_sums(layout.frame_shape, (layout.height, layout.width))


def add_bent(
    sums: dict[str, Array],
    layout: Layout,
    frame: Array,
    half: int,
    way: Way,
    gain: float,
    expected: Envelope,
    each: stage.Each = stage.in_turn,
) -> None:
    """Add one frame to the sums, in place.

    Parameters
    ----------
    sums : dict
        As made by `empty_bent`.
    layout : Layout
    frame : ndarray, shape `layout.frame_shape`
        ADU, any dtype.
    half : {0, 1}
        Which half-set it belongs to.
    way : Way
        Where it shows what.
    gain : float
        Brightness relative to the reference.
    expected : Envelope
        Of the reference, wide enough for the bending.
    each : function
        Bands of the frame go through it.
    """
    shift, field, seen = way.shift, way.field, way.seen
    iy, ix = int(np.floor(shift[0] + 0.5)), int(np.floor(shift[1] + 0.5))
    both = layout.overlap(iy, ix)
    if both is None:
        return
    where, inside = both
    bands = _bands(where, layout.width)
    moved, hits = _moved(layout, frame[inside], where, gain, expected, lambda lay: each(lay, bands))
    sums["clipped"] += hits
    rest = shift[0] - iy, shift[1] - ix

    def count(strips: list[Strip]) -> None:
        for strip in strips:
            if isinstance(field, Bending):
                rows, columns = field.at(strip, rest)
            else:
                rows, columns = (one[strip] + np.float32(left) for one, left in zip(field, rest, strict=True))
            warped = cv2.remap(moved, columns, rows, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
            warped = seen.lit(warped, strip)
            _add_strip(sums, half, strip, cv2.subtract(warped, expected.centre[0][strip], dst=warped), seen.weight)

    # Outside the overlap nothing was seen: no difference, no weight.
    each(count, bands)
    sums["frames"][half] += 1


def _bands(where: Strip, width: int) -> list[list[Strip]]:
    """Cut what was seen into some rows at a time, and share these out.

    A cache near the core holds a strip: a frame of megapixels would go through the machine's memory a dozen times.
    """
    step = max(STRIP_PIXELS // width, 8)
    firsts = range(where[0].start, where[0].stop, step)
    strips = [(slice(first, min(first + step, where[0].stop)), where[1]) for first in firsts]
    share = -(-len(strips) // BANDS)
    return [strips[first : first + share] for first in range(0, len(strips), share)]


def _moved(
    layout: Layout,
    part: Array,
    where: Strip,
    gain: float,
    expected: Envelope,
    over_bands: Callable[[Callable[[list[Strip]], int]], list[int]],
) -> tuple[Float, int]:
    """Return a frame where the reference has it, over its gain, and the number of impulses.

    These, and what the frame does not show, are as expected.
    """
    centre, low, high = expected.centre[0], expected.low[0], expected.high[0]
    moved = np.empty(layout.frame_shape, np.float32)
    above, below, left, right = where[0].start, where[0].stop, where[1].start, where[1].stop
    for beyond in (np.s_[:above], np.s_[below:], np.s_[above:below, :left], np.s_[above:below, right:]):
        moved[beyond] = centre[beyond]

    def lay(strips: list[Strip]) -> int:
        hits = 0
        for strip in strips:
            piece, target = part[strip[0].start - above : strip[0].stop - above], moved[strip]
            target[...] = piece
            if gain != 1:
                target *= np.float32(1 / gain)
            hit = misfits(piece, low[strip], high[strip])
            if hit is not None:
                target[hit] = centre[strip][hit]
                hits += int(np.count_nonzero(hit))
        return hits

    return moved, sum(over_bands(lay))


def _add_strip(
    sums: dict[str, Array], half: int, strip: tuple[slice, slice], difference: Float, weight: Float | float
) -> None:
    total, square = sums["sum"][half][strip], sums["square"][strip]
    mass, mass2 = sums["weight"][half][strip], sums["weight2"][strip]
    if isinstance(weight, np.ndarray):
        local = weight[strip]
        weighted = cv2.multiply(difference, local) if difference.ndim == 2 else difference * local[..., None]
        cv2.accumulate(weighted, total)
        cv2.accumulateProduct(weighted, difference, square)
        cv2.accumulate(local, mass)
        cv2.accumulateSquare(local, mass2)
    else:
        cv2.scaleAdd(difference, weight, total, total)
        if weight == 1:
            cv2.accumulateSquare(difference, square)
        else:
            cv2.accumulateProduct(difference, difference * np.float32(weight), square)
        mass += np.float32(weight)
        mass2 += np.float32(weight**2)


def mean_of(total: Array, weight: Array, centre: Float) -> Float:
    """Return centre + total / weight as (h, w) or (3, h, w), NaN without weight."""
    each = weight if total.ndim == weight.ndim else weight[..., None]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(each > 0, centre + total / each, np.nan).astype(np.float32)
    return np.moveaxis(mean, -1, 0) if mean.ndim == 3 else mean


def variance_of(sums: dict[str, Array]) -> tuple[Float, Float]:
    """Return the variance of a resampled sample about the mean, and the variance of the mean, ADU squared.

    Shapes (h, w) or (3, h, w). With weights w: var = sum w (d - mean)^2 / (W - W2 / W), of the mean var x W2 / W^2.
    """
    pair = np.empty((2, *sums["square"].shape), np.float32)
    # In float64, and so some rows at a time: of a frame of megapixels that takes a hundred megabytes less.
    step = max(STRIP_PIXELS // sums["square"].shape[1], 8)
    for first in range(0, pair.shape[1], step):
        rows = slice(first, first + step)
        total, weight = (sums[name][:, rows].sum(axis=0, dtype=np.float64) for name in ("sum", "weight"))
        squares = sums["weight2"][rows].astype(np.float64)
        each, each2 = (weight[..., None], squares[..., None]) if total.ndim > weight.ndim else (weight, squares)
        safe = np.maximum(each, 1e-12)
        freedom = np.maximum(each - each2 / safe, 1e-12)
        single = np.maximum(sums["square"][rows] - total**2 / safe, 0) / freedom
        pair[0, rows], pair[1, rows] = single, single * each2 / safe**2
    if pair.ndim == 4:
        return np.ascontiguousarray(np.moveaxis(pair[0], -1, 0)), np.ascontiguousarray(np.moveaxis(pair[1], -1, 0))
    return pair[0], pair[1]
