"""Positions of the four large moons of Jupiter.

The theory E5 of Lieske in the abridged form of the handbook: good to about 0.01 radius of Jupiter (0.2 arcsec), which
is two minutes of the slowest moon's way. Gives places relative to Jupiter only; what they look like is `moons`.

Source
------
Lieske, J. H. (1987), "Galilean satellite evolution: observational evidence for secular changes in mean motions", A&A
176, 146; (1998), A&AS 129, 205, doi:10.1051/aas:1998182. Abridged: Meeus, Astronomical Algorithms, 2nd edition (1998),
chapter 44.
"""

from __future__ import annotations

import re
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["GALILEAN_NAMES", "galilean_positions"]

Array = NDArray[np.float64]

GALILEAN_NAMES = ("Io", "Europa", "Ganymede", "Callisto")

_J2000_JD = 2_451_545.0
_DISTANCE = (5.90569, 9.39657, 14.98832, 26.36273)  # mean distances in radii of 71398 km, as the theory counts
_THEORY_RADIUS_KM = 71_398.0

# Each series: amplitude and argument, a sum of these angles: l mean longitudes, p perijoves, w nodes of the moons 1 to
# 4; L true longitudes; S sums of the periodic terms of the longitudes; F libration; y node of Jupiter's equator; G and
# H mean anomalies of Jupiter and Saturn; P longitude of Jupiter's perihelion; a bare number is in degrees.

