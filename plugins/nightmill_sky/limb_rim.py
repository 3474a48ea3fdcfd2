"""Refines a fitted disc by its limb alone, whatever lies inside it.

Belts that lean, ovals and dark plains at the limb pull at a fit of the whole globe. Here only a band around the limb is
looked at, and the brightness within it may run freely along the limb and towards the middle: what is left to say where
the globe lies is its edge. The darkening towards the limb and the blur, with a halo of unknown strength, are searched
along, because a steepest place or a threshold would depend on both.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightmill_sky.geometry import Disc
from nightmill_sky.limb import DiscFit, binned, search
from nightmill_sky.limb_model import GlobeModel, splines

__all__ = ["RimModel", "fit_rim"]

Image = NDArray[np.float32]
Array = NDArray[np.float64]


class RimModel(GlobeModel):
    """The linear part of a picture of a globe's limb; see `GlobeModel` for its parameters.

    Parameters
    ----------
    picture, template
        See `GlobeModel`.
    start : ndarray of float64, shape (6,)
        Parameters near the wanted ones. They lay out the splines along the limb, which then stay where they are, so
        that only the edge moves in the search.
    """

    def __init__(self, picture: Image, template: Disc, start: Array) -> None:
        radius, blur = float(start[2]), math.exp(start[4])
        # Two samples across a pixel for small discs alone: here the darkening within a pixel is all they add.
        super().__init__(picture, template, False, 100.0 if radius > 30.0 else radius)
        self.wide_px = 3.0 * blur  # of the halo; held while the narrow blur is searched
        self.band_px = (4.0 * blur + 2.0, 3.0 * blur + 2.0)  # inside and outside the limb
        # Freedom along the limb as fine as the blur leaves features.
        count = int(np.clip(round(2.0 * math.pi * radius / max(2.5 * blur, 3.0)), 24, 240))
        angle, rho = self._round(start)
        self._near = np.flatnonzero(np.abs((rho - 1.0) * radius) < max(self.band_px) + 3.0)
        depth = np.clip((1.0 - rho[self._near]) * radius / self.band_px[0], -1.0, 1.0)
        # Periodic splines along the limb: those beyond the seam are the first ones again.
        which, values = splines(angle[self._near] / math.pi, count + 3)
        which = which % count
        self._values = np.concatenate([values, values * depth[:, None]], axis=1)
        even = np.full((len(which), 2), 2 * count) + np.arange(2)
        self._places = np.concatenate([which, which + count, even], axis=1).ravel()
        filled = np.zeros(len(rho) + 1, np.int64)
        filled[self._near + 1] = self._values.shape[1] + 2
        self._starts = np.cumsum(filled)
        self._shape = (len(rho), 2 * count + 2)

    def _round(self, p: Array) -> tuple[Array, Array]:
        """Angle along the limb and distance from the middle in units of the outline, at each pixel."""
        row = np.arange(self.picture.shape[0], dtype=np.float32)[:, None]
        column = np.arange(self.picture.shape[1], dtype=np.float32)[None, :]
        x, y = self._axes(p, row, column)
        y = y / np.float32(self.template.semi_axes_px[1] / self.template.equatorial_radius_px)
        return np.arctan2(y, x).astype(np.float64).ravel(), np.hypot(x, y).astype(np.float64).ravel()

    def columns(self, p: Array) -> Any:
        """The linear model as a sparse matrix, shape (pixels, terms); rows far from the limb are empty."""
        from scipy import sparse

        globe = self.globe(p)
        soft, wide = (
            self._blurred(globe, b).ravel()[self._near].astype(np.float64) for b in (math.exp(p[4]), self.wide_px)
        )
        ones = np.ones((len(soft), 1))
        entries = np.concatenate([self._values * soft[:, None], ones, wide[:, None]], axis=1)
        return sparse.csr_matrix((entries.ravel(), self._places, self._starts), shape=self._shape)

    def changes(self, p: Array, made: Array) -> tuple[Array, ...]:
        """How a picture made by the model changes: the even globe moves under brightness that stays."""
        soft = self._blurred(self.globe(p), math.exp(p[4])).astype(np.float64)
        bright = np.where(soft > 0.01, made / np.maximum(soft, 0.01), 0.0)
        return tuple(bright * change for change in super().changes(p, soft))

    def weights(self, p: Array, reach_radii: float) -> Array:
        """How much each pixel counts, shape (pixels,): the lit limb alone."""
        disc = self.disc(p)
        _, rho = self._round(p)
        depth = (1.0 - rho) * p[2]
        weight = ((depth < self.band_px[0]) & (depth > -self.band_px[1])).astype(np.float64)
        row, column = np.mgrid[0 : self.picture.shape[0], 0 : self.picture.shape[1]].astype(np.float64)
        surface = disc.surface(column, row)
        dusk = (surface.emission > 0.0) & (surface.incidence < 0.2)
        weight[dusk.ravel()] *= 0.1
        # The sky beside the dark limb says nothing either.
        x, y = disc.to_planet_axes(column, row)
        short = disc.semi_axes_px[1] / disc.equatorial_radius_px
        size = np.maximum(np.hypot(x, y / short), 1e-6) / 0.98
        edge = disc.surface(*disc.from_planet_axes(x / size, y / size))
        weight[(edge.incidence < 0.2).ravel() & (rho > 0.98)] *= 0.1
        return weight


_WORKING_RADIUS_PX = 110.0
_LEAST_PHASE_DEG = 8.0  # from here the direction to the Sun shows in the fading of the limb
_LEANING_DEG = 0.7  # what belts that meet the limb aslant do to the pole angle (rms of simulated Jupiters at 150 px)


def fit_rim(picture: NDArray[np.floating], fit: DiscFit, *, darkening: float = 0.9) -> DiscFit:
    """Measure centre and radius, and the pole angle of a flattened planet, by the limb alone.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns)
        Linear brightness, finite.
    fit : DiscFit
        A first fit, good to a few pixels; of a planet without rings.
    darkening : float
        Minnaert's exponent near the limb: a hundredth moves the radius by 0.05 per cent at a disc of 70 px.

    Returns
    -------
    DiscFit
        The first one with place, radius, pole angle (where the outline is flat enough) and blur by the limb; its
        `residual` is that of the limb. `upside_down` and `pole_measured` are those of the first one.

    Notes
    -----
    On stacks of simulated Jupiters at 150 px and Mars at 90 px: radius to 0.1 and 0.3 per cent, centre to 0.1 and
    0.2 px; on Jupiter the pole angle to 0.7 degrees, for belts that meet the limb aslant still turn it.
    """
    factor = max(1, int(fit.disc.equatorial_radius_px // _WORKING_RADIUS_PX))
    reach = 1.1 * fit.disc.equatorial_radius_px + 6.0 * fit.blur_px + 8.0
    left, top = (max(0, int(at - reach)) for at in (fit.disc.centre_column_px, fit.disc.centre_row_px))
    right, bottom = (math.ceil(at + reach) + 1 for at in (fit.disc.centre_column_px, fit.disc.centre_row_px))
    cut = np.asarray(picture[top:bottom, left:right], np.float32)
    low, high = (float(np.percentile(cut, q)) for q in (2.0, 99.0))
    cut = binned((cut - low) / max(high - low, 1e-12), factor)
    shift = (factor - 1) / 2.0
    p = np.array(
        [
            (fit.disc.centre_column_px - left - shift) / factor,
            (fit.disc.centre_row_px - top - shift) / factor,
            fit.disc.equatorial_radius_px / factor,
            fit.disc.pole_angle_deg,
            math.log(max(fit.blur_px / factor, 0.6)),
            darkening,
        ]
    )
    model = RimModel(cut, fit.disc, p)
    phased = float(fit.disc.sun_direction @ fit.disc.axes[2]) < math.cos(math.radians(_LEAST_PHASE_DEG))
    free = [0, 1, 2, 3, 4] if model.belted or phased else [0, 1, 2, 4]
    p, covariance, residual = search(model, p, free, 1.3, turns=1)
    sigma = np.full(6, np.inf)
    sigma[free] = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    disc = replace(
        fit.disc,
        centre_column_px=float(p[0]) * factor + shift + left,
        centre_row_px=float(p[1]) * factor + shift + top,
        equatorial_radius_px=float(p[2]) * factor,
        pole_angle_deg=float(p[3]) % 360.0 if model.belted else fit.disc.pole_angle_deg,
    )
    return replace(
        fit,
        disc=disc,
        centre_sigma_px=float(math.hypot(sigma[0], sigma[1]) / math.sqrt(2.0)) * factor,
        radius_sigma_px=float(sigma[2]) * factor,
        pole_sigma_deg=math.hypot(float(sigma[3]), _LEANING_DEG) if model.belted else fit.pole_sigma_deg,
        blur_px=math.exp(p[4]) * factor,
        residual=math.sqrt(float(np.mean(residual**2))),
    )
