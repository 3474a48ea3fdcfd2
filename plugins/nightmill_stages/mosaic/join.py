"""Makes the picture of one solved mosaic: panels are read one after the other, warped, levelled and blended."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import Picture

from ..matching.panels import filled, planes_of, usable
from ..matching.placement import to_panel
from .blend import Blender
from .canvas import Box, Canvas, panel_box, tiles
from .levels import Level

__all__ = ["Joined", "join_panels"]

Float = NDArray[np.float32]


@dataclass(frozen=True)
class Joined:
    """The layers of a mosaic, each of shape (h, w) or (3, h, w).

    Attributes
    ----------
    data : ndarray of float32
        NaN where there are no data.
    weight : ndarray of float32
        Of the panel whose finest detail is shown; 0 where there are no data. 1 where the panel does not say.
    noise : ndarray of float32 or None
        Of that panel, levelled; NaN where there are no data. None when a panel does not say.
    """

    data: Float
    weight: Float
    noise: Float | None


def join_panels(
    pictures: Sequence[Picture], canvas: Canvas, owner: NDArray[np.int16], level_of: dict[int, Level], levels: int
) -> Joined:
    """Join panels.

    Parameters
    ----------
    pictures : sequence of Picture
        Read one at a time.
    canvas : Canvas
    owner : ndarray of int16, shape (h, w)
    level_of : dict of int to Level
    levels : int
        Octaves for blending.

    Notes
    -----
    At its height about 22 bytes are in memory for each pixel of the mosaic (of one channel, and 12 for each channel
    that is finished), and about 60 for each pixel of one panel; the number of panels does not count.
    """
    channels = len(next(iter(level_of.values())).gain)
    done = [_channel(pictures, canvas, owner, level_of, levels, channel) for channel in range(channels)]
    if channels == 1:
        return done[0]
    noises = [one.noise for one in done if one.noise is not None]
    return Joined(
        np.stack([one.data for one in done]),
        np.stack([one.weight for one in done]),
        np.stack(noises) if len(noises) == channels else None,
    )


def _channel(
    pictures: Sequence[Picture],
    canvas: Canvas,
    owner: NDArray[np.int16],
    level_of: dict[int, Level],
    levels: int,
    channel: int,
) -> Joined:
    blender = Blender(owner, levels)
    weight = np.zeros(canvas.shape, np.float32)
    noise: Float | None = np.full(canvas.shape, np.nan, np.float32)
    for index in sorted(canvas.placements):
        picture = pictures[index]
        good = usable(picture)
        gain, offset = (np.float32(one[channel]) for one in (level_of[index].gain, level_of[index].offset))
        plane = filled(planes_of(picture.data)[channel], good) * gain + offset
        whole = panel_box(canvas, index, blender.margin, blender.align)
        light = np.empty(whole.shape, np.float32)
        own_weight = None if picture.weight is None else planes_of(picture.weight)[channel]
        own_noise = None if picture.noise is None else planes_of(picture.noise)[channel] * gain
        noise = None if own_noise is None else noise
        for box in tiles(whole):
            x, y = to_panel(canvas.placements[index], *box.grid())
            light[box.top - whole.top : box.bottom - whole.top, box.left - whole.left : box.right - whole.left] = (
                cv2.remap(plane, x, y, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT_101)
            )
            _pick(weight, owner, index, box, own_weight, x, y, 1.0)
            if noise is not None and own_noise is not None:
                _pick(noise, owner, index, box, own_noise, x, y, np.nan)
        del picture, plane, own_weight, own_noise
        blender.add(index, whole, light)
        del light
    return Joined(blender.finish(), weight, noise)


def _pick(
    layer: Float,
    owner: NDArray[np.int16],
    index: int,
    box: Box,
    values: Float | None,
    x: Float,
    y: Float,
    missing: float,
) -> None:
    """Write a companion layer where the panel is the owner."""
    own = owner[box.rows, box.columns] == index
    if not own.any():
        return
    height, width = own.shape
    part = layer[box.rows, box.columns]
    if values is None:
        part[own] = missing
        return
    shown = cv2.remap(values, x[:height, :width], y[:height, :width], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    part[own] = shown[own]
