"""The brightness stage: a thin adapter from pictures to the arithmetic of this folder."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import Picture
from nightmill.stage import Context, PictureStage

from ..orient.known import nominal_scale, sky_of
from ..write.display import levels as display_levels
from ..write.display import sky_level, softening_of
from .darkening import fit_law
from .faint import MOST_LIFT, lift_for, measure_faint
from .limb import find_limb
from .trend import fit_trend

__all__ = ["Brightness"]

Float = NDArray[np.float32]

LAYERS = ("data", "noise", "half_a", "half_b")
STRIP = 256
MOST_SAMPLES = 400_000


class Brightness(PictureStage):
    """Even out the light of a large disc, or lift faint light beside bright; without parameters it changes nothing.

    `limb_darkening` and `trend` divide the linear picture by a smooth law, which the record tells. `lift` touches
    no data: it bends the tones of TIFF, PNG and label alone, and the FITS stays linear. Never look at the Sun without
    a filter made for it.
    """

    name = "brightness"
    version = "2"
    uses = ("site", "telescope", "camera")

    class Parameters(stage.Parameters):
        """Parameters of brightness."""

        limb_darkening: Literal["keep", "remove"] = stage.Field(
            "keep", description="The Sun's darkening towards its limb: remove divides by the law fitted to the disc."
        )
        trend: Literal["keep", "remove"] = stage.Field(
            "keep",
            description="The broad fall of light over a field in which no limb is seen: remove divides by a smooth "
            "surface.",
        )
        lift: Literal["none", "auto"] | Annotated[float, stage.Field(gt=1, le=MOST_LIFT)] = stage.Field(
            "none",
            description="How many times brighter the faintest light is shown, the brightest staying as it is, so that "
            "prominences show beside the disc or earthshine beside the sunlit limb: none, auto, or a number.",
        )

    def develop(self, pictures: list[Picture], context: Context) -> list[Picture]:
        """Change each picture as asked."""
        return [self._one(picture, context.about(picture)) for picture in pictures]

    def _one(self, picture: Picture, context: Context) -> Picture:
        if self.parameters.limb_darkening == "remove" or self.parameters.trend == "remove":
            picture = self._even(picture, context)
        if self.parameters.lift != "none":
            picture = self._lift(picture, context)
        return picture

    def _even(self, picture: Picture, context: Context) -> Picture:
        """Divide by the law of the limb, or where none is seen by the trend."""
        data = picture.data if picture.data.ndim == 3 else picture.data[None]
        good = np.isfinite(data).all(axis=0)
        grey = data.mean(axis=0, dtype=np.float32)
        target = picture.captures[0].target if picture.captures else None
        divisor: Callable[[int, int], Float] | None = None
        facts: dict[str, Any] = {}
        beyond = 1.0  # what the sky is divided by
        limb = find_limb(grey, good, _expected_radius(picture, context)) if target == "sun" else None
        if self.parameters.limb_darkening == "remove":
            if target != "sun":
                context.caution("limb_darkening", "Only the Sun's darkening towards the limb can be taken out.")
            elif limb is None:
                context.caution(
                    "limb_darkening",
                    "No limb was found in the picture, or too short a piece of it, so its darkening stays; "
                    "trend: remove evens out a field.",
                )
            else:
                law = _fitted(grey, good, limb.mu, sky_level(grey) or 0.0)
                if law is None:
                    context.caution(
                        "limb_darkening", "Too little of the disc is in the picture to fit its darkening; it stays."
                    )
                else:
                    circle = limb

                    def by_law(top: int, bottom: int) -> Float:
                        # Beyond the limb the divisor stays as it is there: no edge is made.
                        return np.maximum(law(circle.mu((bottom - top, grey.shape[1]), top)), np.float32(0.05))

                    divisor, beyond = by_law, float(max(law(np.zeros(1, np.float32))[0], 0.05))
                    facts = {"u": round(law.u, 4), "v": round(law.v, 4), "radius_px": round(circle.radius_px, 1)}
                    context.measure(
                        "limb_darkening",
                        facts,
                        f"Taken out: brightness falls as 1 - {law.u:.3f} (1 - mu) - {law.v:.3f} (1 - mu)^2 to "
                        f"{float(law(np.zeros(1, np.float32))[0]):.0%} at the limb; the disc's radius is "
                        f"{circle.radius_px:.0f} px. Linear values are no longer those of the Sun's surface.",
                    )
        if divisor is None and self.parameters.trend == "remove" and limb is None:
            trend = fit_trend(grey, good)
            if trend is not None:
                divisor = trend.rows
                facts = {"trend": [round(float(c), 5) for c in trend.coefficients]}
                context.measure(
                    "trend",
                    round(trend.span, 4),
                    f"Taken out: a smooth fall of light by a factor of {trend.span:.2f} over the field. Linear values "
                    "are no longer those of the surface.",
                )
        if divisor is None:
            return picture
        changed = {name: _divided(getattr(picture, name), divisor) for name in LAYERS}
        made = picture.replace(**changed, labelled=None, header={**picture.header, "brightness": facts})
        black, white = display_levels(made.data)
        if "black" in picture.display:
            black = float(picture.display["black"]) / beyond
        return made.replace(display={**picture.display, "black": black, "white": max(white, black + 1e-6)})

    def _lift(self, picture: Picture, context: Context) -> Picture:
        """Choose the display's softening; the data stay."""
        display = dict(picture.display)
        if "black" not in display or "white" not in display:
            display["black"], display["white"] = display_levels(picture.data)
        grey = picture.data if picture.data.ndim == 2 else picture.data.mean(axis=0, dtype=np.float32)
        good = np.isfinite(grey)
        # Glow that was shown black around an object is now to be seen, down to the sky itself.
        sky = sky_level(grey)
        black = float(display["black"]) if sky is None else min(float(display["black"]), sky)
        lift = self.parameters.lift
        if lift == "auto":
            light = (np.where(good, grey, black) - np.float32(black)) / np.float32(display["white"] - black)
            faint = measure_faint(light.astype(np.float32), good)
            if faint is None or faint.level < 3.0 * faint.noise:
                context.choose("lift", 1, "Nothing faint stands above the noise beside the bright part.")
                return picture
            lift = lift_for(faint.level)
            context.choose(
                "lift",
                float(f"{lift:.3g}"),
                f"Faint light of {faint.level:.2%} of white, {faint.share:.0%} of the picture, is shown {lift:.3g} "
                "times brighter in TIFF and PNG; the FITS stays linear.",
            )
        if lift <= 1.0:
            return picture
        softening = float(f"{softening_of(float(lift)):.6g}")
        header = {**picture.header, "lift": float(f"{lift:.4g}")}
        return picture.replace(
            display={**display, "black": black, "softening": softening}, labelled=None, header=header
        )


