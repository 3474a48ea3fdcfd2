"""The picture of a globe as a linear model of its belts and rings, for the fit in `limb`.

For a given centre, radius, pole angle, blur and darkening it lays out the columns whose weighted sum is the picture:
background, glow, belts (splines across the disc, each with an east-west gradient) and rings (splines in radius); and
says which pixels no such sum can explain.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill_sky.geometry import Disc

__all__ = ["GlobeModel", "splines"]

Image = NDArray[np.float32]
Array = NDArray[np.float64]

# Width of the faint wide part of the blur, in radii; not tied to the narrow one, which it would replace. What the air
# leaves is some pixels wide, which on a small disc is much of its radius.
_GLOW, _GLOW_PX, _MOST_GLOW = 0.15, 7.5, 0.4
_SMALL, _TINY = 25.0, 12.0  # radius below which features are taken as even slopes, or only as belts, px
_HALO = 3.0  # width of the halo of a ring, in blurs
_SLOPE = np.array([1.0, -8.0, 0.0, 8.0, -1.0]) / 12.0  # derivative to fourth order, as cv2 correlates
_FLOOR = 0.03  # Minnaert's law runs to infinity at a limb lit aslant, which no camera sees


def splines(t: Array, count: int) -> tuple[NDArray[np.int64], Array]:
    """Uniform cubic B-splines over -1..1, clamped outside.

    Returns the numbers of the four splines that are not 0 at each point and their values, both (points, 4).
    """
    place = (np.clip(t, -1.0, 1.0) + 1.0) / 2.0 * (count - 3)
    first = np.minimum(np.floor(place).astype(np.int64), count - 4)
    u = place - first
    v = 1.0 - u
    values = (v**3, 4.0 - 6.0 * u**2 + 3.0 * u**3, 4.0 - 6.0 * v**2 + 3.0 * v**3, u**3)
    return first[:, None] + np.arange(4), np.stack(values, axis=1) / 6.0


class GlobeModel:
    """The linear part of a picture of a globe.

    Its parameters are an array of six: centre column and row, equatorial radius (pixels), pole angle (degrees),
    logarithm of the blur (standard deviation, pixels) and Minnaert's exponent of the darkening.

    Parameters
    ----------
    picture : ndarray of float32, shape (rows, columns)
        Background near 0, disc near 1.
    template : Disc
        Shape, phase, rings and mirroring.
    ringed : bool
        Whether to model rings.
    radius_px : float
        Rough equatorial radius: it sets how fine the model is.
    binning : float
        Pixels of the picture that is searched in the end along a pixel of this one: the blur has that many times fewer.
    """

    def __init__(self, picture: Image, template: Disc, ringed: bool, radius_px: float, binning: float = 1.0) -> None:
        self.picture = picture
        self.template = template
        self.ringed = ringed
        # Samples across a pixel: the edge of a small disc curves within a pixel.
        self.fine = 2 if radius_px < 100.0 else 1
        # Belted planets: splines across the disc about 2.5 pixels wide, as fine as the seeing leaves belts, each with
        # an east-west gradient. Others have features of any shape: wider splines, with curvature along them too.
        self.belted = template.flattening > 0.03
        self.belts = int(np.clip(round((0.5 if self.belted else 0.2) * radius_px), 12 if self.belted else 6, 40))
        self.orders = 2 if self.belted else 4
        # A small blurred disc shows no more than that, and with more freedom features would draw a soft limb for a
        # globe that is a fifth too large.
        size = radius_px * binning
        if size < _TINY:
            self.belts, self.orders = 4, 1
        elif size < _SMALL:
            self.orders = 2
        self.glow = float(np.clip(_GLOW_PX / size, _GLOW, _MOST_GLOW))
        rows, columns = picture.shape
        self.row = ((np.arange(rows * self.fine) + 0.5) / self.fine - 0.5).astype(np.float32)[:, None]
        self.column = ((np.arange(columns * self.fine) + 0.5) / self.fine - 0.5).astype(np.float32)[None, :]
        self._slanted: tuple[Array, tuple[Image, Image, Image]] | None = None
        self._shown: tuple[Array, Image] | None = None

    def disc(self, p: Array) -> Disc:
        """The disc of the parameters."""
        return replace(
            self.template,
            centre_column_px=float(p[0]),
            centre_row_px=float(p[1]),
            equatorial_radius_px=float(p[2]),
            pole_angle_deg=float(p[3]),
        )

    def _axes(self, p: Array, row: Image, column: Image) -> tuple[Image, Image]:
        right, up = column - np.float32(p[0]), np.float32(p[1]) - row
        c, s = np.float32(math.cos(math.radians(p[3]))), np.float32(math.sin(math.radians(p[3])))
        x, y = (right * c + up * s) / np.float32(p[2]), (up * c - right * s) / np.float32(p[2])
        return (-x if self.template.mirrored else x), y

    def _slants(self, p: Array) -> tuple[Image, Image, Image]:
        """Cosines towards observer and Sun, and the share of the globe in each sample, on the fine grid."""
        # Asked for several times at each step of a search.
        if self._slanted is None or not np.array_equal(self._slanted[0][:4], p[:4]):
            self._slanted = p.copy(), self._new_slants(p)
        return self._slanted[1]

    def _new_slants(self, p: Array) -> tuple[Image, Image, Image]:
        x, y = self._axes(p, self.row, self.column)
        q = 1.0 - self.template.flattening
        b = math.radians(self.template.sub_observer_latitude_deg)
        cos_b, sin_b = math.cos(b), math.sin(b)
        short = math.hypot(q * cos_b, sin_b)
        two = np.float32(cos_b**2 + (sin_b / q) ** 2)
        one = y * np.float32(sin_b * cos_b * (1.0 / q**2 - 1.0))
        zero = x * x + y * y * np.float32(sin_b**2 + (cos_b / q) ** 2) - np.float32(1.0)
        z = (-one + np.sqrt(np.maximum(one * one - two * zero, 0.0))) / two
        bx, bz = (
            z * np.float32(cos_b) - y * np.float32(sin_b),
            (y * np.float32(cos_b) + z * np.float32(sin_b)) / np.float32(q * q),
        )
        size = np.sqrt(bx * bx + x * x + bz * bz)
        sun = self.template.sun_direction.astype(np.float32)
        mu = np.maximum((bx * np.float32(cos_b) + bz * np.float32(sin_b)) / size, np.float32(_FLOOR))
        mu0 = (bx * sun[0] + x * sun[1] + bz * sun[2]) / size
        rho = np.sqrt(x * x + (y / np.float32(short)) ** 2)
        slope = np.sqrt(x * x + (y / np.float32(short**2)) ** 2) / np.maximum(rho, 1e-6)
        inside = np.clip(0.5 + (1.0 - rho) / np.maximum(slope, 1e-6) * np.float32(p[2] * self.fine), 0.0, 1.0)
        return mu, mu0, inside

    def globe(self, p: Array) -> Image:
        """Brightness of a globe of one colour on the fine grid, by Minnaert's law mu0^k mu^(k - 1)."""
        if self._shown is None or not np.array_equal(self._shown[0], p):
            mu, mu0, inside = self._slants(p)
            k = np.float32(p[5])
            lit = np.maximum(mu0, np.float32(1e-6)) ** k * mu ** (k - np.float32(1.0))
            self._shown = p.copy(), (lit * inside * (mu0 > 0.0)).astype(np.float32)
        return self._shown[1]

    def _darkened(self, p: Array) -> Array:
        """Relative change of the blurred globe with Minnaert's exponent, shape of the picture."""
        mu, mu0, _ = self._slants(p)
        globe, blur = self.globe(p), math.exp(p[4])
        changed = globe * np.log(np.maximum(mu0, np.float32(1e-6)) * mu)
        return np.asarray(
            self._blurred(changed, blur) / np.maximum(self._blurred(globe, blur), np.float32(1e-4)), np.float64
        )

    def _blurred(self, image: Image, blur_px: float) -> Image:
        rows, columns = self.picture.shape
        small = image if self.fine == 1 else cv2.resize(image, (columns, rows), interpolation=cv2.INTER_AREA)
        return cv2.GaussianBlur(small, (0, 0), max(blur_px, 0.3), borderType=cv2.BORDER_REPLICATE)

    def columns(self, p: Array) -> Any:
        """The linear model as a sparse matrix, shape (pixels, terms)."""
        from scipy import sparse

        blur = math.exp(p[4])
        globe = self.globe(p)
        rows, columns = self.picture.shape
        at_row = np.arange(rows, dtype=np.float32)[:, None]
        at_column = np.arange(columns, dtype=np.float32)[None, :]
        x, y = (a.ravel().astype(np.float64) for a in self._axes(p, at_row, at_column))
        count = len(x)
        short = self.template.semi_axes_px[1] / self.template.equatorial_radius_px
        soft = self._blurred(globe, blur).ravel().astype(np.float64)
        on = soft > 1e-7
        which, values = splines(y[on] / short, self.belts)
        # Four splines at each point, then the same four times powers of x, laid out as CSR directly.
        belts = values * soft[on, None]
        entries = np.concatenate([belts * x[on, None] ** k for k in range(self.orders)], axis=1)
        places = np.concatenate([which + self.belts * k for k in range(self.orders)], axis=1)
        starts = np.concatenate([[0], np.cumsum(on) * 4 * self.orders])
        parts = [
            sparse.csr_matrix(
                np.stack([np.ones(count), self._blurred(globe, self.glow * float(p[2])).ravel()], axis=1)
            ),
            sparse.csr_matrix((entries.ravel(), places.ravel(), starts), shape=(count, self.orders * self.belts)),
        ]
        if self.ringed:
            parts.append(sparse.csr_matrix(self._ring_terms(p, blur, globe)))
        return sparse.hstack(parts, format="csr")

    def _ring_terms(self, p: Array, blur: float, globe: Image) -> Array:
        """Each ring with sharp edges and a brightness that runs smoothly between them."""
        x, y = self._axes(p, self.row, self.column)
        sine = np.float32(abs(math.sin(math.radians(self.template.sub_observer_latitude_deg))))
        radius = np.sqrt(x * x + (y / sine) ** 2)
        slope = np.sqrt(x * x + (y / sine**2) ** 2) / np.maximum(radius, 1e-6)
        size = np.float32(p[2] * self.fine) / np.maximum(slope, 1e-6)
        free = (globe <= 0.0).astype(np.float32)
        out = []
        for inner, outer in self.template.rings_radii:
            cover = np.clip(0.5 + (outer - radius) * size, 0.0, 1.0) * np.clip(0.5 + (radius - inner) * size, 0.0, 1.0)
            t = (radius - np.float32((inner + outer) / 2.0)) / np.float32((outer - inner) / 2.0)
            out += [self._blurred(cover * free * t**k, blur).ravel() for k in range(3)]
            # The halo of each ring: what it lets out into the gaps and the sky would else widen the ring.
            out.append(self._blurred(cover * free, _HALO * blur).ravel())
        return np.stack(out, axis=1).astype(np.float64)

    def changes(self, p: Array, made: Array) -> tuple[Array, ...]:
        """How a picture made by the model changes with each of its six parameters, each of the shape of the picture.

        Parameters
        ----------
        p : ndarray of float64, shape (6,)
        made : ndarray of float64, shape (rows, columns)
            The weighted sum of `columns(p)`.
        """
        soft = made.astype(np.float64)
        along_x = cv2.filter2D(soft, -1, _SLOPE[None, :], borderType=cv2.BORDER_REPLICATE)
        along_y = cv2.filter2D(soft, -1, _SLOPE[:, None], borderType=cv2.BORDER_REPLICATE)
        bent = cv2.Laplacian(soft, cv2.CV_64F, borderType=cv2.BORDER_REPLICATE)
        right = np.arange(made.shape[1], dtype=np.float64)[None, :] - p[0]
        down = np.arange(made.shape[0], dtype=np.float64)[:, None] - p[1]
        blurred = math.exp(2.0 * p[4]) * bent  # the heat equation, by the logarithm of the blur
        # Stretching the picture would stretch its blur too.
        stretched = -(right * along_x + down * along_y) - blurred
        turned = right * along_y - down * along_x
        return (-along_x, -along_y, stretched / p[2], turned * math.pi / 180.0, blurred, soft * self._darkened(p))

    def weights(self, p: Array, reach_radii: float) -> Array:
        """How much each pixel counts, shape (pixels,): the lit limb most, terminator and shadows next to nothing."""
        disc = self.disc(p)
        row, column = np.mgrid[0 : self.picture.shape[0], 0 : self.picture.shape[1]].astype(np.float64)
        x, y = disc.to_planet_axes(column, row)
        rho = np.hypot(x, y / (disc.semi_axes_px[1] / disc.equatorial_radius_px))
        weight = np.where(rho < 0.7, 0.5, 1.0) * (rho < reach_radii)
        surface = disc.surface(column, row)
        weight[(surface.emission > 0.0) & (surface.incidence < 0.2)] *= 0.1
        if self.ringed:
            bad = _shadow_mask(disc, row, column).astype(np.uint8)
            size = 2 * math.ceil(1.5 * math.exp(p[4])) + 1
            weight[cv2.dilate(bad, np.ones((size, size), np.uint8)) > 0] = 0.0
        return weight.ravel()


