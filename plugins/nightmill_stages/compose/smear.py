"""How far the air's dispersion draws out the light within one filter: predicted, since nothing measures it.

The captures of a set follow one another, and the mount moves between them, so their offsets say nothing of the air. But
a filter passes a band, and low in the sky its blue end stands higher than its red end: detail is drawn out towards the
zenith, in every frame alike, and no registration brings it back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from nightmill.artefacts import Picture
from nightmill.stage import Context
from nightmill_sky.air import differential_refraction_arcsec, pressure_at_height_hpa
from nightmill_sky.filters import band_nm

from ..orient.known import sky_of
from .dispersion import LEAST_ALTITUDE_DEG, USUAL_C

__all__ = ["say_smear", "smear_arcsec"]

MOST_PX = 2.0
"""Smear that is worth a caution where the aperture is not known; else one lambda / D from end to end, at which detail
of half the telescope's cut-off has lost a third of its contrast (sinc(1/2) = 0.64)."""


def smear_arcsec(band: tuple[float, float], altitude_deg: float, site: Mapping[str, Any]) -> float:
    """Angle between the ends of a band after refraction, arcseconds.

    Parameters
    ----------
    band : tuple of float
        Ends, nm.
    altitude_deg : float
        10 to 90.
    site : mapping
        Section of the night file: "height_m", and "pressure_hpa", "temperature_c" where they are given.
    """
    pressure = float(site.get("pressure_hpa") or pressure_at_height_hpa(float(site.get("height_m") or 0.0)))
    given = site.get("temperature_c")
    temperature = USUAL_C if given is None else float(given)
    found = differential_refraction_arcsec(
        np.array([band[0]]), band[1], altitude_deg, pressure_hpa=pressure, temperature_c=temperature
    )
    return float(abs(found[0]))


def say_smear(members: Sequence[Picture], labels: Sequence[str], context: Context) -> None:
    """Record how far each filter's band is drawn out, and caution where it costs detail that the telescope shows.

    Nothing is said without a site, times and a scale, or in the lowest 10 degrees.
    """
    site = context.night.get("site", {})
    if "latitude_deg" not in site or "longitude_deg" not in site:
        return
    waves = context.night.get("filters", {})
    aperture_mm = context.night.get("telescope", {}).get("aperture_mm")
    found: dict[str, list[float]] = {}
    wide: dict[str, float] = {}
    lowest = 90.0
    for member, label in zip(members, labels, strict=True):
        scale = member.geometry.get("scale_arcsec")
        band = band_nm(label, waves)
        sky = sky_of(member, Context(night=context.night)) if member.utc_mid is not None else None
        altitude = None if sky is None else sky.altitude_deg
        if not scale or band is None or altitude is None or altitude < LEAST_ALTITUDE_DEG:
            continue
        smear = smear_arcsec(band, altitude, site)
        found[label] = [round(smear, 3), round(smear / float(scale), 2)]
        lowest = min(lowest, altitude)
        most = MOST_PX * float(scale)
        if aperture_mm:
            most = float(np.degrees(sum(band) / 2.0 * 1e-6 / float(aperture_mm))) * 3600.0
        if smear > most:
            wide[label] = found[label][1]
    if not found:
        return
    words = ", ".join(f"{label} {px:.2f} px" for label, (_, px) in found.items())
    context.measure(
        "band_smear",
        {label: {"arcsec": arcsec, "px": px} for label, (arcsec, px) in found.items()},
        f"At {lowest:.0f} degrees of altitude the air draws out the light within each filter's band towards the "
        f"zenith by (end to end, predicted): {words}.",
    )
    if wide:
        told = ", ".join(f"{label} {px:.1f} px" for label, px in wide.items())
        context.caution(
            "band_smear",
            f"Within one filter the air smears detail towards the zenith ({told}; altitude {lowest:.0f} degrees); a "
            "dispersion corrector, a narrower filter or a higher planet avoids it, sharpening only in part.",
            wide,
        )
