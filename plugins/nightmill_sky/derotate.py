"""Taking the turn of a planet out of a picture: where each point was at another time.

The mapping is exact on the ellipsoid: a pixel of the wanted picture is a longitude and latitude; from them follow the
place of the same spot on the picture that was taken, whatever its scale, orientation and aspect. Rings and sky do not
turn and are only moved along. Nothing is invented: where the source did not see the spot, or saw it in the dark, its
weight is 0.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill_sky.geometry import Disc
from nightmill_sky.outlines import ring_cover

__all__ = ["Derotation", "apply_derotation", "derotation", "limb_passage", "turn_deg"]

Array = NDArray[np.float64]
Image = NDArray[np.float32]

# Jupiter's fast equatorial current (System I) reaches to about 10 degrees of planetographic latitude (Rogers, The
# Giant Planet Jupiter, 1995, chapter 3). The change is spread over 2 degrees so that the picture does not tear.
_EQUATORIAL_EDGE_DEG = 10.0
_EQUATORIAL_BLEND_DEG = 2.0

_LIMB_PX = (0.5, 3.5)
"""Distance inside the limb at which turning begins and is complete, px: about the blur of a limb."""

_LIMB_WIDTH = 0.25  # cosine of the emission angle below which a spot begins to count less
_DUSK_WIDTH = 0.10  # the same for the height of the Sun


@dataclass(frozen=True)
class Derotation:
    """How to take a picture to another time.

    Parameters
    ----------
    column_px, row_px : ndarray of float32, shape (rows, columns)
        For each pixel of the wanted picture the place on the picture taken, ready for ``cv2.remap``.
    weight : ndarray of float32, shape (rows, columns)
        0 to 1: how well the picture taken saw that point, compared with how it is seen at the wanted time. 1 on sky
        and rings.
    gain : ndarray of float32, shape (rows, columns)
        Factor for the brightness that makes up for the changed slant of light and view, 0.5 to 2; 1 on sky and rings.
    """

    column_px: Image
    row_px: Image
    weight: Image
    gain: Image


def _blend(latitude_deg: Array) -> Array:
    """1 in Jupiter's equatorial current, 0 outside, smooth between."""
    t = (np.abs(latitude_deg) - _EQUATORIAL_EDGE_DEG) / _EQUATORIAL_BLEND_DEG + 0.5
    t = np.clip(t, 0.0, 1.0)
    return 1.0 - t * t * (3.0 - 2.0 * t)


def _turned(target: Disc, source: Disc, system: str) -> float:
    angle = source.central_meridians_deg[system] - target.central_meridians_deg[system]
    return (angle + 180.0) % 360.0 - 180.0


def turn_deg(target: Disc, source: Disc, latitude_deg: Array, system: str | None = None) -> Array:
    """How far the globe turned from the wanted time to the time of the source.

    Parameters
    ----------
    target, source : Disc
        Discs of the same body; less than half a turn apart.
    latitude_deg : ndarray
        Planetographic.
    system : str, optional
        One system of longitude for all latitudes. By default Systems I and II by latitude where the body has both
        (Jupiter), else the body's own.

    Returns
    -------
    ndarray of float64
        Degrees eastwards on the globe (positive when a forward-turning planet moved on from target to source), shape
        of `latitude_deg`.

    Raises
    ------
    ValueError
        The body has no such system.
    """
    latitude = np.asarray(latitude_deg, dtype=np.float64)
    known = target.central_meridians_deg
    if system is not None and system not in known:
        raise ValueError(f"no system of longitude '{system}'; the disc has {', '.join(known) or 'none'}.")
    if system is None and {"I", "II"} <= set(known):
        one, two = _turned(target, source, "I"), _turned(target, source, "II")
        return two + (one - two) * _blend(latitude)
    if known:
        name = system or ("III" if "III" in known else next(iter(known)))
        return np.full_like(latitude, _turned(target, source, name))
    angle = source.central_meridian_deg - target.central_meridian_deg
    angle = angle if target.west_longitudes else -angle
    return np.full_like(latitude, (angle + 180.0) % 360.0 - 180.0)


