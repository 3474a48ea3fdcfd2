"""The globe on the picture: from pixels to longitude and latitude and back.

A body is an ellipsoid of revolution seen in parallel projection (its finite distance changes a planet by less than
0.001 radius; for the Moon give `distance_radii`). Everything works on arrays of any shape, in float64.

Conventions: a point on the picture is (column, row), pixel centres at whole numbers, rows growing downwards. The pole
angle is that of the projected north pole, from the picture's upward direction, counter-clockwise as displayed. On an
unmirrored picture with north up, east is left, so there the pole angle equals the position angle on the sky. Latitudes
are planetographic unless said otherwise; longitudes are counted as the body's `west_longitudes` says.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Disc", "Surface", "centric_from_graphic_deg", "graphic_from_centric_deg"]

Array = NDArray[np.float64]


def graphic_from_centric_deg(latitude_deg: ArrayLike, flattening: float) -> Array:
    """Planetographic latitude from planetocentric: tan(graphic) = tan(centric) / (1 - flattening)^2, degrees."""
    lat = np.radians(np.asarray(latitude_deg, dtype=np.float64))
    return np.degrees(np.arctan2(np.sin(lat), np.cos(lat) * (1.0 - flattening) ** 2))


def centric_from_graphic_deg(latitude_deg: ArrayLike, flattening: float) -> Array:
    """Planetocentric latitude from planetographic: tan(centric) = tan(graphic) (1 - flattening)^2, degrees."""
    lat = np.radians(np.asarray(latitude_deg, dtype=np.float64))
    return np.degrees(np.arctan2(np.sin(lat) * (1.0 - flattening) ** 2, np.cos(lat)))


@dataclass(frozen=True)
class Surface:
    """What lies under points of the picture; every array has the shape of the points.

    Parameters
    ----------
    longitude_deg : ndarray of float64
        In [0, 360); NaN beside the globe.
    latitude_deg : ndarray of float64
        Planetographic; NaN beside the globe.
    east_of_meridian_deg : ndarray of float64
        Angle east of the central meridian, -180 to 180; NaN beside the globe.
    emission : ndarray of float64
        Cosine of the angle between the surface's normal and the direction to the observer: 1 in the middle, 0 at the
        limb; 0 beside the globe.
    incidence : ndarray of float64
        Cosine of the angle between the normal and the direction to the Sun: negative on the night side; 0 beside.
    """

    longitude_deg: Array
    latitude_deg: Array
    east_of_meridian_deg: Array
    emission: Array
    incidence: Array


@dataclass(frozen=True)
class Disc:
    """How the globe lies on the picture.

    Parameters
    ----------
    centre_column_px, centre_row_px : float
        Middle of the globe (not of its lit part).
    equatorial_radius_px : float
        Above 0.
    flattening : float
        0 to below 1.
    sub_observer_latitude_deg : float
        Planetocentric latitude of the middle of the disc.
    pole_angle_deg : float
        See the module.
    mirrored : bool
        The picture is a mirror image of the sky.
    central_meridian_deg : float
        Longitude of the middle of the disc.
    central_meridians_deg : dict of str to float
        The same in every system of the body (for turning Jupiter by latitude).
    west_longitudes : bool
        Longitudes grow towards west (planets) rather than east (Moon, Sun).
    sub_solar_latitude_deg : float
        Planetocentric latitude of the point under the Sun.
    sun_east_of_meridian_deg : float
        Its angle east of the central meridian, -180 to 180.
    distance_radii : float
        Distance of the observer in equatorial radii; infinite for parallel projection.
    rings_radii : tuple of (float, float)
        Inner and outer radius of each ring in equatorial radii.
    """

    centre_column_px: float
    centre_row_px: float
    equatorial_radius_px: float
    flattening: float = 0.0
    sub_observer_latitude_deg: float = 0.0
    pole_angle_deg: float = 0.0
    mirrored: bool = False
    central_meridian_deg: float = 0.0
    central_meridians_deg: dict[str, float] = field(default_factory=dict)
    west_longitudes: bool = True
    sub_solar_latitude_deg: float = 0.0
    sun_east_of_meridian_deg: float = 0.0
    distance_radii: float = math.inf
    rings_radii: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        if not (self.equatorial_radius_px > 0.0 and math.isfinite(self.equatorial_radius_px)):
            raise ValueError(f"equatorial_radius_px must be above 0, got {self.equatorial_radius_px}.")
        if not 0.0 <= self.flattening < 1.0:
            raise ValueError(f"flattening must lie from 0 to below 1, got {self.flattening}.")
        if not self.distance_radii > 1.0:
            raise ValueError(f"distance_radii must be above 1, got {self.distance_radii}.")

    @property
    def axes(self) -> Array:
        """Axes of the observer in the frame of the body turned to the central meridian; shape (3, 3).

        Rows: x to the right of the pole, y towards the projected pole, z towards the observer.
        """
        b = math.radians(self.sub_observer_latitude_deg)
        return np.array(
            [[0.0, 1.0, 0.0], [-math.sin(b), 0.0, math.cos(b)], [math.cos(b), 0.0, math.sin(b)]], dtype=np.float64
        )

    @property
    def sun_direction(self) -> Array:
        """Unit vector to the Sun, frame of the body turned to the central meridian; shape (3,)."""
        lat, lon = math.radians(self.sub_solar_latitude_deg), math.radians(self.sun_east_of_meridian_deg)
        return np.array([math.cos(lat) * math.cos(lon), math.cos(lat) * math.sin(lon), math.sin(lat)])

    @property
    def semi_axes_px(self) -> tuple[float, float]:
        """Long and short half axis of the outline, pixels."""
        b = math.radians(self.sub_observer_latitude_deg)
        short = math.hypot((1.0 - self.flattening) * math.cos(b), math.sin(b))
        return self.equatorial_radius_px, self.equatorial_radius_px * short

    def to_planet_axes(self, column_px: ArrayLike, row_px: ArrayLike) -> tuple[Array, Array]:
        """Turn picture coordinates into the planet's own: x to the right of the pole (planet east), y to the pole.

        Parameters
        ----------
        column_px, row_px : array_like

        Returns
        -------
        x, y : ndarray of float64
            Equatorial radii from the middle of the globe.
        """
        right = np.asarray(column_px, dtype=np.float64) - self.centre_column_px
        up = self.centre_row_px - np.asarray(row_px, dtype=np.float64)
        t = math.radians(self.pole_angle_deg)
        x = (right * math.cos(t) + up * math.sin(t)) / self.equatorial_radius_px
        y = (up * math.cos(t) - right * math.sin(t)) / self.equatorial_radius_px
        return (-x if self.mirrored else x), y

    def from_planet_axes(self, x: ArrayLike, y: ArrayLike) -> tuple[Array, Array]:
        """Inverse of `to_planet_axes`: column and row in pixels."""
        xx, yy = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
        xx = -xx if self.mirrored else xx
        t = math.radians(self.pole_angle_deg)
        right = xx * math.cos(t) - yy * math.sin(t)
        up = xx * math.sin(t) + yy * math.cos(t)
        return (
            self.centre_column_px + right * self.equatorial_radius_px,
            self.centre_row_px - up * self.equatorial_radius_px,
        )

    def surface(self, column_px: ArrayLike, row_px: ArrayLike) -> Surface:
        """Longitude, latitude and angles of the surface under points of the picture.

        Parameters
        ----------
        column_px, row_px : array_like, any shape
            Pixels; need not be whole numbers nor lie on the picture.

        Returns
        -------
        Surface
        """
        x, y = self.to_planet_axes(column_px, row_px)
        axes = self.axes
        q = 1.0 - self.flattening
        squash = np.array([1.0, 1.0, 1.0 / q])  # turns the ellipsoid into the unit sphere
        plane = x[..., None] * axes[0] + y[..., None] * axes[1]
        if math.isinf(self.distance_radii):
            start, ray = plane * squash, np.broadcast_to(-axes[2] * squash, plane.shape)
        else:
            eye = self.distance_radii * axes[2]
            start, ray = np.broadcast_to(eye * squash, plane.shape), (plane - eye) * squash
        a = np.sum(ray * ray, axis=-1)
        half_b = np.sum(ray * start, axis=-1)
        c = np.sum(start * start, axis=-1) - 1.0
        root = half_b * half_b - a * c
        on = root >= 0.0
        reach = (-half_b - np.sqrt(np.where(on, root, 0.0))) / a
        point = (start + reach[..., None] * ray) / squash
        normal = point * np.array([1.0, 1.0, 1.0 / q**2])
        normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
        if math.isinf(self.distance_radii):
            emission = normal @ axes[2]
        else:
            view = self.distance_radii * axes[2] - point
            emission = np.sum(normal * view, axis=-1) / np.linalg.norm(view, axis=-1)
        east = np.degrees(np.arctan2(point[..., 1], point[..., 0]))
        latitude = np.degrees(np.arctan2(normal[..., 2], np.hypot(normal[..., 0], normal[..., 1])))
        nan = np.where(on, 0.0, np.nan)
        return Surface(
            longitude_deg=np.mod(self.longitude_from_east(east), 360.0) + nan,
            latitude_deg=latitude + nan,
            east_of_meridian_deg=east + nan,
            emission=np.where(on, np.clip(emission, 0.0, 1.0), 0.0),
            incidence=np.where(on, normal @ self.sun_direction, 0.0),
        )

    def longitude_from_east(self, east_of_meridian_deg: ArrayLike) -> Array:
        """Longitude of a point by its angle east of the central meridian, degrees (not reduced to a turn)."""
        east = np.asarray(east_of_meridian_deg, dtype=np.float64)
        return self.central_meridian_deg - east if self.west_longitudes else self.central_meridian_deg + east

    def east_from_longitude(self, longitude_deg: ArrayLike) -> Array:
        """Angle east of the central meridian of a longitude, -180 to 180 degrees."""
        lon = np.asarray(longitude_deg, dtype=np.float64) - self.central_meridian_deg
        east = -lon if self.west_longitudes else lon
        return np.mod(east + 180.0, 360.0) - 180.0

    def picture(self, longitude_deg: ArrayLike, latitude_deg: ArrayLike) -> tuple[Array, Array, Array, Array]:
        """Where a point of the surface lies on the picture.

        Parameters
        ----------
        longitude_deg, latitude_deg : array_like
            Degrees; latitude planetographic.

        Returns
        -------
        column_px, row_px : ndarray of float64
            Also for points on the far side, where they lie behind the globe.
        emission, incidence : ndarray of float64
            Cosines towards the observer (above 0: on this side) and towards the Sun (above 0: lit).
        """
        return self.picture_from_east(self.east_from_longitude(longitude_deg), latitude_deg)

    def picture_from_east(
        self, east_of_meridian_deg: ArrayLike, latitude_deg: ArrayLike
    ) -> tuple[Array, Array, Array, Array]:
        """As `picture`, with the angle east of the central meridian instead of the longitude."""
        q = 1.0 - self.flattening
        lon = np.radians(np.asarray(east_of_meridian_deg, dtype=np.float64))
        lat = np.radians(np.asarray(latitude_deg, dtype=np.float64))
        normal = np.stack(np.broadcast_arrays(np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)), -1)
        point = normal * np.array([1.0, 1.0, q**2])
        point /= np.sqrt(np.sum(point * normal, axis=-1, keepdims=True))  # onto the ellipsoid
        column, row, emission = self.project(point, normal)
        return column, row, emission, normal @ self.sun_direction

    def project(self, point: Array, normal: Array) -> tuple[Array, Array, Array]:
        """Project points of the surface onto the picture.

        Parameters
        ----------
        point, normal : ndarray of float64, shape (..., 3)
            Points (equatorial radii) and their unit normals, frame of the body turned to the central meridian.

        Returns
        -------
        column_px, row_px, emission : ndarray of float64, shape (...)
        """
        x, y, z = np.moveaxis(point @ self.axes.T, -1, 0)
        if math.isinf(self.distance_radii):
            emission = normal @ self.axes[2]
        else:
            near = self.distance_radii / (self.distance_radii - z)
            x, y = x * near, y * near
            view = self.distance_radii * self.axes[2] - point
            emission = np.sum(normal * view, axis=-1) / np.linalg.norm(view, axis=-1)
        column, row = self.from_planet_axes(x, y)
        return column, row, emission

    def moved(self, column_px: float, row_px: float) -> Disc:
        """The same disc with its middle elsewhere."""
        return replace(self, centre_column_px=column_px, centre_row_px=row_px)
