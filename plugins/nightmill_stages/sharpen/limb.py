"""The limb as a known edge: a disc ends sharply, so how softly its edge falls in a stack tells the blur.

Around a planet the brightness is averaged along ellipses like its outline, which takes out clouds and maria; a disc
darkened towards its limb by any sum of powers of the cosine of emergence, as bright in each direction as the planet is
inside its limb there (caps, phase), sent through telescope and blur, must give the same fall. The sky around tells the
halo of the blur, the edge tells its core: where one is blind the other sees.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from .spectral import cosine
from .window import Window

__all__ = ["Ellipse", "LimbProfile", "around", "disc_powers", "find_ellipse"]

Float = NDArray[np.floating]
POWERS = (0.0, 0.5, 1.0, 2.0)
"""Of the cosine of emergence."""
SECTORS = 72
LEAST = 0.55
"""Share of the sectors in which the outline must be an ellipse's."""
NEAR = (0.82, 0.94)
"""Radii between which the brightness inside the limb is taken: inside the fall, outside most of the surface."""
SKY_TOLERANCE, SURFACE_TOLERANCE = 0.006, 0.012
"""What the model cannot explain of the fall, as a share of its top: outside, and farthest inside, where clouds, caps
and a terminator are (chosen on tuning captures of both simulators)."""
WITHIN, BEYOND = 2.5, 4.5
"""How far inside the edge (little, for clouds and maria are there) and outside is looked, in periods of the cut-off."""


@dataclass(frozen=True)
class Ellipse:
    """An outline: centre (row, column), semi-axes along and across `angle_rad` (from columns towards rows), pixels.

    `limb` says for each of `SECTORS` sectors of position angle whether the outline is the ellipse there.
    """

    row: float
    column: float
    a: float
    b: float
    angle_rad: float
    limb: NDArray[np.bool_]

    def radius(self, rows: Float, columns: Float) -> NDArray[np.float64]:
        """Return the elliptical radius of positions, 1 on the outline."""
        y, x = np.asarray(rows) - self.row, np.asarray(columns) - self.column
        along = x * np.cos(self.angle_rad) + y * np.sin(self.angle_rad)
        across = y * np.cos(self.angle_rad) - x * np.sin(self.angle_rad)
        return np.hypot(along / self.a, across / self.b)

    def sector(self, rows: Float, columns: Float) -> NDArray[np.int64]:
        """Return the sector of positions."""
        turn = np.arctan2(np.asarray(rows) - self.row, np.asarray(columns) - self.column) / (2 * np.pi)
        return np.minimum((turn % 1.0 * SECTORS).astype(np.int64), SECTORS - 1)


def find_ellipse(sharp: Float, inside: Float, cutoff: float) -> Ellipse | None:
    """Find the ellipse along which an object ends.

    Parameters
    ----------
    sharp : ndarray of shape (h, w)
        Sharpened picture, sky at 0.
    inside : ndarray of shape (h, w)
        1 on the object, 0 on the sky.
    cutoff : float
        Of the telescope, cycles a pixel.

    Returns
    -------
    Ellipse or None
        None when the outline is not an ellipse in most directions (rings, phases, a disc cut by the frame's edge).
    """
    total = float(inside.sum())
    if total < 300:
        return None
    y, x = np.nonzero(inside > 0.5)
    middle, radius = (float(y.mean()), float(x.mean())), float(np.sqrt(total / np.pi))
    around = (np.arange(SECTORS) + 0.5) / SECTORS * 2 * np.pi
    steps = np.arange(0.3 * radius, 1.7 * radius, 0.25)
    rows = middle[0] + np.sin(around)[:, None] * steps
    columns = middle[1] + np.cos(around)[:, None] * steps
    soft = scipy.ndimage.gaussian_filter(np.asarray(sharp, np.float64), 0.2 / cutoff)
    rays = scipy.ndimage.map_coordinates(soft, [rows, columns], order=1, mode="nearest")
    # The edge: where a ray falls steepest, to a fraction of a step.
    fall = scipy.ndimage.gaussian_filter1d(-np.gradient(rays, axis=1), 0.35 / cutoff / 0.25, axis=1)
    top = np.clip(fall.argmax(axis=1), 1, fall.shape[1] - 2)
    each = np.arange(SECTORS)
    before, peak, after = fall[each, top - 1], fall[each, top], fall[each, top + 1]
    bend = 2 * peak - before - after
    edge = steps[top] + 0.25 * np.where(bend > 0, (after - before) / (2 * np.where(bend > 0, bend, 1)), 0)
    ey, ex = middle[0] + edge * np.sin(around), middle[1] + edge * np.cos(around)
    limb = peak > 0.4 * np.median(peak)
    found = None
    for limit in (3.0, 1.5, 0.8, 0.8):
        if limb.sum() < LEAST * SECTORS:
            return None
        found = _fit(ey[limb], ex[limb], middle, radius)
        away = (found.radius(ey, ex) - 1) * np.sqrt(found.a * found.b)
        limb = (peak > 0.4 * np.median(peak)) & (np.abs(away) < limit)
    assert found is not None
    if limb.sum() < LEAST * SECTORS or not 0.6 < found.b / found.a < 1.7:
        return None
    return Ellipse(found.row, found.column, found.a, found.b, found.angle_rad, limb)


