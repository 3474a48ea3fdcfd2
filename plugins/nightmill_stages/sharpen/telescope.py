"""Through which telescope a stack was taken, and what of its spectrum is signal: by the night file, else by the stack.

Where nobody tells the cut-off it is read off the way the spectrum of the half-sets ends, and, once a disc's limb has
been found, off how much of the disc is left at each frequency.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import Picture
from nightmill_sky.optics import USUAL_OBSTRUCTION

from .cutoff import USUAL, CutoffFit, fit_cutoff
from .ending import ending_cost
from .measured import Measured
from .optics import (
    Optics,
    channel_wavelengths,
    drop_blur,
    night_scale,
    picture_scale,
    seen_cutoff,
    telescope_cutoff,
    unnamed_filter,
)
from .seeing import prior_from_header
from .signal import Signal, measure_signal
from .spectral import frequencies
from .wiener import wiener_gain

__all__ = ["Stacked", "Through"]

Plane = NDArray[np.float32]
Source = Literal["telescope", "spectrum", "recipe"]
OBSTRUCTION_SPREAD = 0.05
"""About the usual one, where the night file names none."""
APART = 0.04
"""Scales whose logarithms differ by more contradict each other."""


@dataclass(frozen=True)
class Through:
    """Telescope and spectrum of each channel."""

    optics: list[Optics]
    signals: list[Signal]


class Stacked:
    """A stack, channel by channel, and what the night file says.

    Parameters
    ----------
    picture : Picture
        The stack.
    planes : sequence of ndarray of float32, shape (h, w)
        Its channels without gaps.
    halves : sequence of (ndarray, ndarray) or None
        Their half-sets.
    noises : sequence of float
        Root mean square noise of a pixel.
    night : mapping
        Sections "telescope", "camera" and "filters" of the night file.
    """

    def __init__(
        self,
        picture: Picture,
        planes: Sequence[Plane],
        halves: Sequence[tuple[Plane, Plane] | None],
        noises: Sequence[float],
        night: Mapping[str, Mapping[str, Any]],
    ) -> None:
        self.picture, self.planes, self.halves, self.noises, self.night = picture, planes, halves, noises, night
        self.waves = channel_wavelengths(picture.filters, len(planes), night.get("filters", {}))
        self._telescope = night.get("telescope", {})
        self.scale = picture_scale(picture, night)
        self._pairs = [pair for pair in halves if pair is not None]
        self._whole = len(self._pairs) == len(planes)
        self.obstruction = float(self._telescope.get("obstruction", USUAL_OBSTRUCTION))

    @property
    def told(self) -> bool:
        """Whether aperture and scale are known, and so the cut-off."""
        return self.scale is not None and "aperture_mm" in self._telescope

    @property
    def obstruction_spread(self) -> float:
        """By how much the obstruction may differ from `obstruction`."""
        return 0.0 if "obstruction" in self._telescope else OBSTRUCTION_SPREAD

    def cutoff(self, context: stage.Context) -> tuple[float | None, Source]:
        """Return the first channel's cut-off by night file or spectrum, cycles a pixel, and what told it."""
        if not self.told:
            return (self._spectrum().best if self._whole else None), "spectrum"
        assert self.scale is not None
        aperture = float(self._telescope["aperture_mm"])
        first = telescope_cutoff(aperture, self.waves[0], self.scale)
        other = night_scale(self.picture, self.night)
        if self._whole and other is not None and abs(np.log(other / self.scale)) > APART:
            # Planet and night file disagree on the scale: the spectrum decides.
            first = self._spectrum().likelier(first, telescope_cutoff(aperture, self.waves[0], other))
        if self._whole and unnamed_filter(self.picture, self.night):
            fit = self._spectrum()
            if fit.contradicts(first):
                context.choose(
                    "cutoff",
                    [round(fit.best, 4)],
                    f"No filter is named. In white light the telescope would pass detail of up to {first:.3f} "
                    f"cycles a pixel; the spectrum ends as in light of {self.waves[0] * first / fit.best:.0f} nm, "
                    "which was taken. Name the filter, in the file's name or the night file, to settle it.",
                )
                return fit.best, "spectrum"
        return first, "telescope"

    def through(self, first: float | None, source: Source) -> Through:
        """Return telescope and spectrum of each channel; without a cut-off, by where signal drowns in noise."""
        optics, signals = [], []
        for plane, pair, noise, wave in zip(self.planes, self.halves, self.noises, self.waves, strict=True):
            a, b = pair if pair is not None else (None, None)
            cut = None if first is None else first * self.waves[0] / wave
            if cut is None:
                (cut, _), source = seen_cutoff(measure_signal(plane, a, b, noise, 0.5)), "spectrum"
            signals.append(measure_signal(plane, a, b, noise, cut))
            optics.append(Optics(cut, self.obstruction, wave, source, drop_blur(self.picture.header)))
        return Through(optics, signals)

    def by_disc(self, through: Through, measured: Measured) -> float | None:
        """Return the first channel's cut-off by spectrum and disc together; None where there is no disc."""
        ellipses = [one for one in measured.ellipses if one is not None]
        if not self._whole or len(ellipses) < len(self.planes):
            return None
        fit = self._spectrum((measured.blurs[0].ratio, measured.blurs[0].share), measured.blurs[0].obstruction)
        cost = fit.cost
        for plane, ellipse, blur, one, signal, wave in zip(
            self.planes, ellipses, measured.blurs, through.optics, through.signals, self.waves, strict=True
        ):
            gain = wiener_gain(
                frequencies(plane.shape), lambda f, b=blur, c=one.cutoff: b.transfer(f, c), signal, one.cutoff
            )
            cost = cost + ending_cost(plane, gain, ellipse, blur, one.cutoff, fit.cutoff * self.waves[0] / wave)
        return CutoffFit(fit.cutoff, cost).best

    def _spectrum(self, air: tuple[float, float] | None = None, obstruction: float | None = None) -> CutoffFit:
        """Return how well each cut-off fits the way the spectrum ends, with air as measured, else as frames move."""
        hole = self.obstruction if obstruction is None else obstruction
        if air is None:
            usual = Optics(USUAL * 530.0 / self.waves[0], hole, self.waves[0], "spectrum")
            fills = bool(self.picture.header.get("fills_frame", False))
            prior, _ = prior_from_header(self.picture.header, usual, field=fills)
            air = prior.ratio, prior.share
        return fit_cutoff(self._pairs, self.waves, hole, air)
