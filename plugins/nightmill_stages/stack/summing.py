"""The four ways in which frames become a stack: sums of nothing, a frame added to them, the stack they make.

Where all of a frame moves alike it is summed by its sub-pixel phase; where the air bent it, or the globe turned, every
frame is resampled: plainly, by raw samples behind a colour filter array, or as drops on a finer grid.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import FrameTable, Stack

from .bent import add_bent, empty_bent
from .bent_fine import add_bent_fine, empty_bent_fine, finer
from .bent_mosaic import add_bent_mosaic, empty_bent_mosaic
from .finish import make_bent_fine_stack, make_bent_stack, make_fine_stack, make_stack
from .mapping import way_of
from .phases import Envelope, Layout, add, empty
from .turning import Turning

__all__ = ["Summing", "choose_summing"]

Array = NDArray[Any]
Float = NDArray[np.float32]
Sums = dict[str, Array]


class Summing(Protocol):
    """A way of making a stack of frames."""

    def empty(self) -> Sums:
        """Return sums of nothing."""

    def add(self, sums: Sums, frame: Array, half: int, gain: float, rows: FrameTable, row: int, sky: float) -> None:
        """Add a frame to the sums, in place.

        Parameters
        ----------
        sums : dict
            As made by `empty`.
        frame : ndarray
            ADU, any dtype.
        half : {0, 1}
            Which half-set it belongs to.
        gain : float
            Brightness relative to the reference.
        rows : FrameTable
            With what registration found.
        row : int
            Of the frame, in the table.
        sky : float
            Brightness of the sky on the frame, ADU.
        """

    def stack(self, sums: Sums, full_scale: float, header: dict[str, Any], each: stage.Each) -> Stack:
        """Return the stack, in fractions of `full_scale` (ADU), with the header as it is."""


@dataclass(frozen=True)
class _Straight:
    """All of a frame moves alike."""

    layout: Layout
    expected: Envelope

    def empty(self) -> Sums:
        return empty(self.layout)

    def add(self, sums: Sums, frame: Array, half: int, gain: float, rows: FrameTable, row: int, sky: float) -> None:
        shift = float(rows["dy_px"][row]), float(rows["dx_px"][row])
        add(sums, self.layout, frame, half, shift, 1.0, gain, self.expected)

    def stack(self, sums: Sums, full_scale: float, header: dict[str, Any], each: stage.Each) -> Stack:
        return make_stack(sums, self.layout, self.expected, full_scale, header, each)


@dataclass(frozen=True)
class _StraightFine(_Straight):
    """The same sums, of which drops fall onto a finer grid at the end."""

    scale: int
    drop: float

    def stack(self, sums: Sums, full_scale: float, header: dict[str, Any], each: stage.Each) -> Stack:
        return make_fine_stack(sums, self.layout, self.expected, self.scale, self.drop, full_scale, header)


@dataclass(frozen=True)
class _Bent:
    """Every frame goes through its mesh, or the turn of the globe.

    Attributes
    ----------
    picture : ndarray of float32, shape (h, w) or (h, w, 3)
        The reference, ADU.
    turning : Turning or None
    usual : ndarray of float32, shape (rows, columns), or None
        Mean contrast at the nodes of the mesh.
    """

    layout: Layout
    expected: Envelope
    picture: Float
    turning: Turning | None
    usual: Float | None

    def empty(self) -> Sums:
        return empty_bent(self.layout)

    def add(self, sums: Sums, frame: Array, half: int, gain: float, rows: FrameTable, row: int, sky: float) -> None:
        way = way_of(rows, row, self.layout, self.turning, usual=self.usual, strips=True, sky=sky)
        add_bent(sums, self.layout, frame, half, way, gain, self.expected)

    def stack(self, sums: Sums, full_scale: float, header: dict[str, Any], each: stage.Each) -> Stack:
        return make_bent_stack(sums, self.layout, self.expected, self.picture, full_scale, header)


@dataclass(frozen=True)
class _BentMosaic(_Bent):
    """Behind a colour filter array: raw samples correct the reference."""

    def empty(self) -> Sums:
        return empty_bent_mosaic(self.layout)

    def add(self, sums: Sums, frame: Array, half: int, gain: float, rows: FrameTable, row: int, sky: float) -> None:
        way = way_of(rows, row, self.layout, self.turning, usual=self.usual, sky=sky)
        add_bent_mosaic(sums, self.layout, frame, half, way, gain, self.expected, self.picture)


@dataclass(frozen=True)
class _BentFine(_Bent):
    """Drops on a finer grid, which the reference is on as well, (h * scale, w * scale, channels)."""

    scale: int
    drop: float

    def empty(self) -> Sums:
        return empty_bent_fine(self.layout, self.scale)

    def add(self, sums: Sums, frame: Array, half: int, gain: float, rows: FrameTable, row: int, sky: float) -> None:
        way = way_of(rows, row, self.layout, self.turning, self.scale, self.usual, sky=sky)
        add_bent_fine(sums, self.layout, self.drop, frame, half, way, gain, self.expected, self.picture)

    def stack(self, sums: Sums, full_scale: float, header: dict[str, Any], each: stage.Each) -> Stack:
        return make_bent_fine_stack(sums, self.picture, full_scale, header)


def choose_summing(
    layout: Layout,
    expected: Envelope,
    picture: Float,
    *,
    bent: bool,
    scale: int,
    drop: float,
    turning: Turning | None,
    usual: Float | None,
) -> Summing:
    """Return the way in which the frames of a capture become a stack.

    Parameters
    ----------
    layout : Layout
        The part that is stacked.
    expected : Envelope
        What samples are expected to be.
    picture : ndarray of float32, shape (h, w) or (3, h, w)
        The reference, ADU.
    bent : bool
        Whether frames are bent by the air or the globe turns.
    scale : int
        Pixels of the stack per camera pixel.
    drop : float
        Width of the drops on a finer grid, camera pixels.
    turning : Turning or None
    usual : ndarray of float32, shape (rows, columns), or None
        Mean contrast at the nodes of the mesh.
    """
    if not bent:
        return _Straight(layout, expected) if scale == 1 else _StraightFine(layout, expected, scale, drop)
    if scale > 1:
        return _BentFine(layout, expected, finer(picture, scale), turning, usual, scale, drop)
    if layout.cfa:
        planes = np.ascontiguousarray(np.moveaxis(picture, 0, -1))
        return _BentMosaic(layout, expected, planes, turning, usual)
    return _Bent(layout, expected, picture, turning, usual)
