"""The disc on the picture: centre, scale and pole angle measured by fitting the whole globe.

The picture is explained as a globe of known shape and phase, with unknown brightness by latitude and unknown darkening
towards the limb, blurred by an unknown amount, plus rings of unknown brightness by radius. What is unknown but enters
linearly (belts, rings, background) is solved for at every step; only the centre, the radius, the pole angle, the blur
and the darkening are searched ("variable projection", Golub & Pereyra 1973, doi:10.1137/0710036). Unlike a threshold
or the steepest gradient, this has no bias from limb darkening: on a disc that darkens to its limb, both lie inside the
limb by about the blur.

Brightness follows Minnaert's law (1941, doi:10.1086/144279), whose exponent is searched too: from the nearly flat discs
of Mars and the Moon to the dark limbs of the giants.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from nightmill_sky.geometry import Disc
from nightmill_sky.limb_model import GlobeModel
from nightmill_sky.limb_start import DiscNotFoundError, Start, find_start

__all__ = ["DiscFit", "DiscNotFoundError", "binned", "fit_disc", "search"]

Image = NDArray[np.float32]
Array = NDArray[np.float64]

_LEAST_PHASE_DEG = 3.0
_BELTS_DEG = 2.8  # error of a pole angle by belts, whose ovals and festoons lean (rms of simulated Jupiters)
_SOFT_PX2 = 4.5  # error of a radius times the radius, for no disc is blurred as in the model (simulated stacks)
_WORKING_DIAMETER_PX = 110.0  # larger discs are binned to one to two times this: the relative precision stays


@dataclass(frozen=True)
class DiscFit:
    """A measured disc.

    Parameters
    ----------
    disc : Disc
        The template with centre, radius and pole angle replaced by the measured ones.
    centre_sigma_px, radius_sigma_px : float
        Standard errors.
    pole_sigma_deg : float
        Standard error of the pole angle; infinite when it was given or cannot be measured.
    pole_measured : bool
        The pole angle comes from this picture: from belts and the flat outline (of a disc of at least 60 px), from
        rings or from the phase.
    upside_down : float
        How much more of the picture is left unexplained when the globe is put upside down, as a ratio: 1 where both
        look the same, as belts and outline without a phase do; then the half turn nearer to the hint (or to up) is
        returned. 1 also with a hint, which chooses the half turn. On simulated planets with spots a ratio above 1.05
        was never wrong.
    blur_px : float
        Standard deviation of the Gaussian that explains the softness of the limb.
    residual : float
        Root mean square of what the model does not explain, as a part of the disc's brightness.
    """

    disc: Disc
    centre_sigma_px: float
    radius_sigma_px: float
    pole_sigma_deg: float
    pole_measured: bool
    upside_down: float
    blur_px: float
    residual: float


class _Problem:
    """Residuals of the best model for given searched parameters, and how they change with these.

    With the linear unknowns solved for, the residual changes by that part of the model's change that no other choice
    of them could make up for (Kaufman 1975, doi:10.1007/BF01932995). The model's change comes from its own gradient:
    moving, turning and stretching the globe moves, turns and stretches its picture, and more blur is diffusion.
    """

    def __init__(self, model: GlobeModel, weight: Array) -> None:
        self.model = model
        self.used = np.flatnonzero(weight > 0.0)
        self.root = np.sqrt(weight[self.used])
        self.data = model.picture.ravel()[self.used].astype(np.float64) * self.root
        self._at: Array | None = None

    def residual(self, p: Array) -> Array:
        """Weighted difference of picture and model, shape (pixels used,)."""
        if self._at is None or not np.array_equal(p, self._at):
            self._solve(p)
        return self._residual

    def _solve(self, p: Array) -> None:
        self._columns = self.model.columns(p)
        self._terms = self._columns[self.used].multiply(self.root[:, None]).tocsr()
        normal = (self._terms.T @ self._terms).toarray()
        # A trace of ridge keeps splines without data (hidden latitudes) from wandering.
        normal[np.diag_indices_from(normal)] += 1e-6 * np.trace(normal) / len(normal)
        self._normal = normal
        self._amounts = np.linalg.solve(normal, self._terms.T @ self.data)
        self._residual = np.asarray(self.data - self._terms @ self._amounts, np.float64)
        self._at = p.copy()

    def jacobian(self, p: Array, free: list[int]) -> Array:
        """Derivative of the residual by the searched parameters, shape (pixels used, len(free))."""
        self.residual(p)
        made = np.asarray(self._columns @ self._amounts).reshape(self.model.picture.shape)
        changes = self.model.changes(p, made)
        own = np.stack([changes[k].ravel()[self.used] * self.root for k in free], axis=1)
        return np.asarray(self._terms @ np.linalg.solve(self._normal, self._terms.T @ own) - own, np.float64)


def search(model: GlobeModel, p: Array, free: list[int], reach: float, turns: int = 2) -> tuple[Array, Array, Array]:
    """Least squares over the free parameters; returns them, their covariance and the residuals."""
    from scipy.optimize import least_squares

    # The search runs in steps of about equal effect.
    step = np.array([1.0, 1.0, 1.0, math.degrees(1.0 / max(p[2], 4.0)), 0.2, 0.2])[free]
    for turn in range(turns):  # the weights belong to a geometry: once more with the better one
        problem = _Problem(model, model.weights(p, reach))
        origin = p.copy()

        def at(values: Array, origin: Array = origin) -> Array:
            trial = origin.copy()
            trial[free] += values * step
            return trial

        start = np.zeros(len(free))
        noise = max(float(np.median(np.abs(problem.residual(at(start))))) * 1.5, 1e-6)
        low, high = np.full(6, -np.inf), np.full(6, np.inf)
        low[2], low[4], high[4] = 2.0, math.log(0.5), math.log(max(0.25 * p[2], 1.0))
        low[5], high[5] = 0.3, 1.4
        bounds = tuple((limit[free] - origin[free]) / step for limit in (low, high))
        result = least_squares(
            lambda values, problem=problem: problem.residual(at(values)),
            np.clip(start, *bounds),
            jac=lambda values, problem=problem: problem.jacobian(at(values), free) * step,
            bounds=bounds,
            loss="soft_l1",
            f_scale=3.0 * noise,
            xtol=1e-4,
            ftol=1e-5,
            max_nfev=20 if turn == 0 else 6,
        )
        p = at(result.x)
    residual = problem.residual(p)
    variance = float(np.mean(residual**2))
    # Neighbouring residuals hang together over the width of the blur, so there are fewer independent ones.
    together = max(1.0, 4.0 * math.pi * math.exp(2.0 * p[4]))
    jacobian = problem.jacobian(p, free)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * variance * together
    return p, covariance, residual


def binned(picture: Image, factor: int) -> Image:
    """Mean of blocks of `factor` x `factor` pixels."""
    rows, columns = (n // factor * factor for n in picture.shape)
    return picture[:rows, :columns].reshape(rows // factor, factor, columns // factor, factor).mean(axis=(1, 3))


def fit_disc(
    picture: NDArray[np.floating],
    template: Disc,
    *,
    pole_angle_deg: float | None = None,
    keep_pole_angle: bool = False,
) -> DiscFit:
    """Measure centre, radius and pole angle of a planet's disc.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns)
        Linear brightness (a stack before sharpening), any scale; the whole disc must be on it.
    template : Disc
        Shape, sub-observer latitude, sub-solar point, rings and mirroring, as from
        `nightmill_sky.disc_from_ephemeris`; its centre and radius are not used.
    pole_angle_deg : float, optional
        Approximate pole angle (30 degrees is near enough), picks the right half turn. Without it the search begins at
        several angles, and in both half turns where they look different.
    keep_pole_angle : bool
        Take `pole_angle_deg` as exact.

    Returns
    -------
    DiscFit

    Raises
    ------
    DiscNotFoundError
        There is no disc of at least 12 px that lies wholly on the picture.
    ValueError
        The picture is not two-dimensional, or not finite, or `keep_pole_angle` lacks the angle.

    Notes
    -----
    On a belted planet of 150 px with noise of 1 % the radius comes out to 0.1 %, the centre to 0.1 px and the pole
    angle to 0.3 degrees. Spots and leaning festoons pull at it: `nightmill_sky.limb_rim.fit_rim` listens to the limb
    alone. On a featureless, nearly round disc (Venus) the pole angle cannot be measured.
    """
    image = np.asarray(picture)
    if image.ndim != 2:
        raise ValueError(f"the picture must have two dimensions, got {image.ndim}; average its colours first.")
    if not np.all(np.isfinite(image)):
        raise ValueError("the picture has values that are not finite.")
    if keep_pole_angle and pole_angle_deg is None:
        raise ValueError("keep_pole_angle needs pole_angle_deg.")
    start = find_start(image.astype(np.float32), template, pole_angle_deg)
    ringed = bool(template.rings_radii) and abs(template.sub_observer_latitude_deg) > 1.5
    reach = (template.rings_radii[-1][1] + 0.3) if ringed else 1.35
    factor = max(1, int(2.0 * start.radius_px // _WORKING_DIAMETER_PX))
    cut, corner_row, corner_column = _cut_out(image, start, reach)
    level = float(np.percentile(cut, 99.0)) - start.background
    cut = (cut - start.background) / max(level, 1e-12)
    at = np.array([start.column_px - corner_column, start.row_px - corner_row, start.radius_px])
    # Belts and a flat outline, or a phase, show where the pole is; spots on a round full disc do not.
    sun = template.sun_direction @ template.axes[2]
    telling = template.flattening > 0.03 or sun < math.cos(math.radians(15.0))
    free = [0, 1, 2, 3, 4, 5] if telling and not keep_pole_angle else [0, 1, 2, 4, 5]
    # A first search on a coarse picture, from each pole angle worth trying; then the best one in full.
    coarse = 2 * factor if start.radius_px / factor > 20.0 else factor
    angles = start.pole_angles_deg if pole_angle_deg is None or not keep_pole_angle else (pole_angle_deg,)
    # Rings, and the dark limb of a phase, look different upside down.
    both_ways = 3 in free and pole_angle_deg is None and (ringed or sun < math.cos(math.radians(_LEAST_PHASE_DEG)))
    model = GlobeModel(binned(cut, coarse), template, ringed, start.radius_px / coarse, coarse / factor)
    rough = [*_to_binned(at, coarse), 0.0, math.log(max(0.8, 0.02 * at[2] / coarse)), 0.8]
    first = _best(model, [np.array([*rough[:3], angle, *rough[4:]]) for angle in angles], free, reach)[0]
    if coarse != factor:
        model = GlobeModel(binned(cut, factor), template, ringed, start.radius_px / factor)
        first[:3] = _to_binned(_from_binned(first[:3], coarse), factor)
        first[4] += math.log(coarse / factor)
    ways = [first] + ([first + np.array([0.0, 0.0, 0.0, 180.0, 0.0, 0.0])] if both_ways else [])
    found = [search(model, way, free, reach, turns=2 if both_ways else 1) for way in ways]
    found.sort(key=lambda one: float(np.mean(one[2] ** 2)))
    rms = [math.sqrt(float(np.mean(one[2] ** 2))) for one in found]
    fit = _conclude(model, found[0], free, factor, (corner_column, corner_row), pole_angle_deg)
    if not both_ways:
        return fit
    ratio = rms[1] / max(rms[0], 1e-12)
    return replace(fit, upside_down=ratio)


def _best(model: GlobeModel, starts: list[Array], free: list[int], reach: float) -> tuple[Array, Array, Array]:
    """The search that explains the picture best, of several beginnings."""
    return min((search(model, p, free, reach) for p in starts), key=lambda found: float(np.mean(found[2] ** 2)))


def _to_binned(place: Array, factor: int) -> Array:
    """Column, row and radius on a picture binned by a factor (pixel centres at whole numbers on both)."""
    shift = np.array([(factor - 1) / 2.0, (factor - 1) / 2.0, 0.0])
    return (place - shift) / factor


def _from_binned(place: Array, factor: int) -> Array:
    shift = np.array([(factor - 1) / 2.0, (factor - 1) / 2.0, 0.0])
    return place * factor + shift


def _cut_out(image: NDArray[np.floating], start: Start, reach: float) -> tuple[Image, int, int]:
    half = math.ceil((reach + 0.25) * start.radius_px) + 4
    top, left = max(0, round(start.row_px) - half), max(0, round(start.column_px) - half)
    cut = image[top : round(start.row_px) + half + 1, left : round(start.column_px) + half + 1]
    return cut.astype(np.float32), top, left


def _conclude(
    model: GlobeModel,
    found: tuple[Array, Array, Array],
    free: list[int],
    factor: int,
    corner: tuple[int, int],
    hint_deg: float | None,
) -> DiscFit:
    p, covariance, residual = found
    sigma = np.full(6, np.inf)
    sigma[free] = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    angle = float(p[3])
    large = model.ringed or not model.belted or float(p[2]) * factor >= 30.0
    if model.belted and not model.ringed:
        sigma[3] = math.hypot(sigma[3], _BELTS_DEG)
    measured = 3 in free and sigma[3] < 5.0 and large
    sun = model.template.sun_direction @ model.template.axes[2]
    if hint_deg is not None and 3 in free:
        half = 360.0 if sun < math.cos(math.radians(15.0)) else 180.0
        angle = hint_deg + (angle - hint_deg + half / 2.0) % half - half / 2.0 if measured else hint_deg
    elif 3 in free and not model.ringed and sun > math.cos(math.radians(_LEAST_PHASE_DEG)):
        angle = (angle + 90.0) % 180.0 - 90.0
    column, row, radius = _from_binned(p[:3], factor)
    disc = replace(
        model.template,
        centre_column_px=float(column) + corner[0],
        centre_row_px=float(row) + corner[1],
        equatorial_radius_px=float(radius),
        pole_angle_deg=angle % 360.0,
    )
    return DiscFit(
        disc=disc,
        centre_sigma_px=float(math.hypot(sigma[0], sigma[1]) / math.sqrt(2.0)) * factor,
        radius_sigma_px=math.hypot(float(sigma[2]) * factor, _SOFT_PX2 / float(radius)),
        pole_sigma_deg=float(sigma[3]) if measured else math.inf,
        pole_measured=bool(measured),
        upside_down=1.0,
        blur_px=math.exp(p[4]) * factor,
        residual=math.sqrt(float(np.mean(residual**2))),
    )