def _ramp(cosine: Array, width: float) -> Array:
    t = np.clip(cosine / width, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def _seen(emission: Array, incidence: Array) -> Array:
    return _ramp(emission, _LIMB_WIDTH) * _ramp(incidence, _DUSK_WIDTH)


def _brightness(emission: Array, incidence: Array, darkening: float) -> Array:
    lit, near = np.maximum(incidence, 0.05), np.maximum(emission, 0.05)
    return lit**darkening * near ** (darkening - 1.0)


def derotation(
    source: Disc,
    target: Disc,
    shape: tuple[int, int],
    *,
    system: str | None = None,
    darkening: float = 0.9,
) -> Derotation:
    """Work out how to take a picture to another time.

    Parameters
    ----------
    source : Disc
        The disc on the picture that was taken, at its time.
    target : Disc
        The disc on the picture that is wanted, at its time; scale, orientation and centre may differ.
    shape : tuple of int
        Rows and columns of the wanted picture.
    system : str, optional
        See `turn_deg`.
    darkening : float
        Minnaert's exponent for the gain, 0.5 (flat) to 1 (Lambert).

    Returns
    -------
    Derotation

    Notes
    -----
    Source equal to target gives the identity with weight and gain 1. The weight is the visibility at the source over
    that at the target, both falling smoothly to 0 at the limb and the terminator, at most 1, and less where the gain
    is above 1: so a limb that only one of several pictures saw is taken from that picture.
    """
    row, column = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float64)
    surface = target.surface(column, row)
    on = surface.emission > 0.0
    if target.rings_radii:
        on &= ~ring_cover(target, column, row)
    # Sky and rings: the same place in the planet's own axes.
    x, y = target.to_planet_axes(column, row)
    from_column, from_row = source.from_planet_axes(x, y)
    weight, gain = np.ones(shape), np.ones(shape)
    latitude = surface.latitude_deg[on]
    east = surface.east_of_meridian_deg[on] + turn_deg(target, source, latitude, system)
    globe_column, globe_row, emission, incidence = source.picture_from_east(east, latitude)
    hidden = emission <= 0.0
    # A spot behind the source's limb has no place there: point at the limb's own pixel, with weight 0.
    from_column[on] = np.where(hidden, from_column[on], globe_column)
    from_row[on] = np.where(hidden, from_row[on], globe_row)
    now = _seen(surface.emission[on], surface.incidence[on])
    then = np.where(hidden, 0.0, _seen(emission, incidence))
    # Where even the target sees nothing (its dark side) the comparison is empty: keep what the source saw.
    ratio = np.where(now > 1e-6, then / np.maximum(now, 1e-6), np.where(then > 1e-6, 1.0, (~hidden).astype(np.float64)))
    if source.rings_radii:
        ratio = np.where(ring_cover(source, globe_column, globe_row), 0.0, ratio)
    bright_now = _brightness(surface.emission[on], surface.incidence[on], darkening)
    gain[on] = np.clip(bright_now / _brightness(emission, incidence, darkening), 0.5, 2.0)
    # The gain raises the noise with the light, so such a place counts less by its square.
    weight[on] = np.minimum(ratio, 1.0) / np.maximum(gain[on], 1.0) ** 2
    return Derotation(*(a.astype(np.float32) for a in (from_column, from_row, weight, gain)))


def apply_derotation(picture: NDArray[np.floating], turn: Derotation, *, use_gain: bool = True) -> tuple[Image, Image]:
    """Resample a picture to another time.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns) or (rows, columns, channels)
        Linear brightness above the background, any floating type.
    turn : Derotation
    use_gain : bool
        Make up for the changed slant of light and view.

    Returns
    -------
    picture : ndarray of float32
        Of the shape of `turn`, with the channels of the input; 0 outside the picture taken.
    weight : ndarray of float32, shape (rows, columns)
        `turn.weight`, and 0 where the place lies outside the picture taken.

    Notes
    -----
    Lanczos interpolation over 8 x 8 pixels.
    """
    image = np.ascontiguousarray(picture, dtype=np.float32)
    out = cv2.remap(
        image, turn.column_px, turn.row_px, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_CONSTANT, borderValue=0.0
    )
    if use_gain:
        out = out * (turn.gain if out.ndim == 2 else turn.gain[:, :, None])
    rows, columns = image.shape[:2]
    inside = (turn.column_px >= 0) & (turn.column_px <= columns - 1) & (turn.row_px >= 0) & (turn.row_px <= rows - 1)
    return out.astype(np.float32, copy=False), (turn.weight * inside).astype(np.float32)


def limb_passage(disc: Disc, x_px: Array, y_px: Array) -> Array:
    """Return how far inside the limb places are, from 0 at the limb to 1 where the globe can be turned as it is seen.

    Near the limb light belongs to the blur of the limb more than to a place on the globe, so turning fades out there.

    Parameters
    ----------
    disc : Disc
    x_px, y_px : ndarray of float64
        Along and across the planet's axes, as `Disc.to_planet_axes` gives them.

    Returns
    -------
    ndarray of float64
        0 to 1, smooth (cubic) between the two distances.
    """
    long, short = disc.semi_axes_px
    inside = short * (1.0 - np.hypot(x_px, y_px * long / short))
    t = np.clip((inside - _LIMB_PX[0]) / (_LIMB_PX[1] - _LIMB_PX[0]), 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t))
