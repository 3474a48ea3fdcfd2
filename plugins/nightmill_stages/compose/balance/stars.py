"""Finds the star that a colour picture is balanced by among the captures of the night, and says what came of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np

from nightmill.artefacts import Capture, Picture
from nightmill.stage import Context
from nightmill_sky import Site
from nightmill_sky.extinction import extinction_mag, haze_mag, star_airmass
from nightmill_sky.filters import filter_key
from nightmill_sky.physical import airmass

from ...orient.known import sky_of
from .by_star import Air, Starlit, Target, gains_by_star
from .telling import Star, remedy, say_balanced

__all__ = ["balanced_by_star", "stars_for"]

UNLISTED = "reference"
"""Target of captures that serve without a word in the night file."""
HAZE_DOUBT = 0.5
"""Share by which the haze of a night differs from the usual."""
MEASURED_DOUBT_MAG = 0.01


def stars_for(
    captures: Sequence[Capture], recorded: Sequence[Capture], night: Mapping[str, Any], wanted: Sequence[str]
) -> list[int]:
    """Choose the captures of reference stars that a colour picture of some captures can be balanced by.

    Parameters
    ----------
    captures : sequence of Capture
        Those of the picture.
    recorded : sequence of Capture
        All of the night.
    night : mapping
        With the section "references".
    wanted : sequence of str
        Filters of R, G and B, case folded.

    Returns
    -------
    list of int
        Indices into `recorded`: through the same filters, or in colour for colour. None for a picture without colour,
        for the star itself, and for the Sun, which is recorded through a filter of its own.
    """
    names = _names(night)
    target = captures[0].target if captures else None
    if target in names or target == "sun":
        return []
    if any(one.colour for one in captures):
        return [k for k, one in enumerate(recorded) if one.colour and one.target in names]
    if not set(wanted) <= {filter_key(one.filter) for one in captures}:
        return []
    return [
        k
        for k, one in enumerate(recorded)
        if one.target in names and not one.colour and filter_key(one.filter) in wanted
    ]


def balanced_by_star(
    picture: Picture,
    labels: Sequence[str],
    waves_nm: Sequence[float | None],
    published: tuple[float, ...] | None,
    context: Context,
) -> tuple[float, ...] | None:
    """Return gains from the night's reference star; None, with the reason as a caution, when none can be used.

    Parameters
    ----------
    picture : Picture
        In colour; its first captures are those of R, G and B, or its only one.
    labels : sequence of str
        Filters of R, G and B.
    waves_nm : sequence of float or None
        Their effective wavelengths.
    published : tuple of float or None
        Gains by the target's published colour, to compare with.
    context : Context
        With what `stars_for` chose, and the sections "references", "extinction" and "site".
    """
    colour = picture.captures[0].colour
    shown = [picture.captures[0]] * 3 if colour else list(picture.captures[:3])
    stars, faults = _stars(context, labels, colour)
    if not stars:
        listed = [name for name in context.night.get("references", {}) if name.lower() != shown[0].target]
        if not context.consulted and listed and shown[0].target != "sun":
            through = "with the colour camera" if colour else f"through {', '.join(labels)}"
            faults.append(f"no capture of {', '.join(listed)} {through} is in this night")
        if faults:
            context.caution("reference_star", f"No reference star was used: {'; '.join(faults)}.")
        return None
    airs = [_airmass(picture.replace(captures=(one,)), context) for one in shown]
    targets = [Target(one.exposure_s, one.gain, x) for one, x in zip(shown, airs, strict=True)]
    for star in sorted(stars, key=lambda one: (_apart(one, airs), _later(one, shown), one.name)):
        air, lacks = _air(labels, waves_nm, star, airs, context.night)
        try:
            gains, errors = gains_by_star(
                star.lights, targets, one_capture=colour, air=air, waves_nm=waves_nm, b_minus_v=star.b_minus_v
            )
        except ValueError as error:
            faults.append(f"the star {star.name}: {error}{remedy(star, shown)}")
            continue
        if lacks:
            context.caution("extinction", lacks)
        say_balanced(star, shown, labels, airs, air, gains, errors, published, context)
        return gains
    context.caution("reference_star", f"No reference star was used: {'; '.join(faults)}.")
    return None


def _stars(context: Context, labels: Sequence[str], colour: bool) -> tuple[list[Star], list[str]]:
    """Gather stars that were measured in all channels; and why others cannot be used."""
    night = context.night.get("references", {})
    about = {name.lower(): entry for name, entry in night.items()}
    faults: list[str] = []
    by_name: dict[str, list[tuple[Capture, Picture]]] = {}
    for capture, seen in context.consulted:
        name = str(capture.target)
        by_name.setdefault(name, [])
        if seen is None:
            faults.append(f"{capture.file} was set aside")
        elif "starlight" not in seen.header:
            faults.append(f"{capture.file} went through a recipe that does not measure its light (stage starlight)")
        else:
            by_name[name].append((capture, seen))
    stars = []
    for name, held in by_name.items():
        entry = about.get(name, {})
        chosen: list[tuple[Capture, Starlit]] = []
        if colour and held:
            best = min(held, key=lambda one: (max(one[1].header["starlight"]["error"]), one[0].file))
            chosen = [(best[0], _lit(*best, channel, entry, context)) for channel in range(3)]
        elif held:
            for label in labels:
                lights = [(one, _lit(one, seen, 0, entry, context)) for one, seen in held if _through(one, label)]
                chosen += sorted(lights, key=lambda one: (one[1].error, one[0].file))[:1]
        if len(chosen) == 3:
            light, captures = tuple(one for _, one in chosen), tuple(one for one, _ in chosen)
            stars.append(Star(name, light, captures, entry.get("colour_index")))
        elif not colour:
            missing = [label for label in labels if not any(_through(one, label) for one, _ in chosen)]
            faults.append(f"the star {name} has nothing usable through {' and '.join(missing)}")
    return stars, list(dict.fromkeys(faults))


def _through(capture: Capture, label: str) -> bool:
    return filter_key(capture.filter) == filter_key(label)


def _lit(capture: Capture, seen: Picture, channel: int, entry: Mapping[str, Any], context: Context) -> Starlit:
    found = seen.header["starlight"]
    air = None
    if entry.get("right_ascension_deg") is not None and capture.utc_mid is not None:
        site = _site(context)
        if site is not None:
            when = datetime.fromtimestamp(capture.utc_mid, UTC)
            air = star_airmass(float(entry["right_ascension_deg"]), float(entry["declination_deg"]), when, site)[1]
    elif entry.get("altitude_deg") is not None:
        air = float(airmass(np.array(float(entry["altitude_deg"]))))
    air = None if air is None or not np.isfinite(air) else air
    flux, error = float(found["flux"][channel]), float(found["error"][channel])
    return Starlit(flux, error, capture.exposure_s, capture.gain, air)


def _site(context: Context) -> Site | None:
    place = context.night.get("site", {})
    if "latitude_deg" not in place or "longitude_deg" not in place:
        return None
    return Site(float(place["latitude_deg"]), float(place["longitude_deg"]), float(place.get("height_m", 0.0)))


def _airmass(picture: Picture, context: Context) -> float | None:
    """Air mass of the target in the middle of one capture."""
    sky = sky_of(picture, context)
    found = None if sky is None else sky.airmass
    return None if found is None or not np.isfinite(found) else float(found)


def _air(
    labels: Sequence[str],
    waves_nm: Sequence[float | None],
    star: Star,
    airs: Sequence[float | None],
    night: Mapping[str, Any],
) -> tuple[list[Air] | None, str]:
    """Extinction in each channel; None, and why, when it cannot be allowed for."""
    lacks = []
    if any(one.airmass is None for one in star.lights):
        lacks.append(
            f"how high the star stood is not known (references: {{{star.name}: {{right_ascension: 66.4 deg, "
            "declination: 16.8 deg}} with the site, or its altitude)"
        )
    if any(one is None for one in airs):
        lacks.append("how high the target stood is not known (it takes the site and the time)")
    given = {filter_key(name): float(mag) for name, mag in night.get("extinction", {}).items()}
    if not all(wave or filter_key(label) in given for label, wave in zip(labels, waves_nm, strict=True)):
        lacks.append("wavelengths of the filters are not known (filters: {R: 630 nm})")
    if lacks:
        return None, (
            f"What the air took from star and target is not allowed for: {'; '.join(lacks)}. Where one stands at 60 "
            "and the other at 30 degrees, blue comes out wrong by about a tenth."
        )
    site = night.get("site", {})
    height, pressure = float(site.get("height_m") or 0.0), site.get("pressure_hpa")
    found = []
    for label, wave in zip(labels, waves_nm, strict=True):
        if filter_key(label) in given:
            found.append(Air(given[filter_key(label)], MEASURED_DOUBT_MAG))
        else:
            mag = float(extinction_mag(float(wave or 0.0), height, None if pressure is None else float(pressure)))
            found.append(Air(mag, HAZE_DOUBT * float(haze_mag(float(wave or 0.0), height))))
    return found, ""


def _apart(star: Star, airs: Sequence[float | None]) -> float:
    """How much more or less air the star was seen through than the target; a large number when not known."""
    pairs = [(s.airmass, t) for s, t in zip(star.lights, airs, strict=True)]
    known = [abs(s - t) for s, t in pairs if s is not None and t is not None]
    return max(known) if len(known) == len(pairs) else 1e3


def _later(star: Star, shown: Sequence[Capture]) -> float:
    times = [abs(float(a.utc_mid or 0.0) - float(b.utc_mid or 0.0)) for a, b in zip(star.captures, shown, strict=True)]
    return max(times)


def _names(night: Mapping[str, Any]) -> set[str | None]:
    return {UNLISTED, *(name.lower() for name in night.get("references", {}))}
