"""What a capture hands over: chunks of frames, and everything that is true of them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .scenario import Scenario

__all__ = ["Chunk", "Truth"]

Float = NDArray[np.float32]


@dataclass(frozen=True)
class Chunk:
    """Consecutive frames.

    Attributes
    ----------
    first : int
        Number of the first one.
    frames : ndarray of shape (n, rows, columns) or (n, rows, columns, 3), uint8 or uint16
        Digits as a camera stores them; three planes are R, G, B.
    utc : ndarray of shape (n,), datetime64[ns]
        Time stamps, middle of the exposure.
    """

    first: int
    frames: NDArray[Any]
    utc: NDArray[np.datetime64]


@dataclass(frozen=True)
class Truth:
    """What is true of a capture. Pixels are those of the recorded frames, integers are pixel centres.

    Attributes
    ----------
    scenario : Scenario
        What was asked for.
    picture : ndarray of shape (rows, columns) or (3, rows, columns), float32
        The perfect telescope's picture on the pixel grid at mid-capture, no air, no noise, no dispersion, even field:
        mean digits above the offset. The target is at its mean position (frame middle).
    scene : ndarray, float32
        The same before the telescope: the scene integrated over the pixels.
    shift_px : ndarray of shape (n, 2), float64
        Displacement of each frame's content relative to `picture` (rows, columns), by air and mount, in the reference
        channel (green of three, or the only one): the shift at which the noise-free frame correlates best with
        `picture` (discs), or the mean centroid shift (fields). NaN where not rendered.
    channel_shift_px : ndarray of shape (channels, 2), float64
        Additional displacement of each channel, by dispersion, relative to the reference channel.
    rotation_deg : ndarray of shape (n,), float64
        Field rotation relative to `picture`, anticlockwise.
    strehl, transfer : ndarray of shape (n,), float32
        Sharpness: peak ratio of the point-spread function; mean transfer ratio at 0.2-0.5 of the cut-off.
    transparency : ndarray of shape (n,), float32
        Share of the light.
    flags : dict of str to ndarray of shape (n,), bool
        duplicate, gap (frames were lost before this one), blank, cloud (below 0.85), cut (target over the edge), hit
        (cosmic ray).
    utc : ndarray of shape (n,), datetime64[ns]
        Time stamps.
    centre_px : tuple of float
        Disc centre, or frame middle, in `picture` (row, column).
    semi_axes_px : tuple of float or None
        Equatorial and apparent polar semi-axis of the disc.
    north_deg : float
        Direction of the planet's north pole in `picture`, degrees anticlockwise from up.
    meridian_deg : float or None
        Longitude of the central meridian at mid-capture.
    bending_px : ndarray of shape (n, 2, r, c), float32, or None
        Fields: local displacement on a coarse grid, in addition to `shift_px`.
    bending_rows, bending_columns : ndarray or None
        Rows and columns of that grid in `picture`.
    """

    scenario: Scenario
    picture: Float = field(repr=False)
    scene: Float = field(repr=False)
    shift_px: NDArray[np.float64] = field(repr=False)
    channel_shift_px: NDArray[np.float64]
    rotation_deg: NDArray[np.float64] = field(repr=False)
    strehl: Float = field(repr=False)
    transfer: Float = field(repr=False)
    transparency: Float = field(repr=False)
    flags: dict[str, NDArray[np.bool_]] = field(repr=False)
    utc: NDArray[np.datetime64] = field(repr=False)
    centre_px: tuple[float, float]
    semi_axes_px: tuple[float, float] | None
    north_deg: float
    meridian_deg: float | None
    bending_px: Float | None = field(repr=False, default=None)
    bending_rows: NDArray[np.float64] | None = field(repr=False, default=None)
    bending_columns: NDArray[np.float64] | None = field(repr=False, default=None)
