"""Which amplifier lens makes pixel and telescope fit, and what sampling that gives."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from nightmill_sky.optics import (
    diffraction_limit_arcsec,
    nyquist_focal_ratio,
    pixel_scale_arcsec_per_px,
)

from .equipment import Camera, Telescope

__all__ = ["AIM_PER_UM", "LENSES", "WORKING_PER_UM", "Setup", "choose_lens", "setup"]

WORKING_PER_UM = (3.6, 6.0)
"""Usual focal ratios for each micrometre of pixel: from two pixels to the finest period at 550 nm to what only the
steadiest air repays. Common practice, no source."""

AIM_PER_UM = 5.0
"""Where in that range to aim. Common practice, no source."""

LENSES = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0)
"""Factors that are sold; taken when the night file does not say which are at hand. Common practice, no source."""


def choose_lens(pixel_um: float, focal_ratio: float, factors: Sequence[float] = LENSES) -> float:
    """Choose the factor that brings a pixel closest to the aim, in proportion.

    Parameters
    ----------
    pixel_um : float
    focal_ratio : float
        Of the telescope alone.
    factors : sequence of float
        To choose from; 1, no lens, is always among them.

    Returns
    -------
    float
        The smaller one when two are as good.
    """
    wanted = AIM_PER_UM * pixel_um
    return min(sorted({1.0, *factors}), key=lambda factor: (abs(math.log(focal_ratio * factor / wanted)), factor))


@dataclass(frozen=True)
class Setup:
    """A camera behind a lens on a telescope.

    Parameters
    ----------
    lens : float
    focal_ratio, focal_length_mm : float
        With the lens.
    scale_arcsec : float
        Angle of a pixel.
    critical : dict of str to float
        By filter, the focal ratio at which two pixels cover the finest period.
    px_per_period : dict of str to float
        By filter, pixels to the finest period; below 2 detail is lost.
    working_ratios : (float, float)
        Usual focal ratios for this pixel.
    verdict : str
        One sentence.
    """

    lens: float
    focal_ratio: float
    focal_length_mm: float
    scale_arcsec: float
    critical: dict[str, float]
    px_per_period: dict[str, float]
    working_ratios: tuple[float, float]
    verdict: str


def setup(telescope: Telescope, camera: Camera, lens: float, filters: Mapping[str, float]) -> Setup:
    """Describe a camera behind a lens.

    Parameters
    ----------
    telescope : Telescope
    camera : Camera
    lens : float
        Factor, above 0.
    filters : mapping of str to float
        Effective wavelengths, nm.

    Returns
    -------
    Setup
    """
    focal = telescope.focal_length_mm * lens
    ratio = focal / telescope.aperture_mm
    scale = float(pixel_scale_arcsec_per_px(camera.pixel_um, focal))
    critical = {name: float(nyquist_focal_ratio(camera.pixel_um, nm)) for name, nm in filters.items()}
    periods = {name: float(diffraction_limit_arcsec(telescope.aperture_mm, nm)) / scale for name, nm in filters.items()}
    low, high = (factor * camera.pixel_um for factor in WORKING_PER_UM)
    place = f"At f/{ratio:.1f} {'without an amplifier' if lens == 1 else f'with the {lens:g}x amplifier'}"
    usual = f"the usual range for {camera.pixel_um:g} um pixels is f/{low:.0f} to f/{high:.0f}"
    if ratio < 0.97 * low:
        verdict = f"{place} the pixels are too coarse: {usual}."
    elif ratio > 1.03 * high:
        verdict = f"{place} the picture is larger and dimmer than needed: {usual}."
    else:
        verdict = f"{place} the pixels suit the telescope: {usual}."
    return Setup(lens, ratio, focal, scale, critical, periods, (low, high), verdict)
