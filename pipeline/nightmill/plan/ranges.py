"""How a capture is cut for parallel work: by numbers that depend on the capture alone, so that bits repeat."""

from __future__ import annotations

import itertools

from ..artefacts import Capture

__all__ = ["chunk_frames", "cut_ranges"]

CHUNK_BYTES = 8 * 2**20
"""Frames held in memory at once, as read; float32 work takes a few times as much."""

RANGE_BYTES = 192 * 2**20
"""Aim for one task: about a second of work, so that scheduling costs nothing and a kill loses little."""


def chunk_frames(capture: Capture) -> int:
    """Return how many frames are read and handed to a stage at once: 1 to 256."""
    return max(1, min(256, CHUNK_BYTES // capture.frame_bytes))


def cut_ranges(capture: Capture, most: int) -> list[tuple[int, int]]:
    """Cut a capture into at most `most` ranges of whole chunks.

    Returns
    -------
    list of (start, stop)
        Frame numbers, stop exclusive, in order.
    """
    chunk = chunk_frames(capture)
    chunks = -(-capture.frames // chunk)
    count = max(1, min(most, chunks, round(capture.frames * capture.frame_bytes / RANGE_BYTES)))
    edges = [index * chunks // count * chunk for index in range(count)] + [capture.frames]
    return list(itertools.pairwise(edges))
