"""The limb as a known edge: a disc ends sharply, so how softly its edge falls in a stack tells the blur.

Around a planet the brightness is averaged along ellipses like its outline, which takes out clouds and maria; a disc
darkened towards its limb by any sum of powers of the cosine of emergence, as bright in each direction as the planet is
inside its limb there (caps, phase), sent through telescope and blur, must give the same fall. The sky around tells the
halo of the blur, the edge tells its core: where one is blind the other sees.
"""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

from .ellipse import SECTORS, Ellipse
from .spectral import cosine
from .window import Window

__all__ = ["LimbProfile", "around", "disc_powers", "lit"]

Float = NDArray[np.floating]
POWERS = (0.0, 0.5, 1.0, 2.0)
"""Of the cosine of emergence."""
GROUPS = 36
"""Directions by whose differences it is told how well the mean over all of them is known; `SECTORS` is a multiple."""
NEAR = (0.82, 0.94)
"""Radii between which the brightness inside the limb is taken: inside the fall, outside most of the surface."""
TOLERANCE, SCATTER = 0.001, 1.5
"""What the model cannot explain of the fall, as a share of its top (0.0005 and 0.002 do as well on tuning captures),
and how many times its standard error by what directions differ in: neighbouring rings err alike."""
LOPSIDED, DARK = 0.12, -0.5
"""First harmonic of the brightness around from which on one side may be a terminator (tuning captures: to 0.1 by maria
and caps, 0.15 and more by a phase of 21 degrees), and the cosine from the bright side where it begins."""
WITHIN, BEYOND = 2.5, 4.5
"""How far inside the edge (little, for clouds and maria are there) and outside is looked, in periods of the cut-off."""


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
    radius = ellipse.radius(rows, columns)
    level = _levels(sharp, ellipse)
    if level is None:
        return np.ones(sharp.shape, np.float32)
    turn = np.arctan2(rows - ellipse.row, columns - ellipse.column) / (2 * np.pi) % 1.0
    there = np.interp(
        turn, (np.arange(-1, SECTORS + 1) + 0.5) / SECTORS, np.concatenate([level[-1:], level, level[:1]])
    )
    return (1 + (there - 1) * np.clip((radius - 0.3) / 0.4, 0, 1)).astype(np.float32)


def _levels(sharp: Float, ellipse: Ellipse) -> NDArray[np.float64] | None:
    """Return how bright an object is inside its limb in each sector, over the mean; None when nothing is there."""
    rows, columns = np.arange(sharp.shape[0])[:, None], np.arange(sharp.shape[1])[None, :]
    radius, sector = ellipse.radius(rows, columns), ellipse.sector(rows, columns)
    near = (radius > NEAR[0]) & (radius < NEAR[1])
    count = np.bincount(sector[near], minlength=SECTORS)
    level = np.bincount(sector[near], np.asarray(sharp, np.float64)[near], SECTORS)
    level = scipy.ndimage.gaussian_filter1d(level, 1.0, mode="wrap")
    level /= np.maximum(scipy.ndimage.gaussian_filter1d(count.astype(np.float64), 1.0, mode="wrap"), 1e-9)
    middle = float(np.median(level))
    if middle <= 0 or not count.any():
        return None
    level = np.clip(level / middle, 0.1, 10)
    return np.asarray(level / level.mean())


def lit(sharp: Float, ellipse: Ellipse) -> NDArray[np.bool_]:
    """Return the sectors in which an object ends at its limb: at a terminator light fades away before the edge.

    All, unless one side is brighter than the other by `LOPSIDED`; then without the darkest third.
    """
    level = _levels(sharp, ellipse)
    if level is None:
        return np.ones(SECTORS, bool)
    turn = (np.arange(SECTORS) + 0.5) / SECTORS * 2 * np.pi
    wave = 2 * np.mean(level * np.exp(1j * turn))
    lopsided = abs(wave) >= LOPSIDED
    return np.asarray(np.cos(turn - np.angle(wave)) > DARK) if lopsided else np.ones(SECTORS, bool)


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
        self._values = picture.ravel()[self._where].astype(np.float64)
        self._group = ellipse.sector(rows, columns).ravel()[self._where] * GROUPS // SECTORS
        self.profile = self._mean(self._values)
        discs = disc_powers(ellipse, shape) * (np.float32(1) if bright is None else bright)
        self._discs = [cosine(disc)[: keep[0], : keep[1]] * telescope for disc in discs]
        self.top = float(self.profile.max())
        self.tolerance = np.full(count, TOLERANCE)

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
        models, free, found = self._explained(blur)
        left: NDArray[np.float64] = (self.profile - np.concatenate([models, free], axis=1) @ found) / self.top
        return left, float(found[-1])

    def darkening(self, blur: Float) -> tuple[float, ...]:
        """Return the factors of `POWERS` that explain most, in units of the picture."""
        return tuple(self._explained(blur)[2][: len(POWERS)].tolist())

    def weigh(self, blur: Float) -> None:
        """Take the tolerance of each ring from how much directions differ there from the disc that explains most.

        Clouds, caps and maria make the mean over a ring uncertain inside; outside it is known far better.
        """
        shown = self._shown_discs(blur)
        level = np.full((len(self.profile), 1), self.top)
        found = self._positive(np.stack([self._mean(one) for one in shown], axis=1), level)
        left = self._values - found[-1] * self.top - np.tensordot(found[:-1], np.stack(shown), 1)
        rings = len(self.profile)
        cell = self._group * rings + self._ring
        count = np.bincount(cell, minlength=GROUPS * rings).reshape(GROUPS, rings)
        mean = np.bincount(cell, left, GROUPS * rings).reshape(GROUPS, rings) / np.maximum(count, 1)
        away = np.where(count > 0, mean - self._mean(left), 0.0)
        error = np.sqrt((away**2).sum(axis=0)) / np.maximum((count > 0).sum(axis=0), 1) / self.top
        self.tolerance = np.hypot(TOLERANCE, SCATTER * scipy.ndimage.gaussian_filter1d(error, 1.0))

    def _shown_discs(self, blur: Float) -> list[NDArray[np.floating]]:
        """Return the pixels looked at, of each disc through telescope and blur."""
        return [self._window.uncosine(disc * blur).ravel()[self._shown] for disc in self._discs]

    def _explained(self, blur: Float) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Return the profiles of the discs, level and growth, and how much of each there is."""
        models = np.stack([self._mean(one) for one in self._shown_discs(blur)], axis=1)
        level = np.full((len(self.profile), 1), self.top)
        # Discs darken towards their limb, they do not brighten: no power enters with a negative sign.
        found = self._positive(models, level)
        # A larger disc shows the same profile farther out.
        grown = -self._radius * np.gradient(models @ found[: models.shape[1]], self._radius)
        free = np.concatenate([level, grown[:, None]], axis=1)
        return models, free, self._positive(models, free)

    def _positive(self, positive: Float, free: Float) -> NDArray[np.float64]:
        """Fit the profile by least squares, with coefficients that cannot be negative and some that can."""
        both, _ = scipy.optimize.nnls(np.concatenate([positive, free, -free], axis=1), self.profile)
        first, count = positive.shape[1], free.shape[1]
        return np.concatenate([both[:first], both[first : first + count] - both[first + count :]])
