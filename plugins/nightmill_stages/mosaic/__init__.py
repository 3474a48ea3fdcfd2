"""Joins overlapping pictures of a surface larger than the field: found, registered, levelled, blended without seams.

Nothing needs to be said of how the telescope was moved. Coordinates of points are (x, y) in this folder, as in OpenCV;
arrays are [row, column].
"""

from __future__ import annotations

from nightmill.stage import Stage

from .stage import Mosaic

STAGES: list[type[Stage]] = [Mosaic]

__all__ = ["STAGES", "Mosaic"]
