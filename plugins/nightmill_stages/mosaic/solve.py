"""Solves the places of all panels together: first shift, turn and scale of each, then its smooth bending.

Every pair of matched points asks that both panels put it at the same place of the mosaic. The similarity of each panel
is linear in four numbers, so one robust least-squares problem holds all pairs at once, and loops of overlaps share
their misfit evenly (bundle adjustment in the plane: Brown & Lowe 2007, Int. J. Comput. Vis. 74, 59). What remains is
bending by the air and by the turning of the Moon: a displacement on a coarse mesh for each panel, as small and as
smooth as the matches allow. Weights by Huber (1964), Ann. Math. Stat. 35, 73.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from .patches import Matches

__all__ = ["Placement", "Solution", "components", "place_panels", "to_mosaic", "to_panel"]

Points = NDArray[np.float64]

HUBER = 1.5
OUTLIER = 6.0
"""Standard deviations from which a whole pair of panels counts as contradicting the others."""

SCALE_SPREAD = 0.01
"""Expected error of a panel's scale along the chain that it was first hung on, relative."""

BEND_PX = 0.7
"""Expected bending of a panel by air and refraction, pixels rms."""

BEND_CHANGES_PX = (0.15, 0.4, 1.0)
"""Expected change of the bending's slope from one cell of the mesh to the next, pixels: the calmest air is tried first,
and the next only when the matches ask for it."""

RAYLEIGH = 1.177
"""Median length of a two-dimensional normal deviate, in standard deviations."""

MESH = 12
"""Cells of the mesh along a panel's longer side."""

BENT_SIGMA_PX = 0.25
"""While placings are rigid, bending adds so much to every match's own error."""


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


def components(count: int, pairs: Sequence[Matches]) -> list[list[int]]:
    """Sets of panels that hang together, the largest first; panels without any match are sets of one."""
    label = list(range(count))
    for pair in pairs:
        old, new = label[pair.second], label[pair.first]
        label = [new if one == old else one for one in label]
    found = [[i for i in range(count) if label[i] == name] for name in dict.fromkeys(label)]
    return sorted(found, key=lambda one: (-len(one), one[0]))


def place_panels(shapes: Sequence[tuple[int, int]], pairs: Sequence[Matches], *, bend: bool = True) -> list[Solution]:
    """Place all panels that can be placed.

    Parameters
    ----------
    shapes : sequence of tuple of int
        Rows and columns of every panel.
    pairs : sequence of Matches
        Some may be false: a pair that contradicts the rest is left out.
    bend : bool
        Let panels bend.

    Returns
    -------
    list of Solution
        One for each connected set of at least two panels, the largest first.
    """
    pairs = list(pairs)
    while True:
        solutions, doubtful = [], None
        for members in components(len(shapes), pairs):
            if len(members) < 2:
                continue
            own = [pair for pair in pairs if pair.first in members]
            fixed = _central(members, own)
            matrices = _similarities(members, own, fixed, shapes)
            doubtful = _contradiction(members, own, matrices, shapes)
            if doubtful is not None:
                break
            solutions.append((members, fixed, own, matrices))
        if doubtful is None:
            return [_bent(shapes, *one, bend) for one in solutions]
        pairs.remove(doubtful)


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
    rows, weights = _mesh_weights(place.shape, place.bend.shape[:2], points)
    flat = place.bend.reshape(-1, 2).astype(np.float64)
    return np.asarray((flat[rows] * weights[..., None]).sum(axis=1))


def _central(members: list[int], pairs: list[Matches]) -> int:
    """The panel with the most matches."""
    weight = {i: sum(len(p.here) for p in pairs if i in (p.first, p.second)) for i in members}
    return max(members, key=lambda i: (weight[i], -i))


def _similarities(
    members: list[int], pairs: list[Matches], fixed: int, shapes: Sequence[tuple[int, int]]
) -> dict[int, NDArray[np.float64]]:
    """Shift, turn and scale of every panel but the fixed one.

    Panels are first hung on one another along the strongest pairs; then all corrections are solved for together. Each
    is written about its panel's middle and in units of its size, which keeps the problem well conditioned.
    """
    start = _chained(members, pairs, fixed)
    order = {i: k for k, i in enumerate(i for i in members if i != fixed)}
    blocks = [_equations(pair, order, start, shapes) for pair in pairs]
    matrix, value = (np.concatenate([one[k] for one in blocks]) for k in (0, 1))
    worth = np.concatenate([_softened(pair.worth) for pair in pairs])
    prior = np.zeros((4 * len(order), 4 * len(order)))
    for i, k in order.items():
        # Without it a mosaic might shrink to please a false pair.
        a, b = start[i][0, 0], start[i][1, 0]
        along = np.array([a, b]) / np.hypot(a, b) / (_half(shapes[i]) * SCALE_SPREAD * np.hypot(a, b))
        prior[4 * k : 4 * k + 2, 4 * k : 4 * k + 2] += np.outer(along, along)
    prior += 1e-6 * np.eye(len(prior))
    robust = np.ones(len(worth))
    found = np.zeros(len(prior))
    for _ in range(12):
        rest = matrix @ found - value
        size = np.sqrt(np.einsum("ni,nij,nj->n", rest, worth, rest))
        robust = np.minimum(1.0, HUBER / np.maximum(size, 1e-9))
        scaled = worth * robust[:, None, None]
        normal = np.einsum("nip,nij,njq->pq", matrix, scaled, matrix, optimize=True)
        found = np.linalg.solve(normal + prior, np.einsum("nip,nij,nj->p", matrix, scaled, value, optimize=True))
    matrices = {fixed: np.eye(3)}
    for i, k in order.items():
        a, b, x, y = found[4 * k : 4 * k + 4] / np.array([_half(shapes[i]), _half(shapes[i]), 1.0, 1.0])
        about = np.array([[1, 0, -(shapes[i][1] - 1) / 2], [0, 1, -(shapes[i][0] - 1) / 2], [0, 0, 1.0]])
        matrices[i] = start[i] + np.array([[a, -b, x], [b, a, y], [0, 0, 0]]) @ about
    return matrices


