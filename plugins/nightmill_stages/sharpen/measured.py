"""From a stack and its optics to the blur in it: chooses the way, and says how sure it is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from nightmill import stage

from .blur import Blur
from .canvas import has_sky
from .ellipse import Ellipse
from .fit import fit_sky
from .optics import Optics
from .seeing import prior_from_header
from .signal import Signal
from .sky import Channel
from .steady import air_by_steadiness

__all__ = ["Measured", "measure_blur"]

REFERENCE = 1.2
"""D/r0 goes with wavelength to minus this power (Kolmogorov: Fried 1966, doi:10.1364/JOSA.56.001372)."""


@dataclass(frozen=True)
class Measured:
    """The blur of each channel and how it was found.

    Attributes
    ----------
    blurs : list of Blur
        One a channel.
    way : {"sky", "surface", "motion", "recipe", "guess"}
        What it rests on.
    error : float
        Standard error of ln(D/r0), 0 when given.
    by_motion : float or None
        D/r0 of the first channel by the motion of the frames alone, for comparison.
    why : str
        One plain sentence.
    ellipses : list of Ellipse or None
        Where the object ends in each channel; empty when it was not looked for.
    """

    blurs: list[Blur]
    way: Literal["sky", "surface", "motion", "recipe", "guess"]
    error: float
    by_motion: float | None
    why: str
    ellipses: list[Ellipse | None] = field(default_factory=list)


def measure_blur(
    planes: Sequence[NDArray[np.float32]],
    optics: Sequence[Optics],
    signals: Sequence[Signal],
    noises: Sequence[float],
    header: Mapping[str, Any],
    each: stage.Each = stage.in_turn,
    target: str | None = None,
    obstruction_spread: float = 0.0,
) -> Measured:
    """Find the blur of a stack.

    Parameters
    ----------
    planes : sequence of ndarray of float32, shape (h, w)
        Channels, finite.
    optics, signals, noises : sequence
        For each channel: the telescope, its spectrum, root mean square noise of a pixel.
    header : mapping
        What the stack knows.
    each : function, optional
        Channels go through it.
    target : str, optional
        What is shown, in lower case: the Moon's spectrum has a usual slope.
    obstruction_spread : float, optional
        By how much the telescope's obstruction may differ from the one in `optics`; 0 where it is known.
    """
    stronger = [float((o.wavelength_nm / optics[0].wavelength_nm) ** -REFERENCE) for o in optics]
    fills = bool(header.get("fills_frame", False)) or not all(has_sky(plane) for plane in planes)
    prior, by_motion = prior_from_header(header, optics[0], field=fills)

    def blurs(ratio: float, share: float, extra_px: float = 0.0) -> list[Blur]:
        return [
            Blur(ratio * k, share, o.obstruction, float(np.hypot(o.drop_px, extra_px)))
            for k, o in zip(stronger, optics, strict=True)
        ]

    if not fills:
        parts = list(zip(planes, optics, signals, noises, stronger, strict=True))
        channels = each(lambda part: Channel(*part), parts)
        found = fit_sky(channels, replace(prior, obstruction_spread=obstruction_spread), each=each)
        why = f"found from the halo in the sky and the edge of the object (misfit {found.misfit:.1f} of the noise)"
        ellipses = [c.ellipse(c.blur(blur)) for c, blur in zip(channels, found.blurs, strict=True)]
        # Drops are measured in pixels of the picture, which may be finer than those the blur was looked for on.
        made = [replace(blur, extra_px=one.drop_px) for blur, one in zip(found.blurs, optics, strict=True)]
        return Measured(made, "sky", found.ratio_error, by_motion, why, ellipses)
    middle = len(optics) // 2
    steady = air_by_steadiness(header, optics[middle], target == "moon")
    if steady is not None:
        why = f"found from how much the frames differ (of D/r0 = {steady.frames_ratio:.1f} before they were chosen)"
        first = steady.ratio / stronger[middle]
        return Measured(blurs(first, steady.share, steady.extra_px), "surface", steady.error, by_motion, why)
    if by_motion is not None:
        why = "found from the motion of the frames and the share kept, for there is no sky around the object"
        return Measured(blurs(prior.ratio, prior.share), "motion", prior.ratio_spread, by_motion, why)
    why = "nothing in the stack tells the blur; air of usual strength was assumed"
    return Measured(blurs(prior.ratio, prior.share), "guess", prior.ratio_spread, None, why)
