"""Fits the globe and weighs the ways in which it may lie: pure functions on arrays.

The globe of a planet with belts looks the same upside down but for its dark limb and its rings. So it is fitted in both
senses, on a coarse picture, and how much better one explains the picture than the other says which it is; then the
better one is fitted in full. This also keeps the centre from being drawn towards the bright limb. Place and radius come
from the limb of the whole picture.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill_sky import Disc
from nightmill_sky.limb import DiscFit, fit_disc
from nightmill_sky.limb_rim import fit_rim

from .outline import correct_by_outline
from .posterior import Way, apart_deg

__all__ = ["Placed", "place_globe", "plane_of"]

_FIT_DIAMETER_PX = 66.0
"""Discs are binned to no less than this for the fit of the whole globe: it saves most of the time. What finer pixels
would add comes from the limb; smaller discs would tell the senses apart less surely."""
_FULL_DIAMETER_PX = 220.0
_MOST_APART = 0.06
"""Most by which the limb's radius may differ from that of the whole globe and be believed."""
_BELTED = 0.03
"""Least flattening with which belts and outline show the axis (Jupiter and Saturn)."""
_LEAST_PHASE_DEG = 3.0
_ROUND_PHASE_DEG = 30.0
"""Least phase at which the dark limb alone shows the axis of a round planet; below, spots on it mislead (on simulated
discs of Mars by 3 degrees at a phase of 35, by 16 at one of 21)."""
_ODDS_PER_PART = 60.0
"""Log odds of one sense over the other, for each part by which it leaves less unexplained. Independent pixels would
give more, but spots are not noise: on simulated Jupiters without a dark limb one sense wins by up to 0.03, with the
dark limb of a phase of 10 degrees the right one by 0.08 to 0.14."""
_PHASE_SIGMA = 1.5
"""The error of an axis that rests on the phase alone, over what the fit states: spots are not noise."""


@dataclass(frozen=True)
class Placed:
    """How the globe lies on the picture.

    Attributes
    ----------
    disc : Disc
        The most likely one.
    centre_sigma_px, radius_sigma_px, pole_sigma_deg : float
        Standard errors; the last is infinite when the axis cannot be measured.
    ways : tuple of Way
        The ways in which the planet may lie, with their likelihoods; empty when the axis cannot be measured.
    blur_px : float
        Standard deviation of the blur of the limb.
    """

    disc: Disc
    centre_sigma_px: float
    radius_sigma_px: float
    pole_sigma_deg: float
    ways: tuple[Way, ...]
    blur_px: float


def plane_of(data: NDArray[np.float32]) -> NDArray[np.float32]:
    """The plane to measure on: green of three (others are registered on it), without gaps.

    Parameters
    ----------
    data : ndarray of float32, shape (h, w) or (3, h, w)
        NaN where there are no data; such pixels take the level of the darkest twentieth.
    """
    plane = np.asarray(data[1] if data.ndim == 3 else data, np.float32)
    finite = np.isfinite(plane)
    if finite.all():
        return plane
    dark = float(np.percentile(plane[finite], 5.0)) if finite.any() else 0.0
    return np.where(finite, plane, np.float32(dark)).astype(np.float32)