def _half(shape: tuple[int, int]) -> float:
    return max(shape) / 2


def _chained(members: list[int], pairs: list[Matches], fixed: int) -> dict[int, NDArray[np.float64]]:
    """Placings along the strongest pairs, from the fixed panel outwards."""
    placed = {fixed: np.eye(3)}
    by_strength = sorted(pairs, key=lambda pair: (-len(pair.here) * pair.fit, pair.first, pair.second))
    while len(placed) < len(members):
        pair = next(one for one in by_strength if (one.first in placed) != (one.second in placed))
        if pair.first in placed:
            placed[pair.second] = placed[pair.first] @ _similar(pair.there, pair.here)
        else:
            placed[pair.first] = placed[pair.second] @ _similar(pair.here, pair.there)
    return placed


def _similar(source: Points, target: Points) -> NDArray[np.float64]:
    """Shift, turn and scale from source to target, robustly; points as complex numbers make it linear."""
    s, t = source @ [1, 1j], target @ [1, 1j]
    weight = np.ones(len(s))
    turn, move = 1.0 + 0j, 0j
    for _ in range(8):
        middle_s, middle_t = np.average(s, weights=weight), np.average(t, weights=weight)
        spread = (weight * np.abs(s - middle_s) ** 2).sum()
        turn = (weight * np.conj(s - middle_s) * (t - middle_t)).sum() / spread if spread > 0 else 1.0 + 0j
        move = middle_t - turn * middle_s
        rest = np.abs(turn * s + move - t)
        weight = 1.0 / np.maximum(rest, max(0.3, float(np.median(rest))))
    return np.array([[turn.real, -turn.imag, move.real], [turn.imag, turn.real, move.imag], [0, 0, 1.0]])


def _softened(worth: NDArray[np.float64]) -> NDArray[np.float64]:
    """Inverse covariance with the error that bending adds."""
    values, vectors = np.linalg.eigh(worth)
    values = 1.0 / (1.0 / np.maximum(values, 1e-9) + BENT_SIGMA_PX**2)
    return np.asarray((vectors * values[:, None, :]) @ vectors.transpose(0, 2, 1))


def _equations(
    pair: Matches, order: dict[int, int], start: dict[int, NDArray[np.float64]], shapes: Sequence[tuple[int, int]]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Rows (n, 2, unknowns) and what they should give: minus what the first placings leave."""
    block = np.zeros((len(pair.here), 2, 4 * len(order)))
    value = np.zeros((len(pair.here), 2))
    for panel, points, sign in ((pair.first, pair.here, 1.0), (pair.second, pair.there, -1.0)):
        value -= sign * (points @ start[panel][:2, :2].T + start[panel][:2, 2])
        if panel not in order:
            continue
        k = 4 * order[panel]
        height, width = shapes[panel]
        x, y = ((points - [(width - 1) / 2, (height - 1) / 2]) / _half(shapes[panel])).T
        block[:, 0, k], block[:, 0, k + 1], block[:, 0, k + 2] = sign * x, -sign * y, sign
        block[:, 1, k], block[:, 1, k + 1], block[:, 1, k + 3] = sign * y, sign * x, sign
    return block, value


def _contradiction(
    members: list[int],
    pairs: list[Matches],
    matrices: dict[int, NDArray[np.float64]],
    shapes: Sequence[tuple[int, int]],
) -> Matches | None:
    """The pair without which the others fit best, if one fits so badly that something must be false."""
    if len(pairs) < 2:
        return None
    sizes = [_typical(pair, matrices) for pair in pairs]
    if max(sizes) <= max(3.0, OUTLIER * float(np.median(sizes))):
        return None
    # A false pair drags its neighbours along, so the worst one is not always it: each is left out in turn.
    few = [_thinned(pair) for pair in pairs]

    def left_over(suspect: int) -> float:
        rest = [pair for k, pair in enumerate(few) if k != suspect]
        worst = 0.0
        for part in components(max(members) + 1, rest):
            own = [pair for pair in rest if pair.first in part]
            if own:
                without = _similarities(part, own, _central(part, own), shapes)
                worst = max(worst, *(_typical(pair, without) for pair in own))
        return worst

    return pairs[min(range(len(pairs)), key=left_over)]


def _thinned(pair: Matches) -> Matches:
    """A few of a pair's matches, spread over all."""
    chosen = np.unique(np.linspace(0, len(pair.here) - 1, 12).astype(int))
    return replace(pair, here=pair.here[chosen], there=pair.there[chosen], worth=pair.worth[chosen])


def _typical(pair: Matches, matrices: dict[int, NDArray[np.float64]]) -> float:
    first, second = matrices[pair.first], matrices[pair.second]
    rest = pair.here @ first[:2, :2].T + first[:2, 2] - pair.there @ second[:2, :2].T - second[:2, 2]
    return float(np.median(np.hypot(*rest.T)))


def _bent(
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
        prior = sparse.block_diag([_stiffness(sizes[i], change) for i in members for _ in range(2)], format="csr")
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


def _mesh_weights(
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
        rest -= sign * (points @ linear[:2, :2].T + linear[:2, 2])
        nodes, weights = _mesh_weights(shapes[panel], sizes[panel], points)
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


def _stiffness(size: tuple[int, int], change_px: float) -> object:
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
