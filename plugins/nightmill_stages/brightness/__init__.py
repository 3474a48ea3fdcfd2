"""Evens out the light of a large disc, and lets faint light be seen beside bright; nothing of it unless asked for."""

from __future__ import annotations

from nightmill.stage import Stage

from .stage import Brightness

STAGES: list[type[Stage]] = [Brightness]

__all__ = ["STAGES", "Brightness"]
