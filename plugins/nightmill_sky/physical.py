"""The physical ephemeris: everything a picture of a planet, the Moon or the Sun needs to become an observation.

Puts together the apparent place (`positions`) and the turned globe (`bodies`). Longitudes of the planets are west
longitudes, as observers count them, so that the central meridian grows with time on every planet that turns forwards;
for Venus and Uranus, which turn backwards, the west longitude falls with time and the IAU's planetographic longitude
is 360 degrees minus it. On the Moon and the Sun longitudes are counted east (the Sun's L0 in Carrington's way).
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightmill_sky.bodies import AU_KM, Body, body, pole_unit_vector, rotation_matrix
from nightmill_sky.magnitude import magnitude
from nightmill_sky.positions import LIGHT_AU_PER_DAY, Apparition, observe
from nightmill_sky.records import Ephemeris, Satellite
from nightmill_sky.site import Site
from nightmill_sky.timescales import Instants, instants, isot

__all__ = ["airmass", "ephemerides", "ephemeris", "refraction_deg"]

Array = NDArray[np.float64]

_ARCSEC = 3600.0 * 180.0 / np.pi


def refraction_deg(altitude_deg: Array) -> Array:
    """Refraction to add to a true altitude, at 1010 hPa and 10 degrees Celsius.

    Parameters
    ----------
    altitude_deg : ndarray of float64, any shape
        True altitude, -1 to 90 degrees.

    Returns
    -------
    ndarray of float64
        Degrees; 0 below -1 degree, where the formula ends. Good to 0.07 arcmin.

    Notes
    -----
    Saemundsson (1986), Sky and Telescope 72, 70; in Meeus, Astronomical Algorithms, formula 16.4.
    """
    h = np.maximum(np.asarray(altitude_deg, dtype=np.float64), -1.0)
    minutes = 1.02 / np.tan(np.radians(h + 10.3 / (h + 5.11)))
    return np.where(np.asarray(altitude_deg) < -1.0, 0.0, np.maximum(minutes, 0.0) / 60.0)


def airmass(apparent_altitude_deg: Array) -> Array:
    """Relative thickness of the air on the line of sight.

    Parameters
    ----------
    apparent_altitude_deg : ndarray of float64, any shape
        Altitude as seen through the air, degrees.

    Returns
    -------
    ndarray of float64
        1 at the zenith, 38 at the horizon; NaN below the horizon.

    Notes
    -----
    Pickering (2002), "The southern limits of the ancient star catalog", DIO 12, 3, footnote 39.
    """
    h = np.asarray(apparent_altitude_deg, dtype=np.float64)
    up = np.maximum(h, 0.0)
    return np.where(h < 0.0, np.nan, 1.0 / np.sin(np.radians(up + 244.0 / (165.0 + 47.0 * up**1.1))))


def _graphic_deg(target: Body, centric_deg: Array) -> Array:
    """Planetographic latitude (angle of the surface normal) from the planetocentric one."""
    ratio = (target.equatorial_radius_km / target.polar_radius_km) ** 2
    lat = np.radians(centric_deg)
    return np.degrees(np.arctan2(np.sin(lat) * ratio, np.cos(lat)))


def _position_angle_deg(direction: Array, of_date_apparent: Array) -> Array:
    """Position angle of a direction at a place on the sky, both in the frame of date; degrees in [0, 360)."""
    x, y, z = np.moveaxis(of_date_apparent, -1, 0)
    east = np.stack([-y, x, np.zeros_like(x)], axis=-1)
    east /= np.linalg.norm(east, axis=-1, keepdims=True)
    north = np.cross(np.stack([x, y, z], axis=-1), east)
    return np.mod(np.degrees(np.arctan2(np.sum(direction * east, -1), np.sum(direction * north, -1))), 360.0)


def _globe(target: Body, seen: Apparition) -> dict[str, Array]:
    """Latitudes, longitudes and angles of the globe, each of shape (n,)."""
    days = seen.tdb_left_days
    distance = seen.distance_au
    out: dict[str, Array] = {}
    turn = rotation_matrix(target, days)
    observer = np.einsum("nij,nj->ni", turn, seen.to_observer_au) / distance[:, None]
    latitude = np.degrees(np.arcsin(np.clip(observer[:, 2], -1.0, 1.0)))
    east_deg = np.degrees(np.arctan2(observer[:, 1], observer[:, 0]))
    out["sub_observer_latitude_planetocentric_deg"] = latitude
    out["sub_observer_latitude_planetographic_deg"] = _graphic_deg(target, latitude)
    out["east_deg"] = east_deg
    place = np.einsum("nij,nj->ni", seen.of_date, seen.apparent)
    pole = np.einsum("nij,nj->ni", seen.of_date, pole_unit_vector(target, days))
    out["north_pole_position_angle_deg"] = _position_angle_deg(pole, place)
    ratio = target.polar_radius_km / target.equatorial_radius_km
    lat = np.radians(latitude)
    equatorial = 2.0 * np.arcsin(target.equatorial_radius_km / (distance * AU_KM)) * _ARCSEC
    out["equatorial_diameter_arcsec"] = equatorial
    out["polar_diameter_arcsec"] = equatorial * ratio
    out["disc_minor_axis_arcsec"] = equatorial * np.sqrt((ratio * np.cos(lat)) ** 2 + np.sin(lat) ** 2)
    if target.name == "sun":
        return out
    sun_distance = np.linalg.norm(seen.to_sun_au, axis=-1)
    sun = np.einsum("nij,nj->ni", turn, seen.to_sun_au) / sun_distance[:, None]
    out["sun_distance_au"] = sun_distance
    out["sub_solar_latitude_planetocentric_deg"] = np.degrees(np.arcsin(np.clip(sun[:, 2], -1.0, 1.0)))
    out["sub_solar_latitude_planetographic_deg"] = _graphic_deg(target, out["sub_solar_latitude_planetocentric_deg"])
    out["sun_east_deg"] = np.degrees(np.arctan2(sun[:, 1], sun[:, 0]))
    cosine = np.sum(sun * observer, axis=-1)
    out["phase_angle_deg"] = np.degrees(np.arctan2(np.linalg.norm(np.cross(sun, observer), axis=-1), cosine))
    out["illuminated_fraction"] = 0.5 * (1.0 + cosine)
    to_sun = np.einsum("nij,nj->ni", seen.of_date, seen.to_sun_au)
    out["bright_limb_position_angle_deg"] = _position_angle_deg(to_sun, place)
    return out


def _sky(seen: Apparition, site: Site | None) -> dict[str, Array]:
    """Apparent place, and where it stands above the horizon of the site."""
    x, y, z = np.moveaxis(np.einsum("nij,nj->ni", seen.of_date, seen.apparent), -1, 0)
    ra, dec = np.arctan2(y, x), np.arcsin(np.clip(z, -1.0, 1.0))
    out = {"ra_deg": np.mod(np.degrees(ra), 360.0), "dec_deg": np.degrees(dec)}
    if site is None:
        return out
    hour = seen.sidereal_rad + np.radians(site.longitude_deg) - ra
    phi = np.radians(site.latitude_deg)
    altitude = np.degrees(
        np.arcsin(np.clip(np.sin(phi) * np.sin(dec) + np.cos(phi) * np.cos(dec) * np.cos(hour), -1.0, 1.0))
    )
    east = -np.cos(dec) * np.sin(hour)
    north = np.cos(phi) * np.sin(dec) - np.sin(phi) * np.cos(dec) * np.cos(hour)
    refracted = altitude + refraction_deg(altitude)
    out["altitude_deg"] = altitude
    out["azimuth_deg"] = np.mod(np.degrees(np.arctan2(east, north)), 360.0)
    out["refracted_altitude_deg"] = np.where(altitude < -1.0, np.nan, refracted)
    out["airmass"] = airmass(np.where(altitude < 0.0, -1.0, refracted))
    out["parallactic_angle_deg"] = np.degrees(
        np.arctan2(np.sin(hour) * np.cos(phi), np.sin(phi) * np.cos(dec) - np.cos(phi) * np.sin(dec) * np.cos(hour))
    )
    return out


def _solar_longitude_deg(target: Body, seen: Apparition) -> Array:
    """Ls: the Sun's longitude in the planet's orbit plane from the planet's spring equinox."""
    sun = seen.to_sun_au / np.linalg.norm(seen.to_sun_au, axis=-1, keepdims=True)
    orbit = np.cross(-seen.to_sun_au, seen.body_velocity_au_per_day)
    orbit /= np.linalg.norm(orbit, axis=-1, keepdims=True)
    node = np.cross(pole_unit_vector(target, seen.tdb_left_days), orbit)
    node /= np.linalg.norm(node, axis=-1, keepdims=True)
    ahead = np.cross(orbit, node)
    return np.mod(np.degrees(np.arctan2(np.sum(sun * ahead, -1), np.sum(sun * node, -1))), 360.0)


