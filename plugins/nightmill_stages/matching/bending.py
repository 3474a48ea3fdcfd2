"""How far a similarity leaves two pictures of a surface apart: a smooth bending, as far as the patches bear it out.

How smooth it is, and whether there is any, is decided by cross-validation (Stone 1974, J. R. Stat. Soc. B 36, 111):
patches that had no part in the bending must fit better with it than without. Patches half a side apart under Hann
windows share less than a tenth of their noise, so they can judge one another.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .mesh import HUBER, OUTLIER, mesh_weights, stiffness

__all__ = ["Bending", "find_bending", "spread"]

Points = NDArray[np.float64]

CHANGES_PX = (0.004, 0.016, 0.06, 0.25)
"""Changes of the bending's slope from one cell of the mesh to the next that are tried, pixels rms."""

LEAST_CELL_PX = 16.0
MOST_CELLS = 36
FOLDS = 3
LEAST_PATCHES = 12
SURE = 2.5
"""Standard errors by which held-out patches must fit better before anything is bent (common practice, no source)."""


@dataclass(frozen=True)
class Bending:
    """A smooth displacement on a mesh.

    Attributes
    ----------
    mesh : ndarray of float64, shape (rows, columns, 2)
        Displacement (x, y), px, on nodes of which the outer ones lie on the corners of the picture; bilinear between.
    rms_px : float
        Root mean square of the displacement at the patches, per axis.
    inside : ndarray of bool, shape (n,)
        Patches that were believed.
    """

    mesh: NDArray[np.float64]
    rms_px: float
    inside: NDArray[np.bool_]


def find_bending(
    points: Points, shift: Points, worth: NDArray[np.float64], shape: tuple[int, int], step_px: float
) -> Bending | None:
    """Find the smooth part of the shifts of patches.

    Parameters
    ----------
    points : ndarray of float64, shape (n, 2)
        Middles (x, y) of the patches, px.
    shift : ndarray of float64, shape (n, 2)
        What the patches are off by, px.
    worth : ndarray of float64, shape (n, 2, 2)
        Inverse covariance of the shifts, 1 / px^2.
    shape : tuple of int
        Rows and columns of the picture.
    step_px : float
        From one patch to the next.

    Returns
    -------
    Bending or None
        None where patches that are left out do not fit better with any bending than with none.
    """
    from scipy import sparse

    if len(points) < LEAST_PATCHES:
        return None
    cell = max(LEAST_CELL_PX, 1.5 * step_px, max(shape) / MOST_CELLS)
    size = (max(3, round(shape[0] / cell) + 1), max(3, round(shape[1] / cell) + 1))
    nodes, weights = mesh_weights(shape, size, points)
    count = len(points)
    rows = np.repeat(np.arange(count), 4)
    way = sparse.csr_matrix((weights.ravel(), (rows, nodes.ravel())), shape=(count, size[0] * size[1]))
    column, row = np.round(points / step_px).astype(int).T
    fold = (column + 2 * row) % FOLDS
    free = _losses(shift, worth)
    best: tuple[float, float] | None = None
    for change in CHANGES_PX:
        held = np.zeros_like(shift)
        for k in range(FOLDS):
            use = fold != k
            if use.all() or not use.any():
                return None
            held[~use] = way[~use] @ _fit(way[use], shift[use], worth[use], size, change)[0]
        gain = free - _losses(shift - held, worth)
        sure = float(gain.mean() / max(gain.std() / np.sqrt(count), 1e-12))
        if sure > SURE and (best is None or gain.mean() > best[0]):
            best = (float(gain.mean()), change)
    if best is None:
        return None
    mesh, inside = _fit(way, shift, worth, size, best[1])
    return Bending(mesh.reshape(*size, 2), float(np.sqrt(((way @ mesh)[inside] ** 2).mean())), inside)


def spread(mesh: NDArray[np.float64], shape: tuple[int, int], rows: slice) -> NDArray[np.float64]:
    """Displacements (h, w, 2) of some rows of pixels, bilinear between the nodes."""
    down = _hat(np.arange(shape[0])[rows], shape[0], mesh.shape[0])
    across = _hat(np.arange(shape[1]), shape[1], mesh.shape[1])
    return np.stack([down @ mesh[..., k] @ across.T for k in (0, 1)], axis=2)


def _hat(at: NDArray[np.int64], length: int, nodes: int) -> NDArray[np.float64]:
    place = at * ((nodes - 1) / max(length - 1, 1))
    return np.maximum(0.0, 1.0 - np.abs(place[:, None] - np.arange(nodes)))


def _losses(rest: Points, worth: NDArray[np.float64]) -> NDArray[np.float64]:
    """Squared misfit of every patch in units of its error, bounded so that jumps decide nothing."""
    square = np.einsum("ni,nij,nj->n", rest, worth, rest)
    return np.minimum(square, OUTLIER**2 * max(1.0, float(np.median(square))))


def _fit(
    way: object, shift: Points, worth: NDArray[np.float64], size: tuple[int, int], change_px: float
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Nodes (n, 2) by robust least squares with a prior of smoothness; and the patches that were believed.

    The axes are solved apart: what a patch is worth along each is kept, the correlation of its axes is not.
    """
    from scipy import sparse
    from scipy.sparse.linalg import spsolve

    matrix = sparse.csr_matrix(way)
    prior = sparse.csc_matrix(stiffness(size, change_px))
    variance = np.diagonal(np.linalg.inv(worth), axis1=1, axis2=2)
    robust = np.ones(len(shift))
    found = np.zeros((size[0] * size[1], 2))
    for _ in range(3):
        for axis in (0, 1):
            weight = robust / variance[:, axis]
            normal = matrix.T @ sparse.diags(weight) @ matrix + prior
            found[:, axis] = spsolve(normal.tocsc(), matrix.T @ (weight * shift[:, axis]))
        rest = shift - matrix @ found
        far = np.sqrt(np.einsum("ni,nij,nj->n", rest, worth, rest))
        usual = max(1.0, float(np.median(far)))
        robust = np.minimum(1.0, HUBER * usual / np.maximum(far, 1e-9)) * (far < OUTLIER * usual)
    return found, robust > 0
