"""The one display transform: linear light to 16-bit sRGB, with levels at which nothing of the object clips.

Linear light is kept through all stages; this is the only place where it is bent for the eye. Knows nothing of files.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

from nightmill.artefacts.srgb import srgb_encode

__all__ = ["levels", "render", "sky_level", "softening_of"]

STRIP = 256
"""Rows that are bent for the eye at a time."""

HEADROOM = 1.02
"""White stands this factor above the brightest part, so that resampling a picture later does not clip it either."""


def sky_level(plane: NDArray[Any]) -> float | None:
    """Measure the level of the empty sky around an object.

    Parameters
    ----------
    plane : ndarray of float, shape (h, w)
        Linear light; NaN where there are no data.

    Returns
    -------
    float or None
        Median of the sky at the picture's borders, after rejecting what stands out by more than three standard
        deviations; None when less than a fifth of the border is sky, as on a lunar or solar surface.

    Notes
    -----
    The border is an eighth of the picture's smaller side wide. Sky is what lies below a tenth of the way from the
    darkest border to the brightest part of the object. The method is our own.
    """
    values = np.asarray(plane, np.float64)
    height, width = values.shape
    edge = max(1, min(height, width) // 8)
    frame = np.ones(values.shape, bool)
    if height > 2 * edge and width > 2 * edge:
        frame[edge:-edge, edge:-edge] = False
    border = values[frame & np.isfinite(values)]
    if border.size < 16:
        return None
    dark = float(np.percentile(border, 5.0))
    filled = np.where(np.isfinite(values), values, dark).astype(np.float32)
    bright = float(cv2.medianBlur(np.ascontiguousarray(filled), 3).max())
    sky = border[border < dark + 0.1 * (bright - dark)]
    if sky.size < 0.2 * border.size or bright <= dark:
        return None
    for _ in range(5):
        middle = float(np.median(sky))
        spread = 1.4826 * float(np.median(np.abs(sky - middle)))
        kept = sky[np.abs(sky - middle) <= 3.0 * spread]
        if kept.size == sky.size or kept.size < 16:
            break
        sky = kept
    return float(np.median(sky))


def levels(data: NDArray[Any]) -> tuple[float, float]:
    """Choose black and white so that nothing of the object clips and a hot pixel does not count.

    Parameters
    ----------
    data : ndarray of float, shape (h, w) or (3, h, w)
        Linear light; NaN where there are no data. Colour planes get common levels, so that hues stay.

    Returns
    -------
    black, white : float
        Black is the level of the sky, or the fifth percentile where that is lower (in lunar shadow), as the mean over
        the channels; 0 when the object fills the picture. White is `HEADROOM` times as far above black as the
        brightest value that is not a hot pixel.

    Notes
    -----
    A hot pixel stands above the third largest value of its 3x3 neighbourhood by more than four times as much as
    99 % of the object's pixels do, and by more than 2 % of the object's brightness. A telescope's picture that is
    sampled well enough to be worth sharpening has no such feature brighter than the disc. The method is our own.
    """
    planes = np.asarray(data, np.float64)
    planes = planes[None] if planes.ndim == 2 else planes
    if not np.isfinite(planes).any():
        return 0.0, 1.0
    black = 0.0
    skies = [sky for plane in planes if (sky := sky_level(plane)) is not None]
    if len(skies) == len(planes):
        black = float(np.mean([min(s, np.nanpercentile(p, 5.0)) for s, p in zip(skies, planes, strict=True)]))
    white = max(_brightest(plane, black) for plane in planes)
    if not white > black:
        return black, black + 1.0
    return black, black + HEADROOM * (white - black)


def render(data: NDArray[Any], display: Mapping[str, Any] | None = None) -> NDArray[np.uint16]:
    """Bend linear light for the eye: levels, optional power, sRGB, 16 bits.

    Parameters
    ----------
    data : ndarray of float, shape (h, w) or (3, h, w)
        Linear light; NaN where there are no data, which is shown black.
    display : mapping, optional
        "black" and "white", the linear values shown as black and white, and "gamma": light between 0 and 1 is raised
        to the power 1 / gamma before sRGB, so more than 1 lifts the dark parts. "softening" s, where there is one,
        makes arcsinh(light / s) / arcsinh(1 / s) of light between 0 and 1 before that: linear below s, logarithmic
        above (Lupton et al. 2004, PASP 116, 133, doi:10.1086/382245). What is absent is chosen by `levels`, 1 for
        gamma, and no softening.

    Returns
    -------
    ndarray of uint16, shape (h, w) or (h, w, 3)
        0 to 65535; channels last in R, G, B.

    Raises
    ------
    ValueError
        White is not above black, or gamma or softening is not positive.
    """
    values = np.asarray(data)
    wanted = dict(display or {})
    if wanted.get("black") is None or wanted.get("white") is None:
        black, white = levels(values)
        wanted = {**wanted, "black": black, "white": white}
    black, white, gamma = float(wanted["black"]), float(wanted["white"]), float(wanted.get("gamma") or 1.0)
    if not white > black:
        raise ValueError(f"display white {white:g} must lie above black {black:g}; correct one of them")
    if not gamma > 0:
        raise ValueError(f"display gamma {gamma:g} must be above 0; 1 leaves the tones as they are")
    softening = wanted.get("softening")
    if softening is not None and not softening > 0:
        raise ValueError(f"display softening {softening:g} must be above 0; leave it out for none")
    height, width = values.shape[-2:]
    shown = np.empty((height, width, 3) if values.ndim == 3 else (height, width), np.uint16)
    # In strips, so that a mosaic of many megapixels needs no float64 copies of itself.
    for start in range(0, height, STRIP):
        part = values[..., start : start + STRIP, :].astype(np.float64)
        light = np.clip((np.nan_to_num(part, nan=black) - black) / (white - black), 0.0, 1.0)
        if softening is not None:
            light = np.arcsinh(light / softening) / np.arcsinh(1.0 / softening)
        bent = srgb_encode(light if gamma == 1.0 else light ** (1.0 / gamma))
        strip = np.rint(bent * 65535.0).astype(np.uint16)
        shown[start : start + STRIP] = np.moveaxis(strip, 0, -1) if strip.ndim == 3 else strip
    return shown


def softening_of(lift: float) -> float | None:
    """Return the softening at which the faintest light is shown `lift` times brighter; None for no lift.

    The slope of arcsinh(x / s) / arcsinh(1 / s) at 0 is 1 / (s arcsinh(1 / s)), which falls from infinity to 1.
    """
    if not lift > 1.0:
        return None
    low, high = 1e-12, 1e6
    for _ in range(200):
        middle = float(np.sqrt(low * high))
        low, high = (middle, high) if middle * np.arcsinh(1.0 / middle) * lift < 1.0 else (low, middle)
    return high


def _third_largest(plane: NDArray[np.float64]) -> NDArray[np.float64]:
    """Third largest value in each 3x3 neighbourhood; pixels without data count as lowest."""
    finite = np.isfinite(plane)
    lowest = float(plane[finite].min()) if finite.any() else 0.0
    ranked: NDArray[np.float64] = scipy.ndimage.rank_filter(
        np.where(finite, plane, lowest), rank=-3, size=3, mode="nearest"
    )
    return ranked


def _brightest(plane: NDArray[np.float64], black: float) -> float:
    """Brightest value of a plane that is not a hot pixel."""
    finite = np.isfinite(plane)
    if not finite.any():
        return black
    ranked = _third_largest(plane)
    top = float(ranked[finite].max())
    object_ = finite & (ranked > black + 0.25 * (top - black))
    if not object_.any():
        return top
    excess = plane - ranked
    limit = max(4.0 * float(np.percentile(excess[object_], 99.0)), 0.02 * (top - black))
    return float(plane[finite & (excess <= limit)].max())
