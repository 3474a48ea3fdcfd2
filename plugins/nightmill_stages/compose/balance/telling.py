"""What is said of a picture that was balanced by a star: in its record, and to be beware of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightmill.artefacts import Capture
from nightmill.stage import Context

from ...orient.known import called
from .by_star import Air, Starlit

__all__ = ["Star", "remedy", "say_balanced"]

FAR_OFF = 0.15
"""Difference from a planet's published colour that is worth a word."""
NAMES = ("red", "green", "blue")


@dataclass(frozen=True)
class Star:
    """What the night has of one star: in R, G and B its light and the capture that it is of."""

    name: str
    lights: tuple[Starlit, ...]
    captures: tuple[Capture, ...]
    b_minus_v: float | None


def say_balanced(
    star: Star,
    shown: Sequence[Capture],
    labels: Sequence[str],
    airs: Sequence[float | None],
    air: Sequence[Air] | None,
    gains: Sequence[float],
    errors: Sequence[float],
    published: Sequence[float] | None,
    context: Context,
) -> None:
    """Write gains and what they come from into the record."""
    target = called(str(shown[0].target)) if shown[0].target else "the target"
    value = {
        "star": star.name,
        "files": [one.file for one in star.captures],
        "flux": [one.flux for one in star.lights],
        "flux_error": [one.error for one in star.lights],
        "exposure_s": [one.exposure_s for one in star.lights],
        "target_exposure_s": [one.exposure_s for one in shown],
        "airmass": [one.airmass for one in star.lights],
        "target_airmass": list(airs),
        "extinction_mag": None if air is None else [one.mag for one in air],
        "colour_index": star.b_minus_v,
        "gains": list(gains),
        "gain_errors": list(errors),
        "published_gains": None if published is None else list(published),
    }
    through = ""
    if air is not None:
        masses = [float(x) for x in airs if x is not None], [float(one.airmass or 0.0) for one in star.lights]
        taken = ", ".join(f"{label} {one.mag:.2f}" for label, one in zip(labels, air, strict=True))
        through = (
            f" The air between (air mass {np.mean(masses[1]):.2f} for the star, {np.mean(masses[0]):.2f} for {target}) "
            f"is allowed for with {taken} mag."
        )
    colour = "taken to be that of the Sun" if star.b_minus_v is None else f"B-V {star.b_minus_v:g}"
    beside = ""
    if published is not None:
        beside = f" By the published colour of {target} they would be {published[0]:.3f} and {published[2]:.3f}."
    context.measure(
        "reference_star",
        value,
        f"Red is multiplied by {gains[0]:.3f} and blue by {gains[2]:.3f} against green, known to {errors[0]:.1%} and "
        f"{errors[2]:.1%}.{through}{beside}",
    )
    context.choose(
        "balance",
        list(gains),
        f"Sunlight comes out neutral: measured on the star {star.name} of the same night, whose colour is {colour}.",
    )
    if not shown[0].colour and any(one.gain is None for one in (*star.captures, *shown)):
        context.caution(
            "gain",
            "The files do not say the camera's gain. The colours by the star are right if it was the same through all "
            "filters for the star, and for the target; write it into night.yaml to be sure "
            f"(captures: {{'{star.name}_*': {{gain: 200}}}}).",
        )
    if published is not None:
        off = [gain / other - 1.0 for gain, other in zip(gains, published, strict=True)]
        worst = max((0, 2), key=lambda k: abs(off[k]))
        if abs(off[worst]) > FAR_OFF:
            context.caution(
                "balance",
                f"{NAMES[worst].capitalize()} by the star is {abs(off[worst]):.0%} "
                f"{'more' if off[worst] > 0 else 'less'} than by the published colour of {target}: are the exposures "
                "right, and was the sky as clear for both? 'balance: published' in the recipe leaves the star out.",
                round(off[worst], 3),
            )


def remedy(star: Star, shown: Sequence[Capture]) -> str:
    """Tell what to write where exposures lack."""
    lacking = [one.file for one in (*star.captures, *shown) if not one.exposure_s]
    if not lacking or shown[0].colour:
        return ""
    first = lacking[0].rpartition("/")[2]
    more = f" and {len(set(lacking)) - 1} more" if len(set(lacking)) > 1 else ""
    return (
        f" ({lacking[0]}{more}; write into night.yaml: captures: {{'{first}': {{exposure: 8 ms}}}}, where * stands for "
        "any letters)"
    )
