"""Shape and rotation of the Sun, the Moon and the planets, as data.

Holds the radii, the right ascension and declination of the poles, and the prime meridians recommended by the IAU
working group on cartographic coordinates and rotational elements, and evaluates them for a given instant. Knows
nothing about where a body is or who looks at it.

Source
------
Archinal, B. A., et al. (2018), "Report of the IAU Working Group on Cartographic Coordinates and Rotational Elements:
2015", Celest. Mech. Dyn. Astron. 130, 22, doi:10.1007/s10569-017-9805-5. Saturn's System I is not in that report; its
elements are those of the 1979 report (Davies et al. 1980, doi:10.1007/BF01229508), still used by the handbooks.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "AU_KM",
    "BODIES",
    "TARGETS",
    "Body",
    "UnknownTargetError",
    "body",
    "pole_unit_vector",
    "prime_meridian_deg",
    "rotation_matrix",
]

AU_KM = 149_597_870.7
"""The astronomical unit, km: IAU 2012 Resolution B2, exact."""

_DAYS_PER_CENTURY = 36_525.0

Series = tuple[tuple[float, float, float], ...]
"""Periodic terms: (amplitude in degrees, argument at J2000 in degrees, rate of the argument)."""


class UnknownTargetError(ValueError):
    """The name is not that of a body this library knows."""


@dataclass(frozen=True)
class Body:
    """Radii and rotational elements of one body.

    Parameters
    ----------
    name : str
        Lower-case English name.
    equatorial_radius_km, polar_radius_km : float
        Semi-axes of the reference ellipsoid of revolution, km (for the giants at the 1 bar level).
    pole_ra_deg, pole_dec_deg : tuple of float
        Constant and rate a Julian century (TDB) of the north pole's right ascension and declination, ICRF.
    meridians : mapping of str to (float, float)
        For each system of longitude the angle W at J2000 (degrees) and its rate (degrees a day, TDB). The first one
        is the body's own ("IAU", or "III" for the magnetic systems of the giants).
    ra_terms, dec_terms, w_terms : Series
        Periodic terms; sines for right ascension and W, cosines for declination.
    term_unit_days : float
        What the rates of the arguments count: 1 for days, 36525 for Julian centuries.
    west_longitudes : bool
        True when the trade counts longitudes west (the planets), false when east (the Moon, the Sun).
    """

    name: str
    equatorial_radius_km: float
    polar_radius_km: float
    pole_ra_deg: tuple[float, float]
    pole_dec_deg: tuple[float, float]
    meridians: Mapping[str, tuple[float, float]]
    ra_terms: Series = ()
    dec_terms: Series = ()
    w_terms: Series = ()
    term_unit_days: float = _DAYS_PER_CENTURY
    w_quadratic: float = 0.0
    west_longitudes: bool = True
    rings_km: tuple[tuple[str, float, float], ...] = field(default=())

    @property
    def flattening(self) -> float:
        """1 - polar / equatorial radius."""
        return 1.0 - self.polar_radius_km / self.equatorial_radius_km

    @property
    def first_system(self) -> str:
        """Name of the body's own system of longitude."""
        return next(iter(self.meridians))

    @property
    def rotation_deg_per_day(self) -> float:
        """Rate of W of the body's own system; negative for the retrograde rotators Venus and Uranus."""
        return self.meridians[self.first_system][1]


# Saturn's rings: inner and outer radius in the ring plane, km; handbook values from memory, rounded to 10 km (they
# agree with French et al. 2017, doi:10.1016/j.icarus.2017.02.007, to 0.1 %).
_SATURN_RINGS = (("C", 74_490.0, 91_980.0), ("B", 91_980.0, 117_570.0), ("A", 122_050.0, 136_770.0))

_MARS_RA: Series = (
    (0.000068, 198.991226, 19139.4819985),
    (0.000238, 226.292679, 38280.8511281),
    (0.000052, 249.663391, 57420.7251593),
    (0.000009, 266.183510, 76560.6367950),
    (0.419057, 79.398797, 0.5042615),
)
_MARS_DEC: Series = (
    (0.000051, 122.433576, 19139.9407476),
    (0.000141, 43.058401, 38280.8753272),
    (0.000031, 57.663379, 57420.7517205),
    (0.000005, 79.476401, 76560.6495004),
    (1.591274, 166.325722, 0.5042615),
)
_MARS_W: Series = (
    (0.000145, 129.071773, 19140.0328244),
    (0.000157, 36.352167, 38281.0473591),
    (0.000040, 56.668646, 57420.9295360),
    (0.000001, 67.364003, 76560.2552215),
    (0.000001, 104.792680, 95700.4387578),
    (0.584542, 95.391654, 0.5042615),
)
_JUPITER_ARGS = (
    (99.360714, 4850.4046),
    (175.895369, 1191.9605),
    (300.323162, 262.5475),
    (114.012305, 6070.2476),
    (49.511251, 64.3000),
)
_MOON_ARGS = {
    1: (125.045, -0.0529921),
    2: (250.089, -0.1059842),
    3: (260.008, 13.0120009),
    4: (176.625, 13.3407154),
    5: (357.529, 0.9856003),
    6: (311.589, 26.4057084),
    7: (134.963, 13.0649930),
    8: (276.617, 0.3287146),
    9: (34.226, 1.7484877),
    10: (15.134, -0.1589763),
    11: (119.743, 0.0036096),
    12: (239.961, 0.1643573),
    13: (25.053, 12.9590088),
}


