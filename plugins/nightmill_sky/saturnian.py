"""Positions of seven bright moons of Saturn.

Dourneau's theory as abridged in the handbook: good to a few hundredths of Saturn's radius (0.3 arcsec). Gives places
relative to Saturn only; what they look like is `moons`.

Source
------
Dourneau, G. (1987), Observations et etude du mouvement des huit premiers satellites de Saturne (thesis, Bordeaux);
abridged: Meeus, Astronomical Algorithms, 2nd edition (1998), chapter 46. Constants from memory of the handbook; the
places are checked against PyEphem's.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["SATURNIAN_NAMES", "saturnian_positions"]

Array = NDArray[np.float64]

SATURNIAN_NAMES = ("Mimas", "Enceladus", "Tethys", "Dione", "Rhea", "Titan", "Iapetus")

_J2000_JD = 2_451_545.0
_B1950_JD = 2_433_282.423
# The theory's unit of length: what the moons' semi-major axes (Enceladus 238042, Tethys 294672, Dione 377415, Rhea
# 527108 km; JPL's table of mean elements, from memory) divided by its distances give, within 0.05 %.
_THEORY_RADIUS_KM = 60_400.0
_RING_NODE_DEG, _RING_TILT_DEG = 168.8112, 28.0817  # the ring plane on the ecliptic of B1950


def _sin(degrees: Array) -> Array:
    return np.sin(np.radians(degrees))


def _cos(degrees: Array) -> Array:
    return np.cos(np.radians(degrees))


def _orbit(node: Array | float, tilt: Array | float, along: Array, radius: Array) -> Array:
    """Place in an orbit, in the axes its node and tilt count from; `along` is the angle from the node."""
    node, tilt = np.asarray(node, dtype=np.float64), np.asarray(tilt, dtype=np.float64)
    c, s = _cos(along), _sin(along)
    return np.stack(
        [
            radius * (c * _cos(node) - s * _cos(tilt) * _sin(node)),
            radius * (c * _sin(node) + s * _cos(tilt) * _cos(node)),
            radius * s * _sin(tilt),
        ],
        axis=-1,
    )


def _from_ring_plane(place: Array) -> Array:
    """From axes in the ring plane (x to its node) to the ecliptic of B1950."""
    x, y, z = np.moveaxis(place, -1, 0)
    tilt, node = np.radians(_RING_TILT_DEG), np.radians(_RING_NODE_DEG)
    y, z = y * np.cos(tilt) - z * np.sin(tilt), y * np.sin(tilt) + z * np.cos(tilt)
    return np.stack([x * np.cos(node) - y * np.sin(node), x * np.sin(node) + y * np.cos(node), z], axis=-1)


def _inner(jd: Array) -> list[Array]:
    """Mimas, Enceladus, Tethys, Dione: nearly in the ring plane."""
    t1 = jd - 2_411_093.0
    t2 = t1 / 365.25
    libration = 5.095 * ((jd - _B1950_JD) / 365.25 + 1950.0 - 1866.39)
    w1, w2 = 74.4 + 32.39 * t2, 134.3 + 92.62 * t2
    out = []
    # Mean longitude; perisaturnium; equation of the centre (two terms); distance; eccentricity; tilt; node.
    mimas = 127.64 + 381.994497 * t1 - 43.57 * _sin(libration) - 0.720 * _sin(3 * libration)
    mimas -= 0.02144 * _sin(5 * libration)
    tethys = 285.306 + 190.69791226 * t1 + 2.063 * _sin(libration) + 0.03409 * _sin(3 * libration)
    tethys += 0.001015 * _sin(5 * libration)
    enceladus = 200.317 + 262.7319002 * t1 + 0.25667 * _sin(w1) + 0.20883 * _sin(w2)
    dione = 254.712 + 131.53493193 * t1 - 0.0215 * _sin(w1) - 0.01733 * _sin(w2)
    moons = (
        (mimas, 106.1 + 365.549 * t2, (2.18287, 0.025988), 3.06879, 0.01905, 1.563, 54.5 - 365.072 * t2),
        (enceladus, 309.107 + 123.44121 * t2, (0.55577, 0.00168), 3.94118, 0.00485, 0.0262, 348.0 - 151.95 * t2),
        (tethys, 0.0 * t2, (0.0, 0.0), 4.880998, 0.0, 1.0976, 111.33 - 72.2441 * t2),
        (dione, 174.8 + 30.820 * t2, (0.24717, 0.00033), 6.24871, 0.002157, 0.0139, 232.0 - 30.27 * t2),
    )
    for mean, peri, centre, size, eccentricity, tilt, node in moons:
        anomaly = mean - peri
        equation = centre[0] * _sin(anomaly) + centre[1] * _sin(2 * anomaly)
        radius = size / (1.0 + eccentricity * _cos(anomaly + equation))
        place = _orbit(node - _RING_NODE_DEG, tilt, mean + equation - node, radius)
        out.append(_from_ring_plane(place))
    return out


def _outer_place(longitude: Array, peri: Array, e: Array, a: Array | float, tilt: Array, node: Array) -> Array:
    """Keplerian place from mean longitude and perisaturnium, on the ecliptic of B1950."""
    m = longitude - peri
    equation = np.degrees(
        (2.0 * e - e**3 / 4.0) * _sin(m) + 1.25 * e**2 * _sin(2 * m) + 13.0 / 12.0 * e**3 * _sin(3 * m)
    )
    radius = a * (1.0 - e**2) / (1.0 + e * _cos(m + equation))
    return _orbit(node, tilt, longitude + equation - node, radius)


def _rhea(jd: Array) -> Array:
    t1 = jd - 2_411_093.0
    t2, t5 = t1 / 365.25, (jd - 2_411_368.0) / 365.25
    w3, w4 = 32.39 - 0.5118 * t5, 276.59 + 0.5118 * t5
    own, node = 342.7 + 10.057 * t2, 345.0 - 10.057 * t2
    a1, a2 = 0.000265 * _sin(own) + 0.001 * _sin(w4), 0.000265 * _cos(own) + 0.001 * _cos(w4)
    longitude = 359.244 + 79.69004720 * t1 + 0.086754 * _sin(node)
    tilt = 28.0362 + 0.346898 * _cos(node) + 0.01930 * _cos(w3)
    rising = 168.8034 + 0.736936 * _sin(node) + 0.041 * _sin(w3)
    return _outer_place(longitude, np.degrees(np.arctan2(a1, a2)), np.hypot(a1, a2), 8.725924, tilt, rising)


def _titan(jd: Array) -> Array:
    t4 = jd - 2_411_368.0
    t5, t7 = t4 / 365.25, (jd - 2_415_020.0) / 36_525.0
    w3, w4 = 32.39 - 0.5118 * t5, 276.59 + 0.5118 * t5
    w5, w6 = 267.2635 + 1222.1136 * t7, 175.4762 + 1221.5515 * t7
    w7, w8, e1 = 2.4891 + 0.002435 * t7, 113.35 - 0.2597 * t7, 0.05589 - 0.000346 * t7
    mean = 261.1582 + 22.57697855 * t4 + 0.074025 * _sin(w3)
    tilt, rising = 27.45141 + 0.295999 * _cos(w3), 168.66925 + 0.628808 * _sin(w3)
    a1 = _sin(w7) * _sin(rising - w8)
    a2 = _cos(w7) * _sin(tilt) - _sin(w7) * _cos(tilt) * _cos(rising - w8)
    psi, s = np.degrees(np.arctan2(a1, a2)), np.hypot(a1, a2)
    g0 = np.full_like(t4, 102.8623)
    g = w4 - rising - psi
    for _ in range(3):
        peri = w4 + 0.37515 * (_sin(2 * g) - _sin(2 * g0))
        g = peri - rising - psi
    e0 = 0.029092 + 0.00019048 * (_cos(2 * g) - _cos(2 * g0))
    q = 2.0 * (w5 - peri)
    b1 = _sin(tilt) * _sin(rising - w8)
    b2 = _cos(w7) * _sin(tilt) * _cos(rising - w8) - _sin(w7) * _cos(tilt)
    theta = np.degrees(np.arctan2(b1, b2)) + w8
    e = e0 + 0.002778797 * e0 * _cos(q)
    p = peri + 0.159215 * _sin(q)
    u = 2.0 * w5 - 2.0 * theta + psi
    h = 0.9375 * e0**2 * _sin(q) + 0.1875 * s**2 * _sin(2.0 * (w5 - theta))
    longitude = mean - 0.254744 * (e1 * _sin(w6) + 0.75 * e1**2 * _sin(2 * w6) + h)
    node = rising + 0.031843 * s * _sin(u) / _sin(tilt)
    return _outer_place(longitude, p, e, 20.216193, tilt + 0.031843 * s * _cos(u), node)


def _iapetus(jd: Array) -> Array:
    t5, t7 = (jd - 2_411_368.0) / 365.25, (jd - 2_415_020.0) / 36_525.0
    t10 = jd - 2_409_786.0
    t11 = t10 / 36_525.0
    titan, w4, w5 = 261.1582 + 22.57697855 * (jd - 2_411_368.0), 276.59 + 0.5118 * t5, 267.2635 + 1222.1136 * t7
    own, psi, theta = 91.796 + 0.562 * t7, 4.367 - 0.195 * t7, 146.819 - 3.198 * t7
    phi, far = 60.470 + 1.521 * t7, 205.055 - 2.091 * t7
    e1, w0, mean = 0.028298 + 0.001156 * t11, 352.91 + 11.71 * t11, 76.3852 + 4.53795125 * t10
    i1 = 18.4602 - 0.9518 * t11 - 0.072 * t11**2 + 0.0054 * t11**3
    node1 = 143.198 - 3.919 * t11 + 0.116 * t11**2 + 0.008 * t11**3
    anomaly, g, g1 = mean - w0, w0 - node1 - psi, w0 - node1 - phi
    ls, gs, lt, gt = w5 - own, own - theta, titan - w4, w4 - far
    u1, u2 = 2.0 * (anomaly + g - ls - gs), anomaly + g1 - lt - gt
    u3, u4, u5 = anomaly + 2.0 * (g - ls - gs), lt + gt - g1, 2.0 * (ls + gs)
    a = 58.935028 + 0.004638 * _cos(u1) + 0.058222 * _cos(u2)
    e = e1 - 0.0014097 * _cos(g1 - gt) + 0.0003733 * _cos(u5 - 2.0 * g) + 0.000118 * _cos(u3)
    e = e + 0.0002408 * _cos(anomaly) + 0.0002849 * _cos(anomaly + u5) + 0.000619 * _cos(u4)
    w = 0.08077 * _sin(g1 - gt) + 0.02139 * _sin(u5 - 2.0 * g) - 0.00676 * _sin(u3) + 0.0138 * _sin(anomaly)
    w = w + 0.01632 * _sin(anomaly + u5) + 0.03547 * _sin(u4)
    longitude = mean - 0.04299 * _sin(u2) - 0.00789 * _sin(u1) - 0.06312 * _sin(ls) - 0.00295 * _sin(2.0 * ls)
    longitude = longitude - 0.02231 * _sin(u5) + 0.0065 * _sin(u5 + psi)
    with_titan = anomaly + g1 + lt + gt + phi
    tilt = i1 + 0.04204 * _cos(u5 + psi) + 0.00235 * _cos(with_titan) + 0.0036 * _cos(u2 + phi)
    turn = 0.04204 * _sin(u5 + psi) + 0.00235 * _sin(with_titan) + 0.00358 * _sin(u2 + phi)
    return _outer_place(longitude, w0 + w / e1, e, a, tilt, node1 + turn / _sin(i1))


def saturnian_positions(tdb_days: Array) -> Array:
    """Positions of Mimas, Enceladus, Tethys, Dione, Rhea, Titan and Iapetus relative to Saturn.

    Parameters
    ----------
    tdb_days : ndarray of float64, shape (n,)
        TDB days since J2000.0, when the light left the moons.

    Returns
    -------
    ndarray of float64, shape (7, n, 3)
        km, ICRF axes.
    """
    import erfa

    jd = np.asarray(tdb_days, dtype=np.float64) + _J2000_JD
    to_icrf = erfa.ecm06(_B1950_JD, 0.0).T
    places = [*_inner(jd), _rhea(jd), _titan(jd), _iapetus(jd)]
    return np.stack([place @ to_icrf.T for place in places]) * _THEORY_RADIUS_KM
