"""What the night measured against what the equipment should give, and what to change tonight.

Source
------
Seeing from image motion: Sarazin & Roddier (1990), A&A 227, 294, equation 1: variance along one axis
0.179 wavelength^2 aperture^(-1/3) r0^(-5/3) rad^2, and a width of 0.98 wavelength / r0.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from nightmill_sky.bodies import UnknownTargetError, body
from nightmill_sky.optics import ARCSEC_PER_RADIAN, diffraction_limit_arcsec, pixel_scale_arcsec_per_px
from nightmill_sky.physical import ephemerides
from nightmill_sky.site import Site

from .cameras import ROOM
from .sampling import WORKING_PER_UM

__all__ = ["MOST_SENTENCES", "morning", "seeing_from_motion_arcsec"]

Json = Mapping[str, Any]

MOST_SENTENCES = 5
GREEN_NM = 550.0
CURVE_STEP_MIN = 10
NIGHT_GAP = timedelta(hours=14)


def seeing_from_motion_arcsec(motion_arcsec: float, aperture_mm: float, wavelength_nm: float = GREEN_NM) -> float:
    """Estimate the width of a long exposure of a star from the motion of a short one's image.

    Parameters
    ----------
    motion_arcsec : float
        Standard deviation along one axis.
    aperture_mm, wavelength_nm : float
        Above 0.

    Returns
    -------
    float
        Full width at half maximum, arcsec, 500 nm convention not applied: at the wavelength given. Wind and drive add
        to the motion, so it is an upper limit; motion slower than the measurement's window is missing.
    """
    wavelength, aperture = wavelength_nm * 1e-9, aperture_mm * 1e-3
    variance = (motion_arcsec / ARCSEC_PER_RADIAN) ** 2
    r0 = (0.179 * wavelength**2 * aperture ** (-1.0 / 3.0) / max(variance, 1e-30)) ** 0.6
    return float(0.98 * wavelength / r0 * ARCSEC_PER_RADIAN)


def morning(night: Mapping[str, Json], captures: Sequence[Json]) -> dict[str, Any]:
    """Judge a night.

    Parameters
    ----------
    night : mapping
        Sections "site", "telescope", "camera", "filters", "references" of the night file; any may be empty.
    captures : sequence of mapping
        As `nightmill.hooks.nightmill_report` gets them.

    Returns
    -------
    dict
        "curves", "captures", "advice" (at most five sentences, each with its figure), "cautions".
    """
    facts = {str(one["file"]): _facts(night, one) for one in captures}
    # A star that others are measured by is recorded for its light, not for its detail.
    serving = {"reference", *(name.lower() for name in night.get("references", {}))}
    pictured = [one for one in captures if one.get("target") not in serving]
    return {
        "curves": _curves(night, captures),
        "captures": facts,
        "advice": _advice(night, pictured, facts)[:MOST_SENTENCES],
        "cautions": _cautions(captures),
    }


def _cautions(captures: Sequence[Json]) -> list[str]:
    from .sheet import SUN_CAUTION

    return [SUN_CAUTION] if any(one.get("target") == "sun" for one in captures) else []


def nominal_scale_arcsec(night: Mapping[str, Json]) -> float | None:
    """Return the angle of a pixel by the night file, or None when it does not say enough."""
    scope, camera = night.get("telescope", {}), night.get("camera", {})
    if not (scope.get("focal_length_mm") and camera.get("pixel_um")):
        return None
    focal = scope["focal_length_mm"] * (scope.get("amplifier") or 1.0)
    return float(pixel_scale_arcsec_per_px(camera["pixel_um"], focal))


def _facts(night: Mapping[str, Json], capture: Json) -> dict[str, Any]:
    """Work out what a capture's pixels mean on the sky."""
    found: dict[str, Any] = {}
    rows: list[tuple[str, str]] = []
    measured = _measured_scale(capture)
    scale = measured or nominal_scale_arcsec(night)
    if scale is not None:
        found["scale_arcsec"] = scale
        rows.append(("Scale", f"{scale:.3f} arcsec per pixel, {'measured' if measured else 'by the night file'}"))
    aperture = night.get("telescope", {}).get("aperture_mm")
    nm = night.get("filters", {}).get(capture.get("filter") or "", GREEN_NM)
    if aperture:
        found["limit_arcsec"] = float(diffraction_limit_arcsec(aperture, nm))
        rows.append(("Telescope's finest period", f"{found['limit_arcsec']:.2f} arcsec at {nm:.0f} nm"))
    jitter = (capture.get("sheet") or {}).get("jitter_px")
    if scale and aperture and jitter:
        found["seeing_arcsec"] = seeing_from_motion_arcsec(jitter * scale, aperture, nm)
        rows.append(("Seeing from image motion, at most", f"{found['seeing_arcsec']:.1f} arcsec"))
    return {**found, "facts": rows}


