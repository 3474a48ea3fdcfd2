"""A globe without clouds: how its limb looks through a blur, and how blurred the limb of a picture is.

What a picture shows within the blur of the limb is globe and sky mixed; only a drawing of the whole globe, blurred as
the picture is, tells how bright a spot of one albedo looks there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.typing import NDArray

from nightmill_sky.geometry import Disc
from nightmill_sky.optics import modulation_transfer
from nightmill_sky.outlines import ring_cover

__all__ = ["BareFit", "bare_globes", "fit_bare_globe", "seen_through"]

Array = NDArray[np.float64]

SECTORS = 36
"""Directions that have each a brightness of their own when the blur is measured: belts, caps and phase."""
LEAST_SECTORS = 9
INSIDE_PX, OUTSIDE_PX = 6.0, 3.0
"""How far around the limb is looked, px."""
MOST_PX, MOST_PX2, STEPS = 2.0, 25.0, 15
"""Most by which place and size may be corrected (px), most variance of the blur, most steps."""
MOST_MISFIT = 0.15
"""Misfit, as a share of the mean light around the limb, up to which a globe is believed: belts leave 0.07 to 0.11 on
simulated Jupiters, caps and maria of a small Mars, whose terminator was drawn at the wrong place, 0.11 to 0.35."""
LIT = 0.4
"""Share of the brightest direction's light that a direction needs: a terminator follows no simple law."""


def bare_globes(disc: Disc, exponents: Sequence[float], shape: tuple[int, int], fine: int = 4) -> list[Array]:
    """Draw a globe without clouds, with limb darkening by Minnaert's law, its edge by area.

    Parameters
    ----------
    disc : Disc
    exponents : sequence of float
        Of the limb darkening, one a picture.
    shape : tuple of int
        Rows and columns.
    fine : int
        Samples a pixel and axis along the edge.
    """
    row, column = np.indices(shape, np.float64)
    inside = np.hypot(*(np.stack(disc.to_planet_axes(column, row)) / np.array(_axes(disc))[:, None, None]))
    drawn = _shaded(disc, column, row, exponents)
    near = np.abs(inside - 1.0) * min(disc.semi_axes_px) < 2.0
    offsets = (np.arange(fine) + 0.5) / fine - 0.5
    y, x = np.nonzero(near)
    for plane in drawn:
        plane[near] = 0.0
    for dy in offsets:
        for dx in offsets:
            for plane, part in zip(drawn, _shaded(disc, x + dx, y + dy, exponents), strict=True):
                plane[near] += part / fine**2
    return drawn


def _axes(disc: Disc) -> tuple[float, float]:
    """Semi-axes of the outline in the planet's own axes, whose unit is the equatorial radius."""
    long, short = disc.semi_axes_px
    return 1.0, short / long


def _shaded(disc: Disc, column: Array, row: Array, exponents: Sequence[float]) -> list[Array]:
    surface = disc.surface(column, row)
    lit = (surface.emission > 0.0) & (surface.incidence > 0.0)
    near, sun = np.where(lit, np.maximum(surface.emission, 0.02), 1.0), np.where(lit, surface.incidence, 0.0)
    return [np.asarray(np.where(lit, sun**k * near ** (k - 1.0), 0.0)) for k in exponents]


@dataclass(frozen=True)
class BareFit:
    """How a bare globe lies under a picture.

    Attributes
    ----------
    disc : Disc
        Place and size corrected, else as given.
    variance_px2 : float
        Of the blur of the limb beside the telescope's, taken as a Gaussian.
    """

    disc: Disc
    variance_px2: float


def seen_through(drawn: Array, cutoff: float | None, obstruction: float, variance_px2: float) -> Array:
    """Blur a drawing by a telescope and a Gaussian.

    Parameters
    ----------
    drawn : ndarray of float64, shape (h, w)
        0 at its borders, or it wraps around.
    cutoff : float or None
        Of the telescope, cycles a pixel; None for none.
    obstruction : float
        Of its aperture, share of the diameter.
    variance_px2 : float
        Of the Gaussian.
    """
    shape = drawn.shape
    f2 = scipy.fft.fftfreq(shape[0])[:, None] ** 2 + scipy.fft.rfftfreq(shape[1])[None, :] ** 2
    passed = np.exp(-2.0 * np.pi**2 * variance_px2 * f2)
    if cutoff is not None:
        passed *= np.maximum(modulation_transfer(np.minimum(np.sqrt(f2) / cutoff, 1.0), obstruction), 0.0)
    return np.asarray(scipy.fft.irfft2(scipy.fft.rfft2(drawn) * passed, shape))