def _expected_radius(picture: Picture, context: Context) -> float | None:
    """The Sun's radius in picture pixels by the ephemeris and the night file; None where they do not say."""
    scale = picture.geometry.get("scale_arcsec") or nominal_scale(picture, context.night)
    sky = None if scale is None else sky_of(picture, context)
    return None if sky is None or not scale else 0.5 * sky.equatorial_diameter_arcsec / scale


def _fitted(grey: Float, good: NDArray[np.bool_], mu_of: Callable[..., Float], sky: float) -> Any:
    """Fit the law to a sample of the disc."""
    step = max(1, int(np.sqrt(grey.size / MOST_SAMPLES)))
    mu = mu_of((grey.shape[0], grey.shape[1]))[::step, ::step]
    use = good[::step, ::step] & (mu > 0)
    return fit_law(grey[::step, ::step][use], mu[use], sky)


def _divided(layer: Float | None, divisor: Callable[[int, int], Float]) -> Float | None:
    """Divide a layer in strips of rows."""
    if layer is None:
        return None
    made = np.empty_like(layer)
    for top in range(0, layer.shape[-2], STRIP):
        bottom = min(top + STRIP, layer.shape[-2])
        made[..., top:bottom, :] = layer[..., top:bottom, :] / divisor(top, bottom)
    return made
