"""Makes the panels equally bright: a gain and an offset for each, from all overlaps at once.

Gains first, as differences of logarithms, in which the problem is linear (as for exposures: Brown & Lowe 2007, Int. J.
Comput. Vis. 74, 59, section 6, who solve for plain gains); then gains and offsets together, robustly. The mean gain is
1 and the mean offset 0: the mosaic is as bright as its panels are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..matching.panels import Panel, filled
from ..matching.placement import Placement

__all__ = ["Level", "level_panels"]

MOST_SAMPLES = 1500
GAIN_SPREAD = 0.05
"""Expected error of the gains from logarithms alone, because of offsets."""

OFFSET_SPREAD = 0.02
"""Expected size of offsets, as a share of the brightness."""


@dataclass(frozen=True)
class Level:
    """What a panel's values are multiplied by and what is then added, one of each a channel."""

    gain: tuple[float, ...]
    offset: tuple[float, ...]


def level_panels(
    panels: Sequence[Panel], placements: dict[int, Placement], pairs: Sequence[tuple[int, int]]
) -> dict[int, Level]:
    """Find gain and offset of every placed panel.

    Parameters
    ----------
    panels : sequence of Panel
    placements : dict of int to Placement
    pairs : sequence of (int, int)
        Panels that overlap.
    """
    members = sorted(placements)
    channels = min(panels[i].light.shape[0] for i in members)
    found = []
    for channel in range(channels):
        samples = {pair: _samples(panels, placements, pair, channel) for pair in pairs}
        found.append(_solve(members, {pair: one for pair, one in samples.items() if len(one)}))
    return {
        i: Level(tuple(float(f[0][k]) for f in found), tuple(float(f[1][k]) for f in found))
        for k, i in enumerate(members)
    }


def _samples(
    panels: Sequence[Panel], placements: dict[int, Placement], pair: tuple[int, int], channel: int
) -> NDArray[np.float64]:
    """Values (n, 2) that the two panels show of the same places."""
    first, second = (panels[i] for i in pair)
    a, b = (placements[i] for i in pair)
    # Bending is far below a coarse pixel.
    matrix = np.linalg.inv(a.matrix @ first.whole) @ (b.matrix @ second.whole)
    height, width = first.valid.shape
    smooth = [cv2.GaussianBlur(filled(one.light[channel], one.valid), (0, 0), 1.5) for one in (first, second)]
    moved = cv2.warpPerspective(smooth[1], matrix, (width, height), flags=cv2.INTER_LINEAR)
    there = cv2.warpPerspective(second.valid.astype(np.float32), matrix, (width, height), flags=cv2.INTER_LINEAR)
    inner = cv2.erode((first.valid & (there > 0.999)).astype(np.uint8), np.ones((5, 5), np.uint8), borderValue=0)
    rows, columns = np.nonzero(inner)
    if len(rows) > MOST_SAMPLES:
        chosen = np.linspace(0, len(rows) - 1, MOST_SAMPLES).astype(int)
        rows, columns = rows[chosen], columns[chosen]
    return np.stack([smooth[0][rows, columns], moved[rows, columns]], axis=1).astype(np.float64)


def _solve(
    members: list[int], samples: dict[tuple[int, int], NDArray[np.float64]]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    index = {i: k for k, i in enumerate(members)}
    count = len(members)
    gains, offsets = np.ones(count), np.zeros(count)
    if not samples:
        return gains, offsets
    bright = float(np.median(np.concatenate([np.abs(one).max(axis=1) for one in samples.values()])))
    if not bright > 0:
        return gains, offsets
    normal, right = 1e-6 * np.eye(count), np.zeros(count)
    for (i, j), values in samples.items():
        lit = values.min(axis=1) > 0.1 * np.percentile(values, 90.0)
        if lit.sum() < 8:
            continue
        ratio = float(np.median(np.log(values[lit, 1] / values[lit, 0])))
        row = np.zeros(count)
        row[index[i]], row[index[j]] = 1.0, -1.0
        weight = float(lit.sum())
        normal += weight * np.outer(row, row)
        right += weight * ratio * row
    normal += 1e6 * np.ones((count, count)) / count  # the mean of the logarithms is 0
    gains = np.exp(np.linalg.solve(normal, right))
    # Now both: (1 + e) g v + o, in units of the brightness, with what is expected of e and o.
    rows = []
    for (i, j), values in samples.items():
        block = np.zeros((len(values), 2 * count))
        a, b = values.T / bright
        block[:, index[i]], block[:, index[j]] = gains[index[i]] * a, -gains[index[j]] * b
        block[:, count + index[i]], block[:, count + index[j]] = 1.0, -1.0
        rows.append(block)
    matrix = np.concatenate(rows)
    value = -(matrix[:, :count].sum(axis=1))
    prior = np.diag(np.r_[np.full(count, 1 / GAIN_SPREAD**2), np.full(count, 1 / OFFSET_SPREAD**2)])
    for part in (slice(0, count), slice(count, 2 * count)):
        prior[part, part] += 1e8 / count  # means stay
    robust = np.ones(len(value))
    found = np.zeros(2 * count)
    for _ in range(6):
        scaled = matrix * robust[:, None]
        rest = value - matrix @ found
        spread = max(1.4826 * float(np.median(np.abs(rest))), 1e-4)
        # Neighbouring samples see the same: a tenth of them counts.
        found = np.linalg.solve(0.1 / spread**2 * scaled.T @ matrix + prior, 0.1 / spread**2 * scaled.T @ value)
        robust = np.minimum(1.0, 1.5 * spread / np.maximum(np.abs(value - matrix @ found), 1e-12))
    return gains * (1 + found[:count]), found[count:] * bright
