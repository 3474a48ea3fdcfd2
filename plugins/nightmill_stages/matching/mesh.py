"""Smooth bendings of a picture on a coarse mesh, whose outer nodes lie on its corners; bilinear between the nodes.

Fits of such meshes are robust least squares, with weights by Huber (1964), Ann. Math. Stat. 35, 73.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["HUBER", "OUTLIER", "displacements", "mesh_weights", "stiffness"]

Points = NDArray[np.float64]

HUBER = 1.5
"""Standard deviations from which a match counts less."""
OUTLIER = 6.0
"""Standard deviations, or times the usual misfit, from which it counts as false."""
BEND_PX = 0.7
"""Expected bending of a picture by air and refraction, pixels rms."""


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


def displacements(mesh: NDArray[np.floating], shape: tuple[int, int], points: Points) -> Points:
    """Displacements (n, 2) by a mesh (rows, columns, 2) at points (x, y) of a picture of a shape."""
    nodes, weights = mesh_weights(shape, mesh.shape[:2], points)
    return np.asarray((mesh.reshape(-1, 2).astype(np.float64)[nodes] * weights[..., None]).sum(axis=1))


def stiffness(size: tuple[int, int], change_px: float) -> object:
    """Prior of one component on one mesh: small, and with a slope that changes little."""
    from scipy import sparse

    def second(length: int) -> object:
        return sparse.diags([1.0, -2.0, 1.0], [0, 1, 2], shape=(length - 2, length))

    rows, columns = size
    across = sparse.kron(sparse.identity(rows), second(columns))
    down = sparse.kron(second(rows), sparse.identity(columns))
    first = [sparse.diags([-1.0, 1.0], [0, 1], shape=(length - 1, length)) for length in size]
    twist = sparse.kron(first[0], first[1])
    smooth = across.T @ across + down.T @ down + 2.0 * twist.T @ twist
    return sparse.identity(rows * columns) / (BEND_PX**2 * rows * columns / 16) + smooth / change_px**2
