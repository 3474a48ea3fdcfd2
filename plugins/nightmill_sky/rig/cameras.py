"""Frame sizes, frame rates and what a link to the computer carries."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .equipment import Camera

__all__ = ["LINKS_MB_S", "ROOM", "FrameSize", "Link", "link_of", "smallest_frame"]

LINKS_MB_S = {"usb2": 38.0, "gigabit": 110.0, "usb3": 380.0, "usb3.2": 800.0}
"""Megabytes a second that arrive in practice, of 60, 125, 500 and 1212 that the links' clocks allow. Common practice,
no source."""

ROOM = 1.3
"""Size of the frame over size of the object: room for drift and gusts. Common practice, no source."""

STEP_PX = 8


@dataclass(frozen=True)
class FrameSize:
    """A frame to record with.

    Parameters
    ----------
    width_px, height_px : int
    frames_per_s : float or None
        What camera and link give together; None when the camera's list does not have the size.
    limited_by : str
        "camera", "link" or "not known".
    listed : bool
        Whether the camera's own list has it.
    """

    width_px: int
    height_px: int
    frames_per_s: float | None
    limited_by: str
    listed: bool


@dataclass(frozen=True)
class Link:
    """Load of the link to the computer: megabytes a second needed and possible in practice, and whether it fits."""

    needed_mb_s: float
    practice_mb_s: float
    fits: bool


def link_of(camera: Camera, width_px: int, height_px: int, frames_per_s: float) -> Link | None:
    """Compare the data rate of a frame size with the practice of the camera's link; None when that is not known."""
    practice = LINKS_MB_S.get(camera.interface or "")
    if practice is None:
        return None
    needed = width_px * height_px * camera.bytes_per_px * frames_per_s / 1e6
    return Link(needed, practice, needed <= practice)


def smallest_frame(camera: Camera, width_arcsec: float, height_arcsec: float, scale_arcsec: float) -> FrameSize | None:
    """Find the smallest frame that holds an object with room for drift.

    Parameters
    ----------
    camera : Camera
    width_arcsec, height_arcsec : float
        Longer and shorter extent of the object.
    scale_arcsec : float
        Angle of a pixel.

    Returns
    -------
    FrameSize or None
        From the camera's list when one of it fits, else what the object needs in steps of eight pixels; None when the
        sensor is too small.
    """
    width, height = (math.ceil(ROOM * one / scale_arcsec) for one in (width_arcsec, height_arcsec))
    fitting = [one for one in camera.rates if one[0] >= width and one[1] >= height]
    if fitting:
        wide, high, rate = fitting[0]
        return _limited(camera, wide, high, rate, listed=True)
    wide, high = (math.ceil(one / STEP_PX) * STEP_PX for one in (width, height))
    sensor = camera.width_px or math.inf, camera.height_px or math.inf
    if width > sensor[0] or height > sensor[1]:
        return None
    return _limited(camera, int(min(wide, sensor[0])), int(min(high, sensor[1])), None, listed=False)


def _limited(camera: Camera, width: int, height: int, rate: float | None, *, listed: bool) -> FrameSize:
    if rate is None:
        return FrameSize(width, height, None, "not known", listed)
    link = link_of(camera, width, height, rate)
    if link is not None and not link.fits:
        return FrameSize(width, height, rate * link.practice_mb_s / link.needed_mb_s, "link", listed)
    return FrameSize(width, height, rate, "camera", listed)
