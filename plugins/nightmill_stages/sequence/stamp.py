"""Writes time and target below a frame; the strip never covers the picture."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from ..annotate.words import font, line_height, plain, text_width

__all__ = ["clock", "strip_height", "with_strip"]

GROUND = (16, 18, 22)
BRIGHT, DIM = (236, 238, 242), (150, 158, 170)


def clock(time_s: float) -> str:
    """A moment as it is written on a frame: date and time, UTC, to the second."""
    return datetime.fromtimestamp(round(time_s), UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def _size(width: int) -> int:
    return int(np.clip(width // 30, 12, 22))


def strip_height(width: int) -> int:
    """Rows that the strip takes, an even number."""
    high = line_height(_size(width)) + 8
    return high + high % 2


def with_strip(frame: NDArray[np.uint8], left: str, right: str = "") -> NDArray[np.uint8]:
    """Add the strip.

    Parameters
    ----------
    frame : ndarray of uint8, shape (h, w, 3)
    left, right : str
        Words at either end; those on the right are left out where there is no room for both.

    Returns
    -------
    ndarray of uint8, shape (h + strip_height(w), w, 3)
    """
    width = frame.shape[1]
    strip = Image.new("RGB", (width, strip_height(width)), GROUND)
    pen, size = ImageDraw.Draw(strip), _size(width)
    words = plain(left)
    while size > 8 and text_width(words, size) > width - 12:
        size -= 1
    top = (strip.height - line_height(size)) // 2
    pen.text((6, top), words, font=font(size), fill=BRIGHT)
    other = plain(right)
    if other and text_width(words, size) + text_width(other, size) + 24 <= width:
        pen.text((width - 6 - text_width(other, size), top), other, font=font(size), fill=DIM)
    return np.concatenate([frame, np.asarray(strip, np.uint8)], axis=0)
