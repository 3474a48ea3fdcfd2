"""What the night says of a picture before a pixel of it is looked at: its ephemeris, and the scale by the equipment."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from nightmill.artefacts import Picture
from nightmill.stage import Context
from nightmill_sky import TARGETS, Ephemeris, KernelError, Site, ephemeris
from nightmill_sky.optics import pixel_scale_arcsec_per_px

__all__ = ["called", "nominal_scale", "sky_at", "sky_of"]


def called(target: str) -> str:
    """The target as a sentence begins with it."""
    return f"The {target.capitalize()}" if target in ("sun", "moon") else target.capitalize()


def nominal_scale(picture: Picture, night: Mapping[str, Mapping[str, Any]]) -> float | None:
    """Arcseconds per picture pixel by telescope and camera, or None when the night file does not say."""
    pixel = night.get("camera", {}).get("pixel_um")
    focal = night.get("telescope", {}).get("focal_length_mm")
    if not pixel or not focal:
        return None
    amplified = float(focal) * float(night["telescope"].get("amplifier", 1.0))
    return float(pixel_scale_arcsec_per_px(float(pixel), amplified)) / float(picture.header.get("scale", 1.0))


def sky_at(
    target: str, utc_s: float, site: Site | None = None, *, satellites: bool = False, kernel: Path | None = None
) -> Ephemeris:
    """The ephemeris of a target at a time in POSIX seconds; ValueError when there is none."""
    return ephemeris(target, datetime.fromtimestamp(utc_s, UTC), site, satellites=satellites, kernel=kernel)


def sky_of(picture: Picture, context: Context, *, satellites: bool = False) -> Ephemeris | None:
    """The ephemeris for the middle of the captures, from the site if there is one; says why when there is none.

    A JPL kernel that the night file names is used; one that cannot be is told, and the built-in ephemeris serves.
    """
    target = picture.captures[0].target if picture.captures else None
    if target not in TARGETS:
        return None
    if picture.utc_mid is None:
        _say(context, "The time of the captures is not known, so diameter and central meridian are left out.")
        return None
    place = context.night.get("site", {})
    site = None
    if "latitude_deg" in place and "longitude_deg" in place:
        site = Site(float(place["latitude_deg"]), float(place["longitude_deg"]), float(place.get("height_m", 0.0)))
    kernel = Path(place["ephemeris"]) if place.get("ephemeris") else None
    try:
        try:
            return sky_at(str(target), picture.utc_mid, site, satellites=satellites, kernel=kernel)
        except KernelError as error:
            _say(context, f"The built-in ephemeris is used instead of the one that was named: {error}")
            return sky_at(str(target), picture.utc_mid, site, satellites=satellites)
    except ValueError as error:
        _say(context, f"No ephemeris for this picture: {error}")
        return None


def _say(context: Context, text: str) -> None:
    if not any(note.text == text for note in context.notes):
        context.caution("utc", text)
