"""Small 8-bit pictures for the report: linear light to sRGB, shrunk, as WebP. Nothing here is measured from.

The finished pictures' own display transform belongs to the writers; this one only has to look alike.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..artefacts.srgb import srgb_encode
from ..errors import NightmillError
from .calling import StageError

__all__ = [
    "FAULTS",
    "bright_box",
    "demosaic",
    "encode",
    "levels",
    "match",
    "on_grid",
    "shrink",
    "to_bytes",
    "to_planes_last",
]

FAULTS: tuple[type[Exception], ...] = (
    *(ArithmeticError, AssertionError, AttributeError, LookupError, RuntimeError, TypeError, ValueError),
    *(NightmillError, StageError, cv2.error),
)
"""What a courtesy may stumble over in data that it was not made for."""

Array = NDArray[np.float32]

BAYER = {"RGGB": cv2.COLOR_BayerRGGB2RGB, "BGGR": cv2.COLOR_BayerBGGR2RGB, "GRBG": cv2.COLOR_BayerGRBG2RGB}
BAYER["GBRG"] = cv2.COLOR_BayerGBRG2RGB


def to_planes_last(data: NDArray[Any]) -> Array:
    """Return (h, w) or (h, w, 3) float32 from (h, w) or (3, h, w), as OpenCV wants it."""
    array = np.asarray(data, np.float32)
    return np.ascontiguousarray(np.moveaxis(array, 0, -1) if array.ndim == 3 else array)


def demosaic(frame: NDArray[Any], cfa: str | None, full_scale: float) -> Array:
    """Return a frame as float32 fractions of full scale, (h, w) or (h, w, 3); mosaics by the plainest interpolation."""
    array = np.asarray(frame, np.float32) / np.float32(full_scale)
    if cfa not in BAYER or array.ndim != 2 or min(array.shape) < 4:
        return array
    # OpenCV interpolates integers only; 16 bits are more than the eye can tell apart here.
    whole = np.clip(np.nan_to_num(array) * 65535.0, 0, 65535).astype(np.uint16)
    return np.asarray(cv2.cvtColor(whole, BAYER[cfa]), np.float32) / np.float32(65535.0)


def on_grid(frame: Array, shape: tuple[int, int], header: Mapping[str, Any], dy_px: float, dx_px: float) -> Array:
    """Lay a frame on the grid of a stack.

    Parameters
    ----------
    frame : ndarray of float32, shape (h, w) or (h, w, 3)
    shape : (rows, columns)
        Of the stack.
    header : mapping
        "scale", output pixels per camera pixel, and "origin_px", where output pixel (0, 0) lies in the reference.
    dy_px, dx_px : float
        The frame's shift: frame(y + dy, x + dx) = reference(y, x). NaN counts as 0.
    """
    scale = float(header.get("scale") or 1.0)
    top, left = header.get("origin_px") or (0.0, 0.0)
    dy, dx = (0.0 if not np.isfinite(one) else one for one in (dy_px, dx_px))
    matrix = np.array([[1 / scale, 0, left + dx], [0, 1 / scale, top + dy]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    laid = cv2.warpAffine(frame, matrix, shape[::-1], flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(laid, np.float32)


def shrink(picture: Array, most_px: int) -> Array:
    """Shrink a picture by averaging so that its longer side is at most `most_px`; small ones stay as they are."""
    height, width = picture.shape[:2]
    factor = most_px / max(height, width)
    if factor >= 1:
        return picture
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    return np.asarray(cv2.resize(np.nan_to_num(picture), size, interpolation=cv2.INTER_AREA), np.float32)


def levels(picture: Array) -> tuple[float, float]:
    """Choose black and white: nearly the darkest and the brightest that is there, hot pixels apart."""
    values = picture[np.isfinite(picture)]
    if values.size == 0:
        return 0.0, 1.0
    black, white = np.percentile(values, [1.0, 99.9])
    return float(black), float(max(white, black + 1e-6))


def to_bytes(
    picture: Array, black: float, white: float, gamma: float = 1.0, softening: float | None = None
) -> NDArray[np.uint8]:
    """Turn linear light into 8-bit sRGB (IEC 61966-2-1): `black` and below is 0, `white` and above 255.

    `softening` s makes arcsinh(light / s) / arcsinh(1 / s) of light between 0 and 1, as a picture's display may ask.
    """
    light = np.clip((np.nan_to_num(picture, nan=black) - black) / max(white - black, 1e-12), 0, 1)
    if softening:
        light = np.arcsinh(light / softening) / np.arcsinh(1 / softening)
    return np.asarray(srgb_encode(light ** (1 / gamma)) * 255 + 0.5, np.uint8)


def match(picture: Array, wanted: Array) -> Array:
    """Scale linear light so that dark and bright parts are as in `wanted`: then only sharpness tells them apart.

    Colour is matched plane by plane when both have it, else by the mean of the planes. Shapes may differ.
    """
    planes = picture if picture.ndim == wanted.ndim == 3 else picture[..., None] if picture.ndim == 2 else picture
    if picture.ndim == 3 and wanted.ndim == 2:
        planes = picture.mean(axis=2, dtype=np.float32)[..., None]
    goal = wanted if planes.shape[-1] == 3 else wanted.mean(axis=2) if wanted.ndim == 3 else wanted
    goal = goal if goal.ndim == 3 else goal[..., None]
    result = np.empty_like(planes)
    for k in range(planes.shape[-1]):
        low, high = np.nanpercentile(planes[..., k], [5.0, 99.0])
        dark, bright = np.nanpercentile(goal[..., k], [5.0, 99.0])
        result[..., k] = (planes[..., k] - low) * np.float32((bright - dark) / max(high - low, 1e-12)) + dark
    return result if result.shape[-1] == 3 else result[..., 0]


def bright_box(picture: Array) -> tuple[int, int, int, int]:
    """Return (top, bottom, left, right) of a square-ish box around what is bright; the whole of a filled frame."""
    grey = picture.mean(axis=2) if picture.ndim == 3 else picture
    height, width = grey.shape
    smooth = cv2.GaussianBlur(np.nan_to_num(grey), (0, 0), max(1.0, min(height, width) / 150))
    black, white = np.percentile(smooth, 20.0), smooth.max()
    rows, columns = np.nonzero(smooth > black + 0.12 * (white - black))
    if rows.size == 0:
        return 0, height, 0, width
    middle = (rows.min() + rows.max()) / 2, (columns.min() + columns.max()) / 2
    half = 0.75 * max(rows.max() - rows.min(), columns.max() - columns.min()) + 8
    top, bottom = max(0, int(middle[0] - half)), min(height, int(middle[0] + half) + 1)
    left, right = max(0, int(middle[1] - half)), min(width, int(middle[1] + half) + 1)
    return top, bottom, left, right


def encode(picture: NDArray[np.uint8], quality: int = 80) -> bytes:
    """Encode 8-bit grey or R, G, B as WebP."""
    # WebP knows no grey; three equal planes cost next to nothing.
    bgr = cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR if picture.ndim == 2 else cv2.COLOR_RGB2BGR)
    done, data = cv2.imencode(".webp", bgr, [cv2.IMWRITE_WEBP_QUALITY, quality])
    if not done:
        raise ValueError("this OpenCV cannot write WebP")
    return data.tobytes()