def _special(target: Body, seen: Apparition, when: Instants, globe: dict[str, Array]) -> dict[str, Array]:
    """The quantities that only one body has."""
    if target.name == "mars":
        return {"solar_longitude_deg": _solar_longitude_deg(target, seen)}
    if target.name == "saturn":
        return {
            "ring_opening_earth_deg": globe["sub_observer_latitude_planetocentric_deg"],
            "ring_opening_sun_deg": globe["sub_solar_latitude_planetocentric_deg"],
        }
    if target.name == "moon":
        return {
            "libration_longitude_deg": globe["east_deg"],
            "libration_latitude_deg": globe["sub_observer_latitude_planetocentric_deg"],
            "colongitude_deg": np.mod(90.0 - globe["sun_east_deg"], 360.0),
        }
    if target.name == "sun":
        longitude = np.mod(globe["east_deg"], 360.0)
        # Rotation 1 began at JD 2398140.2270 and a mean one lasts 27.2752316 days (Meeus, formula 29.1); the count is
        # the one that agrees with L0, which falls from 360 to 0 in each rotation.
        mean = (when.tt[0] + when.tt[1] - 2_398_140.2270) / 27.2752316
        return {
            "sun_p_deg": np.mod(globe["north_pole_position_angle_deg"] + 180.0, 360.0) - 180.0,
            "sun_b0_deg": globe["sub_observer_latitude_planetocentric_deg"],
            "sun_l0_deg": longitude,
            "carrington_rotation": np.round(mean - (1.0 - longitude / 360.0)),
        }
    return {}


