"""Makes an observation of a picture: ephemeris, a label panel below the clean picture, lines and names over the planet.

The picture's own data stay as they are, bit for bit; the label is a picture of its own.
"""

from __future__ import annotations

from nightmill.stage import Stage

from .stage import Annotate

STAGES: list[type[Stage]] = [Annotate]

__all__ = ["STAGES", "Annotate"]
