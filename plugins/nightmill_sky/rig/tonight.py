"""A target through one night: its size, how it turns, how high it stands and how the air spreads its colours."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from nightmill_sky.air import differential_refraction_arcsec, pressure_at_height_hpa
from nightmill_sky.bodies import body
from nightmill_sky.physical import ephemerides
from nightmill_sky.site import Site

from .rotation import rotation_speed_arcsec_per_s

__all__ = ["TargetNight", "target_night"]

STEP_MIN = 10
HALF_SPAN_H = 8
BLUE_NM, RED_NM = 450.0, 650.0
LOWEST_DEG = 10.0
"""Below this nobody records, and the plane-parallel air of the dispersion formula ends."""

DARK_DEG = -4.0


@dataclass(frozen=True)
class TargetNight:
    """What the sky offers of a target.

    Parameters
    ----------
    target : str
    utc : tuple of str
        Every ten minutes, eight hours around local midnight (around noon for the Sun).
    altitude_deg : tuple of float
        With refraction, or without below -1 degree; empty without a site.
    dispersion_arcsec : tuple of float or None
        Length of the spectrum from `red_nm` to `blue_nm`; None below ten degrees.
    useful : tuple of bool
        The target stands above ten degrees and, but for the Sun, the Sun is down.
    width_arcsec, height_arcsec : float
        Extent in the middle of the night, rings included.
    equatorial_diameter_arcsec : float
    speed_arcsec_per_s : float
        Of details in the middle of the disc.
    """

    target: str
    utc: tuple[str, ...]
    width_arcsec: float
    height_arcsec: float
    equatorial_diameter_arcsec: float
    speed_arcsec_per_s: float
    blue_nm: float = BLUE_NM
    red_nm: float = RED_NM
    altitude_deg: tuple[float, ...] = ()
    dispersion_arcsec: tuple[float | None, ...] = ()
    useful: tuple[bool, ...] = field(default=())

    @property
    def best(self) -> int | None:
        """Index of the highest useful moment, or None."""
        moments = [k for k, good in enumerate(self.useful) if good]
        return max(moments, key=lambda k: self.altitude_deg[k]) if moments else None


def target_night(
    target: str, date: str, site: Site | None, blue_nm: float = BLUE_NM, red_nm: float = RED_NM
) -> TargetNight:
    """Follow a target through the night that begins on the evening of a date.

    Parameters
    ----------
    target : str
    date : str
        YYYY-MM-DD, of the evening (of the day, for the Sun).
    site : Site or None
        None: no altitudes.
    blue_nm, red_nm : float
        Ends of the spectrum for the dispersion.

    Returns
    -------
    TargetNight

    Raises
    ------
    ValueError
        Unknown target, or a date that is not one.
    """
    name = body(target).name
    try:
        day = datetime.strptime(date.strip(), "%Y-%m-%d")
    except ValueError:
        raise ValueError(f"{date!r} is not a date: write YYYY-MM-DD, the date of the evening") from None
    east_h = 0.0 if site is None else ((site.longitude_deg + 180.0) % 360.0 - 180.0) / 15.0
    middle = day + timedelta(hours=(12.0 if name == "sun" else 24.0) - east_h)
    middle = middle.replace(minute=middle.minute // 10 * 10, second=0, microsecond=0)
    count = 2 * HALF_SPAN_H * 60 // STEP_MIN + 1
    times = [middle + timedelta(minutes=STEP_MIN * (k - count // 2)) for k in range(count)]
    pair = ephemerides(target, [middle, middle + timedelta(minutes=10)], site, satellites=False)
    width, height = _extent(pair[0])
    known: dict[str, Any] = {}
    if site is not None:
        rows = ephemerides(target, times, site, satellites=False)
        suns = rows if name == "sun" else ephemerides("sun", times, site, satellites=False)
        altitudes = tuple(float(row.refracted_altitude_deg or row.altitude_deg or 0.0) for row in rows)
        dark = [name == "sun" or (sun.altitude_deg or 0.0) < DARK_DEG for sun in suns]
        known = {
            "altitude_deg": altitudes,
            "dispersion_arcsec": _dispersion(altitudes, site, blue_nm, red_nm),
            "useful": tuple(a > LOWEST_DEG and good for a, good in zip(altitudes, dark, strict=True)),
        }
    return TargetNight(
        target=name,
        utc=tuple(one.isoformat(timespec="seconds") + "Z" for one in times),
        width_arcsec=width,
        height_arcsec=height,
        equatorial_diameter_arcsec=pair[0].equatorial_diameter_arcsec,
        speed_arcsec_per_s=rotation_speed_arcsec_per_s(*pair, 600.0),
        blue_nm=blue_nm,
        red_nm=red_nm,
        **known,
    )


def _extent(row: Any) -> tuple[float, float]:
    """Return the longer and the shorter extent of a target, rings included."""
    long, short = row.equatorial_diameter_arcsec, row.disc_minor_axis_arcsec
    rings = body(row.target).rings_km
    if rings and row.ring_opening_earth_deg is not None:
        outer = max(ring[2] for ring in rings) / body(row.target).equatorial_radius_km
        long *= outer
        short = max(short, long * abs(float(np.sin(np.radians(row.ring_opening_earth_deg)))))
    return float(long), float(short)


def _dispersion(altitudes: tuple[float, ...], site: Site, blue_nm: float, red_nm: float) -> tuple[float | None, ...]:
    pressure = float(pressure_at_height_hpa(min(max(site.height_m, -1000.0), 11_000.0)))
    high = np.clip(altitudes, LOWEST_DEG, 90.0)
    spread = np.abs(differential_refraction_arcsec(blue_nm, red_nm, high, pressure_hpa=pressure))
    return tuple(float(one) if a >= LOWEST_DEG else None for one, a in zip(spread, altitudes, strict=True))
