"""Registers pictures of a surface through different filters: shift, turn, scale, and the bending that the air left.

A surface that fills the picture shows the same features through all filters, with other contrast; so patches all over
it can be matched, as the panels of a mosaic are. Coordinates of points are (x, y), arrays are [row, column].
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

from nightmill.artefacts import Picture

from .bending import find_bending, spread
from .mesh import HUBER, displacements
from .overlaps import find_links
from .panels import describe_panel, filled, usable
from .patches import band, match_panels, measure_patches, patch_corners
from .similarity import mapped, scale_of, softened, turn_deg_of

__all__ = ["Way", "carry_way", "find_way", "places"]

Float = NDArray[np.float32]
Matrix = NDArray[np.float64]

LEAST_FIT = 0.5
LEAST_PATCHES = 8
REACH_PX = 2.5
"""After the similarity no patch lies further off than this."""

BENT_SIGMA_PX = 0.15
"""While the similarity is sought, bending adds so much to every patch's own error."""

LITTLE_PX = 0.05
"""Turn and scale that move no corner by more are not worth a resampling of their own."""

CHUNK = 600
STRIP = 256


@dataclass(frozen=True)
class Way:
    """The way from pixels of the reference to those of another picture.

    Attributes
    ----------
    matrix : ndarray of float64, shape (3, 3)
        Similarity from the reference to the picture, (x, y, 1).
    mesh : ndarray of float64, shape (rows, columns, 2), or None
        Bending on the reference, px (see `Bending`): a point p goes to matrix (p + bend(p)).
    patches : int
        Patches that agree.
    fit : float
        Their median correlation.
    before_px, after_px : float
        Root mean square, per axis, of what patches are off by after the similarity alone, and with the bending.
    bend_px : float
        Root mean square of the bending, per axis.
    """

    matrix: Matrix
    mesh: NDArray[np.float64] | None = None
    patches: int = 0
    fit: float = 0.0
    before_px: float = 0.0
    after_px: float = 0.0
    bend_px: float = 0.0

    @property
    def scale(self) -> float:
        """Pixels of the picture for each pixel of the reference."""
        return scale_of(self.matrix)

    @property
    def turn_deg(self) -> float:
        """Turn from reference to picture, clockwise as displayed, degrees."""
        return turn_deg_of(self.matrix)

    def shift_px(self, shape: tuple[int, int]) -> tuple[float, float]:
        """(dy, dx) at the middle of a reference of some shape."""
        middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
        dx, dy = self.matrix[:2, :2] @ middle + self.matrix[:2, 2] - middle
        return float(dy), float(dx)


def find_way(reference: Picture, moving: Picture) -> Way | None:
    """Find how a picture of a surface lies against another one through another filter.

    Parameters
    ----------
    reference, moving : Picture
        Single planes (h, w), linear light; NaN where there are no data.

    Returns
    -------
    Way or None
        None where the two do not show enough that agrees.
    """
    links = find_links([describe_panel(reference), describe_panel(moving)])
    if not links:
        return None
    good = (usable(reference), usable(moving))
    here, there = (filled(p.data, g).astype(np.float32) for p, g in zip((reference, moving), good, strict=True))
    matches = match_panels(links[0], here, there, good)
    if matches is None:
        return None
    size = 32 if min(here.shape) < 300 else 48
    inverse = _similarity(np.linalg.inv(links[0].matrix), matches.here, matches.there, matches.worth)
    for side in (size, 2 * size):
        found = _fine(Way(inverse), here, there, good, side)
        if found is not None:
            return found
    return None


def places(way: Way, shape: tuple[int, int], rows: slice) -> NDArray[np.float64]:
    """Where some rows of the reference's pixels lie in the picture: (2, h, w), y first."""
    y, x = np.mgrid[rows, : shape[1]].astype(np.float64)
    if way.mesh is not None:
        bend = spread(way.mesh, shape, rows)
        x, y = x + bend[..., 0], y + bend[..., 1]
    m = way.matrix
    return np.stack([m[1, 0] * x + m[1, 1] * y + m[1, 2], m[0, 0] * x + m[0, 1] * y + m[0, 2]])


def carry_way(plane: Float, way: Way, shape: tuple[int, int], *, order: int = 5) -> Float:
    """Resample a picture on the reference's pixels, once.

    Parameters
    ----------
    plane : ndarray of float32, shape (h2, w2)
        NaN where there are no data.
    way : Way
        From the reference to the picture.
    shape : tuple of int
        Shape (h, w) of the reference.
    order : int
        Of the B-spline, as in `register.move`.

    Returns
    -------
    ndarray of float32, shape (h, w)
        NaN where the picture has no data.
    """
    missing = ~np.isfinite(plane)
    # The nearest values stand in, so that no step rings into what is known.
    values = filled(plane, ~missing).astype(np.float32)
    if order > 1:
        values = scipy.ndimage.spline_filter(values, order, output=np.float32, mode="mirror")
    gaps = missing.astype(np.float32) if missing.any() else None
    height, width = plane.shape
    carried = np.empty(shape, np.float32)
    for top in range(0, shape[0], STRIP):
        rows = slice(top, min(top + STRIP, shape[0]))
        at = places(way, shape, rows)
        part = scipy.ndimage.map_coordinates(values, at, order=order, mode="mirror", prefilter=False)
        # A hundredth of a pixel beyond the edge is not yet invention.
        seen = (np.abs(at[0] - (height - 1) / 2) <= (height - 1) / 2 + 0.01) & (
            np.abs(at[1] - (width - 1) / 2) <= (width - 1) / 2 + 0.01
        )
        if gaps is not None:
            seen &= scipy.ndimage.map_coordinates(gaps, at, order=1, mode="nearest") <= 0.1
        carried[rows] = np.where(seen, part, np.nan)
    return carried