def _fit(ey: Float, ex: Float, middle: tuple[float, float], radius: float) -> Ellipse:
    """Fit an ellipse to points of an outline: the centre, and 1/r^2 as a quadratic form, by least squares."""
    u, v = (ex - middle[1]) / radius, (ey - middle[0]) / radius
    design = np.stack([u * u, u * v, v * v, u, v], axis=1)
    # A little weight on the circle keeps short arcs from running away.
    ridge = 1e-4 * len(u) * np.diag([1.0, 1.0, 1.0, 0.0, 0.0])
    start = np.array([1.0, 0.0, 1.0, 0.0, 0.0])
    p = np.linalg.solve(design.T @ design + ridge, design.T @ np.ones(len(u)) + ridge @ start)
    form = np.array([[p[0], p[1] / 2], [p[1] / 2, p[2]]])
    centre = np.linalg.solve(2 * form, -p[3:5])
    level = 1 + centre @ form @ centre
    values, vectors = np.linalg.eigh(form / level)
    axes = radius / np.sqrt(np.maximum(values, 1e-9))
    angle = float(np.arctan2(vectors[1, 0], vectors[0, 0]))
    row, column = middle[0] + radius * centre[1], middle[1] + radius * centre[0]
    return Ellipse(float(row), float(column), float(axes[0]), float(axes[1]), angle, np.ones(SECTORS, bool))


def disc_powers(ellipse: Ellipse, shape: tuple[int, int], fine: int = 5) -> NDArray[np.float32]:
    """Return discs darkened as the powers of the cosine of emergence, edges by area: (powers, h, w)."""
    rows, columns = np.arange(shape[0], dtype=np.float64)[:, None], np.arange(shape[1], dtype=np.float64)[None, :]
    radius = ellipse.radius(rows, columns)
    least = min(ellipse.a, ellipse.b)

    def powers(at: Float) -> NDArray[np.float64]:
        emergence = np.sqrt(np.maximum(1 - at**2, 0))
        return np.stack([np.where(at < 1, emergence**p, 0.0) for p in POWERS])

    discs = powers(radius)
    # Only pixels that the outline may cross, or near which a power is steep, need finer samples.
    y, x = np.nonzero(np.abs(radius - 1) < 3.0 / least)
    offsets = (np.arange(fine) + 0.5) / fine - 0.5
    mean = np.zeros((len(POWERS), len(y)))
    for dy in offsets:
        for dx in offsets:
            mean += powers(ellipse.radius(y + dy, x + dx))
    discs[:, y, x] = mean / fine**2
    return discs.astype(np.float32)


def around(sharp: Float, ellipse: Ellipse) -> NDArray[np.float32]:
    """Return how bright an object is inside its limb in the direction of each pixel, over the mean of all directions.

    Rings of pixels meet bright and dark parts of the limb unevenly; a model that is not as bright where they are would
    miss by several per cent from ring to ring. Towards the middle it fades to 1, where directions meet.

    Parameters
    ----------
    sharp : ndarray of shape (h, w)
        Sharpened picture, sky at 0.
    ellipse : Ellipse
        Outline.
    """
    rows, columns = np.arange(sharp.shape[0])[:, None], np.arange(sharp.shape[1])[None, :]
    radius, sector = ellipse.radius(rows, columns), ellipse.sector(rows, columns)
    near = (radius > NEAR[0]) & (radius < NEAR[1])
    count = np.bincount(sector[near], minlength=SECTORS)
    level = np.bincount(sector[near], np.asarray(sharp, np.float64)[near], SECTORS)
    level = scipy.ndimage.gaussian_filter1d(level, 1.0, mode="wrap")
    level /= np.maximum(scipy.ndimage.gaussian_filter1d(count.astype(np.float64), 1.0, mode="wrap"), 1e-9)
    middle = float(np.median(level))
    if middle <= 0 or not count.any():
        return np.ones(sharp.shape, np.float32)
    level = np.clip(level / middle, 0.1, 10)
    level /= level.mean()
    turn = np.arctan2(rows - ellipse.row, columns - ellipse.column) / (2 * np.pi) % 1.0
    there = np.interp(
        turn, (np.arange(-1, SECTORS + 1) + 0.5) / SECTORS, np.concatenate([level[-1:], level, level[:1]])
    )
    return (1 + (there - 1) * np.clip((radius - 0.3) / 0.4, 0, 1)).astype(np.float32)