def _jupiter(*amplitudes: float) -> Series:
    return tuple((a, *arg) for a, arg in zip(amplitudes, _JUPITER_ARGS, strict=True))


def _moon(amplitudes: Mapping[int, float]) -> Series:
    return tuple((a, *_MOON_ARGS[k]) for k, a in amplitudes.items())


_ALL = (
    Body(
        name="mercury",
        equatorial_radius_km=2440.53,
        polar_radius_km=2438.26,
        pole_ra_deg=(281.0103, -0.0328),
        pole_dec_deg=(61.4155, -0.0049),
        meridians={"IAU": (329.5988, 6.1385108)},
        w_terms=(
            (0.01067257, 174.7910857, 4.092335),
            (-0.00112309, 349.5821714, 8.184670),
            (-0.00011040, 164.3732571, 12.277005),
            (-0.00002539, 339.1643429, 16.369340),
            (-0.00000571, 153.9554286, 20.461675),
        ),
        term_unit_days=1.0,
    ),
    Body(
        name="venus",
        equatorial_radius_km=6051.8,
        polar_radius_km=6051.8,
        pole_ra_deg=(272.76, 0.0),
        pole_dec_deg=(67.16, 0.0),
        meridians={"IAU": (160.20, -1.4813688)},
    ),
    Body(
        name="mars",
        equatorial_radius_km=3396.19,
        polar_radius_km=3376.20,
        pole_ra_deg=(317.269202, -0.10927547),
        pole_dec_deg=(54.432516, -0.05827105),
        meridians={"IAU": (176.049863, 350.891982443297)},
        ra_terms=_MARS_RA,
        dec_terms=_MARS_DEC,
        w_terms=_MARS_W,
    ),
    Body(
        name="jupiter",
        equatorial_radius_km=71_492.0,
        polar_radius_km=66_854.0,
        pole_ra_deg=(268.056595, -0.006499),
        pole_dec_deg=(64.495303, 0.002413),
        meridians={"III": (284.95, 870.5360000), "I": (67.1, 877.900), "II": (43.3, 870.270)},
        ra_terms=_jupiter(0.000117, 0.000938, 0.001432, 0.000030, 0.002150),
        dec_terms=_jupiter(0.000050, 0.000404, 0.000617, -0.000013, 0.000926),
    ),
    Body(
        name="saturn",
        equatorial_radius_km=60_268.0,
        polar_radius_km=54_364.0,
        pole_ra_deg=(40.589, -0.036),
        pole_dec_deg=(83.537, -0.004),
        meridians={"III": (38.90, 810.7939024), "I": (227.2037, 844.3000000)},
        rings_km=_SATURN_RINGS,
    ),
    Body(
        name="uranus",
        equatorial_radius_km=25_559.0,
        polar_radius_km=24_973.0,
        pole_ra_deg=(257.311, 0.0),
        pole_dec_deg=(-15.175, 0.0),
        meridians={"IAU": (203.81, -501.1600928)},
    ),
    Body(
        name="neptune",
        equatorial_radius_km=24_764.0,
        polar_radius_km=24_341.0,
        pole_ra_deg=(299.36, 0.0),
        pole_dec_deg=(43.46, 0.0),
        meridians={"IAU": (249.978, 541.1397757)},
        ra_terms=((0.70, 357.85, 52.316),),
        dec_terms=((-0.51, 357.85, 52.316),),
        w_terms=((-0.48, 357.85, 52.316),),
    ),
    Body(
        name="moon",
        equatorial_radius_km=1737.4,
        polar_radius_km=1737.4,
        pole_ra_deg=(269.9949, 0.0031),
        pole_dec_deg=(66.5392, 0.0130),
        meridians={"IAU": (38.3213, 13.17635815)},
        ra_terms=_moon({1: -3.8787, 2: -0.1204, 3: 0.0700, 4: -0.0172, 6: 0.0072, 10: -0.0052, 13: 0.0043}),
        dec_terms=_moon({1: 1.5419, 2: 0.0239, 3: -0.0278, 4: 0.0068, 6: -0.0029, 7: 0.0009, 10: 0.0008, 13: -0.0009}),
        w_terms=_moon(
            {
                1: 3.5610,
                2: 0.1208,
                3: -0.0642,
                4: 0.0158,
                5: 0.0252,
                6: -0.0066,
                7: -0.0047,
                8: -0.0046,
                9: 0.0028,
                10: 0.0052,
                11: 0.0040,
                12: 0.0019,
                13: -0.0044,
            }
        ),
        term_unit_days=1.0,
        w_quadratic=-1.4e-12,
        west_longitudes=False,
    ),
    Body(
        name="sun",
        equatorial_radius_km=695_700.0,
        polar_radius_km=695_700.0,
        pole_ra_deg=(286.13, 0.0),
        pole_dec_deg=(63.87, 0.0),
        meridians={"IAU": (84.176, 14.1844000)},
        west_longitudes=False,
    ),
)

