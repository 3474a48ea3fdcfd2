"""Draws a laid-out label panel below a picture that is already in its display form."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from .layout import BRIGHT, DIM, Arrow, Panel
from .overlay import Overlay
from .words import font

__all__ = ["draw_labelled"]

GROUND = (16, 18, 22)
RULE = (58, 64, 74)


def draw_labelled(
    shown: NDArray[np.uint16], factor: int, panel: Panel, overlay: Overlay | None = None
) -> NDArray[np.uint8]:
    """Put a picture and its panel together.

    Parameters
    ----------
    shown : ndarray of uint16, shape (h, w) or (h, w, 3)
        The picture through the display transform.
    factor : int
        Whole factor by which the picture is enlarged (Lanczos); 1 leaves each pixel as it is.
    panel : Panel
        At least `factor` times as wide as the picture.
    overlay : Overlay, optional
        Lines and names over the picture.

    Returns
    -------
    ndarray of uint8, shape (factor * h + panel.height, panel.width, 3)
        The picture centred above the panel; the panel never covers it.
    """
    colour = shown if shown.ndim == 3 else np.repeat(shown[..., None], 3, axis=2)
    eight_bits = ((colour.astype(np.uint32) + 128) // 257).astype(np.uint8)
    picture = Image.fromarray(eight_bits)
    if factor > 1:
        picture = picture.resize((picture.width * factor, picture.height * factor), Image.Resampling.LANCZOS)
    if overlay is not None:
        picture = _draw_overlay(picture, overlay)
    whole = Image.new("RGB", (panel.width, picture.height + panel.height))
    whole.paste(picture, ((panel.width - picture.width) // 2, 0))
    whole.paste(_draw_panel(panel), (0, picture.height))
    return np.asarray(whole, np.uint8).copy()


def _draw_overlay(picture: Image.Image, overlay: Overlay) -> Image.Image:
    """Blend smooth thin lines over the picture, then the names."""
    pixels = np.asarray(picture, np.float32).copy()
    width = max(1, round(overlay.width / 1600))
    for line in overlay.lines:
        cover = np.zeros(pixels.shape[:2], np.uint8)
        points = np.clip(np.rint(line.points * 16.0), -(2**30), 2**30).astype(np.int32)
        cv2.polylines(cover, [points[:, None, :]], False, 255, width, cv2.LINE_AA, 4)
        rows, columns = np.nonzero(cover)
        share = (cover[rows, columns] * np.float32(line.strength / 255.0))[:, None]
        pixels[rows, columns] += share * (np.array(line.colour, np.float32) - pixels[rows, columns])
    image = Image.fromarray(np.rint(np.clip(pixels, 0.0, 255.0)).astype(np.uint8))
    pen = ImageDraw.Draw(image)
    for text in overlay.texts:
        pen.text((text.x, text.y), text.text, font=font(text.size), fill=text.colour)
    return image


def _draw_panel(panel: Panel) -> Image.Image:
    image = Image.new("RGB", (panel.width, panel.height), GROUND)
    pen = ImageDraw.Draw(image)
    pen.rectangle((0, 0, panel.width - 1, max(0, panel.size // 12)), fill=RULE)
    for text in panel.texts:
        pen.text((text.x, text.y), text.text, font=font(text.size), fill=text.colour)
    line = max(1, round(panel.size / 9))
    for arrow in panel.arrows:
        _draw_arrow(pen, arrow, panel.size, line)
    if panel.bar is not None:
        bar, tick = panel.bar, max(2, panel.size // 4)
        pen.rectangle((bar.x, bar.y - line // 2, bar.x + bar.length - 1, bar.y - line // 2 + line - 1), fill=BRIGHT)
        for x in (bar.x, bar.x + bar.length - line):
            pen.rectangle((x, bar.y - tick, x + line - 1, bar.y + tick), fill=BRIGHT)
    return image


def _draw_arrow(pen: ImageDraw.ImageDraw, arrow: Arrow, size: int, line: int) -> None:
    (x0, y0), (x1, y1) = arrow.foot, arrow.tip
    length = math.hypot(x1 - x0, y1 - y0)
    right, down = (x1 - x0) / length, (y1 - y0) / length
    head = 0.55 * size
    base = (x1 - head * right, y1 - head * down)
    pen.line((x0, y0, *base), fill=DIM, width=line)
    side = 0.4 * head
    wings = [(base[0] - side * down, base[1] + side * right), (base[0] + side * down, base[1] - side * right)]
    pen.polygon([(x1, y1), *wings], fill=BRIGHT)
