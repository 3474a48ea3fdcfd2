"""Recipe times night gives a graph of keyed steps: pure, printable, testable without running anything."""

from .build import build_plan
from .graph import Assignment, Chain, PicturePlan, Plan
from .ranges import chunk_frames, cut_ranges
from .steps import Input, Step

__all__ = [
    "Assignment",
    "Chain",
    "Input",
    "PicturePlan",
    "Plan",
    "Step",
    "build_plan",
    "chunk_frames",
    "cut_ranges",
]
