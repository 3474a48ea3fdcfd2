"""Light of a star in an aperture, on a linear mean of frames: pure functions on arrays.

Aperture photometry as usual (Howell, "Handbook of CCD Astronomy", 2nd ed. 2006, chapter 5; from memory): the sky is the
middle of the values in a ring around the star, the light is what is above it within a circle. The circle is as small
as it may be for the light to have stopped growing with it: air and telescope spread a hundredth of a star's light far
out, and that share differs little between filters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Light", "aperture_weights", "measure_star", "ring_sky"]

Float = NDArray[np.float32]

RING = 0.78
"""The ring for the sky begins at this share of the cut-out's reach."""
WIDEST = 0.72
"""Largest aperture, as a share of the reach."""
STEP = 1.3
"""The light within an aperture is compared with that within one so much larger."""
GROWN = 0.005
"""It has stopped growing when the larger one holds no more than this share on top."""
LEAST_PX = 4.0


@dataclass(frozen=True)
class Light:
    """What was measured in one channel.

    Attributes
    ----------
    flux : float
        Sum above the sky within the aperture, in units of the picture times pixels.
    sky, sky_error : float
        Level of the sky and its standard error.
    growth : float
        Share of light by which a `STEP` times larger aperture would hold more.
    radius_px : float
        Of the aperture.
    area_px : float
        Pixels in it.
    """

    flux: float
    sky: float
    sky_error: float
    growth: float
    radius_px: float
    area_px: float


def aperture_weights(distance_px: NDArray[np.float64], radius_px: float) -> NDArray[np.float64]:
    """Share of each pixel that lies within a circle, with an edge one pixel wide.

    Parameters
    ----------
    distance_px : ndarray of float64
        Of the pixels' centres from the circle's.
    radius_px : float
    """
    return np.asarray(np.clip(radius_px + 0.5 - distance_px, 0.0, 1.0))


def ring_sky(plane: Float, distance_px: NDArray[np.float64], reach_px: float) -> tuple[float, float]:
    """Level of the sky in the ring around a star, and its standard error; NaN where the ring holds no data.

    The mean of the values within three robust standard deviations of their median: a median alone would be caught
    between two digits of a dark sky.
    """
    values = plane[(distance_px >= RING * reach_px) & (distance_px <= reach_px + 0.5) & np.isfinite(plane)]
    values = values.astype(np.float64)
    if values.size < 12:
        return float("nan"), float("nan")
    for _ in range(3):
        middle = float(np.median(values))
        spread = 1.4826 * float(np.median(np.abs(values - middle))) or float(values.std())
        kept = values[np.abs(values - middle) <= 3.0 * spread]
        if kept.size == values.size or kept.size < 12:
            break
        values = kept
    return float(values.mean()), float(values.std() / np.sqrt(values.size))


def measure_star(planes: Sequence[Float], radius_px: float | None = None) -> list[Light]:
    """Measure the light of a star in the middle of its cut-out, in all channels within the same aperture.

    Parameters
    ----------
    planes : sequence of ndarray of float32, shape (2 n + 1, 2 n + 1)
        Linear light, a channel each; the star lies on the middle pixel, to a pixel or so. NaN where there are no data.
    radius_px : float, optional
        Of the aperture; left out, the smallest at which the light of every channel has stopped growing, or the widest
        that leaves room for the ring.

    Returns
    -------
    list of Light
        One a channel. NaN where the aperture or the ring holds no data.
    """
    reach = (planes[0].shape[0] - 1) / 2
    offsets = np.arange(planes[0].shape[0]) - reach
    distance = np.hypot(offsets[:, None], offsets[None, :])
    skies = [ring_sky(plane, distance, reach) for plane in planes]

    def within(plane: Float, sky: float, radius: float) -> float:
        weights = aperture_weights(distance, radius)
        return float((weights * (plane.astype(np.float64) - sky))[weights > 0].sum())

    def grown(radius: float) -> list[float]:
        held = []
        for plane, (sky, _) in zip(planes, skies, strict=True):
            inner, outer = (within(plane, sky, r) for r in (radius, min(STEP * radius, RING * reach)))
            held.append(outer / inner - 1.0 if inner > 0 else np.nan)
        return held

    if radius_px is None:
        radii = np.arange(min(LEAST_PX, WIDEST * reach), WIDEST * reach + 1e-9, max(1.0, reach / 60.0))
        still = (float(r) for r in radii if all(abs(g) <= GROWN for g in grown(float(r))))
        radius_px = next(still, float(radii[-1]))
    area = float(aperture_weights(distance, radius_px).sum())
    return [
        Light(within(plane, sky, radius_px), sky, error, growth, radius_px, area)
        for plane, (sky, error), growth in zip(planes, skies, grown(radius_px), strict=True)
    ]
