"""Taking the camera out of the frames: master darks and flats, and the frame stage that applies them."""

from __future__ import annotations

from nightmill.stage import Stage

from .calibrate import Calibrate
from .master_dark import MasterDark
from .master_flat import MasterFlat

STAGES: list[type[Stage]] = [Calibrate, MasterDark, MasterFlat]

__all__ = ["STAGES", "Calibrate", "MasterDark", "MasterFlat"]
