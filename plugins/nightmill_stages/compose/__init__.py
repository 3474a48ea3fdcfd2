"""Makes one picture of several channels: colour from one-shot-colour stacks and from captures through filters.

Channels are registered on one another to a fraction of a pixel, freed of the level of the sky and balanced by gains,
all in linear light. Knows nothing of display but the levels it asks for.
"""

from __future__ import annotations

from nightmill.stage import Stage

from .stage import Compose

STAGES: list[type[Stage]] = [Compose]

__all__ = ["STAGES", "Compose"]
