"""Where a panel lies in the mosaic, and the way of points from one to the other: a similarity and a smooth bending."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Placement", "mesh_weights", "to_mosaic", "to_panel"]

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
        return float(np.hypot(self.matrix[0, 0], self.matrix[1, 0]))

    @property
    def turn_deg(self) -> float:
        """Turn from panel to mosaic, clockwise as displayed, degrees."""
        return float(np.degrees(np.arctan2(self.matrix[1, 0], self.matrix[0, 0])))


def to_mosaic(place: Placement, points: Points) -> Points:
    """Where points (x, y) of a panel lie in the mosaic."""
    bent = points + _bend_at(place, points)
    return np.asarray(bent @ place.matrix[:2, :2].T + place.matrix[:2, 2])


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


def _bend_at(place: Placement, points: Points) -> Points:
    rows, weights = mesh_weights(place.shape, place.bend.shape[:2], points)
    flat = place.bend.reshape(-1, 2).astype(np.float64)
    return np.asarray((flat[rows] * weights[..., None]).sum(axis=1))


def mesh_weights(
    shape: tuple[int, int], size: tuple[int, ...], points: Points
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """The four nodes around every point and their bilinear weights, shape (n, 4)."""
    place = points[:, ::-1] * [(size[0] - 1) / max(shape[0] - 1, 1), (size[1] - 1) / max(shape[1] - 1, 1)]
    place = np.clip(place, 0, np.array(size, float) - 1)
    corner = np.minimum(np.floor(place).astype(np.int64), np.array(size) - 2)
    v, u = (place - corner).T
    first = corner[:, 0] * size[1] + corner[:, 1]
    nodes = np.stack([first, first + 1, first + size[1], first + size[1] + 1], axis=1)
    return nodes, np.stack([(1 - v) * (1 - u), (1 - v) * u, v * (1 - u), v * u], axis=1)
