"""Times in files: clock ticks to POSIX seconds, and whether a series of frame times can be believed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["FrameTimes", "judge", "plausible", "ticks_to_posix"]

TICKS_PER_S = 10_000_000
EPOCH_TICKS = 62_135_596_800 * TICKS_PER_S
"""1970-01-01 in ticks of 100 ns since 0001-01-01 in the proleptic Gregorian calendar."""
EARLIEST, LATEST = 631_152_000.0, 4_102_444_800.0
"""1990 to 2100: no recording that we read is older, and no clock that runs beyond is set right."""
STEP_BACK_S = 2.0
"""A clock that is being disciplined may step back this far; beyond, it was set anew."""


def ticks_to_posix(ticks: NDArray[np.int64]) -> NDArray[np.float64]:
    """Convert ticks of 100 ns since 0001-01-01 to POSIX seconds, shape unchanged, to a microsecond or better."""
    # Whole seconds and the rest apart: a tick count has more digits than a float64 holds.
    whole, rest = np.divmod(np.asarray(ticks, np.int64), TICKS_PER_S)
    return (whole - EPOCH_TICKS // TICKS_PER_S).astype(np.float64) + rest / TICKS_PER_S


def plausible(seconds: float) -> bool:
    """Say whether a recording can have been made then (1990 to 2100)."""
    return EARLIEST <= seconds <= LATEST


@dataclass(frozen=True)
class FrameTimes:
    """What became of a series of frame times.

    Attributes
    ----------
    usable : bool
        Whether the series can be believed.
    interval_s : float or None
        Seconds from frame to frame: the mean of a usable series, the median step of another.
    caution : str or None
        A plain sentence when something is odd.
    """

    usable: bool
    interval_s: float | None
    caution: str | None = None


def judge(times: NDArray[np.float64]) -> FrameTimes:
    """Judge the times of all frames.

    Parameters
    ----------
    times : ndarray of float64, shape (n,)
        POSIX seconds, n >= 1.

    Returns
    -------
    FrameTimes
        Usable when all lie between 1990 and 2100, few (under 1 %) and only small steps go back, and the frames do
        not all carry one time.
    """
    count = len(times)
    if not ((times >= EARLIEST) & (times <= LATEST)).all():
        return FrameTimes(False, None, "The times of its frames are not set or damaged, and are not used.")
    if count == 1:
        return FrameTimes(True, None)
    steps = np.diff(times)
    back = steps < 0
    if back.mean() > 0.01 or (back & (steps < -STEP_BACK_S)).any():
        forward: NDArray[Any] = steps[steps > 0]
        interval = float(np.median(forward)) if len(forward) else None
        return FrameTimes(False, interval, "The times of its frames jump back and forth, and are not used.")
    mean = float((times[-1] - times[0]) / (count - 1))
    if mean <= 0:
        return FrameTimes(False, None, "Its frames all carry the same time, which is not used.")
    if back.any():
        text = f"The clock stepped back {int(back.sum())} times during the recording, by at most {-steps.min():.3f} s."
        return FrameTimes(True, mean, text)
    return FrameTimes(True, mean)