def _central_meridians(target: Body, seen: Apparition) -> dict[str, Array]:
    """West longitude of the middle of the disc in each system, each of shape (n,)."""
    out = {}
    for system in sorted(target.meridians):
        turn = rotation_matrix(target, seen.tdb_left_days, system)
        observer = np.einsum("nij,nj->ni", turn, seen.to_observer_au)
        out[system] = np.mod(-np.degrees(np.arctan2(observer[:, 1], observer[:, 0])), 360.0)
    return out


_INTERNAL = {"east_deg", "sun_east_deg", "sun_distance_au"}


def ephemerides(
    target: str,
    utc: Any,
    site: Site | None = None,
    *,
    kernel: Path | None = None,
    satellites: bool = True,
) -> tuple[Ephemeris, ...]:
    """Physical ephemeris at several instants, computed together.

    Parameters
    ----------
    target : str
        One of `nightmill_sky.TARGETS`.
    utc : sequence of str or datetime, or an astropy Time
        Instants; a naive datetime is UTC.
    site : Site or None
        None looks from the centre of the Earth.
    kernel : Path, optional
        JPL kernel (SPK file) to use instead of the built-in ephemeris. Nothing is ever downloaded.
    satellites : bool
        Whether to compute the moons of Jupiter and Saturn as well.

    Returns
    -------
    tuple of Ephemeris

    Raises
    ------
    ValueError
        Unknown target (with the nearest name), a time that cannot be read or is outside the years 1000 to 3000, or a
        kernel that cannot be used.
    """
    globe_of = body(target)
    when = instants(utc)
    seen = observe(globe_of, when, site, kernel)
    globe = _globe(globe_of, seen)
    columns = {**globe, **_sky(seen, site), **_special(globe_of, seen, when, globe)}
    columns["distance_au"] = seen.distance_au
    columns["light_time_s"] = seen.distance_au / LIGHT_AU_PER_DAY * 86_400.0
    if globe_of.name != "sun":
        if globe_of.west_longitudes:
            columns["sub_solar_longitude_deg"] = np.mod(-globe["sun_east_deg"], 360.0)
        else:
            columns["sub_solar_longitude_deg"] = globe["sun_east_deg"]
    graphic = globe_of.name == "uranus"
    kind = "planetographic" if graphic else "planetocentric"
    zero = np.zeros(len(when))
    columns["magnitude"] = magnitude(
        globe_of.name,
        sun_distance_au=globe.get("sun_distance_au", zero),
        distance_au=seen.distance_au,
        phase_angle_deg=globe.get("phase_angle_deg", zero),
        sun_latitude_deg=globe.get(f"sub_solar_latitude_{kind}_deg", zero),
        earth_latitude_deg=globe[f"sub_observer_latitude_{kind}_deg"],
        year=2000.0 + when.tdb_days / 365.25,
    )
    meridians = _central_meridians(globe_of, seen) if globe_of.west_longitudes else {}
    moons = _satellites(globe_of, seen) if satellites else ((),) * len(when)
    names = [key for key in columns if key not in _INTERNAL]
    rows = []
    for i, stamp in enumerate(isot(when)):
        values: dict[str, Any] = {k: _number(columns[k][i]) for k in names}
        if values.get("carrington_rotation") is not None:
            values["carrington_rotation"] = int(values["carrington_rotation"])
        rows.append(
            Ephemeris(
                target=globe_of.name,
                utc=stamp,
                site=site,
                central_meridian_deg={k: float(v[i]) for k, v in meridians.items()},
                satellites=moons[i],
                notes=when.notes,
                **values,
            )
        )
    return tuple(rows)


