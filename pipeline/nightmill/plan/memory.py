"""How much memory the work on a capture takes at the least: by its frame size and chunk, never by its length."""

from __future__ import annotations

from ..artefacts import Capture
from .ranges import chunk_frames

__all__ = ["least_memory"]

BASE_BYTES = 150_000_000
"""A worker with all libraries loaded, before its first frame."""

CHUNK_COPIES = 3
"""A chunk in float32: as read, calibrated, and one to work in."""

FRAME_COPIES = 20
"""Full-size float32 arrays of a stack in the making: sum, weight, squares, the two halves, and what is made of them."""


def least_memory(capture: Capture) -> int:
    """Return bytes without which no recipe can work on this capture; most stages take a few times as much.

    Used to refuse what can never fit, before anything is read. What fits by this and is too much all the same is
    ended while it runs.
    """
    pixels = capture.height * capture.width * (3 if capture.colour else 1)
    chunk = chunk_frames(capture) * capture.height * capture.width * capture.planes * 4
    return BASE_BYTES + CHUNK_COPIES * chunk + FRAME_COPIES * pixels * 4