def _fine(
    way: Way, here: Float, there: Float, good: tuple[NDArray[np.bool_], NDArray[np.bool_]], size: int
) -> Way | None:
    """Measure small patches all over, twice: first by the coarse way, then by what was found."""
    shape = (here.shape[0], here.shape[1])
    fixed = band(here, size)
    for _ in range(2):
        laid, both = _laid(way, there, good, shape)
        corners = patch_corners(both, size, size // 2)
        if len(corners) < LEAST_PATCHES:
            return None
        laid = band(laid, size)
        parts = [
            measure_patches(fixed, laid, corners[k : k + CHUNK], size, REACH_PX) for k in range(0, len(corners), CHUNK)
        ]
        shift, fit, worth = (np.concatenate([part[k] for part in parts]) for k in range(3))
        keep = (fit > LEAST_FIT) & (np.abs(shift) < REACH_PX - 0.01).all(axis=1)
        if keep.sum() < LEAST_PATCHES:
            return None
        points = corners[keep] + (size - 1) / 2
        off, worth, fit = shift[keep], worth[keep], fit[keep]
        off = off + _bend_at(way, points, shape)
        similar = _similarity(way.matrix, points, mapped(way.matrix, points + off), worth)
        back = np.linalg.inv(way.matrix) @ similar
        off = points + off - mapped(back, points)
        bending = find_bending(points, off, worth, shape, size / 2)
        inside = _agreeing(off, worth) if bending is None else bending.inside
        if inside.sum() < LEAST_PATCHES:
            return None
        way = Way(similar, None if bending is None else bending.mesh, int(inside.sum()), float(np.median(fit[inside])))
        rest = off - _bend_at(way, points, shape)
        way = replace(
            way,
            before_px=float(np.sqrt((off[inside] ** 2).mean())),
            after_px=float(np.sqrt((rest[inside] ** 2).mean())),
            bend_px=0.0 if bending is None else bending.rms_px,
        )
    return way


def _agreeing(off: NDArray[np.float64], worth: NDArray[np.float64]) -> NDArray[np.bool_]:
    far = np.sqrt(np.einsum("ni,nij,nj->n", off, worth, off))
    return np.asarray(far < 6.0 * max(1.0, float(np.median(far))))


def _laid(
    way: Way, there: Float, good: tuple[NDArray[np.bool_], NDArray[np.bool_]], shape: tuple[int, int]
) -> tuple[Float, NDArray[np.bool_]]:
    """The picture on the reference's pixels, good enough to be measured, and where both have data."""
    moved, seen = np.empty(shape, np.float32), np.empty(shape, np.float32)
    held = good[1].astype(np.float32)
    values = scipy.ndimage.spline_filter(there, 3, output=np.float32, mode="mirror")
    for top in range(0, shape[0], STRIP):
        rows = slice(top, min(top + STRIP, shape[0]))
        at = places(way, shape, rows)
        moved[rows] = scipy.ndimage.map_coordinates(values, at, order=3, mode="mirror", prefilter=False)
        y, x = at.astype(np.float32)
        seen[rows] = cv2.remap(held, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    return moved, good[0] & (seen > 0.999)


def _bend_at(way: Way, points: NDArray[np.float64], shape: tuple[int, int]) -> NDArray[np.float64]:
    return np.zeros_like(points) if way.mesh is None else displacements(way.mesh, shape, points)


def _similarity(
    start: Matrix, source: NDArray[np.float64], target: NDArray[np.float64], worth: NDArray[np.float64]
) -> Matrix:
    """Shift, turn and scale from source to target near a start, by robust least squares (Huber 1964)."""
    middle = source.mean(axis=0)
    size = max(float(np.abs(source - middle).max()), 1.0)
    x, y = ((source - middle) / size).T
    one, none = np.ones_like(x), np.zeros_like(x)
    rows = np.stack([np.stack([x, -y, one, none], 1), np.stack([y, x, none, one], 1)], axis=1)
    soft = softened(worth, BENT_SIGMA_PX)
    rest = target - mapped(start, source)
    robust = np.ones(len(source))
    found = np.zeros(4)
    for _ in range(10):
        scaled = soft * robust[:, None, None]
        normal = np.einsum("nip,nij,njq->pq", rows, scaled, rows, optimize=True)
        value = np.einsum("nip,nij,nj->p", rows, scaled, rest, optimize=True)
        found = np.linalg.solve(normal + 1e-9 * np.eye(4), value)
        left = rest - rows @ found
        far = np.sqrt(np.einsum("ni,nij,nj->n", left, soft, left))
        robust = np.minimum(1.0, HUBER / np.maximum(far, 1e-9))
    a, b, dx, dy = found / np.array([size, size, 1.0, 1.0])
    about = np.array([[1, 0, -middle[0]], [0, 1, -middle[1]], [0, 0, 1.0]])
    return start + np.array([[a, -b, dx], [b, a, dy], [0, 0, 0]]) @ about
