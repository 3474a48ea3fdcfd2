"""Moons beside their planet: where they stand, and whether they are in front, behind, in the shadow or casting one.

Geometry only; the orbits are `galilean`'s and `saturnian`'s. Of the rings the dense ones (A and B, not C) hide what
is behind them, and take its light away. The planet's shadow is the umbra of its full body, a cone that narrows with the
distance.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from nightmill_sky.bodies import AU_KM, BODIES, Body, rotation_matrix
from nightmill_sky.galilean import GALILEAN_NAMES, galilean_positions
from nightmill_sky.positions import LIGHT_AU_PER_DAY, Apparition
from nightmill_sky.saturnian import SATURNIAN_NAMES, saturnian_positions

__all__ = ["PLANETS_WITH_MOONS", "MoonPlace", "moon_places"]

Array = NDArray[np.float64]
MoonPlace = tuple[str, float, float, str, float | None, float | None]
"""Name, x east and y north (arcsec), state, and the shadow's x and y or None."""

_SYSTEMS: dict[str, tuple[tuple[str, ...], Callable[[Array], Array]]] = {
    "jupiter": (GALILEAN_NAMES, galilean_positions),
    "saturn": (SATURNIAN_NAMES, saturnian_positions),
}
PLANETS_WITH_MOONS: tuple[str, ...] = tuple(_SYSTEMS)
"""The planets whose moons are known."""

_ARCSEC = 3600.0 * 180.0 / np.pi


def _unit(vectors: Array) -> Array:
    return vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)


def _meets(start: Array, direction: Array, polar_ratio: float) -> tuple[Array, Array]:
    """First point where rays from outside meet the globe (equatorial radii, body axes), and whether they do."""
    squash = np.array([1.0, 1.0, 1.0 / polar_ratio])
    p, d = start * squash, direction * squash
    a, b, c = np.sum(d * d, -1), np.sum(p * d, -1), np.sum(p * p, -1) - 1.0
    root = b * b - a * c
    reach = (-b - np.sqrt(np.maximum(root, 0.0))) / a
    return start + reach[..., None] * direction, (root >= 0.0) & (reach > 0.0)


def _outline(side: Array, axis: Array, polar_ratio: float) -> Array:
    """How far a point lies from the planet's middle as seen along an axis, its outline being 1.

    `side` is the part of the point's place at right angles to the unit vector `axis`; both in body axes.
    """
    sine = axis[:, 2]
    short = np.sqrt((polar_ratio**2) * (1.0 - sine**2) + sine**2)
    pole = np.zeros_like(axis)
    pole[:, 2] = 1.0
    up = pole - sine[:, None] * axis
    up /= np.maximum(np.linalg.norm(up, axis=-1, keepdims=True), 1e-12)
    y = np.sum(side * up, -1)
    x2 = np.maximum(np.sum(side * side, -1) - y * y, 0.0)
    return np.sqrt(x2 + (y / short) ** 2)


def _behind_rings(local: Array, observer: Array, planet: Body) -> NDArray[np.bool_]:
    """Whether a dense ring lies before points (equatorial radii, body axes), seen from far in a direction.

    Of the large moons only Iapetus, whose orbit is inclined, ever comes behind the rings.
    """
    # Along the line of sight the plane of the rings is met at this distance towards the observer.
    reach = -local[:, 2] / np.where(np.abs(observer[:, 2]) < 1e-9, np.inf, observer[:, 2])
    crossing = local + reach[:, None] * observer
    radius = np.hypot(crossing[:, 0], crossing[:, 1]) * planet.equatorial_radius_km
    dense = [(inner, outer) for name, inner, outer in planet.rings_km if name in ("A", "B")]
    covered = np.zeros(len(local), dtype=bool)
    for inner, outer in dense:
        covered |= (radius > inner) & (radius < outer)
    return covered & (reach > 0.0)


