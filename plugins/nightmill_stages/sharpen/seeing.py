"""What frame statistics say about the air before the picture is looked at."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import scipy.optimize

from .blur import RATIO_RANGE, SHARE_RANGE, expected_jitter
from .optics import Optics
from .sky import Prior

__all__ = ["prior_from_header", "ratio_from_jitter"]

UNKNOWN = Prior(ratio=3.0, ratio_spread=0.8, share=0.5, share_spread=0.6)
LEAK = 2.5
"""Effective over true share of frames: grading is not perfect and air changes while a capture runs (measured on
simulated captures: 2 to 4)."""


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


def prior_from_header(header: Mapping[str, Any], optics: Optics) -> tuple[Prior, float | None]:
    """Return what the header of a stack says about the blur, and D/r0 by the motion of the frames alone.

    Parameters
    ----------
    header : mapping
        "share_kept" and "jitter_px" ([row, column], camera pixels) are used where they are there.
    optics : Optics
        The telescope for the first channel.
    """
    share, spread = UNKNOWN.share, UNKNOWN.share_spread
    kept = header.get("share_kept")
    if kept:
        share, spread = float(np.clip(LEAK * float(kept), SHARE_RANGE[0], 1.5)), 0.5
    jitter = header.get("jitter_px")
    moved = [float(value) for value in jitter if value is not None] if jitter else []
    if not moved or not np.all(np.isfinite(moved)) or min(moved) <= 0:
        return Prior(UNKNOWN.ratio, UNKNOWN.ratio_spread, share, spread), None
    scale = float(header.get("scale", 1) or 1)
    # The quieter axis: wind and gears shake one axis more than the other, air shakes both alike.
    ratio = ratio_from_jitter(min(moved) * scale, optics)
    return Prior(ratio, 0.4, share, spread), ratio