def fit_bare_globe(
    plane: NDArray[np.floating], disc: Disc, exponent: float, cutoff: float | None = None, obstruction: float = 0.3
) -> BareFit | None:
    """Lay a bare globe under the limb of a picture: place, size and blur.

    Parameters
    ----------
    plane : ndarray, shape (h, w)
        Linear light without gaps, sky at zero.
    disc : Disc
        The globe on it, to about a pixel.
    exponent : float
        Of the limb darkening on it.
    cutoff, obstruction : float
        Of the telescope through which the picture shows it; see `seen_through`.

    Returns
    -------
    BareFit or None
        By least squares around the limb, where each direction has a brightness of its own. None when too little of a
        limb is seen, or no globe near `disc` fits.

    Notes
    -----
    The brightnesses are projected out (Kaufman 1975, BIT 15, 49; from memory).
    """
    rim = _Rim(np.asarray(plane, np.float64), disc, exponent, (cutoff, obstruction))
    if rim.directions < LEAST_SECTORS or not rim.light > 0.0:
        return None
    most = np.array([MOST_PX, MOST_PX, MOST_PX, MOST_PX2])
    found = scipy.optimize.least_squares(
        rim.left, [0.0, 0.0, 0.0, 1.0], rim.slopes, bounds=(-most * [1, 1, 1, 0], most), xtol=1e-4, max_nfev=STEPS
    )
    misfit = float(np.sqrt(2.0 * found.cost / len(found.fun)))
    if np.abs(found.x[:3]).max() > 0.95 * MOST_PX or not misfit < MOST_MISFIT:
        return None
    return BareFit(rim.globe(found.x), float(found.x[3]))


class _Rim:
    """The rim of a picture, and what is left of it beside a bare globe; see `fit_bare_globe`."""

    def __init__(self, plane: Array, disc: Disc, exponent: float, telescope: tuple[float | None, float]) -> None:
        self._disc, self._exponent, self._telescope = disc, exponent, telescope
        self._shape = plane.shape[0], plane.shape[1]
        self._row, self._column = np.indices(self._shape, np.float64)
        x, y = disc.to_planet_axes(self._column, self._row)
        long, short = disc.semi_axes_px
        inside = short * (1.0 - np.hypot(x, y * long / short))
        near = (inside > -OUTSIDE_PX) & (inside < min(INSIDE_PX, 0.3 * short))
        if disc.rings_radii:
            covered = ring_cover(disc, self._column, self._row)
            near &= ~scipy.ndimage.binary_dilation(covered, iterations=round(OUTSIDE_PX))
        sector = (np.arctan2(y, x) / (2.0 * np.pi) % 1.0 * SECTORS).astype(np.int64) % SECTORS
        # A terminator, and directions hidden by rings, do not count.
        bare = bare_globes(disc, [exponent], self._shape)[0]
        light = np.bincount(sector[near], bare[near], SECTORS)
        lit = light > LIT * light.max() if light.size else light > 0.0
        self.directions = int(lit.sum())
        self._near = near & lit[sector]
        self._sector = sector[self._near]
        self._data = plane[self._near]
        self.light = float(self._data.mean()) if self._data.size else 0.0
        self._last: tuple[Array, Array] | None = None

    def globe(self, p: Array) -> Disc:
        """The globe moved by (down, right) and grown, px."""
        there = self._disc.moved(self._disc.centre_column_px + float(p[1]), self._disc.centre_row_px + float(p[0]))
        return replace(there, equatorial_radius_px=there.equatorial_radius_px + float(p[2]))

    def _drawn(self, p: Array) -> Array:
        # Value and slopes are asked for at the same place, one after the other.
        if self._last is None or not np.array_equal(self._last[0], p):
            bare = bare_globes(self.globe(p), [self._exponent], self._shape)[0]
            self._last = p.copy(), seen_through(bare, *self._telescope, float(p[3]))
        return self._last[1]

    def _share(self, model: Array, values: Array) -> Array:
        """How much of the model is in the values, in each direction by itself, at each pixel."""
        power = np.bincount(self._sector, model * model, SECTORS)
        found = np.bincount(self._sector, model * values, SECTORS) / np.where(power > 0.0, power, 1.0)
        return np.asarray(found[self._sector])

    def left(self, p: Array) -> Array:
        """What the globe leaves unexplained, as a share of the mean light."""
        model = self._drawn(p)[self._near]
        return np.asarray((self._data - self._share(model, self._data) * model) / self.light)

    def slopes(self, p: Array) -> Array:
        """Derivatives of `left`, without the change of the brightnesses with the residual (Kaufman)."""
        drawn = self._drawn(p)
        globe = self.globe(p)
        down, right = np.gradient(drawn)
        outward = (self._row - globe.centre_row_px) * down + (self._column - globe.centre_column_px) * right
        # A Gaussian's variance spreads a picture as heat does: half the Laplacian.
        changes = [-down, -right, -outward / globe.equatorial_radius_px, 0.5 * scipy.ndimage.laplace(drawn)]
        model = drawn[self._near]
        level = self._share(model, self._data)
        columns = [level * change[self._near] for change in changes]
        return -np.stack([c - self._share(model, c) * model for c in columns], axis=1) / self.light
