"""The whole sheet as plain values: cameras side by side, targets one by one, verdicts in plain sentences."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from typing import Any

from nightmill_sky.bodies import body
from nightmill_sky.optics import dawes_limit_arcsec, diffraction_limit_arcsec, rayleigh_limit_arcsec
from nightmill_sky.site import Site

from .cameras import LINKS_MB_S, link_of, smallest_frame
from .equipment import Camera, Telescope
from .rotation import rotation_budget_s
from .sampling import LENSES, Setup, choose_lens, setup
from .tonight import TargetNight, target_night
from .verdicts import LONGEST_S, SURFACES, verdicts

__all__ = ["GREEN_NM", "SUN_CAUTION", "make_sheet"]

GREEN_NM = 550.0
"""Where the eye and most sensors see best; limits without a filter are given here."""

USUAL_FILTERS = {"R": 630.0, "G": 530.0, "B": 460.0}
"""Broad-band filters, nm; taken when the night file lists none. Common practice, no source."""

SUN_CAUTION = (
    "Sun: never point a telescope or finder at the Sun without a certified filter over the full aperture; cover the "
    "finder, never leave the telescope alone, and follow the maker's instructions and your local rules."
)

Json = dict[str, Any]


def make_sheet(
    telescope: Telescope,
    cameras: Sequence[Camera],
    *,
    filters: Mapping[str, float] | None = None,
    targets: Sequence[str] = (),
    date: str,
    site: Site | None = None,
) -> Json:
    """Work out the sheet.

    Parameters
    ----------
    telescope : Telescope
    cameras : sequence of Camera
        At least one.
    filters : mapping of str to float, optional
        Effective wavelengths, nm.
    targets : sequence of str
        Names that `nightmill_sky.body` knows.
    date : str
        YYYY-MM-DD of the evening.
    site : Site, optional

    Returns
    -------
    dict
        JSON values: "cautions", "telescope", "cameras", "targets", "verdicts", "missing" (what the night file does not
        tell, and how to write it).

    Raises
    ------
    ValueError
        Unknown target or date.
    """
    bands = dict(filters or USUAL_FILTERS)
    names = [body(target).name for target in targets]
    skies = [target_night(name, date, site) for name in dict.fromkeys(names)]
    rows = [_camera(telescope, camera, bands) for camera in cameras]
    parts = [_target(telescope, cameras, rows, sky) for sky in skies]
    return {
        "cautions": [SUN_CAUTION] if "sun" in names else [],
        "date": date,
        "site": None if site is None else {"latitude_deg": site.latitude_deg, "longitude_deg": site.longitude_deg},
        "telescope": _telescope(telescope, bands),
        "cameras": rows,
        "targets": parts,
        "verdicts": [*(row["verdict"] for row in rows), *(one for part in parts for one in part["verdicts"])],
        "missing": [one for camera in cameras for one in _missing(camera)],
    }


def _missing(camera: Camera) -> list[str]:
    """Say what the night file does not tell of a camera, what that leaves open, and how to write it."""
    said = []
    if camera.width_px is None:
        said.append("sensor: 1920x1080 would give field and panels")
    if not camera.rates:
        said.append("frame_rates: {640x480: 200 Hz} would give frames, exposure and data")
    if camera.interface is None and camera.rates:
        said.append(f"interface: one of {', '.join(LINKS_MB_S)} would tell whether the link carries the frames")
    if camera.full_well_e is None or camera.read_noise_e is None:
        said.append("full_well: 11000 electron and read_noise: 2 electron would give the range of a pixel")
    return [f"{camera.name}: {one}" for one in said]


def _telescope(telescope: Telescope, bands: Mapping[str, float]) -> Json:
    size = telescope.aperture_mm
    return {
        "aperture_mm": size,
        "focal_length_mm": telescope.focal_length_mm,
        "focal_ratio": telescope.focal_ratio,
        "obstruction": telescope.obstruction,
        "rayleigh_arcsec": float(rayleigh_limit_arcsec(size, GREEN_NM)),
        "dawes_arcsec": float(dawes_limit_arcsec(size)),
        "finest_period_arcsec": {name: float(diffraction_limit_arcsec(size, nm)) for name, nm in bands.items()},
        "light_lost": telescope.obstruction**2,
    }


def _camera(telescope: Telescope, camera: Camera, bands: Mapping[str, float]) -> Json:
    at_hand = telescope.amplifiers or LENSES
    best = choose_lens(camera.pixel_um, telescope.focal_ratio, at_hand)
    lens = telescope.amplifier if telescope.amplifier is not None else best
    factors = sorted({1.0, best, lens, *telescope.amplifiers})
    setups = {factor: setup(telescope, camera, factor, bands) for factor in factors}
    used = setups[lens]
    row: Json = {
        "name": camera.name,
        "pixel_um": camera.pixel_um,
        "sensor_px": [camera.width_px, camera.height_px] if camera.width_px else None,
        "colour": camera.colour,
        "bits": camera.bits,
        "lens": lens,
        "best_lens": best,
        "setups": [_setup(one, camera) for one in setups.values()],
        "scale_arcsec": used.scale_arcsec,
        "focal_ratio": used.focal_ratio,
        "working_ratios": list(used.working_ratios),
        "critical_ratio": used.critical,
        "field_arcmin": _field(camera, used.scale_arcsec),
        "rates": [_rate(camera, *one) for one in camera.rates],
        "stops": None,
        "electrons_per_step": None,
        "verdict": f"{camera.name}: {used.verdict}",
    }
    if best != lens:
        suits = "No amplifier at all" if best == 1 else f"{best:g}x"
        row["verdict"] += f" {suits} suits best (f/{setups[best].focal_ratio:.0f})."
    if camera.full_well_e:
        row["electrons_per_step"] = camera.full_well_e / 2**camera.bits
        if camera.read_noise_e:
            row["stops"] = math.log2(camera.full_well_e / camera.read_noise_e)
    return row


def _setup(one: Setup, camera: Camera) -> Json:
    return {
        "lens": one.lens,
        "focal_ratio": one.focal_ratio,
        "scale_arcsec": one.scale_arcsec,
        "px_per_period": one.px_per_period,
        "field_arcmin": _field(camera, one.scale_arcsec),
        "verdict": one.verdict,
    }


def _field(camera: Camera, scale: float) -> list[float] | None:
    if camera.width_px is None or camera.height_px is None:
        return None
    return [camera.width_px * scale / 60.0, camera.height_px * scale / 60.0]


def _rate(camera: Camera, width: int, height: int, rate: float) -> Json:
    link = link_of(camera, width, height, rate)
    return {
        "width_px": width,
        "height_px": height,
        "frames_per_s": rate,
        "mb_per_s": width * height * camera.bytes_per_px * rate / 1e6,
        "link_mb_per_s": None if link is None else link.practice_mb_s,
        "link_carries_it": None if link is None else link.fits,
    }


def _target(telescope: Telescope, cameras: Sequence[Camera], rows: Sequence[Json], sky: TargetNight) -> Json:
    element = float(diffraction_limit_arcsec(telescope.aperture_mm, GREEN_NM))
    longest = rotation_budget_s(sky.speed_arcsec_per_s, element)
    part: Json = {
        "target": sky.target,
        "diameter_arcsec": sky.equatorial_diameter_arcsec,
        "extent_arcsec": [sky.width_arcsec, sky.height_arcsec],
        "speed_arcsec_per_min": 60.0 * sky.speed_arcsec_per_s,
        "element_arcsec": element,
        "longest_s": longest,
        "cameras": [_pair(camera, row, sky, longest) for camera, row in zip(cameras, rows, strict=True)],
        "night": _night(sky, element),
    }
    part["verdicts"] = verdicts(part)
    return part


def _pair(camera: Camera, row: Json, sky: TargetNight, longest_s: float) -> Json:
    """Work out one camera on one target."""
    scale = row["scale_arcsec"]
    pair: Json = {
        "name": camera.name,
        "size_px": [sky.width_arcsec / scale, sky.height_arcsec / scale],
        "one_px_s": rotation_budget_s(sky.speed_arcsec_per_s, scale),
        "capture_s": min(longest_s, LONGEST_S),
    }
    if sky.target in SURFACES:
        if row["field_arcmin"]:
            # A seventh of overlap on each side, so that neighbouring panels find each other.
            size = sky.equatorial_diameter_arcsec / 60.0
            pair["panels"] = [max(1, math.ceil(size / (0.86 * one))) for one in row["field_arcmin"]]
        if camera.rates:
            wide, high, rate = camera.rates[-1]
            link = link_of(camera, wide, high, rate)
            held = link is None or link.fits
            possible = rate if link is None else rate * min(1.0, link.practice_mb_s / link.needed_mb_s)
            pair["frame"] = _recording(camera, wide, high, possible, "camera" if held else "link", pair["capture_s"])
        return pair
    frame = smallest_frame(camera, sky.width_arcsec, sky.height_arcsec, scale)
    if frame is None:
        pair["too_small"] = True
        return pair
    pair["frame"] = _recording(
        camera, frame.width_px, frame.height_px, frame.frames_per_s, frame.limited_by, pair["capture_s"]
    )
    pair["frame"]["listed"] = frame.listed
    return pair


def _recording(camera: Camera, width: int, height: int, rate: float | None, limit: str, seconds: float) -> Json:
    size = width * height * camera.bytes_per_px
    return {
        "width_px": width,
        "height_px": height,
        "frames_per_s": rate,
        "limited_by": limit,
        "eight_bit_rate": _eight_bit(camera, width, height) if limit == "link" else None,
        "longest_exposure_ms": None if rate is None else 1e3 / rate,
        "frames": None if rate is None else math.floor(seconds * rate),
        "gigabytes": None if rate is None else size * math.floor(seconds * rate) / 1e9,
    }


def _eight_bit(camera: Camera, width: int, height: int) -> float | None:
    """Return the frame rate that the link carries with samples of one byte, when the camera takes two now."""
    rates = [one[2] for one in camera.rates if one[:2] == (width, height)]
    link = link_of(dataclasses.replace(camera, bits=8), width, height, rates[0]) if rates else None
    if link is None or camera.bytes_per_px == 1:
        return None
    return rates[0] * min(1.0, link.practice_mb_s / link.needed_mb_s)


def _night(sky: TargetNight, element: float) -> Json | None:
    if not sky.altitude_deg:
        return None
    best = sky.best
    fine = [k for k, good in enumerate(sky.useful) if good and (sky.dispersion_arcsec[k] or 99.0) <= element]
    return {
        "utc": list(sky.utc),
        "altitude_deg": [round(one, 2) for one in sky.altitude_deg],
        "dispersion_arcsec": [None if one is None else round(one, 3) for one in sky.dispersion_arcsec],
        "useful": list(sky.useful),
        "from_nm": sky.blue_nm,
        "to_nm": sky.red_nm,
        "best_utc": None if best is None else sky.utc[best],
        "best_altitude_deg": None if best is None else sky.altitude_deg[best],
        "best_dispersion_arcsec": None if best is None else sky.dispersion_arcsec[best],
        "fine_from": sky.utc[fine[0]] if fine else None,
        "fine_to": sky.utc[fine[-1]] if fine else None,
    }
