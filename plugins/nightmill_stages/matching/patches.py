"""Matches patches of two overlapping panels to small fractions of a pixel, each with what it is worth.

Plain cross-correlation of windowed patches; its peak is refined on the cross spectrum by Newton's method, which finds
the maximum that an up-sampled matrix DFT approaches (Guizar-Sicairos, Thurman & Fienup 2008, Opt. Lett. 33, 156,
doi:10.1364/OL.33.000156). What a patch is worth along each direction is the Cramer-Rao bound of a shift: the outer
products of its gradients over the variance of what does not fit. On a straight limb only the way across it counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .overlaps import Link
from .similarity import mapped, scale_of, softened

__all__ = ["Matches", "band", "match_panels", "measure_patches", "patch_corners", "patch_size"]

Float = NDArray[np.float32]
Points = NDArray[np.float64]

LEAST_FIT = 0.4
LEAST_PATCHES = 5
LEAST_AGREE = 0.6
MOST_ZOOM = 0.02
"""The coarse copies tell the scale to better than this."""

MOST_PATCHES = 240
LEAST_SIGMA_PX = 0.03
"""No match is trusted beyond this, whatever its contrast: bending within the patch is not in the model."""


@dataclass(frozen=True)
class Matches:
    """Points of two panels that show the same.

    Attributes
    ----------
    first, second : int
        Indices of the panels.
    here, there : ndarray of float64, shape (n, 2)
        Points (x, y) in the first and in the second panel, pixels.
    worth : ndarray of float64, shape (n, 2, 2)
        Inverse covariance of the difference, along (x, y) of the first panel, 1 / px^2.
    fit : float
        Median correlation of the patches.
    """

    first: int
    second: int
    here: Points
    there: Points
    worth: NDArray[np.float64]
    fit: float


def patch_size(shape: tuple[int, int]) -> int:
    """Side of the patches for panels of a shape: even, 32 to 96 px, about a tenth of the panel."""
    return int(np.clip(2 * round(min(shape) / 22), 16, 48)) * 2


def match_panels(
    link: Link, first: Float, second: Float, good: tuple[NDArray[np.bool_], NDArray[np.bool_]]
) -> Matches | None:
    """Match patches all over the overlap of two panels.

    Parameters
    ----------
    link : Link
        How they lie, to a few pixels.
    first, second : ndarray of float32, shape (h, w)
        The panels, linear, without NaN.
    good : tuple of ndarray of bool
        Where they hold data.

    Returns
    -------
    Matches or None
        None when too few patches agree on a smooth placing: then the link was none.
    """
    size = patch_size(first.shape)
    # On a narrow overlap there is room for smaller patches only.
    return _match(link, first, second, good, size) or _match(link, first, second, good, max(32, size // 3 * 2))


def _match(
    link: Link, first: Float, second: Float, good: tuple[NDArray[np.bool_], NDArray[np.bool_]], size: int
) -> Matches | None:
    matrix = link.matrix
    found: Matches | None = None
    # First with room to find what the coarse copies left open, then where it was found.
    for reach in (0.3 * size, 0.15 * size):
        corners, moved = _overlap(matrix, first, second, good, size)
        if len(corners) < LEAST_PATCHES:
            return None
        shift, fit, worth = measure_patches(band(first, size), band(moved, size), corners, size, reach)
        here = corners + (size - 1) / 2
        there = mapped(np.linalg.inv(matrix), here + shift)
        keep = fit > LEAST_FIT
        if keep.sum() < LEAST_PATCHES:
            return None
        similar = _similarity(there[keep], here[keep], max(1.5, 0.02 * size))
        if similar is None or abs(scale_of(similar[0]) / scale_of(link.matrix) - 1) > MOST_ZOOM:
            return None
        matrix, inside = similar
        chosen = np.flatnonzero(keep)[inside]
        # Of two pictures of the same nearly all patches agree; of two different ones some do by chance.
        if len(chosen) < max(LEAST_PATCHES, LEAST_AGREE * keep.sum()):
            return None
        found = Matches(
            link.first, link.second, here[chosen], there[chosen], worth[chosen], float(np.median(fit[chosen]))
        )
    return found


def _overlap(
    matrix: NDArray[np.float64],
    first: Float,
    second: Float,
    good: tuple[NDArray[np.bool_], NDArray[np.bool_]],
    size: int,
) -> tuple[NDArray[np.int64], Float]:
    """Top left corners (x, y) of patches that lie in both panels, and the second panel laid on the first."""
    height, width = first.shape
    flags = cv2.INTER_CUBIC
    moved = cv2.warpPerspective(second, matrix, (width, height), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    there = cv2.warpPerspective(good[1].astype(np.float32), matrix, (width, height), flags=cv2.INTER_LINEAR)
    both = good[0] & (there > 0.999)
    corners = np.zeros((0, 2), np.int64)
    for step in (size // 2, size // 4):
        corners = patch_corners(both, size, step)
        if len(corners) > 3 * LEAST_PATCHES:
            break
    if len(corners) > MOST_PATCHES:
        corners = corners[np.linspace(0, len(corners) - 1, MOST_PATCHES).astype(int)]
    return corners, moved


def patch_corners(both: NDArray[np.bool_], size: int, step: int) -> NDArray[np.int64]:
    """Top left corners (x, y) of patches of a size, a step apart, that lie where both pictures have data."""
    height, width = both.shape
    sums = cv2.integral(both.astype(np.uint8))
    x, y = np.meshgrid(np.arange(0, width - size + 1, step), np.arange(0, height - size + 1, step))
    count = sums[y + size, x + size] - sums[y, x + size] - sums[y + size, x] + sums[y, x]
    whole = count >= 0.98 * size * size
    return np.stack([x[whole], y[whole]], axis=1).astype(np.int64)


def measure_patches(
    first: Float, moved: Float, corners: NDArray[np.int64], size: int, reach: float
) -> tuple[Points, NDArray[np.float64], NDArray[np.float64]]:
    """Measure how patches of two pictures lie against one another.

    Parameters
    ----------
    first, moved : ndarray of float32, shape (h, w)
        Both pictures, from `band`, alike to a few pixels.
    corners : ndarray of int, shape (n, 2)
        Top left corners (x, y) of the patches.
    size : int
        Side of the patches, px.
    reach : float
        Larger shifts are not looked for, px.

    Returns
    -------
    shift : ndarray of float64, shape (n, 2)
        (dx, dy): moved(p + shift) = first(p).
    fit : ndarray of float64, shape (n,)
        Correlation of the patches.
    worth : ndarray of float64, shape (n, 2, 2)
        Inverse covariance of the shifts, 1 / px^2.
    """
    from scipy import fft

    a, b = (_cut(plane, corners, size) for plane in (first, moved))
    spectra = [fft.rfft2(one, workers=1) for one in (a, b)]
    cross = spectra[1] * np.conj(spectra[0])
    plane = fft.irfft2(cross, s=(size, size), workers=1)
    away = np.abs(fft.fftfreq(size, 1.0 / size))
    plane[:, (away[:, None] > reach) | (away[None, :] > reach)] = -np.inf
    row, column = np.divmod(plane.reshape(len(plane), -1).argmax(axis=1), size)
    dy, dx = ((one + size // 2) % size - size // 2 for one in (row, column))
    dy, dx, value = _climb(cross, dy.astype(np.float64), dx.astype(np.float64), size)
    power = [np.einsum("nij,nij->n", one, one, dtype=np.float64) for one in (a, b)]
    fit = value / np.maximum(np.sqrt(power[0] * power[1]), 1e-30)
    return np.stack([dx, dy], axis=1), fit, _worth(a, fit)


def _worth(patches: Float, fit: NDArray[np.float64]) -> NDArray[np.float64]:
    """Inverse covariance of a shift from gradients and misfit, never beyond `LEAST_SIGMA_PX`."""
    gy, gx = np.gradient(patches, axis=(1, 2))
    outer = np.empty((len(patches), 2, 2))
    outer[:, 0, 0] = np.einsum("nij,nij->n", gx, gx)
    outer[:, 1, 1] = np.einsum("nij,nij->n", gy, gy)
    outer[:, 0, 1] = outer[:, 1, 0] = np.einsum("nij,nij->n", gx, gy)
    variance = patches.astype(np.float64).var(axis=(1, 2)) * np.clip(1 / np.maximum(fit, 0.1) ** 2 - 1, 0.01, None)
    # The band makes noise agree over some four neighbours each way.
    worth = outer / np.maximum(16.0 * variance, 1e-30)[:, None, None]
    return softened(worth, LEAST_SIGMA_PX)


def band(plane: Float, size: int) -> Float:
    """The structures of a picture that patches of a size are matched by."""
    return cv2.GaussianBlur(plane, (0, 0), 1.0) - cv2.GaussianBlur(plane, (0, 0), size / 6)


def _cut(plane: Float, corners: NDArray[np.int64], size: int) -> Float:
    ramp = np.hanning(size + 2)[1:-1].astype(np.float32)
    patches = np.stack([plane[y : y + size, x : x + size] for x, y in corners])
    patches -= patches.mean(axis=(1, 2), keepdims=True)
    return patches * np.outer(ramp, ramp)


def _climb(
    cross: NDArray[np.complex64], y: NDArray[np.float64], x: NDArray[np.float64], size: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """From the highest pixel to the maximum of the continuous correlation, at most 1 px away; and its height."""
    turn_y = 2 * np.pi * np.fft.fftfreq(size)
    turn_x = 2 * np.pi * np.fft.rfftfreq(size)
    double = np.where((turn_x == 0) | (np.arange(len(turn_x)) == size // 2), 1.0, 2.0)
    y0, x0 = y, x
    value = np.zeros(len(y))
    for step in range(5):
        ex = np.exp(1j * x[:, None] * turn_x) * double
        right = np.stack([ex, 1j * turn_x * ex, -(turn_x**2) * ex], axis=2).astype(np.complex64)
        ey = np.exp(1j * y[:, None] * turn_y)
        left = np.stack([ey, 1j * turn_y * ey, -(turn_y**2) * ey], axis=1).astype(np.complex64)
        c = np.matmul(left, np.matmul(cross, right)).real.astype(np.float64)
        value = c[:, 0, 0] / size**2
        if step == 4:
            break
        hyy, hxx, hyx = c[:, 2, 0], c[:, 0, 2], c[:, 1, 1]
        bent = (hyy * hxx - hyx**2 > 0) & (hyy < 0)
        safe = np.where(bent, hyy * hxx - hyx**2, 1.0)
        step_y = np.where(bent, -(hxx * c[:, 1, 0] - hyx * c[:, 0, 1]) / safe, 0.0)
        step_x = np.where(bent, -(hyy * c[:, 0, 1] - hyx * c[:, 1, 0]) / safe, 0.0)
        y = np.clip(y + np.clip(step_y, -0.5, 0.5), y0 - 1, y0 + 1)
        x = np.clip(x + np.clip(step_x, -0.5, 0.5), x0 - 1, x0 + 1)
    return y, x, value


def _similarity(
    source: Points, target: Points, tolerance: float
) -> tuple[NDArray[np.float64], NDArray[np.int64]] | None:
    """Shift, turn and scale from source to target that most points agree on, and the points that do."""
    found, inliers = cv2.estimateAffinePartial2D(
        source.astype(np.float32), target.astype(np.float32), ransacReprojThreshold=tolerance, maxIters=500
    )
    if found is None:
        return None
    matrix = np.vstack([found, [0, 0, 1.0]])
    # Where the air bends, points stray farther than noise does: smooth strays are kept, jumps are not.
    rest = target - mapped(matrix, source)
    inside = np.flatnonzero((np.abs(rest) < 2.0 * tolerance).all(axis=1) | (inliers.ravel() > 0))
    return matrix, inside
