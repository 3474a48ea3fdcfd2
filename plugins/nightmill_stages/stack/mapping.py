"""Where the pixels of the stack lie in a bent frame: the mesh of local shifts, laid out over what is stacked."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import FrameTable

from .phases import Layout
from .turning import Seen, Turning

__all__ = ["Bending", "Way", "field_over", "spread_nodes", "way_of"]

Float = NDArray[np.float32]

POWER = 5.0
"""Weight of a frame at a place: its local contrast, over the usual one there, to this power (chosen on
lunar fields of the quality benchmark: its tuning set, and its second simulator, seeds 3 to 7)."""

CONTRAST = (0.5, 1.5)
"""Contrasts beyond are not believed."""


@lru_cache(maxsize=8)
def _weights(first: int, count: int, scale: int, length: int, nodes: int) -> Float:
    """Return the shares (count * scale, nodes) of the nodes in every pixel along an axis: linear between nodes.

    Node i is the middle of the i-th of equal parts of the axis; beyond the outermost nodes theirs holds.
    """
    place = first + (np.arange(count * scale) + 0.5) / scale - 0.5
    where = np.clip((place + 0.5) / length * nodes - 0.5, 0, nodes - 1)
    low = np.minimum(where.astype(int), max(nodes - 2, 0))
    share = np.zeros((count * scale, nodes), np.float32)
    each = np.arange(count * scale)
    share[each, low] = 1 - (where - low)
    if nodes > 1:
        share[each, low + 1] += where - low
    share.flags.writeable = False
    return share


def spread_nodes(values: Float, layout: Layout, scale: int = 1) -> Float:
    """Interpolate values at the nodes of a mesh over the frame.

    Parameters
    ----------
    values : ndarray of float32, shape (rows, columns)
    layout : Layout
        The part that is stacked.
    scale : int
        Pixels wanted per camera pixel.

    Returns
    -------
    ndarray of float32, shape (height * scale, width * scale)
    """
    height, width = layout.sensor or (layout.height, layout.width)
    if 4 * layout.height * layout.width > height * width:
        # Of most of the frame: the same shares of the same nodes, without the zeros of a matrix.
        size = width * scale, height * scale
        whole = cv2.resize(np.ascontiguousarray(values, np.float32), size, interpolation=cv2.INTER_LINEAR)
        top, left = layout.top * scale, layout.left * scale
        part = whole[top : top + layout.height * scale, left : left + layout.width * scale]
        return np.ascontiguousarray(part)
    down = _weights(layout.top, layout.height, scale, height, values.shape[0])
    across = _weights(layout.left, layout.width, scale, width, values.shape[1])
    return np.matmul(np.matmul(down, np.ascontiguousarray(values)), across.T)


def field_over(
    mesh: Float, layout: Layout, shift: tuple[float, float] = (0.0, 0.0), scale: int = 1
) -> tuple[Float, Float]:
    """Return where the pixels of the part that is stacked lie in a bent frame.

    Parameters
    ----------
    mesh : ndarray of float32, shape (rows, columns, 2)
        Local shifts, camera pixels.
    layout : Layout
    shift : (float, float)
        Common to all pixels, camera pixels.
    scale : int
        Pixels wanted per camera pixel.

    Returns
    -------
    rows, columns : ndarray of float32, shape (height * scale, width * scale)
        In camera pixels, counted from the first row and column of the part.
    """
    rows, columns = (spread_nodes(mesh[..., axis], layout, scale) for axis in range(2))
    down = (np.arange(layout.height * scale, dtype=np.float32) + np.float32(0.5)) / np.float32(scale) - np.float32(0.5)
    across = (np.arange(layout.width * scale, dtype=np.float32) + np.float32(0.5)) / np.float32(scale) - np.float32(0.5)
    rows += (down + np.float32(shift[0]))[:, None]
    columns += across + np.float32(shift[1])
    return rows, columns


class Bending:
    """Where the pixels of the part that is stacked lie in a bent frame, worked out some rows at a time.

    As `field_over` does for all of them, but nothing as large as a frame is made.

    Parameters
    ----------
    mesh : ndarray of float32, shape (rows, columns, 2)
        Local shifts, camera pixels.
    layout : Layout
    """

    def __init__(self, mesh: Float, layout: Layout) -> None:
        height, width = layout.sensor or (layout.height, layout.width)
        self._down = _weights(layout.top, layout.height, 1, height, mesh.shape[0])
        across = _weights(layout.left, layout.width, 1, width, mesh.shape[1])
        values = np.ascontiguousarray(np.moveaxis(mesh, -1, 0), np.float32)
        # Below the nodes' own rows two more: each column's number, and ones.
        self._nodes = np.empty((2, mesh.shape[0] + 2, layout.width), np.float32)
        np.matmul(values, across.T, out=self._nodes[:, :-2])
        self._nodes[:, -2], self._nodes[:, -1] = np.arange(layout.width), 1

    def at(self, strip: tuple[slice, slice], shift: tuple[float, float]) -> tuple[Float, Float]:
        """Return rows and columns for a part of what is stacked, moved by a shift common to all."""
        share = self._down[strip[0]]
        near = np.flatnonzero(share.any(axis=0))
        of = np.empty((2, share.shape[0], len(near) + 2), np.float32)
        of[:, :, :-2] = share[:, near]
        of[0, :, -2], of[0, :, -1] = 0, np.arange(strip[0].start, strip[0].stop) + shift[0]
        of[1, :, -2], of[1, :, -1] = 1, shift[1]
        used = self._nodes[:, [*near, -2, -1], strip[1]]
        return np.matmul(of[0], used[0]), np.matmul(of[1], used[1])


@dataclass(frozen=True)
class Way:
    """How a frame shows the part that is stacked.

    Attributes
    ----------
    shift : (float, float)
        Of the frame as a whole, camera pixels: frame(y + dy, x + dx) = reference(y, x).
    field : (ndarray, ndarray) of float32, shape (h, w), or Bending
        Row and column at which each pixel lies in the frame but for the shift, see `field_over`.
    seen : Seen
        How well it saw each pixel.
    """

    shift: tuple[float, float]
    field: Any
    seen: Seen = dataclasses.field(default_factory=Seen)


def way_of(
    rows: FrameTable,
    row: int,
    layout: Layout,
    turning: Turning | None,
    scale: int = 1,
    usual: Float | None = None,
    strips: bool = False,
    sky: float = 0.0,
) -> Way:
    """Return how a frame shows the part that is stacked.

    Parameters
    ----------
    rows : FrameTable
        With "dy_px", "dx_px", "mesh" and "utc".
    row : int
        Of the frame.
    layout : Layout
    turning : Turning or None
    scale : int
        Pixels wanted per camera pixel.
    usual : ndarray of float32, shape (rows, columns), or None
        Mean contrast at the nodes of the mesh: frames weigh by how much sharper than usual they are at each place.
    strips : bool
        Whether the field may be a `Bending`.
    sky : float
        Brightness of the sky on the frame, ADU.
    """
    shift = float(rows["dy_px"][row]), float(rows["dx_px"][row])
    mesh = rows["mesh"][row]
    field = Bending(mesh, layout) if strips and turning is None else field_over(mesh, layout, scale=scale)
    local: Float | float = 1.0
    if usual is not None:
        sharper = np.clip(rows["contrast"][row] / np.maximum(usual, 1e-3), *CONTRAST) ** np.float32(POWER)
        local = spread_nodes(sharper.astype(np.float32), layout, scale)
    if turning is None or isinstance(field, Bending):
        return Way(shift, field, Seen(local, None, sky))
    utc = float(rows["utc"][row])
    moved, seen = turning.moved(field, utc)
    return Way(turning.shift(shift, utc), moved, Seen(seen.weight * local, seen.gain, sky))
