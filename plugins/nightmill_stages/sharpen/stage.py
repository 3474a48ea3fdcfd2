"""The stage "sharpen": a thin adapter from pictures and the night file to the arithmetic of this folder."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import Picture

from .apply import Sharpened, layer_gains, sharpen_lucy, sharpen_wavelet, sharpen_wiener
from .blur import RATIO_RANGE, SHARE_RANGE, Blur
from .canvas import sky_level
from .cutoff import USUAL, fit_cutoff
from .layers import finished, halves_of, noise_rms, noted
from .limb import Ellipse
from .measured import REFERENCE, Measured, measure_blur
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
from .spectral import fill_gaps
from .wavelet import most_layers

__all__ = ["Sharpen"]

Gain = Annotated[float, stage.Field(ge=0, le=50)]
Auto = Literal["auto"]
DEFAULT_LAYERS = 6
USUAL_OBSTRUCTION = 0.3
"""Of telescopes where the night file names none: reflectors have 0.2 to 0.4 (common practice, no source)."""
RESTRAINT = {"guess": 0.6, "motion": 0.8}
"""Strength where the blur is not measured on frames or picture. By motion alone 0.8 is best in the mean of eight
lunar captures (41.9 dB; 40.6 at full strength; the quality benchmark's tuning set and second simulator)."""
APART = 0.04
"""Scales whose logarithms differ by more contradict each other."""


class Sharpen(stage.PictureStage):
    """Undo the blur that the air left in a stack, as far as signal stands above noise and no further.

    The blur, a core with a halo, is measured from the sky around the object and the statistics of the frames; noise
    from the half-sets and from what lies beyond the telescope's cut-off. The picture aimed at is the one a perfect
    telescope of this size would show.
    """

    name = "sharpen"
    version = "13"
    uses = ("telescope", "camera", "filters")

    class Parameters(stage.Parameters):
        """Parameters of "sharpen"."""

        method: Literal["auto", "wiener", "richardson-lucy", "wavelet", "none"] = stage.Field(
            "auto", description="How: wiener by default; wavelet can be set by hand, scale by scale."
        )
        strength: Annotated[float, stage.Field(ge=0, le=3)] | Auto = stage.Field(
            "auto",
            description="1 undoes the measured blur, 0 nothing, above 1 exaggerates; by default 1, or less "
            "when the blur could only be guessed.",
        )
        seeing: Annotated[float, stage.Field(ge=RATIO_RANGE[0], le=RATIO_RANGE[1])] | Auto = stage.Field(
            "auto", description="D/r0 of the air in the first channel (strength of the blur); measured by default."
        )
        core_share: Annotated[float, stage.Field(ge=SHARE_RANGE[0], le=1)] | Auto = stage.Field(
            "auto", description="Best share of steady frames that the core of the blur is like; measured by default."
        )
        cutoff: Annotated[float, stage.Field(gt=0.02, le=2)] | Auto = stage.Field(
            "auto",
            description="Finest detail passed by the telescope in the first channel, cycles a pixel; from the night "
            "file, else from the spectrum.",
        )
        gains: tuple[Gain, ...] | Auto = stage.Field(
            "auto",
            description="For wavelet: gain of each scale of detail, finest first; from the measured blur by default.",
        )
        threshold: float = stage.Field(
            3.0, ge=0, le=20, description="For wavelet: detail below so many standard deviations of the noise goes."
        )
        iterations: Annotated[int, stage.Field(ge=1, le=500)] | Auto = stage.Field(
            "auto", description="For richardson-lucy: how many; until only noise is left by default."
        )

    def develop(self, pictures: list[Picture], context: stage.Context) -> list[Picture]:
        """Sharpen each picture."""
        return [self._develop(picture, context.about(picture)) for picture in pictures]

    def _develop(self, picture: Picture, context: stage.Context) -> Picture:
        method = self.parameters.method
        data = np.asarray(picture.data, np.float32)
        planes = data if data.ndim == 3 else data[None]
        usable = [np.isfinite(plane) for plane in planes]
        if picture.weight is not None:
            weights = picture.weight if picture.weight.ndim == 3 else picture.weight[None]
            usable = [one & (weight > 0) for one, weight in zip(usable, weights, strict=True)]
        few = min(one.mean() for one in usable) < 0.01 or min(planes.shape[1:]) < 16
        flat = few or any(float(np.ptp(p[u])) == 0.0 for p, u in zip(planes, usable, strict=True))
        if method == "none" or flat:
            if method != "none":
                context.caution("sharpen", "The picture shows nothing that could be sharpened; it was left as it is.")
            return noted(picture, {"method": "none"})
        filled = [fill_gaps(plane, one) for plane, one in zip(planes, usable, strict=True)]
        halves = halves_of(picture, usable)
        noises = [noise_rms(picture, c, filled[c], usable[c]) for c in range(len(planes))]
        optics, signals = self._optics(picture, filled, halves, noises, context)
        measured = self._blurs(filled, optics, signals, noises, picture, context)
        strength = self._strength(measured, context)
        method = "wiener" if method == "auto" else method
        ellipses = measured.ellipses if measured.ellipses and strength == 1 else [None] * len(planes)
        results = context.each(
            lambda c: self._sharpen(
                method, filled[c], halves[c], noises[c], measured.blurs[c], optics[c], signals[c], strength, ellipses[c]
            ),
            range(len(planes)),
        )
        facts = self._record(method, strength, measured, optics, signals, results, picture, context)
        return noted(finished(picture, planes.shape, usable, halves, results), facts)

    def _optics(
        self,
        picture: Picture,
        filled: list[NDArray[np.float32]],
        halves: list[tuple[NDArray[np.float32], NDArray[np.float32]] | None],
        noises: list[float],
        context: stage.Context,
    ) -> tuple[list[Optics], list[Signal]]:
        """Return telescope and spectrum of each channel."""
        telescope = context.night.get("telescope", {})
        waves = channel_wavelengths(picture.filters, len(filled), context.night.get("filters", {}))
        scale = picture_scale(picture, context.night)
        obstruction = float(telescope.get("obstruction", USUAL_OBSTRUCTION))
        pairs = [pair for pair in halves if pair is not None]
        whole = len(pairs) == len(filled)
        usual = Optics(USUAL * 530.0 / waves[0], obstruction, waves[0], "spectrum")
        prior, _ = prior_from_header(picture.header, usual, field=bool(picture.header.get("fills_frame", False)))
        air = prior.ratio, prior.share
        first: float | None = None
        source: Literal["telescope", "spectrum", "recipe"] = "telescope"
        if self.parameters.cutoff != "auto":
            first, source = float(self.parameters.cutoff), "recipe"
        elif scale is not None and "aperture_mm" in telescope:
            aperture = float(telescope["aperture_mm"])
            first = telescope_cutoff(aperture, waves[0], scale)
            other = night_scale(picture, context.night)
            if whole and other is not None and abs(np.log(other / scale)) > APART:
                # Planet and night file disagree on the scale: the spectrum decides.
                first = fit_cutoff(pairs, waves, obstruction, air).likelier(
                    first, telescope_cutoff(aperture, waves[0], other)
                )
            if whole and unnamed_filter(picture, context.night):
                fit = fit_cutoff(pairs, waves, obstruction, air)
                if fit.contradicts(first):
                    context.choose(
                        "cutoff",
                        [round(fit.best, 4)],
                        f"No filter is named. In white light the telescope would pass detail of up to {first:.3f} "
                        f"cycles a pixel; the spectrum ends as in light of {waves[0] * first / fit.best:.0f} nm, which "
                        "was taken. Name the filter, in the file's name or the night file, to settle it.",
                    )
                    first, source = fit.best, "spectrum"
        elif whole:
            first, source = fit_cutoff(pairs, waves, obstruction, air).best, "spectrum"
        optics, signals = [], []
        for c, wave in enumerate(waves):
            pair = halves[c]
            a, b = pair if pair is not None else (None, None)
            cut = None if first is None else first * waves[0] / wave
            if cut is None:
                (cut, _), source = seen_cutoff(measure_signal(filled[c], a, b, noises[c], 0.5)), "spectrum"
            signals.append(measure_signal(filled[c], a, b, noises[c], cut))
            optics.append(Optics(cut, obstruction, wave, source, drop_blur(picture.header)))
        if optics[0].source == "spectrum" and not (scale is not None and "aperture_mm" in telescope):
            context.choose(
                "cutoff",
                [round(one.cutoff, 4) for one in optics],
                "Aperture, focal length or pixel are not in the night file: the finest detail passed, in cycles a "
                "pixel, was read off the way the spectrum ends.",
            )
        return optics, signals

    def _blurs(
        self,
        filled: list[NDArray[np.float32]],
        optics: list[Optics],
        signals: list[Signal],
        noises: list[float],
        picture: Picture,
        context: stage.Context,
    ) -> Measured:
        """Return the blur of each channel, from the recipe or measured."""
        seeing, share = self.parameters.seeing, self.parameters.core_share
        if seeing != "auto" and share != "auto":
            stronger = [(o.wavelength_nm / optics[0].wavelength_nm) ** -REFERENCE for o in optics]
            blurs = [
                Blur(float(seeing) * k, float(share), o.obstruction, o.drop_px)
                for k, o in zip(stronger, optics, strict=True)
            ]
            return Measured(blurs, "recipe", 0.0, None, "given in the recipe")
        target = picture.captures[0].target if picture.captures else None
        measured = measure_blur(filled, optics, signals, noises, picture.header, context.each, target)
        if seeing != "auto" or share != "auto":
            first = measured.blurs[0].ratio
            blurs = [
                Blur(
                    one.ratio if seeing == "auto" else float(seeing) * one.ratio / first,
                    one.share if share == "auto" else float(share),
                    one.obstruction,
                    one.extra_px,
                )
                for one in measured.blurs
            ]
            measured = replace(measured, blurs=blurs)
        return measured

    def _strength(self, measured: Measured, context: stage.Context) -> float:
        """Return the strength to use."""
        if self.parameters.strength != "auto":
            return float(self.parameters.strength)
        strength = RESTRAINT.get(measured.way, 1.0)
        context.choose("strength", strength, f"The blur was {measured.why}.")
        return strength

    def _sharpen(
        self,
        method: str,
        picture: NDArray[np.float32],
        halves: tuple[NDArray[np.float32], NDArray[np.float32]] | None,
        noise: float,
        blur: Blur,
        optics: Optics,
        signal: Signal,
        strength: float,
        ellipse: Ellipse | None,
    ) -> Sharpened:
        if method == "wavelet":
            gains = self.parameters.gains
            if gains == "auto":
                count = min(DEFAULT_LAYERS, most_layers(picture.shape))
                gains = layer_gains(count, blur, optics, signal, strength)
            return sharpen_wavelet(picture, noise, gains, halves, self.parameters.threshold)
        if method == "richardson-lucy":
            count = None if self.parameters.iterations == "auto" else int(self.parameters.iterations)
            level = sky_level(picture)
            return sharpen_lucy(picture, noise, blur, optics, signal, strength, level, count)
        return sharpen_wiener(picture, blur, optics, signal, strength, ellipse, sky_level(picture))

    def _record(
        self,
        method: str,
        strength: float,
        measured: Measured,
        optics: list[Optics],
        signals: list[Signal],
        results: list[Sharpened],
        picture: Picture,
        context: stage.Context,
    ) -> dict[str, Any]:
        """Leave notes, and return what goes into the picture's header."""
        scale = picture_scale(picture, context.night)
        shares = [signal.resolution(one.cutoff) for signal, one in zip(signals, optics, strict=True)]
        facts: dict[str, Any] = {
            "method": method,
            "strength": round(strength, 3),
            "blur": [
                {"seeing": round(b.ratio, 3), "core_share": round(b.share, 3), "core": round(b.core, 4)}
                for b in measured.blurs
            ],
            "found_by": measured.way,
            "cutoff_cycles_px": [round(one.cutoff, 5) for one in optics],
            "cutoff_from": optics[0].source,
            "resolution_share": [round(value, 3) for value in shares],
            "shared_noise": [round(signal.shared, 3) for signal in signals],
            "noise_gain": [round(result.noise_gain, 4) for result in results],
        }
        if scale is not None:
            periods = [scale / (value * one.cutoff) for value, one in zip(shares, optics, strict=True)]
            facts["resolution_arcsec"] = [round(value, 4) for value in periods]
        if method == "richardson-lucy":
            facts["iterations"] = [result.iterations for result in results]
        middle = len(optics) // 2
        ratio = measured.blurs[middle].ratio
        context.choose("method", method, "Wiener comes closest to the perfect telescope when the blur is known.")
        if measured.way != "recipe":
            context.measure(
                "seeing",
                {"d_over_r0": round(ratio, 2), "error": round(ratio * measured.error, 2), "way": measured.way},
                f"Air in the frames kept: D/r0 = {ratio:.1f} at {optics[middle].wavelength_nm:.0f} nm, {measured.why}.",
            )
        reached = f"{shares[middle]:.0%} of the telescope's cut-off"
        if scale is not None:
            reached += f", detail of {facts['resolution_arcsec'][middle]:.2f} arcsec a period"
        context.measure("resolution", facts["resolution_share"], f"Resolution reached: {reached}.")
        if measured.way == "guess":
            context.caution("blur", "The blur could only be guessed, so the picture was sharpened with restraint.")
        if measured.by_motion is not None and measured.way in ("sky", "surface"):
            factor = measured.by_motion / measured.blurs[0].ratio
            if not 0.4 < factor < 2.5:
                context.caution(
                    "seeing",
                    f"The frames move as in air of D/r0 = {measured.by_motion:.1f}, the blur says "
                    f"{measured.blurs[0].ratio:.1f}: the mount may have shaken, or frames were registered wrongly.",
                )
        return facts
