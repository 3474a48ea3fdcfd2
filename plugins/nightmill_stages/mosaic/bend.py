"""Bends panels that are placed already, as little and as smoothly as their matches allow.

The air and the turning of the Moon displace each panel a little: a displacement on a coarse mesh for each, all of them
together one sparse least-squares problem. Weights by Huber (1964), Ann. Math. Stat. 35, 73.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..matching.mesh import HUBER, OUTLIER, mesh_weights, stiffness
from ..matching.patches import Matches
from ..matching.placement import Placement
from ..matching.similarity import mapped

__all__ = ["Solution", "bent"]

BEND_CHANGES_PX = (0.15, 0.4, 1.0)
"""Expected change of the bending's slope from one cell of the mesh to the next, pixels: the calmest air is tried first,
and the next only when the matches ask for it."""

RAYLEIGH = 1.177
"""Median length of a two-dimensional normal deviate, in standard deviations."""

MESH = 12
"""Cells of the mesh along a panel's longer side."""


@dataclass(frozen=True)
class Solution:
    """Placements of one connected set of panels.

    Attributes
    ----------
    members : list of int
    fixed : int
        The panel whose own pixels are those of the mosaic.
    placements : dict of int to Placement
    used : list of Matches
        Those that were believed.
    residual_px : float
        Root mean square of what two panels differ by at matched points, each axis, outliers apart.
    worst_px : float
        The same of the pair of panels that fits worst.
    """

    members: list[int]
    fixed: int
    placements: dict[int, Placement]
    used: list[Matches]
    residual_px: float
    worst_px: float


def bent(
    shapes: Sequence[tuple[int, int]],
    members: list[int],
    fixed: int,
    pairs: list[Matches],
    matrices: dict[int, NDArray[np.float64]],
    may_bend: bool,
) -> Solution:
    """Add the bending to rigid placings, by one sparse least-squares problem over all meshes.

    A mesh may also shear a little, as refraction does; that costs nothing in its prior.
    """
    from scipy import sparse
    from scipy.sparse.linalg import spsolve

    sizes = {i: _mesh_size(shapes[i]) for i in members}
    starts, total = {}, 0
    for i in members:
        starts[i] = total
        total += 2 * sizes[i][0] * sizes[i][1]
    systems = [_bend_equations(pair, matrices, shapes, sizes, starts, total) for pair in pairs]
    matrix = sparse.vstack([one[0] for one in systems], format="csr")
    value, worth = (np.concatenate([one[k] for one in systems]) for k in (1, 2))
    typical = np.inf
    bend = np.zeros(total)
    for change in BEND_CHANGES_PX:
        prior = sparse.block_diag([stiffness(sizes[i], change) for i in members for _ in range(2)], format="csr")
        robust = np.ones(len(worth))
        for _ in range(6):
            scaled = sparse.block_diag(list(worth * robust[:, None, None]), format="csr")
            if may_bend:
                bend = spsolve((matrix.T @ scaled @ matrix + prior).tocsc(), matrix.T @ (scaled @ value))
            rest = (value - matrix @ bend).reshape(-1, 2)
            size = np.sqrt(np.einsum("ni,nij,nj->n", rest, worth, rest))
            far = OUTLIER * max(1.0, float(np.median(size)))
            robust = np.minimum(1.0, HUBER / np.maximum(size, 1e-9)) * (size < far)
        before, typical = typical, float(np.median(size))
        if typical < RAYLEIGH or typical > 0.95 * before:
            break
    placements = {}
    for i in members:
        rows, columns = sizes[i]
        part = bend[starts[i] : starts[i] + 2 * rows * columns].reshape(2, rows, columns)
        placements[i] = Placement(matrices[i], np.stack([part[0], part[1]], axis=2).astype(np.float32), shapes[i])
    ends = np.cumsum([0, *(len(pair.here) for pair in pairs)])
    trusted = robust > 0
    squares = [(rest[a:b][trusted[a:b]] ** 2).mean() for a, b in pairwise(ends) if trusted[a:b].any()]
    used = [
        replace(pair, here=pair.here[t], there=pair.there[t], worth=pair.worth[t])
        for pair, t in zip(pairs, np.split(trusted, ends[1:-1]), strict=True)
    ]
    overall = float(np.sqrt((rest[trusted] ** 2).mean()))
    return Solution(members, fixed, placements, used, overall, float(np.sqrt(max(squares))))


def _mesh_size(shape: tuple[int, int]) -> tuple[int, int]:
    cell = max(max(shape) / MESH, 24.0)
    return max(3, round(shape[0] / cell) + 1), max(3, round(shape[1] / cell) + 1)


def _bend_equations(
    pair: Matches,
    matrices: dict[int, NDArray[np.float64]],
    shapes: Sequence[tuple[int, int]],
    sizes: dict[int, tuple[int, int]],
    starts: dict[int, int],
    total: int,
) -> tuple[object, NDArray[np.float64], NDArray[np.float64]]:
    """Rows for both axes of every match: linear parts times bendings must cancel what the rigid placings left."""
    from scipy import sparse

    count = len(pair.here)
    data, columns, rows = [], [], []
    rest = np.zeros((count, 2))
    for panel, points, sign in ((pair.first, pair.here, 1.0), (pair.second, pair.there, -1.0)):
        linear = matrices[panel]
        rest -= sign * mapped(linear, points)
        nodes, weights = mesh_weights(shapes[panel], sizes[panel], points)
        for axis in (0, 1):
            for part in (0, 1):
                at = starts[panel] + part * sizes[panel][0] * sizes[panel][1]
                data.append((sign * linear[axis, part] * weights).ravel())
                columns.append((nodes + at).ravel())
                rows.append(np.repeat(2 * np.arange(count) + axis, 4))
    matrix = sparse.csr_matrix(
        (np.concatenate(data), (np.concatenate(rows), np.concatenate(columns))), shape=(2 * count, total)
    )
    return matrix, rest.ravel(), pair.worth
