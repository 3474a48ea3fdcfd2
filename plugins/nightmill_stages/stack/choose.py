"""How many frames to stack: the share that carries the most information on the scene."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from nightmill import stage
from nightmill.artefacts import FrameTable
from numpy.typing import NDArray

from .phases import Layout

__all__ = ["Choice", "choose_share"]


@dataclass(frozen=True)
class Choice:
    """A share of the usable frames, what it was chosen from, and why in words."""

    share: float
    curve: list[list[float]]
    why: str


def choose_share(table: FrameTable, usable: NDArray[np.bool_], context: stage.Context, layout: Layout) -> Choice:
    """Choose the share of usable frames to stack."""
    return Choice(0.25, [[0.25, 1.0]], "Fixed.")
