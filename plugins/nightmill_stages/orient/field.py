"""What the field's rotation tells: on an alt-azimuth mount it follows the parallactic angle, backwards in a mirror.

The camera of such a mount keeps the zenith at the same side of the picture, and north moves away from it by the change
of the parallactic angle: clockwise while that grows, on an upright picture (Meeus, Astronomical Algorithms, chapter 14,
for the angle).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from nightmill.artefacts import Picture
from nightmill.stage import Context
from nightmill_sky import Ephemeris

from .known import sky_of

__all__ = ["UNLIKELY", "mirror_by_field", "sky_after"]

UNLIKELY = 0.01
"""Chance that a field which rotates at the right rate, either way, does so for another reason (a loose camera)."""
_LIKE = 0.25
"""Share by which the rate may differ from the ephemeris and still be its own."""
STEP_S = 60.0


def sky_after(picture: Picture, context: Context) -> Ephemeris | None:
    """The ephemeris a minute later; None where nothing is known of a rotation of the field, or there is no site."""
    if not picture.header.get("turned", {}).get("field_deg_s") or "latitude_deg" not in context.night.get("site", {}):
        return None
    later = [
        capture.replace(utc_start=capture.utc_start + STEP_S)
        for capture in picture.captures
        if capture.utc_start is not None
    ]
    return sky_of(picture.replace(captures=tuple(later)), context) if later else None


def mirror_by_field(turned: Mapping[str, Any], sky: Ephemeris, after: Ephemeris | None) -> bool | None:
    """Say whether a picture is a mirror image, by how its field rotated while it was taken.

    Parameters
    ----------
    turned : mapping
        "field_deg_s": rotation of the field, degrees a second, anticlockwise as displayed.
    sky, after : Ephemeris
        In the middle of the capture, and a minute later.

    Returns
    -------
    bool or None
        None when nothing is known, or the field does not rotate as on an alt-azimuth mount.
    """
    rate = float(turned.get("field_deg_s") or 0.0)
    if rate == 0.0 or after is None or sky.parallactic_angle_deg is None or after.parallactic_angle_deg is None:
        return None
    grows = (after.parallactic_angle_deg - sky.parallactic_angle_deg + 180.0) % 360.0 - 180.0
    meant = -grows / STEP_S
    if meant == 0.0 or abs(abs(rate / meant) - 1.0) > _LIKE:
        return None
    return bool(rate / meant < 0.0)
