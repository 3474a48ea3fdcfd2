"""How strongly faint light must be lifted to be seen beside bright: prominences, earthshine.

The display form is bent by an inverse hyperbolic sine, linear for faint light and logarithmic for bright (Lupton et al.
2004, Publ. Astron. Soc. Pac. 116, 133, doi:10.1086/382245): monotonic, so nothing brighter is ever shown darker.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..write.display import softening_of

__all__ = ["MOST_LIFT", "Faint", "lift_for", "measure_faint"]

Float = NDArray[np.float32]

MOST_LIFT = 1000.0
BRIGHT = 0.12
"""Share of white above which light counts as bright."""

SHOWN = 0.18
"""Faint light is lifted to this share of white in linear light: near the middle grey of a display."""

WORK_PX = 1200


@dataclass(frozen=True)
class Faint:
    """What there is beside the bright part.

    Attributes
    ----------
    level : float
        Brightest faint light, as a share of white.
    share : float
        Share of the picture that is faint.
    noise : float
        Scatter of the darkest part, as a share of white.
    """

    level: float
    share: float
    noise: float


def measure_faint(light: Float, good: NDArray[np.bool_]) -> Faint | None:
    """Measure the faint part of a picture.

    Parameters
    ----------
    light : ndarray of float32, shape (h, w)
        Linear, 0 black to 1 white.
    good : ndarray of bool, shape (h, w)

    Returns
    -------
    Faint or None
        None where less than 2 % of the picture is faint.
    """
    factor = max(1.0, max(light.shape) / WORK_PX)
    size = (max(8, round(light.shape[1] / factor)), max(8, round(light.shape[0] / factor)))
    share = cv2.resize(good.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    small = cv2.resize(np.where(good, light, 0).astype(np.float32), size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small / np.maximum(share, 1e-6), (0, 0), 1.0)
    bright = (small > BRIGHT).astype(np.uint8)
    # The blur of the bright edge itself is no faint light.
    edge = 2 * max(3, round(0.006 * max(size))) + 1
    faint = (cv2.dilate(bright, np.ones((edge, edge), np.uint8)) == 0) & (share > 0.99)
    if faint.mean() < 0.02 or not bright.any():
        return None
    values = small[faint]
    low = float(np.percentile(values, 25.0))
    dark = values[values <= low]
    noise = 1.4826 * float(np.median(np.abs(dark - np.median(dark))))
    return Faint(float(np.percentile(values, 99.0)), float(faint.mean()), noise)


def lift_for(level: float) -> float:
    """The lift at which light of `level` (share of white) is shown at `SHOWN`; 1 when it is as bright already."""
    if level >= SHOWN:
        return 1.0
    low, high = 1.0, MOST_LIFT
    for _ in range(60):
        middle = float(np.sqrt(low * high))
        soft = softening_of(middle)
        shown = np.arcsinh(level / soft) / np.arcsinh(1 / soft) if soft else level
        low, high = (middle, high) if shown < SHOWN else (low, middle)
    return high
