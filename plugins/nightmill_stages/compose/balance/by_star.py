"""White balance from a star like the Sun: pure arithmetic on light, exposures and air.

A surface that is lit by the Sun and reflects all colours alike looks, through telescope, filters and camera, as a star
like the Sun does. So gains that make the star neutral show the true colour of whatever is lit by the Sun, once light is
counted per second of exposure and both have come through the same amount of air. Rings, phase and the darker side of a
planet need no word: nothing is assumed of the target.

Source
------
The Sun's colour: Ramirez et al. 2012, ApJ 752, 5, doi:10.1088/0004-637X/752/1/5 (B-V = 0.653 +- 0.005). A star that is
a little redder or bluer differs from it by magnitudes in proportion to 1 / wavelength: the classical relative gradient,
to first order what two temperatures of a black body differ by. Lines are left out, hence only stars near the Sun's
colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

__all__ = ["SUN_B_V", "Air", "Starlit", "Target", "gains_by_star", "gradient"]

SUN_B_V = 0.653
B_NM, V_NM = 436.0, 545.0
"""Effective wavelengths of the bands B and V (Bessell 2005, rounded, from memory)."""
NEAREST_B_V = 0.15
"""Stars whose colour is further from the Sun's have other lines, which broad filters see: they are refused."""
KNOWN_B_V, UNKNOWN_B_V = 0.01, 0.04
"""Uncertainty of a star's B-V from a catalogue, and of one that is only said to be like the Sun (types G0 to G5)."""
MAGNITUDE = 0.4 * np.log(10.0)
LEAST_GAIN, LARGEST_GAIN = 0.05, 20.0


@dataclass(frozen=True)
class Starlit:
    """Light of the star in one channel.

    Attributes
    ----------
    flux : float
        Per frame, in full scales times pixels.
    error : float
        Relative.
    exposure_s, gain : float or None
        Of a frame; None when not known.
    airmass : float or None
    """

    flux: float
    error: float
    exposure_s: float | None = None
    gain: float | None = None
    airmass: float | None = None


@dataclass(frozen=True)
class Target:
    """How the target was recorded in one channel: see `Starlit`."""

    exposure_s: float | None = None
    gain: float | None = None
    airmass: float | None = None


@dataclass(frozen=True)
class Air:
    """What the air takes in one channel: magnitudes per air mass, and how well that is known."""

    mag: float
    error_mag: float


def gradient(wavelength_nm: float, b_minus_v: float) -> float:
    """Magnitudes by which a star is fainter than the Sun at a wavelength, made equal in V.

    Parameters
    ----------
    wavelength_nm : float
    b_minus_v : float
        Colour of the star.
    """
    per_nm = (1.0 / wavelength_nm - 1.0 / V_NM) / (1.0 / B_NM - 1.0 / V_NM)
    return (b_minus_v - SUN_B_V) * per_nm


def gains_by_star(
    star: Sequence[Starlit],
    target: Sequence[Target],
    *,
    one_capture: bool,
    air: Sequence[Air] | None = None,
    waves_nm: Sequence[float | None] = (None, None, None),
    b_minus_v: float | None = None,
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return the gains that show a sunlit target in its own colour.

    Parameters
    ----------
    star, target : sequence of Starlit, of Target
        In R, G and B.
    one_capture : bool
        All channels of the star are of one capture, and those of the target: exposures and the camera's gain then are
        common factors and need not be known.
    air : sequence of Air, optional
        In R, G and B; left out, extinction is not allowed for.
    waves_nm : sequence of float or None
        Effective wavelengths.
    b_minus_v : float, optional
        Colour of the star; left out, it is taken to be the Sun's.

    Returns
    -------
    gains : tuple of float
        Factors for R, G and B; that of G is 1.
    errors : tuple of float
        Relative, against G: the star's light, the air, the star's colour.

    Raises
    ------
    ValueError
        Something lacks or does not fit, as the end of a sentence.
    """
    if b_minus_v is not None and abs(b_minus_v - SUN_B_V) > NEAREST_B_V:
        raise ValueError(
            f"its colour B-V of {b_minus_v:g} is not that of a star like the Sun ({SUN_B_V} within {NEAREST_B_V})"
        )
    log_gain, variance = np.zeros(3), np.zeros(3)
    if not one_capture:
        _same_steps(star, target)
    for k, (lit, shown) in enumerate(zip(star, target, strict=True)):
        if not (np.isfinite(lit.flux) and lit.flux > 0):
            raise ValueError("it has no light in one of the channels")
        log_gain[k] = -np.log(lit.flux)
        if not one_capture:
            log_gain[k] += np.log(float(lit.exposure_s or 0.0) / float(shown.exposure_s or 0.0))
        variance[k] = lit.error**2
    variance = variance + variance[1]
    variance[1] = 0.0
    if air is not None:
        more = np.array([float(t.airmass or 0.0) - float(s.airmass or 0.0) for s, t in zip(star, target, strict=True)])
        taken = np.array([one.mag for one in air]) * more
        doubt = np.array([one.error_mag for one in air]) * more
        log_gain += MAGNITUDE * taken
        # Haze is too much or too little in all channels alike.
        variance += (MAGNITUDE * (doubt - doubt[1])) ** 2
    if all(waves_nm):
        redder = SUN_B_V + 1.0
        slope = np.array([gradient(float(w or 0.0), redder) for w in waves_nm])
        log_gain -= MAGNITUDE * slope * (0.0 if b_minus_v is None else b_minus_v - SUN_B_V)
        known = UNKNOWN_B_V if b_minus_v is None else KNOWN_B_V
        variance += (MAGNITUDE * (slope - slope[1]) * known) ** 2
    gains = np.exp(log_gain - log_gain[1])
    if gains.min() < LEAST_GAIN or gains.max() > LARGEST_GAIN:
        raise ValueError(f"gains of {gains[0]:.3g} and {gains[2]:.3g} would be needed for red and blue")
    return tuple(float(f"{g:.6g}") for g in gains), tuple(float(np.sqrt(v)) for v in variance)


def _same_steps(star: Sequence[Starlit], target: Sequence[Target]) -> None:
    """Refuse exposures that are not known, and gains of the camera that changed otherwise from filter to filter."""
    if not all([*(one.exposure_s for one in star), *(one.exposure_s for one in target)]):
        raise ValueError("exposures are not known")
    pairs = {(s.gain, t.gain) for s, t in zip(star, target, strict=True)}
    known = {pair for pair in pairs if None not in pair}
    if len(known) > 1 and any(first != second for first, second in known):
        steps = ", ".join(f"{first:g} and {second:g}" for first, second in sorted(known))
        raise ValueError(
            f"the camera's gain for star and target differs otherwise from filter to filter ({steps}), and what a step "
            "of it means is not known: use one gain for all filters of a target"
        )