# Sines, degrees: what the longitudes deviate by.
_LONGITUDE: tuple[str, ...] = (
    (
        "0.47259 2l1-2l2, -0.03478 p3-p4, 0.01081 l2-2l3+p3, 0.00738 F, 0.00713 l2-2l3+p2, -0.00674 p1+p3-2P-2G, "
        "0.00666 l2-2l3+p4, 0.00445 l1-p3, -0.00354 l1-l2, -0.00317 2y-2P, 0.00265 l1-p4, -0.00186 G, 0.00162 "
        "p2-p3, 0.00158 4l1-4l2, -0.00155 l1-l3, -0.00138 y+w3-2P-2G, -0.00115 2l1-4l2+2w2, 0.00089 p2-p4, "
        "0.00085 l1+p3-2P-2G, 0.00083 w2-w3, 0.00053 y-w2"
    ),
    (
        "1.06476 2l2-2l3, 0.04256 l1-2l2+p3, 0.03581 l2-p3, 0.02395 l1-2l2+p4, 0.01984 l2-p4, -0.01778 F, 0.01654 "
        "l2-p2, 0.01334 l2-2l3+p2, 0.01294 p3-p4, -0.01142 l2-l3, -0.01057 G, -0.00775 2y-2P, 0.00524 2l1-2l2, "
        "-0.00460 l1-l3, 0.00316 y-2G+w3-2P, -0.00203 p1+p3-2P-2G, 0.00146 y-w3, -0.00145 2G, 0.00125 y-w4, "
        "-0.00115 l1-2l3+p3, -0.00094 2l2-2w2, 0.00086 2l1-4l2+2w2, -0.00086 5H-2G+52.225, -0.00078 l2-l4, "
        "-0.00064 3l3-7l4+4p4, 0.00064 p1-p4, -0.00063 l1-2l3+p4, 0.00058 w3-w4, 0.00056 2y-2P-2G, 0.00056 "
        "2l2-2l4, 0.00055 2l1-2l3, 0.00052 3l3-7l4+p3+3p4, -0.00043 l1-p3, 0.00041 5l2-5l3, 0.00041 p4-P, 0.00032 "
        "w2-w3, 0.00032 2l3-2G-2P"
    ),
    (
        "0.16490 l3-p3, 0.09081 l3-p4, -0.06907 l2-l3, 0.03784 p3-p4, 0.01846 2l3-2l4, -0.01340 G, -0.01014 "
        "2y-2P, 0.00704 l2-2l3+p3, -0.00620 l2-2l3+p2, -0.00541 l3-l4, 0.00381 l2-2l3+p4, 0.00235 y-w3, 0.00198 "
        "y-w4, 0.00176 F, 0.00130 3l3-3l4, 0.00125 l1-l3, -0.00119 5H-2G+52.225, 0.00109 l1-l2, -0.00100 "
        "3l3-7l4+4p4, 0.00091 w3-w4, 0.00080 3l3-7l4+p3+3p4, -0.00075 2l2-3l3+p3, 0.00072 p1+p3-2P-2G, 0.00069 "
        "p4-P, -0.00058 2l3-3l4+p4, -0.00057 l3-2l4+p4, 0.00056 l3+p3-2P-2G, -0.00052 l2-2l3+p1, -0.00050 p2-p3, "
        "0.00048 l3-2l4+p3, -0.00045 2l2-3l3+p4, -0.00041 p2-p4, -0.00038 2G, -0.00037 p3-p4+w3-w4, -0.00032 "
        "3l3-7l4+2p3+2p4, 0.00030 4l3-4l4, 0.00029 l3+p4-2P-2G, -0.00028 w3+y-2P-2G, 0.00026 l3-P-G, 0.00024 "
        "l2-3l3+2l4, 0.00021 2l3-2P-2G, -0.00021 l3-p2, 0.00017 2l3-2p3"
    ),
    (
        "0.84287 l4-p4, 0.03431 p4-p3, -0.03305 2y-2P, -0.03211 G, -0.01862 l4-p3, 0.01186 y-w4, 0.00623 "
        "l4+p4-2G-2P, 0.00387 2l4-2p4, -0.00284 5H-2G+52.225, -0.00234 2y-2p4, -0.00223 l3-l4, -0.00208 l4-P, "
        "0.00178 y+w4-2p4, 0.00134 p4-P, 0.00125 2l4-2G-2P, -0.00117 2G, -0.00112 2l3-2l4, 0.00107 3l3-7l4+4p4, "
        "0.00102 l4-G-P, 0.00096 2l4-y-w4, 0.00087 2y-2w4, -0.00085 3l3-7l4+p3+3p4, 0.00085 l3-2l4+p4, -0.00081 "
        "2l4-2y, 0.00071 l4+p4-2P-3G, 0.00061 l1-l4, -0.00056 y-w3, -0.00054 l3-2l4+p3, 0.00051 l2-l4, 0.00042 "
        "2y-2G-2P, 0.00039 2p4-2w4, 0.00036 y+P-p4-w4, 0.00035 2H-G+188.37, -0.00035 l4-p4+2P-2y, -0.00032 "
        "l4+p4-2P-G, 0.00030 2H-2G+149.15, 0.00029 3l3-7l4+2p3+2p4, 0.00028 l4-p4+2y-2P, -0.00028 2l4-2w4, "
        "-0.00027 p3-p4+w3-w4, -0.00026 5H-3G+188.37, 0.00025 w4-w3, -0.00025 l2-3l3+2l4, -0.00023 3l3-3l4, "
        "0.00021 2l4-2P-3G, -0.00021 2l3-3l4+p4, 0.00019 l4-p4-G, -0.00019 2l4-p3-p4, -0.00018 l4-p4+G, -0.00016 "
        "l4+p3-2P-2G"
    ),
)

# Sines: tangents of the latitudes above the plane of the equator.
_LATITUDE: tuple[str, ...] = (
    (
        "0.0006393 L1-w1, 0.0001825 L1-w2, 0.0000329 L1-w3, -0.0000311 L1-y, 0.0000093 L1-w4, 0.0000075 "
        "3L1-4l2-1.9927*S1+w2, 0.0000046 L1+y-2P-2G"
    ),
    (
        "0.0081004 L2-w2, 0.0004512 L2-w3, -0.0003284 L2-y, 0.0001160 L2-w4, 0.0000272 l1-2l3+1.0146*S2+w2, "
        "-0.0000144 L2-w1, 0.0000143 L2+y-2P-2G, 0.0000035 L2-y+G, -0.0000028 l1-2l3+1.0146*S2+w3"
    ),
    (
        "0.0032402 L3-w3, -0.0016911 L3-y, 0.0006847 L3-w4, -0.0002797 L3-w2, 0.0000321 L3+y-2P-2G, 0.0000051 "
        "L3-y+G, -0.0000045 L3-y-G, -0.0000045 L3+y-2P, 0.0000037 L3+y-2P-3G, 0.0000030 2l2-3L3+4.03*S3+w2, "
        "-0.0000021 2l2-3L3+4.03*S3+w3"
    ),
    (
        "-0.0076579 L4-y, 0.0044134 L4-w4, -0.0005112 L4-w3, 0.0000773 L4+y-2P-2G, 0.0000104 L4-y+G, -0.0000102 "
        "L4-y-G, 0.0000088 L4+y-2P-3G, -0.0000038 L4+y-2P-G"
    ),
)

