"""Lays a picture onto a model by a small shift and rotation, by least squares.

Lucas & Kanade 1981, Proc. 7th IJCAI, 674; the brightness is left free.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Settled", "settle"]

Float = NDArray[np.float32]

EDGE_PX = 6
"""Sky around the object that is compared as well."""

INNER = 0.85
"""Of the radius: where features are looked at."""

FEATURE_PX = 6.0
"""Shading wider than this is no feature."""


@dataclass(frozen=True)
class Settled:
    """A picture laid onto a model.

    Attributes
    ----------
    dy_px, dx_px, rotation_deg : float
        picture(c + R (y - c) + d) = model(y), R anticlockwise as displayed.
    left : float
        Root mean square of the features that are left within the inner disc, as a share of the model's level.
    """

    dy_px: float
    dx_px: float
    rotation_deg: float
    left: float


def settle(picture: Float, model: Float, radius: float, centre: tuple[float, float], start_deg: float = 0.0) -> Settled:
    """Lay a picture onto a model by a small shift and rotation, brightness left free.

    Parameters
    ----------
    picture, model : ndarray of float32, shape (h, w)
        Lightly smoothed.
    radius : float
        Of the object: it and a little sky around it are compared.
    centre : (float, float)
        Of the object, about which it rotates, row and column.
    start_deg : float
        A rotation to start from.
    """
    height, width = model.shape
    row, column = np.mgrid[0:height, 0:width].astype(np.float32)
    y, x = row - np.float32(centre[0]), column - np.float32(centre[1])
    distance = np.hypot(y, x)
    mask = distance < radius + EDGE_PX
    gy, gx = np.gradient(model)
    # A rotation by a moves the point (y, x) by a (-x, y) in rows and columns.
    basis = np.stack([gy, gx, -gy * x + gx * y, model, np.ones_like(model)])[:, mask].astype(np.float64)
    normal = basis @ basis.T
    level = float(model[mask].mean()) or 1.0
    dy = dx = 0.0
    angle = math.radians(start_deg)
    for turn in range(5):
        cosine, sine = math.cos(angle), math.sin(angle)
        rows = (cosine * y - sine * x + np.float32(centre[0] + dy)).astype(np.float32)
        columns = (sine * y + cosine * x + np.float32(centre[1] + dx)).astype(np.float32)
        warped = cv2.remap(picture, columns, rows, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        solution = np.linalg.solve(normal, basis @ warped[mask].astype(np.float64))
        gain = solution[3] or 1.0
        step = [
            float(np.clip(value / gain, -limit, limit)) for value, limit in zip(solution[:3], (2, 2, 0.05), strict=True)
        ]
        if turn == 4 or max(abs(step[0]), abs(step[1]), abs(step[2]) * 50) < 2e-3:
            break
        dy, dx, angle = dy - step[0], dx - step[1], angle - step[2]
    rest = warped - np.float32(solution[3]) * model - np.float32(solution[4])
    rest -= cv2.GaussianBlur(rest, (0, 0), FEATURE_PX)
    left = float(np.sqrt(np.mean(rest[distance < INNER * radius] ** 2))) / level
    return Settled(dy, dx, math.degrees(angle), left)
