"""Discs on the sky: a rotating ellipsoid with an albedo map, limb darkening, phase and, if wanted, rings.

Orthographic projection, equatorial radius as the unit. Longitude grows westward on the planet as in the IAU's
planetographic convention, so that the central meridian grows with time and features drift towards celestial west,
which is to the right when north is up.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Body", "Rings"]

Float = NDArray[np.float32]


@dataclass(frozen=True)
class Rings:
    """Flat rings in the equatorial plane.

    Attributes
    ----------
    edges : tuple of (inner, outer, brightness, opacity)
        Radii in equatorial radii; brightness 0-1 and opacity 0-1 of each ring. Later rings overwrite earlier ones.
    colour : tuple of float
        Tint in R, G, B.
    """

    # Radii of the main rings and gaps of the real planet (handbook values from memory, good to 0.1 %).
    edges: tuple[tuple[float, float, float, float], ...] = (
        (1.236, 1.526, 0.14, 0.18),
        (1.526, 1.951, 0.92, 0.90),
        (1.526, 1.66, 0.72, 0.80),
        (2.025, 2.269, 0.66, 0.60),
        (2.209, 2.221, 0.10, 0.10),
    )
    colour: tuple[float, float, float] = (0.84, 0.78, 0.66)

    def profile(self, radius: Float) -> tuple[Float, Float]:
        """Return brightness and opacity (both 0-1, shape of `radius`) at radii in equatorial radii."""
        grid = np.linspace(1.0, 2.4, 2801, dtype=np.float32)
        bright = np.zeros_like(grid)
        opaque = np.zeros_like(grid)
        for inner, outer, light, depth in self.edges:
            inside = (grid >= inner) & (grid < outer)
            # Faint ringlets, the same for everybody: a sum of incommensurate cosines.
            ripple = 1 + 0.05 * np.cos(grid * 210) + 0.04 * np.cos(grid * 341) + 0.03 * np.cos(grid * 77)
            bright[inside] = (light * ripple)[inside]
            opaque[inside] = depth
        flat = radius.ravel()
        return (
            np.interp(flat, grid, bright, left=0, right=0).reshape(radius.shape).astype(np.float32),
            np.interp(flat, grid, opaque, left=0, right=0).reshape(radius.shape).astype(np.float32),
        )


RING_FINENESS = 3
"""Rows and columns drawn for one of a body with rings."""


@dataclass(frozen=True)
class Body:
    """A planet as it stands on the sky.

    Attributes
    ----------
    albedo : ndarray of shape (3, rows, columns), float32
        Reflectance in R, G, B; see `textures`.
    flattening : float
        1 - polar radius / equatorial radius.
    tilt_deg : float
        Latitude of the sub-Earth point (planetocentric), degrees; positive shows the north pole.
    sun_latitude_deg : float
        Planetocentric latitude of the sub-solar point, degrees.
    sun_west_deg : float
        How far west of the central meridian the Sun stands overhead, degrees; positive (after opposition) lights the
        right side with north up.
    day_hours : float
        Length of one rotation.
    meridian_deg : float
        Longitude of the central meridian at time 0.
    minnaert : tuple of float
        Limb-darkening exponent k in R, G, B: brightness ~ mu0^k mu^(k-1) (Minnaert 1941).
    rings : Rings or None
        Rings, if any.
    """

    albedo: Float = field(repr=False)
    flattening: float = 0.0
    tilt_deg: float = 0.0
    sun_latitude_deg: float = 0.0
    sun_west_deg: float = 0.0
    day_hours: float = 10.0
    meridian_deg: float = 0.0
    minnaert: tuple[float, float, float] = (0.9, 0.95, 1.0)
    rings: Rings | None = None

    def meridian_at(self, time_s: float) -> float:
        """Return the longitude of the central meridian, degrees in [0, 360), `time_s` after time 0."""
        return (self.meridian_deg + 360 * time_s / (self.day_hours * 3600)) % 360

    @property
    def polar_share(self) -> float:
        """Apparent polar radius of the disc as a share of the equatorial radius."""
        polar, tilt = 1 - self.flattening, np.radians(self.tilt_deg)
        return float(np.hypot(polar * np.cos(tilt), np.sin(tilt)))

    def render(
        self,
        shape: tuple[int, int],
        centre_px: tuple[float, float],
        radius_px: float,
        *,
        north_deg: float = 0.0,
        time_s: float = 0.0,
    ) -> Float:
        """Draw the body without any blur.

        Parameters
        ----------
        shape : tuple of int
            Rows and columns.
        centre_px : tuple of float
            Row and column of the disc's centre; integers are pixel centres.
        radius_px : float
            Equatorial radius in pixels.
        north_deg : float, optional
            Direction of the north pole, degrees anticlockwise from up (towards row 0).
        time_s : float, optional
            Seconds since time 0; turns the body.

        Returns
        -------
        ndarray of shape (3, rows, columns), float32
            Brightness; 1 is a white surface lit and seen from straight above.
        """
        # Rings have sharp edges, and seen slantwise their shadow has too: they are drawn finer and averaged.
        fine = 1 if self.rings is None else RING_FINENESS
        rows, columns = shape[0] * fine, shape[1] * fine
        centre_px, radius_px = ((centre_px[0] + 0.5) * fine - 0.5, (centre_px[1] + 0.5) * fine - 0.5), radius_px * fine
        dy = (np.arange(rows, dtype=np.float32)[:, None] - np.float32(centre_px[0])) / np.float32(radius_px)
        dx = (np.arange(columns, dtype=np.float32)[None, :] - np.float32(centre_px[1])) / np.float32(radius_px)
        turn = np.radians(north_deg)
        cos_n, sin_n = np.float32(np.cos(turn)), np.float32(np.sin(turn))
        # x to celestial west, y to north. North lies at (-sin, -cos) in (column, row) steps.
        x = dx * cos_n - dy * sin_n
        y = -(dx * sin_n + dy * cos_n)
        globe = self._globe(x, y, radius_px, self.meridian_at(time_s))
        if self.rings is None:
            return globe
        whole = self._with_rings(globe, x, y)
        averaged = whole.reshape(3, shape[0], fine, shape[1], fine).mean(axis=(2, 4), dtype=np.float32)
        return np.asarray(averaged, np.float32)

    def _sun(self) -> tuple[float, float, float]:
        """Direction of the Sun in body axes (x west, y pole, z towards the observer's meridian)."""
        latitude, west = np.radians(self.sun_latitude_deg), np.radians(self.sun_west_deg)
        x, z = np.cos(latitude) * np.sin(west), np.cos(latitude) * np.cos(west)
        return float(x), float(np.sin(latitude)), float(z)

    def _depth(self, x: Float, y: Float) -> tuple[Float, Float]:
        """Return the height of the surface towards the observer, and the discriminant (negative off the disc)."""
        tilt, polar = np.radians(self.tilt_deg), 1 - self.flattening
        sin_b, cos_b = np.sin(tilt), np.cos(tilt)
        a = np.float32(cos_b**2 + sin_b**2 / polar**2)
        b = y * np.float32(sin_b * cos_b * (1 / polar**2 - 1))
        c = x * x + y * y * np.float32(sin_b**2 + cos_b**2 / polar**2) - 1
        inside = b * b - a * c
        return (-b + np.sqrt(np.maximum(inside, 0))) / a, inside

    def _globe(self, x: Float, y: Float, radius_px: float, meridian_deg: float) -> Float:
        tilt, polar = np.radians(self.tilt_deg), np.float32(1 - self.flattening)
        sin_b, cos_b = np.float32(np.sin(tilt)), np.float32(np.cos(tilt))
        # Just outside the limb the ray is pulled in, so that anti-aliased edge pixels find a surface.
        reach = np.sqrt(x * x + (y / np.float32(self.polar_share)) ** 2)
        pull = np.where(reach > 0.9995, np.float32(0.9995) / np.maximum(reach, np.float32(1e-6)), 1)
        coverage = np.clip(0.5 + (1 - reach) * np.float32(radius_px), 0, 1).astype(np.float32)
        x, y = x * pull, y * pull
        depth, _ = self._depth(x, y)
        pole = y * cos_b + depth * sin_b
        front = -y * sin_b + depth * cos_b
        nx, ny, nz = x, pole / polar**2, front
        length = np.sqrt(nx * nx + ny * ny + nz * nz)
        sun = self._sun()
        mu = np.clip((ny * sin_b + nz * cos_b) / length, 0.02, 1)
        mu0 = np.clip((nx * sun[0] + ny * sun[1] + nz * sun[2]) / length, 0, 1)
        light = np.ones_like(mu0)
        if self.rings is not None and abs(sun[1]) > 1e-3:
            # Shadow of the rings: the ray towards the Sun crosses the equatorial plane.
            way = -pole / np.float32(sun[1])
            radius = np.hypot(x + way * np.float32(sun[0]), front + way * np.float32(sun[2]))
            light -= np.where(way > 0, self.rings.profile(radius)[1], 0)
        map_rows, map_columns = self.albedo.shape[1:]
        latitude = np.degrees(np.arctan2(ny, np.hypot(nx, nz)))
        longitude = (np.float32(meridian_deg) - np.degrees(np.arctan2(x, front))) % 360
        map_y = ((90 - latitude) * np.float32(map_rows / 180) - np.float32(0.5)).astype(np.float32)
        map_x = (longitude * np.float32(map_columns / 360) - np.float32(0.5)).astype(np.float32)
        picture = np.empty((3, *x.shape), np.float32)
        for plane in range(3):
            k = self.minnaert[plane]
            shade = mu0 ** np.float32(k) * mu ** np.float32(k - 1)
            skin = cv2.remap(self.albedo[plane], map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
            picture[plane] = skin * shade * light * coverage
        return picture

    def _with_rings(self, globe: Float, x: Float, y: Float) -> Float:
        assert self.rings is not None
        tilt, polar = np.radians(self.tilt_deg), 1 - self.flattening
        if abs(np.sin(tilt)) < 1e-3:
            return globe
        front = -y / np.float32(np.sin(tilt))
        light, opaque = self.rings.profile(np.hypot(x, front).astype(np.float32))
        # Shadow of the globe: a ray from the ring towards the Sun meets the ellipsoid ahead.
        sx, sy, sz = self._sun()
        a = sx * sx + sy * sy / polar**2 + sz * sz
        b = x * np.float32(sx) + front * np.float32(sz)
        c = x * x + front * front - 1
        light = light * np.where((b * b - a * c > 0) & (b < 0), np.float32(0.02), 1)
        depth_ring = -y * np.float32(np.cos(tilt) / np.sin(tilt))
        depth_globe, inside = self._depth(x, y)
        hidden = (inside > 0) & (depth_globe > depth_ring)
        opaque = np.where(hidden, 0, opaque).astype(np.float32)
        tint = np.asarray(self.rings.colour, np.float32)[:, None, None]
        light = np.where(hidden, 0, light).astype(np.float32)
        return np.asarray(globe * (1 - opaque) + tint * light, np.float32)