class LimbProfile:
    """The fall of brightness across a limb, prepared for fitting.

    Parameters
    ----------
    picture : ndarray of float32, shape (h, w)
        The stack, not sharpened.
    seen : ndarray of bool, shape (h, w)
        Where it holds data.
    ellipse : Ellipse
        Outline.
    telescope : ndarray of shape (h, w), or less
        Transfer of the perfect telescope on `frequencies(picture.shape)`; highest ones that are zero may be left out.
    cutoff : float
        Of the telescope, cycles a pixel.
    bright : ndarray of shape (h, w), or None
        See `around`; 1 everywhere by default.
    """

    def __init__(
        self,
        picture: Float,
        seen: NDArray[np.bool_],
        ellipse: Ellipse,
        telescope: Float,
        cutoff: float,
        bright: Float | None = None,
    ) -> None:
        shape = picture.shape
        rows, columns = np.arange(shape[0])[:, None], np.arange(shape[1])[None, :]
        radius = ellipse.radius(rows, columns)
        size = np.sqrt(ellipse.a * ellipse.b)
        within, beyond = (1 - min(WITHIN / cutoff / size, 0.5), 1 + min(BEYOND / cutoff / size, 0.5))
        self._step = 0.15 / cutoff / size
        used = seen & (radius > within) & (radius < beyond) & ellipse.limb[ellipse.sector(rows, columns)]
        self._where = np.flatnonzero(used)
        keep = telescope.shape[0], telescope.shape[1]
        self._window = Window.around(used, keep)
        self._shown = np.flatnonzero(self._window.cut(used))
        self._ring = ((radius.ravel()[self._where] - within) / self._step).astype(np.int64)
        count = int(self._ring.max()) + 1
        self._members = np.bincount(self._ring, minlength=count)
        self._radius = self._mean(radius.ravel()[self._where])
        self.profile = self._mean(picture.ravel()[self._where])
        discs = disc_powers(ellipse, shape) * (np.float32(1) if bright is None else bright)
        self._discs = [cosine(disc)[: keep[0], : keep[1]] * telescope for disc in discs]
        self.top = float(self.profile.max())
        depth = np.clip((1 - self._radius) * size * cutoff / WITHIN, 0, 1)
        self.tolerance = SKY_TOLERANCE + (SURFACE_TOLERANCE - SKY_TOLERANCE) * depth

    def _mean(self, values: Float) -> NDArray[np.float64]:
        total = np.bincount(self._ring, values.astype(np.float64), len(self._members))
        return total / np.maximum(self._members, 1)

    def residual(self, blur: Float) -> tuple[NDArray[np.float64], float]:
        """Return what a blur leaves unexplained of the fall, as a share of its top, and how much larger the disc is.

        Darkening and size of the disc, and the level of the sky, are those that explain most.

        Parameters
        ----------
        blur : ndarray, shape of `telescope`
            Transfer on the same frequencies as `telescope`.
        """
        shown = [self._window.uncosine(disc * blur) for disc in self._discs]
        models = np.stack([self._mean(one.ravel()[self._shown]) for one in shown], axis=1)
        level = np.full((len(self.profile), 1), self.top)
        # Discs darken towards their limb, they do not brighten: no power enters with a negative sign.
        found = self._positive(models, level)
        # A larger disc shows the same profile farther out.
        grown = -self._radius * np.gradient(models @ found[: models.shape[1]], self._radius)
        free = np.concatenate([level, grown[:, None]], axis=1)
        found = self._positive(models, free)
        left: NDArray[np.float64] = (self.profile - np.concatenate([models, free], axis=1) @ found) / self.top
        return left, float(found[-1])

    def _positive(self, positive: Float, free: Float) -> NDArray[np.float64]:
        """Fit the profile by least squares, with coefficients that cannot be negative and some that can."""
        both, _ = scipy.optimize.nnls(np.concatenate([positive, free, -free], axis=1), self.profile)
        first, count = positive.shape[1], free.shape[1]
        return np.concatenate([both[:first], both[first : first + count] - both[first + count :]])
