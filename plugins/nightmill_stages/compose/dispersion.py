"""Dispersion by the air: what it should be between the channels of a colour picture, beside what was measured.

Blue light stands higher in the sky than red. How much follows from the altitude, the wavelengths, the pressure and the
temperature (`nightmill_sky.air`: Ciddor 1996, Filippenko 1982). The channels of a one-shot-colour camera see the planet
at the same moments, so their offsets are the dispersion itself; captures through filters follow one another, and the
mount's motion between them says nothing of the air.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightmill.artefacts import Picture
from nightmill.stage import Context
from nightmill_sky import Ephemeris
from nightmill_sky.air import differential_refraction_arcsec, pressure_at_height_hpa

from ..matching.register import Offset
from ..orient.known import sky_of

__all__ = ["Expected", "compare", "expect", "say_dispersion"]

USUAL_C = 10.0
"""Temperature of a night where night.yaml gives none; 10 degrees more or less change the dispersion by 4 %."""
LEAST_ALTITUDE_DEG = 10.0
ALLOWED_ARCSEC = 0.3
"""Difference that is worth a word: a colour sensor's effective wavelengths are known to some 15 nm, which is 0.1 arcsec
at 30 degrees, and the registration adds a tenth of a pixel; a fifth of the dispersion is allowed on top.
"""
ALLOWED_SHARE = 0.2
CORRECTED_SHARE = 0.4
"""Of what the air does, when less than this is seen something in front of the camera took the rest out."""


@dataclass(frozen=True)
class Expected:
    """Dispersion that the air should have caused.

    Attributes
    ----------
    rise_arcsec : tuple of float
        How much higher each channel stands than the reference channel, arcseconds.
    offsets_px : tuple of (float, float) or None
        The same as offsets (down, right) on the picture; None when it is not known where the zenith lies on it.
    altitude_deg, pressure_hpa, temperature_c : float
    """

    rise_arcsec: tuple[float, ...]
    offsets_px: tuple[tuple[float, float], ...] | None
    altitude_deg: float
    pressure_hpa: float
    temperature_c: float


def expect(
    sky: Ephemeris,
    geometry: Mapping[str, Any],
    site: Mapping[str, Any],
    waves_nm: Sequence[float],
    reference: int,
) -> Expected | None:
    """Predict the dispersion between channels.

    Parameters
    ----------
    sky : Ephemeris
        With altitude and parallactic angle.
    geometry : mapping
        Of the picture: "scale_arcsec", and "north_angle_deg" with "mirrored" where they are known.
    site : mapping
        Section of the night file: "height_m", and "pressure_hpa", "temperature_c" where they are given.
    waves_nm : sequence of float
        Effective wavelength of each channel, nm.
    reference : int
        Channel that the others are compared with.

    Returns
    -------
    Expected or None
        None when altitude or scale are not known, or the target stands too low for the formula.
    """
    altitude, scale = sky.altitude_deg, geometry.get("scale_arcsec")
    if altitude is None or not scale or not LEAST_ALTITUDE_DEG <= altitude <= 90.0:
        return None
    pressure = float(site.get("pressure_hpa") or pressure_at_height_hpa(float(site.get("height_m") or 0.0)))
    given = site.get("temperature_c")
    temperature = USUAL_C if given is None else float(given)
    rises = differential_refraction_arcsec(
        np.asarray(waves_nm), waves_nm[reference], altitude, pressure_hpa=pressure, temperature_c=temperature
    )
    offsets = None
    angle = sky.parallactic_angle_deg
    if angle is not None and "north_angle_deg" in geometry and "mirrored" in geometry:
        # The position angle of the zenith grows from north towards east, which a mirror turns round.
        sense = -1.0 if geometry["mirrored"] else 1.0
        zenith = np.radians(float(geometry["north_angle_deg"]) + sense * angle)
        way = np.array([-np.cos(zenith), -np.sin(zenith)]) / float(scale)
        offsets = tuple((float(rise * way[0]), float(rise * way[1])) for rise in rises)
    return Expected(tuple(float(r) for r in rises), offsets, float(altitude), pressure, temperature)


def compare(
    expected: Expected, measured_px: Sequence[tuple[float, float] | None], scale_arcsec: float
) -> tuple[float, bool, bool]:
    """Compare expectation and measurement.

    Parameters
    ----------
    expected : Expected
    measured_px : sequence of (float, float) or None
        Offsets (down, right) of the channels; None where one could not be measured.
    scale_arcsec : float

    Returns
    -------
    apart_arcsec : float
        Largest difference; of the sizes alone when the direction of the zenith is not known.
    agree : bool
        Whether no channel is off by more than is allowed.
    corrected : bool
        Whether everything measured is much smaller than it should be.
    """
    apart, agree, corrected = 0.0, True, True
    for k, (rise, seen) in enumerate(zip(expected.rise_arcsec, measured_px, strict=True)):
        if seen is None:
            continue
        size = float(np.hypot(*seen)) * scale_arcsec
        if expected.offsets_px is None:
            off = abs(size - abs(rise))
        else:
            off = float(np.hypot(*(np.array(seen) - np.array(expected.offsets_px[k])))) * scale_arcsec
        apart = max(apart, off)
        agree = agree and off <= ALLOWED_ARCSEC + ALLOWED_SHARE * abs(rise)
        corrected = corrected and size <= max(CORRECTED_SHARE * abs(rise), 0.1)
    return apart, agree, corrected


def say_dispersion(
    picture: Picture, offsets: Sequence[Offset | None], waves_nm: Sequence[float], reference: int, context: Context
) -> None:
    """Write expected and measured dispersion into the record; caution where they disagree.

    Parameters
    ----------
    picture : Picture
        One-shot colour, with its geometry.
    offsets : sequence of Offset or None
        Measured against the reference channel; None where it could not be.
    waves_nm : sequence of float
    reference : int
    context : Context
        With the sections "site" of the night.
    """
    site = context.night.get("site", {})
    if "latitude_deg" not in site or "longitude_deg" not in site or picture.utc_mid is None:
        return
    sky = sky_of(picture, Context(night=context.night))
    expected = None if sky is None else expect(sky, picture.geometry, site, waves_nm, reference)
    if expected is None:
        return
    scale = float(picture.geometry["scale_arcsec"])
    # What was taken out frame by frame is part of what the air did.
    taken = picture.header.get("dispersion_px") or [[0.0, 0.0]] * len(offsets)
    seen = [
        None if offset is None else (offset.dy_px + float(before[0]), offset.dx_px + float(before[1]))
        for offset, before in zip(offsets, taken, strict=True)
    ]
    apart, agree, corrected = compare(expected, seen, scale)
    colours = [k for k in range(len(waves_nm)) if k != reference and seen[k] is not None]
    names = ("red", "green", "blue")
    expected_words = ", ".join(f"{names[k]} {expected.rise_arcsec[k]:+.2f}" for k in colours)
    sizes = {k: float(np.hypot(*spot)) * scale for k in colours if (spot := seen[k]) is not None}
    seen_words = ", ".join(f"{names[k]} {sizes[k]:.2f}" for k in colours)
    value = {
        "expected_arcsec": {names[k]: round(expected.rise_arcsec[k], 3) for k in colours},
        "measured_arcsec": {names[k]: round(sizes[k], 3) for k in colours},
        "apart_arcsec": round(apart, 3),
        "altitude_deg": round(expected.altitude_deg, 2),
        "pressure_hpa": round(expected.pressure_hpa, 1),
        "temperature_c": expected.temperature_c,
    }
    text = (
        f"At {expected.altitude_deg:.0f} degrees of altitude the air should raise the colours against green by "
        f"{expected_words} arcsec towards the zenith; measured offsets are {seen_words} arcsec."
    )
    context.measure("dispersion", value, text)
    if colours and not agree and corrected:
        context.measure(
            "dispersion_corrected", round(apart, 3), "So little dispersion is left as behind a dispersion corrector."
        )
    elif colours and not agree:
        context.caution(
            "dispersion",
            f"The offsets between the colours are {apart:.2f} arcsec away from the dispersion of the air (allowed: "
            f"{ALLOWED_ARCSEC:g} arcsec and a fifth of it); check site and time in the night file, or the optics have "
            "colours of their own.",
            round(apart, 3),
        )
