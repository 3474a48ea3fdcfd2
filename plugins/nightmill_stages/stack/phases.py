"""Adding frames up without resampling them: one sum for every sub-pixel phase and colour parity.

A frame that lies (iy + fy, ix + fx) pixels off is moved by the whole pixels, which costs nothing and changes no value,
and added to the sum of its fraction (fy, fx). Behind a colour filter array the parity of the whole shift says which
colour each sample has, so parities are kept apart too. Only the few sums are resampled, once, at the end
(`reconstruct`). What is summed are differences from a reference picture: small numbers lose nothing in float32, and a
sample that is missing or rejected is simply no difference.

Samples outside an envelope around the reference (its smallest and largest value within a pixel, plus five times the
noise) are rejected in the frame's own integers, before any interpolation could smear a cosmic ray.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Envelope", "Layout", "add", "choose_phases", "empty", "envelope", "misfits", "mosaic", "residuals"]

Array = NDArray[Any]
BUDGET = 48 * 2**20
"""Bytes that the sums of one partial result may take."""


@dataclass(frozen=True)
class Layout:
    """Shape of the sums.

    Attributes
    ----------
    height, width : int
        Of the part of the reference that is stacked; usually the planet's box, else a frame.
    planes : int
        Of a frame as read.
    cfa : str or None
        Colour filter array.
    phases : int
        Sub-pixel phases along each axis.
    top, left : int
        Where the sums begin in the reference; even behind a colour filter array, so that its pattern stays the same.
    sensor : (int, int) or None
        Rows and columns of a frame where the sums cover only a part of it.
    """

    height: int
    width: int
    planes: int
    cfa: str | None
    phases: int
    top: int = 0
    left: int = 0
    sensor: tuple[int, int] | None = None

    @property
    def parities(self) -> int:
        """1, or 4 behind a colour filter array."""
        return 4 if self.cfa else 1

    @property
    def channels(self) -> int:
        """Colours of the result."""
        return 3 if self.cfa or self.planes == 3 else 1

    @property
    def frame_shape(self) -> tuple[int, ...]:
        """Shape of a frame, or of the part of it that is stacked."""
        return (self.height, self.width) if self.planes == 1 else (self.height, self.width, self.planes)

    def overlap(self, iy: int, ix: int) -> tuple[tuple[slice, slice], tuple[slice, slice]] | None:
        """Return what a frame, moved by whole pixels, shows of the part that is stacked.

        Returns
        -------
        (slice, slice), (slice, slice) or None
            The place in the sums, and the place in the frame; None when there is none.
        """
        rows, columns = self.sensor or (self.height, self.width)
        where, inside = [], []
        for step, size, length in ((iy + self.top, self.height, rows), (ix + self.left, self.width, columns)):
            first, last = max(0, -step), min(size, length - step)
            if last <= first:
                return None
            where.append(slice(first, last))
            inside.append(slice(first + step, last + step))
        return (where[0], where[1]), (inside[0], inside[1])


@dataclass(frozen=True)
class Envelope:
    """What samples are expected to be, for each parity, in the frames' grid: `centre`, and from `low` to `high`.

    Arrays of shape (parities, *frame): `centre` float32 ADU, the others of the frames' dtype.
    """

    centre: NDArray[np.float32]
    low: Array
    high: Array


def choose_phases(height: int, width: int, planes: int, cfa: str | None) -> int:
    """Choose the number of phases along an axis: as many as the memory allows, 1 to 3.

    The scatter within a phase costs little sharpness, and that little is known and undone; small sums stay in cache.
    """
    one = 2 * (4 if cfa else 1) * height * width * planes * 4
    return int(np.clip(np.sqrt(BUDGET / one), 1, 3))


def empty(layout: Layout) -> dict[str, Array]:
    """Return sums of nothing.

    "sum": weighted differences, (2 halves, parities, phases, phases, *frame) float32; "square": weighted squares of
    them, (parities, *frame); "weight", "weight2": sums of weights and of their squares, (2, parities, phases, phases);
    "moment": weight times fractional shift (..., 2); "rejected": weight of missing and rejected samples, (h, w);
    "frames": frames in each half.
    """
    bins = (2, layout.parities, layout.phases, layout.phases)
    return {
        "sum": np.zeros((*bins, *layout.frame_shape), np.float32),
        "square": np.zeros((layout.parities, *layout.frame_shape), np.float32),
        "weight": np.zeros(bins),
        "weight2": np.zeros(bins),
        "moment": np.zeros((*bins, 2)),
        "rejected": np.zeros((layout.height, layout.width), np.float32),
        "clipped": np.zeros(1, np.int64),
        "frames": np.zeros(2, np.int64),
    }


def split(dy: float, dx: float, layout: Layout) -> tuple[int, int, float, float, int, int, int]:
    """Return whole and fractional shifts, the parity's index and the phase's two indices."""
    iy, ix = int(np.floor(dy + 0.5)), int(np.floor(dx + 0.5))
    fy, fx = dy - iy, dx - ix
    py = min(int((fy + 0.5) * layout.phases), layout.phases - 1)
    px = min(int((fx + 0.5) * layout.phases), layout.phases - 1)
    parity = (iy % 2) * 2 + ix % 2 if layout.cfa else 0
    return iy, ix, fy, fx, parity, py, px


def misfits(part: Array, low: Array, high: Array) -> NDArray[np.bool_] | None:
    """Return which samples lie outside `low` to `high`, or are not finite; None when there are none. Same shapes."""
    clipped = cv2.min(cv2.max(part, low), high)
    # OpenCV's norm looks past a NaN; a sum does not.
    lost = part.dtype.kind == "f" and not np.isfinite(part.sum())
    if not lost and cv2.norm(part, clipped, cv2.NORM_INF) == 0:
        return None
    return np.asarray(~((part >= low) & (part <= high)) if lost else part != clipped)


def residuals(
    part: Array, where: tuple[slice, slice], parity: int, expected: Envelope, gain: float
) -> tuple[NDArray[np.float32], NDArray[np.bool_] | None]:
    """Return what a part of a frame, moved by whole pixels, differs from the reference by.

    Parameters
    ----------
    part : ndarray
        Samples of the frame.
    where : (slice, slice)
        Where they lie in the sums.
    parity : int
    expected : Envelope
    gain : float

    Returns
    -------
    difference : ndarray of float32
        Part over gain, less the reference, 0 where rejected.
    rejected : ndarray of bool or None
        Rejected samples, None when there are none.
    """
    low, high = expected.low[parity][where], expected.high[parity][where]
    centre = expected.centre[parity][where]
    difference = part.astype(np.float32)
    if abs(gain - 1) > 1e-6:
        difference *= np.float32(1 / gain)
    rejected = misfits(part, low, high)
    if rejected is not None:
        difference[rejected] = centre[rejected]
    difference -= centre
    return difference, rejected


def add(
    sums: dict[str, Array],
    layout: Layout,
    frame: Array,
    half: int,
    shift: tuple[float, float],
    weight: float,
    gain: float,
    expected: Envelope,
) -> None:
    """Add one frame to the sums, in place.

    Parameters
    ----------
    sums : dict
        As made by `empty`.
    layout : Layout
    frame : ndarray, shape `layout.frame_shape`
        ADU, any dtype.
    half : {0, 1}
        Which half-set it belongs to.
    shift : (float, float)
        frame(y + dy, x + dx) = reference(y, x).
    weight, gain : float
        Its weight; its brightness relative to the reference.
    expected : Envelope
    """
    iy, ix, fy, fx, parity, py, px = split(*shift, layout)
    seen = layout.overlap(iy, ix)
    if seen is None:
        return
    where, inside = seen
    difference, rejected = residuals(frame[inside], where, parity, expected, gain)
    target = sums["sum"][half, parity, py, px][where]
    cv2.scaleAdd(difference, weight, target, target)
    square = sums["square"][parity][where]
    cv2.accumulateProduct(difference, difference * np.float32(weight) if weight != 1 else difference, square)
    index = (half, parity, py, px)
    sums["weight"][index] += weight
    sums["weight2"][index] += weight**2
    sums["moment"][index] += weight * fy, weight * fx
    sums["frames"][half] += 1
    lost = sums["rejected"]
    if rejected is not None:
        sums["clipped"] += int(np.count_nonzero(rejected))
        plane = rejected if rejected.ndim == 2 else rejected.any(axis=2)
        lost[where][plane] += np.float32(weight)
    if difference.shape[:2] != (layout.height, layout.width):
        # Outside the overlap nothing was seen.
        lost[: where[0].start] += np.float32(weight)
        lost[where[0].stop :] += np.float32(weight)
        lost[where[0], : where[1].start] += np.float32(weight)
        lost[where[0], where[1].stop :] += np.float32(weight)


def mosaic(picture: NDArray[np.float32], layout: Layout) -> NDArray[np.float32]:
    """Lay a picture (h, w) or (3, h, w) out as the frames see it, for each parity: (parities, *frame)."""
    if layout.cfa is None:
        return (np.moveaxis(picture, 0, -1) if layout.planes == 3 else picture)[None].astype(np.float32)
    result = np.empty((4, layout.height, layout.width), np.float32)
    for parity in range(4):
        for row in range(2):
            for column in range(2):
                site = ((row + parity // 2) % 2) * 2 + (column + parity % 2) % 2
                result[parity, row::2, column::2] = picture["RGB".index(layout.cfa[site]), row::2, column::2]
    return result


def envelope(
    picture: NDArray[np.float32],
    sigma: NDArray[np.float32],
    layout: Layout,
    dtype: Any,
    clip: float,
    relative: float,
    reach: int = 1,
) -> Envelope:
    """Make the envelope around a reference picture.

    Parameters
    ----------
    picture, sigma : ndarray of float32, shape (h, w) or (3, h, w)
        Reference and noise of a single sample, ADU.
    layout : Layout
    dtype : dtype
        Of the frames.
    clip : float
        Sigmas beyond which a sample is rejected.
    relative : float
        Share of the brightness by which frames may differ besides noise.
    reach : int
        Pixels by which the air moves detail about: neighbours within count as expected values.
    """
    planes = picture[None] if picture.ndim == 2 else picture
    noise = sigma[None] if sigma.ndim == 2 else sigma
    kernel = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
    low, high = np.empty_like(planes), np.empty_like(planes)
    for index, (plane, spread) in enumerate(zip(planes, noise, strict=True)):
        room = np.float32(clip) * spread + np.float32(relative) * np.abs(plane)
        # Seeing moves edges by a pixel and more: the neighbours' values are honest values too.
        low[index] = cv2.erode(cv2.GaussianBlur(plane, (0, 0), 0.6), kernel) - room
        high[index] = cv2.dilate(cv2.GaussianBlur(plane, (0, 0), 0.6), kernel) + room
        low[index] = np.minimum(low[index], plane - room)
        high[index] = np.maximum(high[index], plane + room)

    def laid(values: NDArray[np.float32]) -> NDArray[np.float32]:
        return mosaic(values if layout.channels == 3 else values[0], layout)

    bottom, top = laid(low), laid(high)
    if np.issubdtype(np.dtype(dtype), np.integer):
        limits = np.iinfo(dtype)
        bottom = np.clip(np.floor(bottom), limits.min, limits.max)
        top = np.clip(np.ceil(top), limits.min, limits.max)
    return Envelope(laid(planes), np.ascontiguousarray(bottom.astype(dtype)), np.ascontiguousarray(top.astype(dtype)))