def _number(value: Any) -> float | None:
    number = float(value)
    return number if np.isfinite(number) else None


def _satellites(target: Body, seen: Apparition) -> Sequence[tuple[Satellite, ...]]:
    from nightmill_sky.moons import PLANETS_WITH_MOONS, moon_places

    if target.name not in PLANETS_WITH_MOONS:
        return ((),) * len(seen.tdb_left_days)
    return tuple(tuple(Satellite(*place) for place in row) for row in moon_places(target.name, seen))


def ephemeris(
    target: str,
    utc: Any,
    site: Site | None = None,
    *,
    kernel: Path | None = None,
    satellites: bool = True,
) -> Ephemeris:
    """Physical ephemeris of one body at one instant.

    Parameters
    ----------
    target : str
        One of `nightmill_sky.TARGETS`; case does not matter.
    utc : str, datetime or astropy Time
        ISO 8601 text and naive datetimes are UTC.
    site : Site or None
        None looks from the centre of the Earth; altitude, azimuth, airmass and parallactic angle are then None.
    kernel : Path, optional
        JPL kernel (SPK file) to use instead of the built-in ephemeris. Nothing is ever downloaded.
    satellites : bool
        Whether to compute the moons of Jupiter and Saturn as well.

    Returns
    -------
    Ephemeris

    Raises
    ------
    ValueError
        See `ephemerides`; also when `utc` is not a single instant.

    Examples
    --------
    >>> from nightmill_sky import ephemeris
    >>> round(ephemeris("mars", "1992-11-09T00:00:00").illuminated_fraction, 2)
    0.91
    """
    rows = ephemerides(target, utc, site, kernel=kernel, satellites=satellites)
    if len(rows) != 1:
        raise ValueError(f"expected one instant, got {len(rows)}; use ephemerides for several.")
    return rows[0]
