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
from .ellipse import Ellipse
from .layers import finished, halves_of, noise_rms, noted
from .measured import REFERENCE, Measured, measure_blur
from .optics import Optics, picture_scale
from .signal import Signal
from .spectral import fill_gaps
from .telescope import Stacked, Through
from .wavelet import most_layers

__all__ = ["Sharpen"]

Gain = Annotated[float, stage.Field(ge=0, le=50)]
Auto = Literal["auto"]
DEFAULT_LAYERS = 6
ROUNDS, ENOUGH = 2, 0.005
"""Of measuring blur and cut-off in turn, where the stack tells both, and the change (logarithm) not worth another:
tuning captures 8 % off came within 2.5 % in one round."""
RESTRAINT = {"guess": 0.6, "motion": 0.8}
"""Strength where the blur is not measured on frames or picture. By motion alone 0.8 is best in the mean of eight
lunar captures (41.9 dB; 40.6 at full strength; the quality benchmark's tuning set and second simulator)."""


class Sharpen(stage.PictureStage):
    """Undo the blur that the air left in a stack, as far as signal stands above noise and no further.

    The blur, a core with a halo, is measured from the sky around the object and the statistics of the frames; noise
    from the half-sets and from what lies beyond the telescope's cut-off. The picture aimed at is the one a perfect
    telescope of this size would show.
    """

    name = "sharpen"
    version = "17"
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
        stacked = Stacked(picture, filled, halves, noises, context.night)
        through, measured = self._measured(stacked, context)
        optics, signals = through.optics, through.signals
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

    def _measured(self, stacked: Stacked, context: stage.Context) -> tuple[Through, Measured]:
        """Return telescope and blur of each channel."""
        if self.parameters.cutoff != "auto":
            through = stacked.through(float(self.parameters.cutoff), "recipe")
            return through, self._blurs(stacked, through, context)
        first, source = stacked.cutoff(context)
        through = stacked.through(first, source)
        measured = self._blurs(stacked, through, context)
        for _ in range(ROUNDS if source == "spectrum" else 0):
            better = stacked.by_disc(through, measured)
            if better is None or abs(np.log(better / through.optics[0].cutoff)) < ENOUGH:
                break
            through = stacked.through(better, source)
            measured = self._blurs(stacked, through, context)
        if through.optics[0].source == "spectrum" and not stacked.told:
            context.choose(
                "cutoff",
                [round(one.cutoff, 4) for one in through.optics],
                "Aperture, focal length or pixel are not in the night file: the finest detail passed, in cycles a "
                "pixel, was read off the way spectrum and limb end.",
            )
        if stacked.obstruction_spread and any(one is not None for one in measured.ellipses):
            context.measure(
                "obstruction",
                round(measured.blurs[0].obstruction, 3),
                "The night file names no central obstruction: by the light around the limb it is "
                f"{measured.blurs[0].obstruction:.2f} of the aperture, to some 0.05. Say it there to settle it.",
            )
        # The limb may have told another obstruction.
        optics = [replace(o, obstruction=b.obstruction) for o, b in zip(through.optics, measured.blurs, strict=True)]
        return replace(through, optics=optics), measured

    def _blurs(self, stacked: Stacked, through: Through, context: stage.Context) -> Measured:
        """Return the blur of each channel, from the recipe or measured."""
        optics, picture = through.optics, stacked.picture
        seeing, share = self.parameters.seeing, self.parameters.core_share
        if seeing != "auto" and share != "auto":
            stronger = [(o.wavelength_nm / optics[0].wavelength_nm) ** -REFERENCE for o in optics]
            blurs = [
                Blur(float(seeing) * k, float(share), o.obstruction, o.drop_px)
                for k, o in zip(stronger, optics, strict=True)
            ]
            return Measured(blurs, "recipe", 0.0, None, "given in the recipe")
        target = picture.captures[0].target if picture.captures else None
        measured = measure_blur(
            stacked.planes,
            optics,
            through.signals,
            stacked.noises,
            picture.header,
            context.each,
            target,
            stacked.obstruction_spread,
        )
        if seeing != "auto" or share != "auto":
            first = measured.blurs[0].ratio
            blurs = [
                replace(
                    one,
                    ratio=one.ratio if seeing == "auto" else float(seeing) * one.ratio / first,
                    share=one.share if share == "auto" else float(share),
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
                {
                    "seeing": round(b.ratio, 3),
                    "core_share": round(b.share, 3),
                    "core_left": round(b.core_left, 3),
                    "core": round(b.core, 4),
                }
                for b in measured.blurs
            ],
            "found_by": measured.way,
            "cutoff_cycles_px": [round(one.cutoff, 5) for one in optics],
            "cutoff_from": optics[0].source,
            "obstruction": round(optics[0].obstruction, 3),
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
