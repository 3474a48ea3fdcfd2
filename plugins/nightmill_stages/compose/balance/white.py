"""White balance of a colour picture: by the recipe, by a star of the night, by published colour, or made neutral."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import Picture
from nightmill.stage import Context

from ..finish import skies_of
from .published import ALBEDOS, disc_colour, gains_for, surface_colour
from .stars import balanced_by_star

__all__ = ["Wish", "white_balance"]

Wish = Literal["auto", "published", "none"] | tuple[float, float, float]


def white_balance(
    picture: Picture,
    mask: NDArray[np.bool_] | None,
    labels: Sequence[str],
    waves_nm: Sequence[float | None],
    wish: Wish,
    context: Context,
) -> tuple[float, ...]:
    """Return the factors for R, G and B.

    Parameters
    ----------
    picture : Picture
        In colour, linear.
    mask : ndarray of bool, shape (h, w), or None
        The object, when sky surrounds it.
    labels : sequence of str
        Filters of R, G and B.
    waves_nm : sequence of float or None
        Their effective wavelengths.
    wish : "auto", "published", "none" or tuple of float
        As in the recipe. What the air took needs a word only where a star is used: a published colour, or a neutral
        one, is that of the finished picture, whatever the air did to it.
    context : Context

    Returns
    -------
    tuple of float
        All 1 where the picture has no light to tell; a caution says so.
    """
    if wish == "none":
        return (1.0, 1.0, 1.0)
    if not isinstance(wish, str):
        return tuple(wish)
    target = picture.captures[0].target if picture.captures else None
    planet = target if target in ALBEDOS and mask is not None and all(waves_nm) else None
    light = picture.data - np.array(skies_of(picture.data, mask), np.float32)[:, None, None]
    colour = surface_colour(light) if mask is None else disc_colour(light, mask)
    gains: tuple[float, ...] | None = None
    fault = ""
    try:
        gains = gains_for(colour, planet, [w or 0.0 for w in waves_nm])
    except ValueError as error:
        fault = str(error)
    if wish == "auto" and picture.captures:
        measured = balanced_by_star(picture, labels, waves_nm, gains if planet else None, context)
        if measured is not None:
            return measured
    if gains is None:
        context.caution("balance", f"The colours are left unbalanced: {fault}.")
        return (1.0, 1.0, 1.0)
    why = (
        f"The disc as a whole gets the published colour of {planet} in sunlight (Mallama, Krobusek & Pavlov 2017)."
        if planet
        else "The object as a whole is made neutral."
    )
    context.choose("balance", list(gains), why)
    return gains