def _shadow_mask(disc: Disc, row: Array, column: Array) -> NDArray[np.bool_]:
    """Pixels that the model cannot explain: rings before the globe, shadows of rings and globe on each other."""
    x, y = disc.to_planet_axes(column, row)
    sun = disc.sun_direction
    surface = disc.surface(column, row)
    on = surface.emission > 0.0
    inner, outer = disc.rings_radii[0][0], disc.rings_radii[-1][1]
    sine = math.sin(math.radians(disc.sub_observer_latitude_deg))
    depth = -y * math.cos(math.radians(disc.sub_observer_latitude_deg)) / sine
    ring = np.sqrt(x * x + (y / sine) ** 2)
    before = on & (depth > 0.0) & (ring > inner) & (ring < outer)
    # The ring's shadow on the globe: from the surface towards the Sun through the ring plane.
    lat, lon = (
        np.radians(np.where(on, surface.latitude_deg, 0.0)),
        np.radians(np.where(on, surface.east_of_meridian_deg, 0.0)),
    )
    q = 1.0 - disc.flattening
    size = 1.0 / np.sqrt(np.cos(lat) ** 2 + (q * np.sin(lat)) ** 2)
    px, py, pz = size * np.cos(lat) * np.cos(lon), size * np.cos(lat) * np.sin(lon), q * q * size * np.sin(lat)
    reach = -pz / (sun[2] if abs(sun[2]) > 1e-6 else 1e-6)
    crossing = np.hypot(px + reach * sun[0], py + reach * sun[1])
    shaded = on & (reach > 0.0) & (crossing > inner) & (crossing < outer)
    # The globe's shadow on the ring: a point of the plane whose way to the Sun passes within the globe.
    axes = disc.axes
    rx, ry = x * axes[0][0] + y * axes[1][0] + depth * axes[2][0], x * axes[0][1] + y * axes[1][1] + depth * axes[2][1]
    along = rx * sun[0] + ry * sun[1]
    miss = rx * rx + ry * ry - along * along / max(float(sun[0] ** 2 + sun[1] ** 2), 1e-9)
    eclipsed = ~on & (along < 0.0) & (miss < 1.0) & (ring > inner) & (ring < outer)
    return before | shaded | eclipsed