def _measured_scale(capture: Json) -> float | None:
    """Return the scale that a picture stage measured, per camera pixel."""
    for picture in capture.get("pictures", []):
        scale = (picture.get("geometry") or {}).get("scale_arcsec")
        if scale:
            return float(scale) * float((picture.get("header") or {}).get("scale") or 1.0)
    return None


def _curves(night: Mapping[str, Json], captures: Sequence[Json]) -> list[dict[str, Any]]:
    """Follow every target's altitude through each night on which it was recorded."""
    place = night.get("site", {})
    if "latitude_deg" not in place or "longitude_deg" not in place:
        return []
    site = Site(place["latitude_deg"], place["longitude_deg"], place.get("height_m", 0.0))
    known = sorted(
        (datetime.fromisoformat(str(one["utc_mid"]).replace("Z", "+00:00")), str(one.get("target") or ""))
        for one in captures
        if one.get("utc_mid")
    )
    nights: list[list[tuple[datetime, str]]] = []
    for one in known:
        if nights and one[0] - nights[-1][-1][0] < NIGHT_GAP:
            nights[-1].append(one)
        else:
            nights.append([one])
    return [curve for group in nights for curve in _night_curves(group, site)]


def _night_curves(group: Sequence[tuple[datetime, str]], site: Site) -> list[dict[str, Any]]:
    curves = []
    first, last = group[0][0] - timedelta(hours=1), group[-1][0] + timedelta(hours=1)
    count = int((last - first) / timedelta(minutes=CURVE_STEP_MIN)) + 2
    times = [first + timedelta(minutes=CURVE_STEP_MIN * k) for k in range(count)]
    for target in dict.fromkeys(name for _, name in group):
        try:
            body(target)
        except UnknownTargetError:
            continue
        plain = [one.astimezone(UTC).replace(tzinfo=None) for one in times]
        rows = ephemerides(target, plain, site, satellites=False)
        heights = [round(float(row.refracted_altitude_deg or row.altitude_deg or 0.0), 2) for row in rows]
        curves.append({"target": target, "utc": [one.timestamp() for one in times], "altitude_deg": heights})
    return curves


def _advice(night: Mapping[str, Json], captures: Sequence[Json], facts: Mapping[str, Json]) -> list[str]:
    """Say what to change, the costliest fault first."""
    done = [one for one in captures if one.get("sheet")]
    said = [
        _clipped(done),
        _starved(done),
        _scale(night, done),
        _sampling(night, done),
        _missing(captures),
        _drift(done),
        _reach(done, facts),
    ]
    return [one for one in said if one]


def _clipped(done: Sequence[Json]) -> str | None:
    bad = [one for one in done if (one["sheet"].get("brightness") or {}).get("clipped", 0.0) > 1e-4]
    if not bad:
        return None
    worst = max(bad, key=lambda one: one["sheet"]["brightness"]["clipped"])
    share = worst["sheet"]["brightness"]["clipped"]
    return (
        f"{_count(bad, done)} clipped, at most {share:.2%} of the pixels of a frame ({worst['file']}): lower gain or "
        "exposure until the brightest parts stay below 90% of full scale."
    )


def _starved(done: Sequence[Json]) -> str | None:
    dim = [one for one in done if 0 < (one["sheet"].get("brightness") or {}).get("peak", 1.0) < 0.3]
    if not dim:
        return None
    worst = min(dim, key=lambda one: one["sheet"]["brightness"]["peak"])
    peak = worst["sheet"]["brightness"]["peak"]
    return (
        f"{_count(dim, done)} used less than 30% of the range, the dimmest {peak:.0%} ({worst['file']}): raise the "
        "gain at the same exposure, well short of clipping."
    )


