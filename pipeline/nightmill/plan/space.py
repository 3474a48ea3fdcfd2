"""How much disk a plan will take: products in the store and files in the output folder.

The figures are those of products as they are written now, measured on nights of all kinds of target; a stage that
enlarges what it makes takes more than is reckoned here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from ..artefacts import Capture
from .graph import Plan
from .steps import Step

__all__ = ["bytes_needed"]

LAYERS_BYTES = 20
"""A pixel of a stack or picture: itself, weight, noise and two halves, in float32."""

PREPARED_BYTES = 8
"""A pixel of what a stage prepares: a reference, and what it was chosen by."""

FILES_BYTES = 6.5
"""A pixel of a picture in all formats, as compressed as they are."""

SHEET_BYTES = 4
SHEET_PIXELS = 1200 * 1200
"""The report keeps a frame and a stack in float16, no larger than it shows them."""

ROW_BYTES = 320
TABLES_BYTES = 32_000
"""A row of the frame table and of the parts it is joined from; and their headers."""

STEP_BYTES = 4_000
"""Names, notes and checksums beside a product."""

PAGE_BYTES = 80_000
"""What a picture adds to the report, with its small copies."""

LATER = ("develop", "publish", "publish_stack", "sheet", "preview")
"""What is made once the partial sums of a stack are freed."""


def bytes_needed(plan: Plan, there: Callable[[str], bool]) -> int:
    """Estimate the bytes that are still to be written, at the moment when most of them are there.

    Parameters
    ----------
    plan : Plan
    there : callable
        Says whether a step's product is in the store already.
    """
    total = 0.0
    parts: dict[int, float] = {}
    later: dict[int, float] = {}
    for step in plan.steps.values():
        if step.action == "fingerprint" or there(step.id):
            continue
        size = STEP_BYTES + _bytes_of(step, _captures(step, plan))
        first = step.captures[0]
        if step.action == "fold":
            if not step.id.startswith("master/") and not there(plan.chains[first].stack):
                parts[first] = parts.get(first, 0.0) + size
            continue
        total += size
        if step.action in LATER:
            later[first] = later.get(first, 0.0) + size
    # Partial sums are freed with their stack; what is made of the stack then takes their place.
    beyond = max((size - later.get(index, 0.0) for index, size in parts.items()), default=0.0)
    return round(total + max(0.0, beyond))


def _captures(step: Step, plan: Plan) -> list[Capture]:
    if step.id.startswith("master/"):
        return [Capture.from_json({"file": "", "cautions": (), **step.content["capture"], "path": ""})]
    return [plan.chains[index].capture for index in step.captures]


def _bytes_of(step: Step, captures: Sequence[Capture]) -> float:
    pixels = _pixels(captures)
    match step.action:
        case "prepare":
            return PREPARED_BYTES * pixels
        case "conclude":
            return (ROW_BYTES * captures[0].frames + TABLES_BYTES) / 2  # of two passes, with their parts
        case "fold":
            return 2.0 * LAYERS_BYTES * pixels
        case "finish" | "develop":
            return LAYERS_BYTES * pixels
        case "publish_stack" | "publish_master":
            return 2.0 * LAYERS_BYTES * pixels  # in the store and in the output folder
        case "publish":
            return 2.0 * FILES_BYTES * pixels
        case "sheet":
            return SHEET_BYTES * min(
                pixels, SHEET_PIXELS * (3 if pixels > captures[0].height * captures[0].width else 1)
            )
        case "preview":
            return PAGE_BYTES
    return 0.0


def _pixels(captures: Sequence[Capture]) -> int:
    """Count the values of a picture of these: three colours from a colour camera or from several filters."""
    colours = 3 if any(one.colour for one in captures) else min(3, len({one.filter for one in captures}))
    return max(one.height * one.width for one in captures) * colours