# Cosines: what the distances deviate by, as a part.
_RADIUS: tuple[str, ...] = (
    (
        "-0.0041339 2l1-2l2, -0.0000387 l1-p3, -0.0000214 l1-p4, 0.0000170 l1-l2, -0.0000131 4l1-4l2, 0.0000106 "
        "l1-l3, -0.0000066 l1+p3-2P-2G"
    ),
    (
        "0.0093848 l1-l2, -0.0003116 l2-p3, -0.0001744 l2-p4, -0.0001442 l2-p2, 0.0000553 l2-l3, 0.0000523 l1-l3, "
        "-0.0000290 2l1-2l2, 0.0000164 2l2-2w2, 0.0000107 l1-2l3+p3, -0.0000102 l2-p1, -0.0000091 2l1-2l3"
    ),
    (
        "-0.0014388 l3-p3, -0.0007919 l3-p4, 0.0006342 l2-l3, -0.0001761 2l3-2l4, 0.0000294 l3-l4, -0.0000156 "
        "3l3-3l4, 0.0000156 l1-l3, -0.0000153 l1-l2, 0.0000070 2l2-3l3+p3, -0.0000051 l3+p3-2P-2G"
    ),
    (
        "-0.0073546 l4-p4, 0.0001621 l4-p3, 0.0000974 l3-l4, -0.0000543 l4+p4-2P-2G, -0.0000271 2l4-2p4, "
        "0.0000182 l4-P, 0.0000177 2l3-2l4, -0.0000167 2l4-y-w4, 0.0000167 y-w4, -0.0000155 2l4-2P-2G, 0.0000142 "
        "2l4-2y, 0.0000105 l1-l4, 0.0000092 l2-l4, -0.0000089 l4-P-G, -0.0000062 l4+p4-2P-3G, 0.0000048 2l4-2w4"
    ),
)

_FACTOR = re.compile(r"([+-]?)(\d+\.\d+\*|\d+(?=[A-Za-z]))?([lpwLS][1-4]|[FyGHP]|\d+\.\d+)")


@lru_cache(maxsize=16)
def _terms(series: str) -> tuple[tuple[float, tuple[tuple[str, float], ...]], ...]:
    """Read a series: (amplitude, ((angle, factor), ...)) for each term; the angle "" stands for 1."""
    out = []
    for term in series.split(", "):
        amplitude, argument = term.split(" ")
        factors = []
        place = 0
        for match in _FACTOR.finditer(argument):
            if match.start() != place:
                raise ValueError(f"cannot read the term '{term}'")
            place = match.end()
            sign = -1.0 if match[1] == "-" else 1.0
            name = match[3]
            if name[0].isdigit():
                factors.append(("", sign * float(name)))
            else:
                factors.append((name, sign * float((match[2] or "1").rstrip("*"))))
        if place != len(argument):
            raise ValueError(f"cannot read the term '{term}'")
        out.append((float(amplitude), tuple(factors)))
    return tuple(out)


def _sum(series: str, angles: dict[str, Array], *, cosine: bool = False) -> Array:
    wave = np.cos if cosine else np.sin
    total = np.zeros_like(angles["l1"])
    for amplitude, factors in _terms(series):
        argument = sum((factor * angles[name] for name, factor in factors), np.zeros_like(total))
        total = total + amplitude * wave(np.radians(argument))
    return total