def _binned(plane: NDArray[np.float32], factor: int) -> NDArray[np.float32]:
    if factor == 1:
        return plane
    rows, columns = (n // factor * factor for n in plane.shape)
    parts = plane[:rows, :columns].reshape(rows // factor, factor, columns // factor, factor)
    return np.asarray(parts.mean(axis=(1, 3)), np.float32)


def _unbinned(disc: Disc, factor: int) -> Disc:
    shift = (factor - 1) / 2.0
    return replace(
        disc,
        centre_column_px=disc.centre_column_px * factor + shift,
        centre_row_px=disc.centre_row_px * factor + shift,
        equatorial_radius_px=disc.equatorial_radius_px * factor,
    )


def _diameter_px(plane: NDArray[np.float32]) -> float:
    """Rough size of what is bright, for choosing how far to bin."""
    soft = cv2.GaussianBlur(plane, (0, 0), 2.0)
    sky = float(np.percentile(soft, 5.0))
    bright = soft > sky + 0.25 * (float(np.percentile(soft, 99.7)) - sky)
    return 2.0 * math.sqrt(max(float(bright.sum()), 1.0) / math.pi)


def place_globe(
    plane: NDArray[np.float32],
    template: Disc,
    phase_deg: float,
    *,
    pole_angles_deg: Sequence[float] = (),
    mirrored: bool | None = None,
    darkening: float = 0.9,
) -> Placed:
    """Measure centre, radius and pole angle, and how likely each way of lying is.

    Parameters
    ----------
    plane : ndarray of float32, shape (rows, columns)
        Linear light before sharpening, finite; the whole disc must be on it.
    template : Disc
        Shape, aspect, Sun and rings by the ephemeris; its place and `mirrored` are not used.
    phase_deg : float
        Phase angle.
    pole_angles_deg : sequence of float
        Pole angles by the user's word, about right to a few degrees; empty when unknown.
    mirrored : bool or None
        The user's word.
    darkening : float
        Minnaert's exponent of a planet without belts, whose features do not let it be measured.

    Returns
    -------
    Placed

    Raises
    ------
    nightmill_sky.limb.DiscNotFoundError
        No whole disc of at least 12 px is on the picture.

    Notes
    -----
    On stacks of simulated Jupiters at 150 px (features, phase of 10 degrees, lucky frames of two kinds of air): radius
    to 0.1 %, centre to 0.1 px, pole angle to 0.4 degrees rms; of Saturn in its rings at 106 px: radius to 0.05 %,
    centre to 0.02 px, pole angle to 0.02 degrees. A round planet with dark features (Mars) at 70 to 90 px: radius to
    0.4 %, centre to 0.2 px.
    """
    template = replace(template, mirrored=bool(mirrored))
    size = _diameter_px(plane)
    factor = max(1, round(size / _FULL_DIAMETER_PX))
    full = _binned(plane, factor)
    belted = template.flattening > _BELTED
    if not belted:
        # The user's word matters here alone: belts and rings show the axis better than anybody states it.
        return _round(full, factor, template, phase_deg, pole_angles_deg, mirrored, darkening)
    fit_factor = max(1, int(size / factor / _FIT_DIAMETER_PX))
    ringed = bool(template.rings_radii) and abs(template.sub_observer_latitude_deg) > 1.5
    fit = _full_size(fit_disc(_binned(full, fit_factor), template), fit_factor)
    odds = _ODDS_PER_PART * math.log(fit.upside_down)
    fit = fit if ringed else _refined(full, fit, darkening)
    ways: tuple[Way, ...] = ()
    if fit.pole_measured:
        pole = fit.disc.pole_angle_deg
        other = (pole + 180.0) % 360.0
        less = math.exp(-min(odds, 50.0))
        # Rings show which end is which, whatever the mirror; the dark limb shows the planet's east, whichever the end.
        same = pole if ringed else other
        opposite = other if ringed else pole
        own, turned = template.mirrored, not template.mirrored
        ways = (Way(pole, own, 1.0), Way(other, own, less), Way(same, turned, 1.0), Way(opposite, turned, less))
    return Placed(
        _unbinned(fit.disc, factor),
        fit.centre_sigma_px * factor,
        max(fit.radius_sigma_px, 1e-3 * fit.disc.equatorial_radius_px) * factor,
        fit.pole_sigma_deg,
        ways,
        fit.blur_px * factor,
    )


def _full_size(fit: DiscFit, factor: int) -> DiscFit:
    """The same fit on the picture before it was binned."""
    return replace(
        fit,
        disc=_unbinned(fit.disc, factor),
        centre_sigma_px=fit.centre_sigma_px * factor,
        radius_sigma_px=fit.radius_sigma_px * factor,
        blur_px=fit.blur_px * factor,
    )


def _refined(full: NDArray[np.float32], fit: DiscFit, darkening: float) -> DiscFit:
    """Place and radius by the limb; the pole angle is the weighted mean of belts, limb and the steepest edge."""
    rim = fit_rim(full, fit, darkening=darkening)
    if abs(rim.disc.equatorial_radius_px / fit.disc.equatorial_radius_px - 1.0) > _MOST_APART:
        return fit  # led astray
    voices = [(rim.disc.pole_angle_deg, rim.pole_sigma_deg), (fit.disc.pole_angle_deg, fit.pole_sigma_deg)]
    found = correct_by_outline(full, rim.disc, rim.blur_px)
    if found is not None:
        voices.append((found.disc.pole_angle_deg, found.pole_sigma_deg))
    first = voices[0][0]
    heard = [
        ((angle - first + 90.0) % 180.0 - 90.0, sigma)
        for angle, sigma in voices
        if math.isfinite(sigma) and apart_deg(angle, first, 180.0) < 10.0
    ]
    total = math.fsum(sigma**-2 for _, sigma in heard)
    mean = math.fsum(off * sigma**-2 for off, sigma in heard) / total
    # They hear the same belts, so a mean is little better than its best voice.
    sigma = min(sigma for _, sigma in heard)
    # The limb does not know up from down.
    angle = fit.disc.pole_angle_deg + (first + mean - fit.disc.pole_angle_deg + 90.0) % 180.0 - 90.0
    measured = sigma < 5.0
    return replace(
        rim,
        disc=replace(rim.disc, pole_angle_deg=angle % 360.0),
        pole_sigma_deg=sigma if measured else math.inf,
        pole_measured=measured,
    )


def _round(
    full: NDArray[np.float32],
    factor: int,
    template: Disc,
    phase_deg: float,
    pole_angles_deg: Sequence[float],
    mirrored: bool | None,
    darkening: float,
) -> Placed:
    """A planet without belts: only its phase shows how it lies, and only the user's word tells a mirror."""
    fit_factor = max(1, int(_diameter_px(full) / _FIT_DIAMETER_PX))
    fit = fit_disc(
        _binned(full, fit_factor),
        template,
        pole_angle_deg=pole_angles_deg[0] if pole_angles_deg else None,
        keep_pole_angle=bool(pole_angles_deg) and mirrored is not None,
    )
    fit = _full_size(fit, fit_factor)
    sigma = _PHASE_SIGMA * fit.pole_sigma_deg
    ways: tuple[Way, ...] = ()
    if fit.pole_measured and phase_deg >= _ROUND_PHASE_DEG and sigma < 5.0:
        sun = template.sun_direction
        across, along = float(sun @ template.axes[0]), float(sun @ template.axes[1])
        to_sun = math.degrees(math.atan2(-across, along)) * (-1.0 if template.mirrored else 1.0)
        pole = fit.disc.pole_angle_deg
        # In the mirror the Sun lies on the same side of the picture, so the pole lies on its other side.
        ways = (Way(pole, template.mirrored, 1.0), Way((pole + 2.0 * to_sun) % 360.0, not template.mirrored, 1.0))
    else:
        sigma = math.inf
    # Dark features near the limb mislead the fit of the globe, which takes them for darkening, more than the limb.
    rim = fit_rim(full, fit, darkening=darkening)
    near = abs(rim.disc.equatorial_radius_px / fit.disc.equatorial_radius_px - 1.0) < _MOST_APART
    best = rim if near else fit
    return Placed(
        _unbinned(best.disc, factor),
        best.centre_sigma_px * factor,
        max(best.radius_sigma_px, 0.004 * best.disc.equatorial_radius_px) * factor,
        sigma,
        ways,
        best.blur_px * factor,
    )
