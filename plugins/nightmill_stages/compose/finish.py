"""Finishes a composed picture in linear light: the sky's level taken out, gains applied, display levels chosen."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import Picture
from nightmill.stage import Context

from ..write.display import levels, sky_level

__all__ = ["GLOW", "choose_display", "finish", "skies_of", "typical_level"]

GLOW = 0.006
"""Share of white that is shown as black around an object in the sky: sRGB would lift it to a visible grey."""
STEP = 1.25
"""White over the object's typical brightness is a power of this: at most a quarter of the brightness is given away, and
pictures of a night, whose own ratios differ by a few hundredths, rarely fall on two powers.
"""


def skies_of(data: NDArray[np.float32], mask: NDArray[np.bool_] | None) -> list[float]:
    """Return the level of the sky in each channel.

    Parameters
    ----------
    data : ndarray of float32, shape (h, w) or (c, h, w)
        Linear light; NaN where there are no data.
    mask : ndarray of bool, shape (h, w), or None
        The object, when sky surrounds it. Without one all levels are 0: dark ground is no sky.
    """
    planes = data[None] if data.ndim == 2 else data
    levels_ = [None if mask is None else sky_level(plane) for plane in planes]
    # All channels or none: a level taken out of some would tint the dark parts.
    found = [level for level in levels_ if level is not None]
    return found if len(found) == len(planes) else [0.0] * len(planes)


def finish(picture: Picture, gains: tuple[float, ...], mask: NDArray[np.bool_] | None, context: Context) -> Picture:
    """Make (value - sky) * gain of all layers; "sky_level" and "gains" go to the header."""
    skies = skies_of(picture.data, mask)
    shape = (-1, 1, 1) if picture.data.ndim == 3 else (-1, 1)
    gain = np.array(gains, np.float32).reshape(shape)
    sky = np.array(skies, np.float32).reshape(shape)
    changed: dict[str, Any] = {"data": ((picture.data - sky) * gain).astype(np.float32)}
    for name in ("half_a", "half_b"):
        if getattr(picture, name) is not None:
            changed[name] = ((getattr(picture, name) - sky) * gain).astype(np.float32)
    if picture.noise is not None:
        changed["noise"] = (picture.noise * gain).astype(np.float32)
    changed["header"] = {**picture.header, "sky_level": skies, "gains": list(gains)}
    if any(skies):
        text = "Level of the sky that was taken out of each channel, as a fraction of the full scale."
        context.measure("sky_level", [float(f"{s:.4g}") for s in skies], text)
    return picture.replace(**changed)


def choose_display(picture: Picture, mask: NDArray[np.bool_] | None, context: Context) -> Picture:
    """Choose the display levels: black just above the sky that was taken out, white above all of the object.

    White stands a fixed number of times above the object's own typical level, so that exposure, thin cloud and the
    brightest pixel do not show: all pictures of a target in a night come out equally bright, each without knowing of
    the others. The number is the first of `STEP`'s powers at which nothing clips. A surface that fills the picture has
    no such level and is shown up to its own brightest part.

    The glow that the telescope's own diffraction spreads around an object falls below `GLOW`; the linear picture keeps
    it.
    """
    black, white = levels(picture.data)
    why = "2% above the brightest part of the object, so that nothing clips."
    typical = 0.0 if mask is None else typical_level(picture.data, mask)
    if mask is not None:
        if 0.0 < typical < white:
            times = STEP ** math.ceil(math.log(white / typical) / math.log(STEP) - 1e-9)
            white = typical * times
            why = (
                f"{times:.2f} times the typical brightness of the object: the first of fixed steps at which nothing "
                "clips, so that all pictures of it come out equally bright."
            )
        black = GLOW * white
    context.choose("white", float(f"{white:.6g}"), why)
    return picture.replace(display={"black": black, "white": white, "gamma": 1.0})


def typical_level(data: NDArray[np.float32], mask: NDArray[np.bool_]) -> float:
    """Median over the object, in its brightest channel; 0 where it has no light."""
    planes = data[None] if data.ndim == 2 else data
    found = [float(np.nanmedian(plane[mask])) for plane in planes if np.isfinite(plane[mask]).any()]
    return max(found, default=0.0)