def _scale(night: Mapping[str, Json], done: Sequence[Json]) -> str | None:
    nominal = nominal_scale_arcsec(night)
    measured = [scale for one in done if (scale := _measured_scale(one))]
    if nominal is None or not measured:
        return None
    true = float(np.median(measured))
    if abs(true / nominal - 1.0) < 0.03:
        return None
    scope = night["telescope"]
    factor = (scope.get("amplifier") or 1.0) * nominal / true
    return (
        f"The scale is {true:.3f} arcsec per pixel, not {nominal:.3f} as the night file says: write amplifier: "
        f"{factor:.2f}."
    )


def _sampling(night: Mapping[str, Json], done: Sequence[Json]) -> str | None:
    scope, camera = night.get("telescope", {}), night.get("camera", {})
    if not (scope.get("aperture_mm") and camera.get("pixel_um")):
        return None
    scales = [scale for one in done if (scale := _measured_scale(one))]
    scale = float(np.median(scales)) if scales else nominal_scale_arcsec(night)
    if scale is None:
        return None
    pixel = camera["pixel_um"]
    ratio = ARCSEC_PER_RADIAN * pixel * 1e-3 / scale / scope["aperture_mm"]
    low, high = (factor * pixel for factor in WORKING_PER_UM)
    if ratio < 0.97 * low:
        return f"At f/{ratio:.1f} the pixels were too coarse for the telescope: f/{low:.0f} to f/{high:.0f} is usual."
    if ratio > 1.03 * high:
        return f"At f/{ratio:.1f} the picture was larger and dimmer than needed: f/{low:.0f} to f/{high:.0f} is usual."
    return None


def _missing(captures: Sequence[Json]) -> str | None:
    lost = [one for one in captures if (one.get("frames_missing") or 0) > 0]
    if not lost:
        return None
    worst = max(lost, key=lambda one: one["frames_missing"])
    total = sum(one["frames_missing"] for one in lost)
    return (
        f"{total:,} frames are missing at the end of {len(lost)} of {len(captures)} captures, most in {worst['file']}: "
        "check the free disk and stop a recording before closing the program."
    )


def _drift(done: Sequence[Json]) -> str | None:
    wide = []
    for one in done:
        path = one["sheet"].get("drift")
        if not path or not one.get("width"):
            continue
        reach = [max(path[name]) - min(path[name]) for name in ("dx_px", "dy_px")]
        room = (1.0 - 1.0 / ROOM) * min(one["width"], one["height"])
        if max(reach) > room:
            wide.append((max(reach), one))
    if not wide:
        return None
    reach, worst = max(wide, key=lambda pair: pair[0])
    rate = reach / (worst["duration_s"] / 60.0) if worst.get("duration_s") else None
    words = f", {rate:.0f} px a minute" if rate else ""
    return (
        f"The object wandered by {reach:.0f} px in {worst['file']}{words}: align the mount's axis better, or take a "
        "larger frame."
    )


def _reach(done: Sequence[Json], facts: Mapping[str, Json]) -> str | None:
    ratios = []
    for one in done:
        limit = (one["sheet"].get("halves") or {}).get("limit_per_px")
        known = facts[str(one["file"])]
        if limit and known.get("scale_arcsec") and known.get("limit_arcsec"):
            # Finer than the telescope's limit nothing is detail, whatever agrees there.
            reached = max(known["scale_arcsec"] / limit, known["limit_arcsec"])
            ratios.append((reached / known["limit_arcsec"], reached, one))
    if len(ratios) == 0:
        return None
    ratio, reached, best = min(ratios, key=lambda row: row[0])
    if ratio < 1.5:
        return (
            f"The best capture, {best['file']}, reached {reached:.2f} arcsec, {ratio:.1f} times the telescope's own "
            "limit: keep what you did then."
        )
    return (
        f"Even the best capture, {best['file']}, reached only {reached:.2f} arcsec, {ratio:.1f} times the telescope's "
        "limit: check collimation, focus and cooling before blaming the air."
    )


def _count(some: Sequence[Json], done: Sequence[Json]) -> str:
    return f"{len(some)} of {len(done)} captures"
