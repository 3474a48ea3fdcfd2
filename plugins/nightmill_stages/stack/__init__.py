"""Stacking: many frames into one linear picture, with what is known of its errors."""

from nightmill.stage import Stage

from .stage import StackFrames

__all__ = ["STAGES", "StackFrames"]

STAGES: list[type[Stage]] = [StackFrames]