BODIES: Mapping[str, Body] = MappingProxyType({b.name: b for b in _ALL})
"""Every body known, by its lower-case name."""

TARGETS: tuple[str, ...] = tuple(BODIES)
"""The names accepted as a target."""


def body(name: str) -> Body:
    """Return the body called `name`.

    Parameters
    ----------
    name : str
        English name; case and surrounding blanks do not matter.

    Returns
    -------
    Body

    Raises
    ------
    UnknownTargetError
        The name is not known; the message names the nearest one and lists all.
    """
    key = str(name).strip().lower()
    if key in BODIES:
        return BODIES[key]
    near = difflib.get_close_matches(key, TARGETS, n=1, cutoff=0.5)
    hint = f" Did you mean '{near[0]}'?" if near else ""
    raise UnknownTargetError(f"unknown target '{name}'.{hint} Known targets: {', '.join(TARGETS)}.")


def _sum_terms(terms: Series, count: NDArray[np.float64], wave: Any) -> NDArray[np.float64]:
    total = np.zeros_like(count)
    for amplitude, phase, rate in terms:
        total = total + amplitude * wave(np.radians(phase + rate * count))
    return total


def pole_unit_vector(target: Body, tdb_days: NDArray[np.float64]) -> NDArray[np.float64]:
    """Unit vector of the body's north pole.

    Parameters
    ----------
    target : Body
    tdb_days : ndarray of float64, any shape (...)
        TDB days since J2000.0 (JD 2451545.0).

    Returns
    -------
    ndarray of float64, shape (..., 3)
        Barycentric equatorial (ICRF) axes. NaN in, NaN out.
    """
    days = np.asarray(tdb_days, dtype=np.float64)
    centuries = days / _DAYS_PER_CENTURY
    count = days / target.term_unit_days
    ra = target.pole_ra_deg[0] + target.pole_ra_deg[1] * centuries + _sum_terms(target.ra_terms, count, np.sin)
    dec = target.pole_dec_deg[0] + target.pole_dec_deg[1] * centuries + _sum_terms(target.dec_terms, count, np.cos)
    a, d = np.radians(ra), np.radians(dec)
    return np.stack([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)], axis=-1)


def prime_meridian_deg(target: Body, tdb_days: NDArray[np.float64], system: str | None = None) -> NDArray[np.float64]:
    """Angle W from the node of the body's equator on the ICRF equator to its prime meridian.

    Parameters
    ----------
    target : Body
    tdb_days : ndarray of float64, any shape
        TDB days since J2000.0, at the instant when the light left the body.
    system : str, optional
        System of longitude ("I", "II", "III", "IAU"); the body's own by default.

    Returns
    -------
    ndarray of float64, same shape
        Degrees in [0, 360).

    Raises
    ------
    ValueError
        The body has no such system.
    """
    name = system or target.first_system
    if name not in target.meridians:
        raise ValueError(f"{target.name} has no system of longitude '{name}'; it has {', '.join(target.meridians)}.")
    days = np.asarray(tdb_days, dtype=np.float64)
    start, rate = target.meridians[name]
    count = days / target.term_unit_days
    w = start + rate * days + target.w_quadratic * days**2 + _sum_terms(target.w_terms, count, np.sin)
    return np.mod(w, 360.0)


def rotation_matrix(target: Body, tdb_days: NDArray[np.float64], system: str | None = None) -> NDArray[np.float64]:
    """Matrix from ICRF axes to the axes fixed in the rotating body.

    The x axis points to longitude 0, z to the north pole, longitudes grow eastwards (right-handed).

    Parameters
    ----------
    target : Body
    tdb_days : ndarray of float64, shape (...)
        TDB days since J2000.0, at the instant when the light left the body.
    system : str, optional
        System of longitude; the body's own by default.

    Returns
    -------
    ndarray of float64, shape (..., 3, 3)
    """
    pole = pole_unit_vector(target, tdb_days)
    w = np.radians(prime_meridian_deg(target, tdb_days, system))
    # The node: where the body's equator rises through the ICRF equator, at right ascension alpha0 + 90 degrees.
    node = np.stack([-pole[..., 1], pole[..., 0], np.zeros_like(w)], axis=-1)
    node /= np.linalg.norm(node, axis=-1, keepdims=True)
    ahead = np.cross(pole, node)
    cos_w, sin_w = np.cos(w)[..., None], np.sin(w)[..., None]
    return np.stack([cos_w * node + sin_w * ahead, -sin_w * node + cos_w * ahead, pole], axis=-2)
