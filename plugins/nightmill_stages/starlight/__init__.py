"""The light of a star in its frames: summed without choosing or clipping, measured in an aperture, shown with it."""

from __future__ import annotations

from nightmill.stage import Stage

from .show import ShowStar
from .stage import Starlight

STAGES: list[type[Stage]] = [Starlight, ShowStar]

__all__ = ["STAGES", "ShowStar", "Starlight"]
