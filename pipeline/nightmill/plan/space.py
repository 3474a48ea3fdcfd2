"""How much disk a plan will take: products in the store and files in the output folder."""

from __future__ import annotations

from collections.abc import Callable

from ..artefacts import Capture
from .build import Plan

__all__ = ["bytes_needed"]

LAYERS = 5
"""A stack's picture, weight, noise and two halves."""

TABLE_BYTES = 1024
"""A generous row of the frame table, with the local shifts of a mesh."""


def bytes_needed(plan: Plan, there: Callable[[str], bool]) -> int:
    """Estimate the bytes that are still to be written.

    Parameters
    ----------
    plan : Plan
    there : callable
        Says whether a step's product is in the store already.
    """
    total = 0
    largest = 0
    for chain in (*plan.chains, *plan.masters.values()):
        if there(chain.stack):
            continue
        pixels = _pixels(chain.capture)
        stack = pixels * 4 * LAYERS
        copies = 1 if chain.capture.file in plan.masters else 2
        total += copies * stack + chain.capture.frames * TABLE_BYTES
        # Partial sums of the capture at hand; they are freed with its stack.
        largest = max(largest, 8 * 2 * stack)
    for picture in plan.pictures:
        if not there(picture.step):
            pixels = max(_pixels(plan.chains[index].capture) for index in picture.captures) * len(picture.captures)
            # Per picture stage a linear picture with layers; then FITS, TIFF, PNG and labelled PNG, twice.
            total += pixels * (4 * 3 * 4 + 2 * (4 + 2 + 2 + 1))
    return total + largest


def _pixels(capture: Capture) -> int:
    return capture.height * capture.width * (3 if capture.colour else 1)
