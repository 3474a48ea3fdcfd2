"""What frame statistics say about the air before the picture is looked at."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import scipy

from .blur import RATIO_RANGE, SHARE_RANGE, expected_jitter
from .fit import Prior
from .optics import Optics

__all__ = ["prior_from_header", "ratio_from_jitter"]

UNKNOWN = Prior(ratio=3.0, ratio_spread=0.8, share=0.5, share_spread=0.6)
LEAK = 3.0
"""Effective over true share of frames: grading is not perfect, frames close in time are alike, air changes while a
capture runs. 2 to 5 on discs and 2 to 4.7 on fields of the benchmark's tuning set and of its second simulator, seeds 3
to 7. On discs sky and limb have the say, on fields the steadiness of the frames: it only counts where these are
missing (fields under 180 pixels or of fewer than 20 frames)."""
BELOW = 2.5
"""Frames never move less than the air moves them, but a shaking mount easily moves them more."""
UNSEEN_BENDING = 1.3
"""Over-all over common motion on a field, where the stack does not tell the bending (same captures: 1.2 to 1.35)."""


def ratio_from_jitter(jitter_px: float, optics: Optics) -> float:
    """Return the D/r0 at which frames move by `jitter_px` rms along an axis, by the tabled screens."""
    wanted = jitter_px * optics.cutoff
    low, high = RATIO_RANGE[0], RATIO_RANGE[1]

    def excess(logarithm: float) -> float:
        # Below the table motion goes with (D/r0)^(5/6).
        ratio = float(np.exp(logarithm))
        inside = max(ratio, 0.7)
        return expected_jitter(inside, optics.obstruction) * min(ratio / inside, 1) ** (5 / 6) - wanted

    if excess(np.log(low)) >= 0:
        return low
    if excess(np.log(high)) <= 0:
        return high
    return float(np.exp(scipy.optimize.brentq(excess, np.log(low), np.log(high), xtol=1e-3)))


def prior_from_header(header: Mapping[str, Any], optics: Optics, *, field: bool = False) -> tuple[Prior, float | None]:
    """Return what the header of a stack says about the blur, and D/r0 by the motion of the frames alone.

    Parameters
    ----------
    header : mapping
        "share_kept", "jitter_px" ([row, column] rms of the frames' common motion, camera pixels) and "bending_px" (the
        same of local shifts about it) are used where they are there.
    optics : Optics
        The telescope for the first channel.
    field : bool, optional
        Whether the object fills the frame: common motion is then the mean over many directions, and only together with
        the bending it is what the air does to one direction.
    """
    share, spread = UNKNOWN.share, UNKNOWN.share_spread
    kept = header.get("share_kept")
    if kept:
        share, spread = float(np.clip(LEAK * float(kept), SHARE_RANGE[0] * 1.1, 1.2)), 0.5
    jitter, bending = _motion(header.get("jitter_px")), _motion(header.get("bending_px"))
    if not jitter:
        return Prior(UNKNOWN.ratio, UNKNOWN.ratio_spread, share, spread), None
    # Air shakes both axes alike. Where one moves far more, wind or gears do it, and the quieter one tells.
    moved = float(np.sqrt(np.mean(np.square(jitter)))) if max(jitter) < 1.6 * min(jitter) else min(jitter)
    if bending:
        moved = float(np.hypot(moved, np.mean(bending)))
    elif field:
        moved *= UNSEEN_BENDING
    ratio = ratio_from_jitter(moved * float(header.get("scale", 1) or 1), optics)
    return Prior(ratio, 0.4, share, spread, BELOW), ratio


def _motion(values: Any) -> list[float]:
    """Return usable rms motions, or an empty list."""
    numbers = [float(value) for value in values or [] if value is not None]
    return numbers if numbers and np.all(np.isfinite(numbers)) and min(numbers) > 0 else []
