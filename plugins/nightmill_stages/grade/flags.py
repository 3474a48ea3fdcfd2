"""Why a frame is not used: the bits of the column "flags".

A frame may carry several. `UNUSABLE` are those that take it out of the stack by themselves.
"""

from __future__ import annotations

from enum import IntFlag

__all__ = ["UNUSABLE", "Flag", "describe"]


class Flag(IntFlag):
    """One bit a finding; stored as int32."""

    LOST = 1
    CUT = 2
    DIMMED = 4
    DROPPED = 8
    DUPLICATE = 16
    SATURATED = 32
    MISFIT = 64


UNUSABLE = Flag.LOST | Flag.CUT | Flag.DIMMED | Flag.DUPLICATE | Flag.MISFIT
"""A frame after a gap (DROPPED) is a good frame, and so is a SATURATED one when there is no better."""

_WORDS = {
    Flag.LOST: "the object is not in the frame",
    Flag.CUT: "the object is cut by the edge of the frame",
    Flag.DIMMED: "dimmed, by cloud most likely",
    Flag.DROPPED: "frames are missing just before it",
    Flag.DUPLICATE: "a copy of the frame before it",
    Flag.SATURATED: "parts of the object are saturated",
    Flag.MISFIT: "does not look like the reference",
}


def describe(flag: Flag) -> str:
    """Return what a single flag means, in words."""
    return _WORDS[flag]