def _offset_arcsec(point_au: Array, seen: Apparition, east: Array, north: Array) -> tuple[Array, Array]:
    """Offset on the sky of a point given relative to the planet (au, ICRF), arcseconds east and north."""
    middle = _unit(-seen.to_observer_au)
    away = _unit(point_au - seen.to_observer_au)
    away = away / np.sum(away * middle, axis=-1, keepdims=True) - middle
    return np.sum(away * east, -1) * _ARCSEC, np.sum(away * north, -1) * _ARCSEC


def moon_places(planet_name: str, seen: Apparition) -> tuple[tuple[MoonPlace, ...], ...]:
    """Places and states of the bright moons of a planet.

    Parameters
    ----------
    planet_name : str
        One of `PLANETS_WITH_MOONS`.
    seen : Apparition
        Of that planet, n instants.

    Returns
    -------
    tuple of n tuples of MoonPlace
        In the order of their orbits. States, the first that is true: "occulted" (behind the globe), "eclipsed" (in
        its shadow or that of the rings), "behind the rings", "transit" (before the globe), "shadow transit" (its
        shadow lies on the side turned to us), "visible". The shadow's place is given whenever it lies there, during a
        transit too.
    """
    planet: Body = BODIES[planet_name]
    names, positions = _SYSTEMS[planet_name]
    ratio = 1.0 - planet.flattening
    radius_au = planet.equatorial_radius_km / AU_KM
    days = seen.tdb_left_days
    to_us = _unit(seen.to_observer_au)
    # A moon nearer than the planet is seen later in its orbit, by its depth over the speed of light.
    first = positions(days)
    places = np.empty_like(first)
    for i in range(len(names)):
        nearer_days = np.sum(first[i] * to_us, -1) / AU_KM / LIGHT_AU_PER_DAY
        places[i] = positions(days + nearer_days)[i]
    # North of date, brought back to ICRF axes, so that x and y are those of the equator of date.
    pole = seen.of_date[:, 2, :]
    middle = -to_us
    east = _unit(np.cross(pole, middle))
    north = np.cross(middle, east)
    turn = rotation_matrix(planet, days)
    observer = np.einsum("nij,nj->ni", turn, to_us)
    sun_distance = np.linalg.norm(seen.to_sun_au, axis=-1)
    sun = np.einsum("nij,nj->ni", turn, seen.to_sun_au / sun_distance[:, None])
    narrowing = (BODIES["sun"].equatorial_radius_km / AU_KM - radius_au) / sun_distance
    rows: list[list[MoonPlace]] = [[] for _ in days]
    for name, place in zip(names, places, strict=True):
        x, y = _offset_arcsec(place / AU_KM, seen, east, north)
        local = np.einsum("nij,nj->ni", turn, place) / planet.equatorial_radius_km
        depth, sunward = np.sum(local * observer, -1), np.sum(local * sun, -1)
        apart = _outline(local - depth[:, None] * observer, observer, ratio)
        shaded = _outline(local - sunward[:, None] * sun, sun, ratio)
        behind, before = (apart < 1.0) & (depth < 0.0), (apart < 1.0) & (depth > 0.0)
        eclipsed = (sunward < 0.0) & (shaded < 1.0 + sunward * narrowing) | _behind_rings(local, sun, planet)
        ringed = _behind_rings(local, observer, planet)
        spot, hits = _meets(local, -sun, ratio)
        normal = spot * np.array([1.0, 1.0, 1.0 / ratio**2])
        casts = hits & (sunward > 0.0) & (np.sum(normal * observer, -1) > 0.0)
        spot_au = np.einsum("nji,nj->ni", turn, spot) * radius_au
        sx, sy = _offset_arcsec(spot_au, seen, east, north)
        for k, row in enumerate(rows):
            state = "visible"
            for is_so, word in (
                (behind[k], "occulted"),
                (eclipsed[k], "eclipsed"),
                (ringed[k], "behind the rings"),
                (before[k], "transit"),
                (casts[k], "shadow transit"),
            ):
                if is_so:
                    state = word
                    break
            shadow = (float(sx[k]), float(sy[k])) if casts[k] else (None, None)
            row.append((name, float(x[k]), float(y[k]), state, *shadow))
    return tuple(tuple(row) for row in rows)
