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

__all__ = ["DiscFit", "DiscNotFoundError", "fit_disc"]

Image = NDArray[np.float32]
Array = NDArray[np.float64]

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
        rings or from the phase. Without a phase it is known up to half a turn only, for belts and outline look the
        same upside down; the half nearer to the hint (or to up) is returned.
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
    blur_px: float
    residual: float


def _residuals(model: GlobeModel, weight: Array, p: Array) -> Array:
    used = weight > 0.0
    root = np.sqrt(weight[used])
    terms = model.columns(p)[used].multiply(root[:, None]).tocsr()
    data = model.picture.ravel()[used].astype(np.float64) * root
    normal = (terms.T @ terms).toarray()
    # A trace of ridge keeps splines without data (hidden latitudes) from wandering.
    normal[np.diag_indices_from(normal)] += 1e-6 * np.trace(normal) / len(normal)
    return data - terms @ np.linalg.solve(normal, terms.T @ data)


def _search(model: GlobeModel, p: Array, free: list[int], reach: float, turns: int = 2) -> tuple[Array, Array, Array]:
    """Least squares over the free parameters; returns them, their covariance and the residuals."""
    from scipy.optimize import least_squares

    # The search runs in steps of about equal effect, counted from 10 so that relative differences are absolute ones
    # (0.02 of a step, well above the rounding of float32).
    step = np.array([1.0, 1.0, 1.0, math.degrees(1.0 / max(p[2], 4.0)), 0.2, 0.2])[free]
    for turn in range(turns):  # the weights belong to a geometry: once more with the better one
        weight = model.weights(p, reach)
        origin = p.copy()

        def cost(values: Array, origin: Array = origin, weight: Array = weight) -> Array:
            trial = origin.copy()
            trial[free] += (values - 10.0) * step
            return _residuals(model, weight, trial)

        noise = max(float(np.median(np.abs(cost(np.full(len(free), 10.0))))) * 1.5, 1e-6)
        low, high = np.full(6, -np.inf), np.full(6, np.inf)
        low[2], low[4], high[4] = 2.0, math.log(0.5), math.log(max(0.25 * p[2], 1.0))
        low[5], high[5] = 0.3, 1.4
        bounds = tuple(10.0 + (limit[free] - origin[free]) / step for limit in (low, high))
        result = least_squares(
            cost,
            np.full(len(free), 10.0),
            bounds=bounds,
            diff_step=2e-3,
            loss="soft_l1",
            f_scale=3.0 * noise,
            xtol=1e-4,
            ftol=1e-5,
            max_nfev=20 if turn == 0 else 5,
        )
        p = origin.copy()
        p[free] += (result.x - 10.0) * step
    residual = cost(result.x)
    variance = float(np.mean(residual**2))
    # Neighbouring residuals hang together over the width of the blur, so there are fewer independent ones.
    together = max(1.0, 4.0 * math.pi * math.exp(2.0 * p[4]))
    jacobian = np.atleast_2d(result.jac) / step
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * variance * together
    return p, covariance, residual


def _bin(picture: Image, factor: int) -> Image:
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
        several angles.
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
    angle to 0.3 degrees. On a featureless, nearly round disc (Venus) the pole angle cannot be measured.
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
    model = GlobeModel(_bin(cut, coarse), template, ringed, start.radius_px / coarse)
    tries = []
    angles = start.pole_angles_deg if pole_angle_deg is None or not keep_pole_angle else (pole_angle_deg,)
    for angle in angles:
        rough = np.array([*_to_binned(at, coarse), angle, math.log(max(0.8, 0.02 * at[2] / coarse)), 0.8])
        tries.append(_search(model, rough, free, reach))
    p, covariance, residual = min(tries, key=lambda found: float(np.mean(found[2] ** 2)))
    if coarse != factor:
        model = GlobeModel(_bin(cut, factor), template, ringed, start.radius_px / factor)
        p = p.copy()
        p[:3] = _to_binned(_from_binned(p[:3], coarse), factor)
        p[4] += math.log(coarse / factor)
        p, covariance, residual = _search(model, p, free, reach, turns=1)
    rms = math.sqrt(float(np.mean(residual**2)))
    return _conclude(model, p, covariance, free, factor, (corner_column, corner_row), rms, pole_angle_deg)


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
    p: Array,
    covariance: Array,
    free: list[int],
    factor: int,
    corner: tuple[int, int],
    residual: float,
    hint_deg: float | None,
) -> DiscFit:
    sigma = np.full(6, np.inf)
    sigma[free] = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    angle = float(p[3])
    sure = model.ringed or not model.belted or float(p[2]) * factor >= 30.0
    measured = 3 in free and sigma[3] < 5.0 and sure
    toward = 0.0 if hint_deg is None else hint_deg
    if 3 in free:
        sun = model.template.sun_direction @ model.template.axes[2]
        half = 360.0 if sun < math.cos(math.radians(15.0)) else 180.0
        angle = toward + (angle - toward + half / 2.0) % half - half / 2.0
    if 3 in free and not measured and hint_deg is not None:
        angle = hint_deg
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
        radius_sigma_px=float(sigma[2]) * factor,
        pole_sigma_deg=float(sigma[3]) if measured else math.inf,
        pole_measured=bool(measured),
        blur_px=math.exp(p[4]) * factor,
        residual=residual,
    )
