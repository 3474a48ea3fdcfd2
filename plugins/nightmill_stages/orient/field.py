"""What the field's rotation and drift tell.

Rotation: the camera of an alt-azimuth mount keeps the zenith at the same side of the picture, and north moves away from
it by the change of the parallactic angle: clockwise while that grows, the other way in a mirror image (Meeus,
Astronomical Algorithms, chapter 14, for the angle). Drift: with the mount at rest, the sky's daily turn carries
everything west.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from nightmill.artefacts import Picture
from nightmill.stage import Context
from nightmill_sky import Ephemeris

from .known import sky_of
from .posterior import Way, apart_deg

__all__ = ["UNLIKELY", "mirror_by_field", "sky_after", "ways_by_west", "west_by_drift"]

UNLIKELY = 0.01
"""Chance that a field which rotates at the right rate, either way, does so for another reason (a loose camera)."""
_LIKE = 0.25
"""Share by which the rate may differ from the ephemeris and still be its own."""
STEP_S = 60.0
_SKY_ARCSEC_S = 15.041
_WEST_DEG = 10.0
_DRIFT_LIKE = 0.1
"""The Moon's own way takes off 4 %; the focal length may be known to a few per cent only."""


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


def west_by_drift(drift: Mapping[str, Any], camera_scale_arcsec: float, dec_deg: float) -> float | None:
    """Find celestial west on a picture that was taken while the mount stood still.

    Parameters
    ----------
    drift : mapping
        "px_s": rows and columns a second by which the object moved over the sensor; "left_px": rms distance from that
        line; "span_s".
    camera_scale_arcsec : float
        Arcseconds a camera pixel.
    dec_deg : float
        Declination.

    Returns
    -------
    float or None
        Direction, degrees counter-clockwise from up; None when the object did not move steadily at the sky's own rate
        (a mount that follows drifts too, but slowly, and anywhere).
    """
    if "px_s" not in drift:
        return None
    down, right = (float(value) for value in drift["px_s"])
    rate = math.hypot(down, right) * camera_scale_arcsec
    meant = _SKY_ARCSEC_S * math.cos(math.radians(dec_deg))
    way_px = math.hypot(down, right) * float(drift["span_s"])
    if abs(rate / meant - 1.0) > _DRIFT_LIKE or float(drift["left_px"]) > 0.1 * way_px:
        return None
    return math.degrees(math.atan2(-right, -down)) % 360.0


def ways_by_west(ways: Sequence[Way], west_deg: float, pole_position_angle_deg: float) -> list[Way]:
    """Let a known west weigh in; where nothing else is known, it leaves one way in each sense.

    Parameters
    ----------
    ways : sequence of Way
    west_deg : float
        Direction of celestial west, counter-clockwise from up.
    pole_position_angle_deg : float
        Of the planet's north pole on the sky.
    """
    norths = {False: (west_deg + 90.0) % 360.0, True: (west_deg - 90.0) % 360.0}
    if not ways:
        angle = pole_position_angle_deg
        return [Way((norths[m] + (-angle if m else angle)) % 360.0, m, 1.0) for m in (False, True)]
    return [
        replace(way, weight=way.weight * (1.0 if _agrees(way, norths, pole_position_angle_deg) else UNLIKELY))
        for way in ways
    ]


def _agrees(way: Way, norths: Mapping[bool, float], pole_position_angle_deg: float) -> bool:
    return apart_deg(way.north_deg(pole_position_angle_deg), norths[way.mirrored]) < _WEST_DEG
