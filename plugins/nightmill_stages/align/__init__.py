"""Aligning: where the reference lies in every frame, and how the air bent the frame."""

from nightmill.stage import Stage

from .stage import Align

__all__ = ["STAGES", "Align"]

STAGES: list[type[Stage]] = [Align]
