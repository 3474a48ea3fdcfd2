"""Solves the places of all panels together: shift, turn and scale of each; `bend` then bends them.

Every pair of matched points asks that both panels put it at the same place of the mosaic. The similarity of each panel
is linear in four numbers, so one robust least-squares problem holds all pairs at once, and loops of overlaps share
their misfit evenly (bundle adjustment in the plane: Brown & Lowe 2007, Int. J. Comput. Vis. 74, 59).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..matching.mesh import HUBER, OUTLIER
from ..matching.patches import Matches
from ..matching.similarity import mapped, softened
from .bend import Solution, bent

__all__ = ["components", "place_panels"]

Points = NDArray[np.float64]


SCALE_SPREAD = 0.01
"""Expected error of a panel's scale along the chain that it was first hung on, relative."""


BENT_SIGMA_PX = 0.25
"""While placings are rigid, bending adds so much to every match's own error."""


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
            return [bent(shapes, *one, bend) for one in solutions]
        pairs.remove(doubtful)


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
    worth = np.concatenate([softened(pair.worth, BENT_SIGMA_PX) for pair in pairs])
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


def _equations(
    pair: Matches, order: dict[int, int], start: dict[int, NDArray[np.float64]], shapes: Sequence[tuple[int, int]]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Rows (n, 2, unknowns) and what they should give: minus what the first placings leave."""
    block = np.zeros((len(pair.here), 2, 4 * len(order)))
    value = np.zeros((len(pair.here), 2))
    for panel, points, sign in ((pair.first, pair.here, 1.0), (pair.second, pair.there, -1.0)):
        value -= sign * mapped(start[panel], points)
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
    rest = mapped(first, pair.here) - mapped(second, pair.there)
    return float(np.median(np.hypot(*rest.T)))
