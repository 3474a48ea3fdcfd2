"""Where a panel lies in the mosaic, and the way of points from one to the other: a similarity and a smooth bending."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .mesh import displacements
from .similarity import mapped, scale_of, turn_deg_of

__all__ = ["Placement", "to_mosaic", "to_panel"]

Points = NDArray[np.float64]


@dataclass(frozen=True)
class Placement:
    """Where a panel lies in the mosaic.

    Attributes
    ----------
    matrix : ndarray of float64, shape (3, 3)
        Similarity from panel pixels to mosaic pixels, (x, y, 1).
    bend : ndarray of float32, shape (rows, columns, 2)
        Displacement (x, y) in panel pixels on a mesh whose corners are the corners of the panel; a point p goes to
        matrix (p + bend(p)).
    shape : tuple of int
        Of the panel.
    """

    matrix: NDArray[np.float64]
    bend: NDArray[np.float32]
    shape: tuple[int, int]

    @property
    def scale(self) -> float:
        """Mosaic pixels for each panel pixel."""
        return scale_of(self.matrix)

    @property
    def turn_deg(self) -> float:
        """Turn from panel to mosaic, clockwise as displayed, degrees."""
        return turn_deg_of(self.matrix)


def to_mosaic(place: Placement, points: Points) -> Points:
    """Where points (x, y) of a panel lie in the mosaic."""
    bent = points + displacements(place.bend, place.shape, points)
    return mapped(place.matrix, bent)


def to_panel(place: Placement, x: NDArray[np.float32], y: NDArray[np.float32]) -> tuple[NDArray[np.float32], ...]:
    """Where pixels of the mosaic lie in a panel: x and y of shape (h, w) to the panel's x and y, float32."""
    inverse = np.linalg.inv(place.matrix)
    rigid_x = (inverse[0, 0] * x + inverse[0, 1] * y + inverse[0, 2]).astype(np.float32)
    rigid_y = (inverse[1, 0] * x + inverse[1, 1] * y + inverse[1, 2]).astype(np.float32)
    if not place.bend.any():
        return rigid_x, rigid_y
    panel_x, panel_y = rigid_x, rigid_y
    rows, columns = place.bend.shape[:2]
    fx, fy = (columns - 1) / max(place.shape[1] - 1, 1), (rows - 1) / max(place.shape[0] - 1, 1)
    # The bending changes by at most a few hundredths of a pixel over its own size: two steps settle it.
    for _ in range(2):
        bend = cv2.remap(
            place.bend,
            panel_x * np.float32(fx),
            panel_y * np.float32(fy),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        panel_x, panel_y = rigid_x - bend[..., 0], rigid_y - bend[..., 1]
    return panel_x, panel_y