def _angles(t: Array) -> dict[str, Array]:
    """The angles of the theory in degrees, at `t` days after JDE 2443000.5."""
    great = 0.33033 * np.sin(np.radians(163.679 + 0.0010512 * t)) + 0.03439 * np.sin(np.radians(34.486 - 0.0161731 * t))
    return {
        "": np.ones_like(t),
        "l1": 106.07719 + 203.488955790 * t,
        "l2": 175.73161 + 101.374724735 * t,
        "l3": 120.55883 + 50.317609207 * t,
        "l4": 84.44459 + 21.571071177 * t,
        "p1": 97.0881 + 0.16138586 * t,
        "p2": 154.8663 + 0.04726307 * t,
        "p3": 188.1840 + 0.00712734 * t,
        "p4": 335.2868 + 0.00184000 * t,
        "w1": 312.3346 - 0.13279386 * t,
        "w2": 100.4411 - 0.03263064 * t,
        "w3": 119.1942 - 0.00717703 * t,
        "w4": 322.6186 - 0.00175934 * t,
        "F": 199.6766 + 0.17379190 * t,
        "y": 316.5182 - 0.00000208 * t,
        "G": 30.23756 + 0.0830925701 * t + great,
        "H": 31.97853 + 0.0334597339 * t,
        "P": np.full_like(t, 13.469942),
    }


def _turn(vectors: Array, axis: int, degrees: Array) -> Array:
    """Turn vectors about a coordinate axis by an angle of their own, counter-clockwise seen from its tip."""
    a, b = (axis + 1) % 3, (axis + 2) % 3
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    out = vectors.copy()
    out[..., a] = c * vectors[..., a] - s * vectors[..., b]
    out[..., b] = s * vectors[..., a] + c * vectors[..., b]
    return out


def galilean_positions(tdb_days: Array) -> Array:
    """Positions of Io, Europa, Ganymede and Callisto relative to Jupiter.

    Parameters
    ----------
    tdb_days : ndarray of float64, shape (n,)
        TDB days since J2000.0, when the light left the moons.

    Returns
    -------
    ndarray of float64, shape (4, n, 3)
        km, ICRF axes.
    """
    import erfa

    days = np.asarray(tdb_days, dtype=np.float64)
    jd = days + _J2000_JD
    angles = _angles(jd - 2_443_000.5)
    for i in range(4):
        angles[f"S{i + 1}"] = _sum(_LONGITUDE[i], angles)
        angles[f"L{i + 1}"] = angles[f"l{i + 1}"] + angles[f"S{i + 1}"]
    since_1950 = (jd - 2_433_282.423) / 36_525.0
    precession = 1.3966626 * since_1950 + 0.0003088 * since_1950**2
    node = angles["y"] + precession
    centuries = days / 36_525.0
    # Orbit of Jupiter (Meeus, table 31.A, mean equinox of date) and tilt of its equator to it.
    rising = 100.464407 + 1.0209774 * centuries + 0.00040315 * centuries**2
    slope = 1.303267 - 0.0054965 * centuries + 0.00000466 * centuries**2
    tilt = 3.120262 + 0.0006 * (jd - 2_415_020.5) / 36_525.0
    to_icrf = np.swapaxes(erfa.ecm06(jd, np.zeros_like(jd)), -1, -2)
    out = []
    for i in range(4):
        longitude = np.radians(angles[f"L{i + 1}"] + precession - node)
        latitude = np.arctan(_sum(_LATITUDE[i], angles))
        radius = _DISTANCE[i] * (1.0 + _sum(_RADIUS[i], angles, cosine=True)) * _THEORY_RADIUS_KM
        place = np.stack(
            [
                radius * np.cos(longitude) * np.cos(latitude),
                radius * np.sin(longitude) * np.cos(latitude),
                radius * np.sin(latitude),
            ],
            axis=-1,
        )
        # From the plane of the equator by way of the orbit to the ecliptic of date.
        place = _turn(place, 0, tilt)
        place = _turn(place, 2, node - rising)
        place = _turn(place, 0, slope)
        place = _turn(place, 2, rising)
        out.append(np.einsum("nij,nj->ni", to_icrf, place))
    return np.stack(out)
