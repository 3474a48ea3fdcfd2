"""How many frames to stack: the share that carries the most information on the scene.

Frames are ranked by sharpness and looked at in groups. Each group's transfer, relative to the sharpest, and the scatter
of its frames about their mean (photon noise and what the air changes) say what signal and what noise a stack down to
that rank would have at every frequency; the share with the largest information, the sum over all frequencies of
log2(1 + signal power / noise power) (Shannon 1949, Proc. IRE 37, 10, doi:10.1109/JRPROC.1949.232969), is the measure.
More frames nearly always add some, but ever less, while the picture gets softer and asks more of the sharpening, whose
model of the blur is never perfect: the smallest share that has most of the information wins.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import FrameTable

from ..align.correlate import moved, taper
from ..align.geometry import Grid
from ..align.mesh import bend
from ..grade.flags import UNUSABLE
from .phases import Layout

__all__ = ["Choice", "all_usable", "choose_share", "information", "rings", "sharpest"]

EDGES = (0.0, 0.04, 0.08, 0.13, 0.19, 0.26, 0.35, 0.45, 0.6, 0.8, 1.0)
"""Groups of registered frames by rank."""

ENOUGH = 0.9
"""Share of the largest information that is enough (chosen after sharpening, on the quality
benchmark's tuning set and its second simulator, seeds 3 to 7)."""

EACH = 12
"""Frames looked at in each group."""

LONGEST = 256
"""Cells along the box that is compared."""


@dataclass(frozen=True)
class Choice:
    """A share of the usable frames, what it was chosen from ([share, bits]), and why in words."""

    share: float
    curve: list[list[float]]
    why: str


def choose_share(table: FrameTable, usable: NDArray[np.bool_], context: stage.Context, layout: Layout) -> Choice:
    """Choose the share of usable frames to stack.

    Parameters
    ----------
    table : FrameTable
    usable : ndarray of bool, shape (rows,)
        Registered frames.
    context : Context
        Frames are read through it.
    layout : Layout
    """
    order = np.lexsort((table["number"], np.where(usable, -table["sharpness"], np.inf)))[: int(usable.sum())]
    # Shares are of all frames that grading left, of which only the sharper were registered.
    among = all_usable(table, usable)
    if len(order) < 40:
        count = len(order)
        return Choice(count / among, [], "So few frames are registered that all are stacked.")
    grid = _grid(table, usable, layout)
    window = taper(grid.shape, grid.taper)
    means, scatters, counts = [], [], []
    edges = np.unique(np.round(np.array(EDGES) * len(order)).astype(int))
    for start, stop in pairwise(edges):
        rows = order[start:stop]
        rows = np.sort(rows[np.unique(np.linspace(0, len(rows) - 1, min(EACH, len(rows))).round().astype(int))])
        spectra = np.stack([_spectrum(table, int(row), context, grid, window) for row in rows])
        mean = spectra.mean(axis=0)
        scatter = (np.abs(spectra - mean) ** 2).sum(axis=0) / max(len(rows) - 1, 1)
        means.append(mean)
        scatters.append(scatter)
        counts.append(stop - start)
    ring = rings(grid.shape)
    bits, shares = information(np.stack(means), np.stack(scatters), np.array(counts), ring, EACH)
    best = int(np.argmax(bits >= ENOUGH * bits.max()))
    curve = [[round(float(s * len(order) / among), 4), round(float(b), 1)] for s, b in zip(shares, bits, strict=True)]
    return Choice(
        curve[best][0], curve, f"The smallest share whose stack carries {ENOUGH:.0%} of the information on the scene."
    )


def all_usable(table: FrameTable, usable: NDArray[np.bool_]) -> int:
    """Return how many frames grading left, of which only the sharper may have been registered."""
    free = (table["flags"] & int(UNUSABLE)) == 0 if "flags" in table else usable
    return max(int(np.count_nonzero(free)), int(usable.sum()), 1)


def rings(shape: tuple[int, int]) -> NDArray[np.int64]:
    """Return for each coefficient of the half spectrum the number of its ring, in units of the lowest frequency."""
    rows, columns = np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None, :]
    return np.minimum((np.hypot(rows, columns) * min(shape)).round().astype(np.int64), min(shape) // 2)


def information(
    means: NDArray[np.complex64],
    scatters: NDArray[np.floating],
    counts: NDArray[np.integer],
    ring: NDArray[np.int64],
    each: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the information in stacks of the first 1, 2, ... groups.

    Parameters
    ----------
    means : ndarray of complex64, shape (groups, h, w // 2 + 1)
        Mean half spectrum of some frames of each group, sharpest group first.
    scatters : ndarray, same shape
        Variance of a frame's spectrum about it.
    counts : ndarray of int, shape (groups,)
        Frames that the group stands for.
    ring : ndarray of int64, shape (h, w // 2 + 1)
    each : int
        Frames that were looked at in each group.

    Returns
    -------
    bits, shares : ndarray of float64, shape (groups,)
        Information over all frequencies, bits; share of all frames.
    """
    size = np.bincount(ring.ravel()).astype(np.float64)

    def averaged(values: NDArray[Any]) -> NDArray[np.float64]:
        return np.bincount(ring.ravel(), values.ravel().astype(np.float64), len(size)) / size

    whole = np.average(means, axis=0, weights=counts)
    # Transfer of each group against the mean of the other groups, so that noise does not correlate with itself.
    transfer, noise = [], []
    for index, mean in enumerate(means):
        rest = whole * counts.sum() - mean * counts[index]
        rest = rest / max(counts.sum() - counts[index], 1)
        transfer.append(averaged((mean * np.conj(rest)).real))
        noise.append(averaged(scatters[index]))
    cross = np.array(transfer)
    scatter = np.array(noise)
    weights = counts / counts.sum()
    # Signal power of the weighted mean: the groups' cross spectra are T_g * T_rest * power; noise-free by construction.
    total = np.maximum(weights @ cross, 1e-30)
    relative = np.clip(cross / total, 0, 20)
    power = total
    done = np.cumsum(counts)
    signal = np.cumsum(relative * counts[:, None], axis=0) / done[:, None]
    error = np.cumsum(scatter * counts[:, None], axis=0) / done[:, None] ** 2
    ratio = signal**2 * power[None] / np.maximum(error, 1e-30)
    # Beyond the first ring without signal there is only noise; counting it would reward noise.
    clear = total > 2 * (weights @ scatter) / (each * len(counts)) / np.sqrt(size)
    last = int(np.argmax(~clear[2:])) + 2 if np.any(~clear[2:]) else len(clear)
    bits = (size[None, 2:last] * np.log2(1 + ratio[:, 2:last])).sum(axis=1)
    return bits, done / counts.sum()


def _grid(table: FrameTable, usable: NDArray[np.bool_], layout: Layout) -> Grid:
    """Return the box to compare: the object, or the middle of a surface."""
    halvings = 1 if layout.cfa else 0
    y_px = float(np.median(table["y_px"][usable] - table["dy_px"][usable]))
    x_px = float(np.median(table["x_px"][usable] - table["dx_px"][usable]))
    fills = bool(table["fills_frame"][usable].any())
    extent = min(layout.height, layout.width) if fills else float(np.median(table["extent_px"][usable])) * 1.25 + 16
    if fills:
        y_px, x_px = (layout.height - 1) / 2, (layout.width - 1) / 2
    while extent / 2**halvings > LONGEST * 1.5 and not fills:
        halvings += 1
    side = int(min(scipy.fft.next_fast_len(int(extent / 2**halvings), real=True), LONGEST))
    return Grid(halvings, side, side, y_px, x_px, 0.4 if fills else 0.15)


def _spectrum(
    table: FrameTable, row: int, context: stage.Context, grid: Grid, window: NDArray[np.float32]
) -> NDArray[np.complex64]:
    """Return the half spectrum of a frame's box, moved (and unbent) onto the reference, per unit of brightness."""
    frames = context.read(table["number"][row : row + 1])
    dy, dx = float(table["dy_px"][row]), float(table["dx_px"][row])
    box, top, left = grid.box(frames.data[0], grid.y_px + dy, grid.x_px + dx)
    top0, left0 = grid.corner(grid.y_px, grid.x_px)
    rest = dy / grid.cell - (top - top0), dx / grid.cell - (left - left0)
    if "mesh" in table and table["mesh"].shape[1] > 1:
        box = bend(box, _local(table["mesh"][row], grid, frames.data.shape[1:3]) / np.float32(grid.cell))
    fills = bool(table["fills_frame"][row])
    sky = float(box.mean()) if fills else float(table["background"][row] * frames.full_scale)
    spectrum = scipy.fft.rfft2((box - np.float32(sky)) * window, workers=1)[None]
    level = float(table["level"][row]) or 1.0
    return moved(spectrum / np.float32(level), np.array([rest[0]]), np.array([rest[1]]), grid.shape)[0]


def _local(mesh: NDArray[np.float32], grid: Grid, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Return the part of a mesh over the frame that covers the grid's box, as a mesh over the box."""
    import cv2

    rows, columns = mesh.shape[:2]
    top, left = grid.corner(grid.y_px, grid.x_px)
    steps = max(grid.height // 8, 2), max(grid.width // 8, 2)
    y = (top + (np.arange(steps[0]) + 0.5) * grid.height / steps[0]) * grid.cell
    x = (left + (np.arange(steps[1]) + 0.5) * grid.width / steps[1]) * grid.cell
    map_y = np.broadcast_to((y / shape[0] * rows - 0.5)[:, None], steps).astype(np.float32)
    map_x = np.broadcast_to((x / shape[1] * columns - 0.5)[None, :], steps).astype(np.float32)
    return cv2.remap(mesh, map_x.copy(), map_y.copy(), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def sharpest(table: FrameTable, usable: NDArray[np.bool_], share: float) -> NDArray[np.bool_]:
    """Return a mask of the sharpest frames: a share of all that grading left, at least four when there are."""
    count = min(max(round(share * all_usable(table, usable)), 4), int(usable.sum()))
    order = np.lexsort((table["number"], np.where(usable, -table["sharpness"], np.inf)))
    mask = np.zeros(table.rows, bool)
    mask[order[:count]] = True
    return mask & usable
