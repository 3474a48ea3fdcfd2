"""What the label says: plain words from a picture, the night and an ephemeris. Pure; knows nothing of drawing."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from nightmill.artefacts import Picture
from nightmill_sky import Ephemeris
from nightmill_sky.filters import filter_key

__all__ = ["SOLAR_CAUTION", "facts", "nice_length", "orientation", "title"]

SOLAR_CAUTION = (
    "Solar work: certified full-aperture filter in front of the telescope; never look through it unfiltered; "
    "follow the filter maker's and local rules."
)

Facts = list[tuple[str, str]]


def title(picture: Picture) -> tuple[str, str]:
    """Return the target's name and the time of the middle of the captures, as they stand on the label."""
    target = picture.captures[0].target if picture.captures else None
    name = (target or "unknown target").replace("_", " ")
    name = name[:1].upper() + name[1:]
    if picture.utc_mid is None:
        return name, "time not known"
    return name, datetime.fromtimestamp(picture.utc_mid, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def facts(picture: Picture, night: Mapping[str, Mapping[str, Any]], sky: Ephemeris | None) -> Facts:
    """Collect the lines of the label.

    Parameters
    ----------
    picture : Picture
        With its geometry filled in.
    night : mapping
        Sections "site", "telescope" and "filters" of the night file, each may be empty.
    sky : Ephemeris or None
        For the middle of the captures.

    Returns
    -------
    list of (str, str)
        Name and value; what is not known is left out.
    """
    lines: Facts = []
    _add(lines, "Site", _site(night.get("site", {})))
    _add(lines, "Telescope", _telescope(night.get("telescope", {})))
    _add(lines, "Filter" if len(picture.filters) == 1 else "Filters", _filters(picture, night.get("filters", {})))
    if sky is not None:
        _add(lines, "Diameter", _diameter(sky.equatorial_diameter_arcsec))
        lines += _orientation(sky)
        if sky.altitude_deg is not None:
            mass = "" if sky.airmass is None else f" (airmass {sky.airmass:.2f})"
            _add(lines, "Altitude", f"{sky.altitude_deg:.1f}°{mass}")
    if picture.kind:
        _add(lines, picture.kind.capitalize(), _captures(picture))
    _add(lines, "Frames", _frames(picture.header))
    lift = picture.header.get("lift")
    _add(lines, "Tones", f"faint light shown {lift:.3g} times brighter" if lift else None)
    scale = picture.geometry.get("scale_arcsec")
    if scale:
        _add(lines, "Scale", f"{scale:.3g} arcsec per pixel")
    _add(lines, "Resolution", _resolution(picture.header))
    return lines


def orientation(geometry: Mapping[str, Any]) -> str:
    """What the label says of the orientation when north is not known."""
    if "pole_angle_deg" in geometry:
        return "Planet's north pole known, mirror image or not is not"
    if "pole_axis_deg" in geometry:
        return "Pole axis known, which end is north is not"
    return "Orientation not known"


def nice_length(most: float) -> float:
    """Return the largest of 1, 2, 5 times a power of ten that is not above `most` (> 0)."""
    decade = 10.0 ** math.floor(math.log10(most))
    steps = [step for step in (1.0, 2.0, 5.0) if step * decade <= most * (1 + 1e-12)]
    return float(f"{max(steps, default=1.0) * decade:.6g}")


def _add(lines: Facts, name: str, value: str | None) -> None:
    if value:
        lines.append((name, value))


def _site(site: Mapping[str, Any]) -> str | None:
    place = None
    if "latitude_deg" in site and "longitude_deg" in site:
        latitude, longitude = float(site["latitude_deg"]), float(site["longitude_deg"])
        place = f"{abs(latitude):.2f}° {'N' if latitude >= 0 else 'S'}, "
        place += f"{abs(longitude):.2f}° {'E' if longitude >= 0 else 'W'}"
    name = site.get("name")
    return f"{name} ({place})" if name and place else name or place


def _telescope(telescope: Mapping[str, Any]) -> str | None:
    parts = []
    if telescope.get("name"):
        parts.append(str(telescope["name"]))
    if telescope.get("aperture_mm"):
        parts.append(f"{telescope['aperture_mm']:.4g} mm")
        if telescope.get("focal_length_mm"):
            ratio = telescope["focal_length_mm"] * telescope.get("amplifier", 1.0) / telescope["aperture_mm"]
            parts.append(f"f/{ratio:.3g}")
    return ", ".join(parts) or None


def _filters(picture: Picture, waves: Mapping[str, Any]) -> str | None:
    if picture.filters == ("RGB",):
        return "one-shot colour"
    known = {filter_key(name): wave for name, wave in waves.items()}
    shown = [f"{f} {known[filter_key(f)]:.4g} nm" if filter_key(f) in known else f for f in picture.filters]
    return ", ".join(shown) or None


def _diameter(arcsec: float) -> str:
    return f"{arcsec / 60.0:.2f} arcmin" if arcsec > 300.0 else f"{arcsec:.2f} arcsec"


def _orientation(sky: Ephemeris) -> Facts:
    """Central meridian and what else says how the globe is turned, body by body."""
    lines: Facts = []
    meridians = sorted(sky.central_meridian_deg.items())
    if len(meridians) == 1:
        _add(lines, "Central meridian", f"{meridians[0][1]:.1f}°")
    elif meridians:
        _add(lines, "Central meridian", ", ".join(f"{system} {value:.1f}°" for system, value in meridians))
    if sky.target == "moon" and sky.libration_longitude_deg is not None and sky.libration_latitude_deg is not None:
        _add(lines, "Libration", f"{sky.libration_longitude_deg:+.1f}° E, {sky.libration_latitude_deg:+.1f}° N")
    if sky.colongitude_deg is not None:
        _add(lines, "Colongitude", f"{sky.colongitude_deg:.1f}°")
    if sky.sun_p_deg is not None and sky.sun_b0_deg is not None and sky.sun_l0_deg is not None:
        _add(lines, "P, B0, L0", f"{sky.sun_p_deg:+.1f}°, {sky.sun_b0_deg:+.1f}°, {sky.sun_l0_deg:.1f}°")
        _add(lines, "Rotation", None if sky.carrington_rotation is None else f"{sky.carrington_rotation}")
    if sky.target == "mars" and sky.solar_longitude_deg is not None:
        _add(lines, "Season (Ls)", f"{sky.solar_longitude_deg:.1f}°")
    if sky.ring_opening_earth_deg is not None:
        _add(lines, "Ring opening", f"{sky.ring_opening_earth_deg:+.1f}°")
    return lines


def _frames(header: Mapping[str, Any]) -> str | None:
    kept, total = header.get("frames_kept"), header.get("frames_total")
    if not isinstance(kept, int):
        return None
    if not isinstance(total, int) or total <= 0:
        return f"{kept}"
    return f"{kept} of {total} ({100.0 * kept / total:.2g}%)" if kept < total else f"all {total}"


def _captures(picture: Picture) -> str:
    """How many captures were joined, and when they were made."""
    starts = [one.utc_start for one in picture.captures if one.utc_start is not None]
    times = (
        [datetime.fromtimestamp(time, UTC).strftime("%H:%M") for time in (min(starts), max(starts))] if starts else []
    )
    count = f"{len(picture.captures)} captures"
    return f"{count}, {times[0]} to {times[1]} UTC" if times and times[0] != times[1] else count


def _resolution(header: Mapping[str, Any]) -> str | None:
    """The finest detail above the noise, as a period on the sky; of several channels that of the middle one."""
    reached = header.get("sharpen", {}).get("resolution_arcsec")
    if isinstance(reached, list):
        reached = reached[len(reached) // 2] if reached else None
    return None if reached is None else f"{float(reached):.2f} arcsec a period"
