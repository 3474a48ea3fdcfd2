"""What the whole table of a capture says about single frames: gaps, copies, clouds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .flags import UNUSABLE, Flag, describe

__all__ = ["burnt_out", "clear_level", "find_gaps", "judge", "summary"]

MANY_BURNT = 0.5
"""Share of the usable frames beyond which frames that are not burnt out cannot fill in for those that are."""


def find_gaps(utc: NDArray[np.float64]) -> NDArray[np.int32]:
    """Flag frames that follow a gap: 1.7 times the usual interval or more since the frame before.

    Parameters
    ----------
    utc : ndarray of float64, shape (n,)
        POSIX seconds; NaN when not known.
    """
    flags = np.zeros(len(utc), np.int32)
    steps = np.diff(utc)
    usual = np.median(steps[steps > 0]) if np.any(steps > 0) else np.nan
    if np.isfinite(usual):
        flags[1:][steps > 1.7 * usual] |= Flag.DROPPED
    return flags


def clear_level(level: NDArray[np.float64]) -> float:
    """Return the level of an unclouded frame: the 90th percentile of all that show something."""
    shown = level[np.isfinite(level) & (level > 0)]
    return float(np.percentile(shown, 90)) if len(shown) else 0.0


def judge(
    flags: NDArray[np.int32], level: NDArray[np.float64], checksum: NDArray[np.int64], fills_frame: bool, dimmed: float
) -> tuple[NDArray[np.int32], NDArray[np.bool_]]:
    """Complete the flags and say which frames are usable.

    Returns
    -------
    flags : ndarray of int32, shape (n,)
    kept : ndarray of bool, shape (n,)
        When most frames are cut by the edge they are all that there is, and stay.
    """
    flags = flags.copy()
    present = (flags & Flag.LOST) == 0
    clear = clear_level(level[present])
    flags[present & (level < dimmed * clear)] |= Flag.DIMMED
    flags[1:][checksum[1:] == checksum[:-1]] |= Flag.DUPLICATE
    unusable = int(UNUSABLE)
    if np.mean((flags[present] & Flag.CUT) != 0) > 0.9 if present.any() else False:
        unusable &= ~int(Flag.CUT)
    return flags, (flags & unusable) == 0


def burnt_out(flags: NDArray[np.int32], kept: NDArray[np.bool_]) -> str | None:
    """Return a sentence where most of the usable frames are burnt out somewhere, so that the stack is, too."""
    usable = int(kept.sum())
    burnt = int(np.count_nonzero(kept & ((flags & Flag.SATURATED) != 0)))
    if burnt <= MANY_BURNT * usable:
        return None
    return (
        f"In {burnt} of {usable} usable frames parts of the object are burnt out: there detail is lost, and brightness "
        "and colour are wrong; expose shorter, or with less gain."
    )


def summary(flags: NDArray[np.int32], kept: NDArray[np.bool_]) -> list[tuple[str, int, str]]:
    """Return (name, count, sentence) for the usable frames and for every flag that occurs."""
    result = [("usable", int(kept.sum()), f"{int(kept.sum())} of {len(kept)} frames are usable")]
    for flag in Flag:
        count = int(np.count_nonzero(flags & flag))
        if count:
            frames = f"{count} frame{'' if count == 1 else 's'}"
            result.append((flag.name.lower() if flag.name else str(flag), count, f"{frames}: {describe(flag)}"))
    return result
