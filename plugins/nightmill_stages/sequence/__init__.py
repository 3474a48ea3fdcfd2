"""Shows a target through the night: its pictures one after another, and a globe turning under the map of the night.

What a frame shows was measured: pictures are laid on one another by the disc, turned by what `orient` found and shown
with common levels. Nothing is made up between two pictures, and what nobody saw of a globe stays grey.
"""

from __future__ import annotations

from nightmill.stage import Stage

from .globe import Globe
from .stage import Sequence

STAGES: list[type[Stage]] = [Sequence, Globe]

__all__ = ["STAGES", "Globe", "Sequence"]
