"""Shifts, turns and scales as matrices (3, 3) of points (x, y, 1)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["mapped", "scale_of", "softened", "turn_deg_of"]

Points = NDArray[np.float64]
Matrix = NDArray[np.float64]


def mapped(matrix: Matrix, points: Points) -> Points:
    """Where points (n, 2) go."""
    return np.asarray(points @ matrix[:2, :2].T + matrix[:2, 2])


def scale_of(matrix: Matrix) -> float:
    """Pixels behind it for each pixel before it."""
    return float(np.hypot(matrix[0, 0], matrix[1, 0]))


def turn_deg_of(matrix: Matrix) -> float:
    """Its turn, clockwise as displayed, degrees."""
    return float(np.degrees(np.arctan2(matrix[1, 0], matrix[0, 0])))


def softened(worth: NDArray[np.float64], sigma_px: float) -> NDArray[np.float64]:
    """Inverse covariances (n, 2, 2) of matches that have an error more, the same in all directions."""
    values, vectors = np.linalg.eigh(worth)
    values = 1.0 / (1.0 / np.maximum(values, 1e-9) + sigma_px**2)
    return np.asarray((vectors * values[:, None, :]) @ vectors.transpose(0, 2, 1))
