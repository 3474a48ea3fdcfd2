"""The Sun's darkening towards its limb: fitted to the picture itself, in a published law.

The quadratic law I(mu) / I(1) = 1 - u (1 - mu) - v (1 - mu)^2 (Kopal 1950, Harvard Circ. 454; used for the Sun in
Cox 2000, Allen's Astrophysical Quantities, 4th ed., section 14.7, there with 1 - mu^2), measured on the disc at hand
and not taken from tables such as those of Neckel & Labs 1994, Solar Phys. 153, 91: a picture's filter and stray light
are its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Law", "fit_law"]

Float = NDArray[np.float32]

LEAST_SPAN = 0.25
"""The picture must show at least so much of the range of mu."""

INNER = 0.15
"""Nearer to the limb than this mu, blur mixes disc and sky: the law is extrapolated."""


@dataclass(frozen=True)
class Law:
    """A fitted law.

    Attributes
    ----------
    centre : float
        Brightness at mu = 1, linear light.
    u, v : float
    spread : float
        Scatter of the disc around the law, relative.
    """

    centre: float
    u: float
    v: float
    spread: float

    def __call__(self, mu: Float) -> Float:
        """Brightness at mu relative to the centre."""
        away = 1 - mu
        return np.asarray(1 - self.u * away - self.v * away * away, np.float32)


def fit_law(values: Float, mu: Float, offset: float = 0.0) -> Law | None:
    """Fit the law robustly: spots, faculae and prominences do not count.

    Parameters
    ----------
    values : ndarray of float32
        Linear light of pixels on the disc.
    mu : ndarray of float32
        Of the same pixels.
    offset : float
        Level of the sky, taken off before.

    Returns
    -------
    Law or None
        None when the pixels span too little of mu, or what comes out is no darkening: not positive, or not falling
        towards the limb.
    """
    use = np.isfinite(values) & (mu > INNER)
    if use.sum() < 100:
        return None
    light, away = values[use].astype(np.float64) - offset, 1 - mu[use].astype(np.float64)
    if np.ptp(np.percentile(away, [1.0, 99.0])) < LEAST_SPAN:
        return None
    # The same weight for every step of mu, whatever its area on the picture.
    bins = np.minimum((away * 40).astype(int), 39)
    weight = 1.0 / np.bincount(bins, minlength=40)[bins]
    matrix = np.stack([np.ones_like(away), -away, -away * away], axis=1)
    robust = np.ones_like(light)
    found, spread = np.zeros(3), 0.0
    for _ in range(15):
        scaled = matrix * (weight * robust)[:, None]
        found = np.linalg.solve(scaled.T @ matrix + 1e-12 * np.eye(3), scaled.T @ light)
        model = np.maximum(matrix @ found, 1e-9)
        rest = light / model - 1
        spread = max(1.4826 * float(np.median(np.abs(rest - np.median(rest)))), 1e-4)
        # Tukey's biweight (Beaton & Tukey 1974, Technometrics 16, 147): a spot is not a weak vote but none.
        robust = np.clip(1 - (rest / (4.685 * spread)) ** 2, 0, None) ** 2 / model**2
    centre = float(found[0])
    if not centre > 0:
        return None
    law = Law(centre, float(found[1]) / centre, float(found[2]) / centre, spread)
    shape = law(np.linspace(0, 1, 50, dtype=np.float32))
    return law if shape.min() > 0.05 and (np.diff(shape) > -0.01).all() and 1 - shape[0] > 0.05 else None
