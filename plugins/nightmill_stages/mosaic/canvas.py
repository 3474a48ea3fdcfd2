"""The frame of a mosaic, and which panel is shown where: each pixel belongs to the panel that is best there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ..matching.panels import REACH_STEP, Panel
from ..matching.placement import Placement, to_mosaic, to_panel

__all__ = ["Box", "Canvas", "lay_canvas", "own_pixels", "panel_box", "tiles"]

Float = NDArray[np.float32]

TILE = 1024


@dataclass(frozen=True)
class Box:
    """A rectangle of pixels: rows top to bottom, columns left to right, ends exclusive."""

    top: int
    bottom: int
    left: int
    right: int

    @property
    def rows(self) -> slice:
        """As an index."""
        return slice(self.top, self.bottom)

    @property
    def columns(self) -> slice:
        """As an index."""
        return slice(self.left, self.right)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.bottom - self.top, self.right - self.left

    def grid(self) -> tuple[Float, Float]:
        """Coordinates x and y of its pixels, shape (h, w)."""
        x, y = np.meshgrid(np.arange(self.left, self.right), np.arange(self.top, self.bottom))
        return x.astype(np.float32), y.astype(np.float32)


@dataclass(frozen=True)
class Canvas:
    """Size of the mosaic, and the placements moved so that its top left pixel is (0, 0)."""

    shape: tuple[int, int]
    placements: dict[int, Placement]


def lay_canvas(placements: dict[int, Placement]) -> Canvas:
    """Find the rectangle that holds all panels."""
    corners = np.concatenate([_outline(place) for place in placements.values()])
    low = np.floor(corners.min(axis=0)).astype(int)
    high = np.ceil(corners.max(axis=0)).astype(int)
    move = np.eye(3)
    move[:2, 2] = -low
    moved = {i: Placement(move @ p.matrix, p.bend, p.shape) for i, p in placements.items()}
    return Canvas((int(high[1] - low[1]) + 1, int(high[0] - low[0]) + 1), moved)


def panel_box(canvas: Canvas, index: int, margin: int = 0, align: int = 1) -> Box:
    """The part of the canvas that a panel can reach, grown by a margin, its corners multiples of `align`."""
    corners = _outline(canvas.placements[index])
    left, top = np.floor(corners.min(axis=0)).astype(int) - margin
    right, bottom = np.ceil(corners.max(axis=0)).astype(int) + 1 + margin
    height, width = (-(-size // align) * align for size in canvas.shape)
    return Box(
        max(0, top // align * align),
        min(height, -(-bottom // align) * align),
        max(0, left // align * align),
        min(width, -(-right // align) * align),
    )


def tiles(box: Box) -> Iterator[Box]:
    """Cut a box into parts of bounded size."""
    for top in range(box.top, box.bottom, TILE):
        for left in range(box.left, box.right, TILE):
            yield Box(top, min(top + TILE, box.bottom), left, min(left + TILE, box.right))


def own_pixels(canvas: Canvas, panels: Sequence[Panel], gains: dict[int, float]) -> NDArray[np.int16]:
    """Give every pixel of the mosaic to the panel that is best there.

    Best is the largest product of the distance from the panel's edge and its quietness: one over the variance of its
    noise, relative to the others and within a factor of 4, so that a noisy panel gives way but still has its middle.

    Returns
    -------
    ndarray of int16, shape (h, w)
        Index of the panel; -1 where none has data.
    """
    noises = {i: max(panels[i].noise * gains[i], 1e-12) for i in canvas.placements}
    usual = float(np.median(list(noises.values())))
    owner = np.full(canvas.shape, -1, np.int16)
    best = np.zeros(canvas.shape, np.float32)
    for index, place in canvas.placements.items():
        quiet = float(np.clip((usual / noises[index]) ** 2, 0.25, 4.0)) * place.scale
        for box in tiles(panel_box(canvas, index)):
            x, y = to_panel(place, *box.grid())
            inside = (x >= 0) & (y >= 0) & (x <= place.shape[1] - 1) & (y <= place.shape[0] - 1)
            reach = cv2.remap(
                panels[index].reach,
                x / np.float32(REACH_STEP),
                y / np.float32(REACH_STEP),
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            )
            value = np.where(inside, reach * np.float32(quiet), 0)
            part = best[box.rows, box.columns]
            better = value > part
            part[better] = value[better]
            owner[box.rows, box.columns][better] = index
    return owner


def _outline(place: Placement) -> NDArray[np.float64]:
    """Points all along the edge of a panel, in the mosaic."""
    height, width = place.shape
    x, y = np.linspace(0, width - 1, 17), np.linspace(0, height - 1, 17)
    edge = [(a, b) for a in x for b in (0, height - 1)] + [(a, b) for a in (0, width - 1) for b in y]
    return to_mosaic(place, np.array(edge, float))
