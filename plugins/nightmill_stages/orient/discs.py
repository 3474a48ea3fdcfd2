"""Between a picture's geometry, which is JSON, and the globe that the sky library reckons with.

Keys of `Picture.geometry` that this family writes, besides those that every stage knows:

- "pole_axis_deg": direction of the projected axis, counter-clockwise from up, 0 to 180; which end is north is not said.
- "pole_angle_deg": direction of the planet's north pole, 0 to 360.
- "planet_east_deg": direction of the planet's east, into which the middle of a forward-turning planet's disc moves.
- "pole_sigma_deg": standard error of these.
- "disc_sigma": relative standard error of the disc's radius, and so of the scale.
- "confidence": for each of the directions, and "mirrored", how sure it is, 0 to 1.

A key is absent when the quantity is not known with a confidence of 95 %.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from nightmill_sky import Disc, Ephemeris, disc_from_ephemeris

__all__ = ["disc_of", "template_of"]


def template_of(sky: Ephemeris, *, mirrored: bool = False) -> Disc:
    """The globe of an ephemeris, not yet placed on a picture."""
    return disc_from_ephemeris(sky, centre_column_px=0.0, centre_row_px=0.0, scale_arcsec_per_px=1.0, mirrored=mirrored)


def disc_of(geometry: Mapping[str, Any], sky: Ephemeris, *, any_end: bool = False) -> Disc | None:
    """Place the globe of an ephemeris by what a picture's geometry says.

    Parameters
    ----------
    geometry : mapping
        Of a picture that went through `orient`.
    sky : Ephemeris
        For the time that is wanted.
    any_end : bool
        Accept a globe whose planet's east is known but not which end is north. It is then seen from its equator,
        half way between the two.

    Returns
    -------
    Disc or None
        None when disc or orientation are not known well enough.
    """
    disc = geometry.get("disc")
    if not disc:
        return None
    mirrored = geometry.get("mirrored")
    pole = geometry.get("pole_angle_deg")
    if pole is not None and mirrored is not None:
        return _placed(replace(template_of(sky, mirrored=bool(mirrored)), pole_angle_deg=float(pole)), disc)
    east = geometry.get("planet_east_deg")
    if any_end and east is not None:
        level = replace(template_of(sky), sub_observer_latitude_deg=0.0, sub_solar_latitude_deg=0.0)
        return _placed(replace(level, pole_angle_deg=(float(east) + 90.0) % 360.0), disc)
    return None


def _placed(globe: Disc, disc: Mapping[str, Any]) -> Disc:
    return replace(
        globe,
        centre_column_px=float(disc["x_px"]),
        centre_row_px=float(disc["y_px"]),
        equatorial_radius_px=float(disc["a_px"]),
    )
