"""Lays the pictures of a night on one canvas and bends them for the eye with common levels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts.srgb import srgb_encode

from .placing import Place, Seen

__all__ = ["Canvas", "canvas_for", "lay", "light_in", "shown"]

_LEAST_PX = 240
"""Narrowest frame: smaller ones are enlarged, or the time would not fit below them."""
_ROOM = 1.15
"""A frame holds at least the disc, or the rings, times this."""


@dataclass(frozen=True)
class Canvas:
    """What all frames of a sequence share.

    Attributes
    ----------
    width, height : int
        Pixels, even (video wants it).
    centre_px : tuple of float
        Column and row of the object's middle.
    unit_px : float
        Radius of its disc.
    """

    width: int
    height: int
    centre_px: tuple[float, float]
    unit_px: float


def canvas_for(seen: Sequence[Seen], places: Sequence[Place], *, most_px: int, reach_radii: float = 1.0) -> Canvas:
    """Choose a canvas that shows what most of the pictures show.

    Parameters
    ----------
    seen, places : sequences
        As in `place_all`.
    most_px : int
        Longest side; what is larger is cut first, down to the object with some room, and then shrunk.
    reach_radii : float
        Reach of the object from its middle, in radii of its disc (rings reach further than 1).

    Returns
    -------
    Canvas
        As fine as the finest of the pictures, or finer by a whole number where that would be too small.
    """
    unit = max(place.unit_px for place in places)
    # How far each picture reaches from the object to the right, left, down and up, once it lies as wanted.
    reaches = []
    for one, place in zip(seen, places, strict=True):
        rows, columns = one.shape
        to_wanted = np.linalg.inv(place.matrix((0.0, 0.0), unit)[:, :2])
        spot = np.array([place.column_px, place.row_px])
        # The sides' middles rather than the corners: a turned picture fills the canvas but for its corners.
        ends = [(columns - 1, place.row_px), (0, place.row_px), (place.column_px, rows - 1), (place.column_px, 0)]
        turned = np.array([to_wanted @ (np.array(end) - spot) for end in ends])
        reaches.append([np.abs(turned[:, 0]).max(), np.abs(turned[:, 1]).max()])
    half = np.median(np.array(reaches), axis=0)
    needed = _ROOM * reach_radii * unit
    half = np.maximum(half, needed)
    if 2.0 * half.max() > most_px:
        half = np.minimum(half, np.maximum(most_px / 2.0, needed))
    factor = min(1.0, most_px / (2.0 * float(half.max())))
    if 2.0 * factor * half.max() < _LEAST_PX:
        factor *= min(-(-_LEAST_PX // int(2.0 * factor * half.max())), 4)
    width, height = (2 * max(8, round(factor * float(h))) for h in half)
    return Canvas(width, height, ((width - 1) / 2.0, (height - 1) / 2.0), factor * unit)


def lay(data: NDArray[np.float32], place: Place, canvas: Canvas) -> NDArray[np.float32]:
    """Move, turn and enlarge a picture in one step.

    Parameters
    ----------
    data : ndarray of float32, shape (h, w) or (3, h, w)
        Linear light, sky at zero; NaN where there are no data.
    place : Place
    canvas : Canvas

    Returns
    -------
    ndarray of float32, shape (height, width) or (3, height, width)
        Interpolated by Lanczos over 8 x 8 pixels; NaN where there are no data.
    """
    matrix = place.matrix(canvas.centre_px, canvas.unit_px)
    size = (canvas.width, canvas.height)
    coarser = place.unit_px / canvas.unit_px
    planes = []
    for plane in data if data.ndim == 3 else data[None]:
        missing = ~np.isfinite(plane)
        light = np.ascontiguousarray(np.where(missing, 0.0, plane), np.float32)
        if coarser > 1.0:
            # What the coarser grid cannot hold is blurred away first, or it would come out as false detail.
            light = cv2.GaussianBlur(light, (0, 0), 0.45 * float(np.sqrt(coarser**2 - 1.0)) + 1e-3)
        flags = cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP
        moved = np.asarray(cv2.warpAffine(light, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE))
        gaps = cv2.warpAffine(
            missing.astype(np.float32),
            matrix,
            size,
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=1.0,
        )
        planes.append(np.where(gaps > 0.1, np.float32(np.nan), moved))
    return np.asarray(planes[0] if data.ndim == 2 else np.stack(planes), np.float32)


def light_in(data: NDArray[np.float32], canvas: Canvas, *, reach_radii: float = 1.0) -> float:
    """Light of the object within a circle that is the same on all frames of a canvas.

    Returns
    -------
    float
        Sum over the circle of `reach_radii` and a twentieth, mean of the colours; 0 where nothing is seen.
    """
    row, column = np.mgrid[0 : canvas.height, 0 : canvas.width].astype(np.float32)
    distance = np.hypot(column - canvas.centre_px[0], row - canvas.centre_px[1])
    inside = distance <= 1.05 * reach_radii * canvas.unit_px
    grey = data.mean(axis=0) if data.ndim == 3 else data
    return float(np.nansum(np.asarray(grey[inside], np.float64)))


def shown(data: NDArray[np.float32], black: float, white: float, gamma: float) -> NDArray[np.uint8]:
    """Bend a frame for the eye: levels, power, sRGB, 8 bits; (height, width, 3)."""
    light = np.clip((np.nan_to_num(data, nan=black) - black) / (white - black), 0.0, 1.0)
    bent = np.rint(srgb_encode(light if gamma == 1.0 else light ** (1.0 / gamma)) * 255.0).astype(np.uint8)
    return np.ascontiguousarray(np.moveaxis(bent if bent.ndim == 3 else np.stack([bent] * 3), 0, -1))
