"""A capture of the benchmark with all that is true of it, whichever simulator made it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill.testing import Capture, Scenario

__all__ = ["Recorded", "from_scenario"]

Float = NDArray[np.floating]


@dataclass
class Recorded:
    """Frames and truth. Pixels are those of the frames, integers are pixel centres.

    Attributes
    ----------
    digits : ndarray of shape (n, rows, columns), uint8 or uint16
    bits, colour, channels
        Depth; "mono" or a colour filter array; names of the colours.
    picture, scene : ndarray of shape (channels, rows, columns)
        What the perfect telescope shows, and what lies before it; in digits above black.
    quality : ndarray of shape (n,)
        True sharpness of the frames.
    shift_px : ndarray of shape (n, 2)
        True displacement of each frame.
    channel_shift_px : ndarray of shape (channels, 2)
        Additional displacement of each colour.
    cutoff : tuple of float
        D/lambda in cycles a pixel, each colour.
    centre_px, semi_axes_px, north_deg
        Disc in the picture; None for a field.
    bending : function or None
        Local displacement (2, rows, columns) of frame i in addition.
    equipment : dict
        For the night file.
    """

    digits: NDArray[Any]
    bits: int
    colour: str
    channels: tuple[str, ...]
    picture: Float
    scene: Float
    quality: Float
    shift_px: Float
    channel_shift_px: Float
    cutoff: tuple[float, ...]
    centre_px: tuple[float, float]
    semi_axes_px: tuple[float, float] | None
    north_deg: float
    bending: Callable[[int], Float] | None
    equipment: dict[str, Any]

    def planes(self, index: int) -> NDArray[np.float32]:
        """Return frame `index` as (channels, rows, columns), mosaics interpolated by OpenCV."""
        frame = self.digits[index]
        code = {"RGGB": cv2.COLOR_BayerBG2RGB, "GRBG": cv2.COLOR_BayerGB2RGB}.get(self.colour)
        if code is not None:
            frame = np.moveaxis(cv2.cvtColor(frame, code), -1, 0)
        return frame.astype(np.float32) if frame.ndim == 3 else frame.astype(np.float32)[None]


def from_scenario(scenario: Scenario) -> Recorded:
    """Render a scenario of the project's own simulator."""
    maker = Capture(scenario)
    digits = np.concatenate([chunk.frames for chunk in maker.chunks(64)])
    truth, telescope = maker.truth(), scenario.telescope
    bending = None
    if truth.bending_px is not None:
        rows, columns = np.asarray(truth.bending_rows), np.asarray(truth.bending_columns)
        at = np.meshgrid(
            np.interp(np.arange(scenario.shape[1]), columns, np.arange(len(columns))).astype(np.float32),
            np.interp(np.arange(scenario.shape[0]), rows, np.arange(len(rows))).astype(np.float32),
        )
        nodes = truth.bending_px

        def bending(index: int) -> Float:
            return np.stack([cv2.remap(one, *at, cv2.INTER_CUBIC) for one in nodes[index]])

    picture, scene = (p if p.ndim == 3 else p[None] for p in (truth.picture, truth.scene))
    return Recorded(
        digits=digits,
        bits=scenario.camera.bits,
        colour=scenario.camera.colour,
        channels=scenario.channels,
        picture=picture,
        scene=scene,
        quality=truth.transfer,
        shift_px=truth.shift_px,
        channel_shift_px=truth.channel_shift_px,
        cutoff=scenario.cutoff,
        centre_px=truth.centre_px,
        semi_axes_px=truth.semi_axes_px,
        north_deg=scenario.north_deg,
        bending=bending,
        equipment={
            "telescope": {
                "aperture": f"{telescope.aperture_mm} mm",
                "focal_length": f"{telescope.focal_length_mm} mm",
                "obstruction": telescope.obstruction,
                "amplifier": telescope.amplifier,
            },
            "camera": {"pixel": f"{scenario.camera.pixel_um} um"},
        },
    )
