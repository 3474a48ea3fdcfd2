"""Sharpening: the blur that air left in a stack is measured and undone, as far as the data support it."""

from nightmill.stage import Stage

from .stage import Sharpen

__all__ = ["STAGES", "Sharpen"]

STAGES: list[type[Stage]] = [Sharpen]
