"""Makes an observation of a picture: measured disc and scale, ephemeris, and a label panel below the clean picture.

The picture's own data stay as they are, bit for bit; the label is a picture of its own.
"""

from __future__ import annotations

from nightmill.stage import Stage

from .stage import Annotate

STAGES: list[type[Stage]] = [Annotate]

__all__ = ["STAGES", "Annotate"]
