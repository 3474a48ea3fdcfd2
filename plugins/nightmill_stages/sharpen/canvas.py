"""The canvas on which the blur of an object on a dark sky is looked for: its window, sky, borders and grid."""

from __future__ import annotations

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

from .spectral import cosine, uncosine

__all__ = ["around_object", "coarser", "continued", "filled", "has_sky", "on_canvas", "opened", "sky_level"]

Float = NDArray[np.floating]


def opened(mask: NDArray[np.bool_], times: int = 1) -> NDArray[np.bool_]:
    """Take away what is narrower than a cross of three pixels, or of more: several times. Beyond the border is none."""
    cross = cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3))
    none = {"iterations": times, "borderType": cv2.BORDER_CONSTANT, "borderValue": 0}
    return cv2.dilate(cv2.erode(mask.astype(np.uint8), cross, **none), cross, **none).astype(bool)


def filled(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Fill holes: what is not set and does not hang together, side by side, with the border."""
    room = np.zeros((mask.shape[0] + 2, mask.shape[1] + 2), np.uint8)
    room[1:-1, 1:-1] = mask
    cv2.floodFill(room, None, (0, 0), 2, flags=4)
    return np.asarray(room[1:-1, 1:-1] != 2)


def on_canvas(picture: NDArray[np.float32]) -> tuple[NDArray[np.float32], tuple[slice, slice]]:
    """Put a picture into the middle of a canvas half as large again, on which it fades out.

    On the frame alone a halo that leaves it would come back mirrored, and count twice near the border.
    """
    sides = [scipy.fft.next_fast_len(n + max(n // 3, 32), real=True) for n in picture.shape]
    first = [(side - n) // 2 for side, n in zip(sides, picture.shape, strict=True)]
    inner = (slice(first[0], first[0] + picture.shape[0]), slice(first[1], first[1] + picture.shape[1]))
    return continued(picture, np.zeros(sides, np.float32), inner), inner


def continued(
    picture: NDArray[np.float32], model: NDArray[np.float32], inner: tuple[slice, slice]
) -> NDArray[np.float32]:
    """Continue a picture beyond its borders by a model of it; what the model misses at the border fades away."""
    room = [(part.start, side - part.stop) for part, side in zip(inner, model.shape, strict=True)]
    missed = np.pad(picture - model[inner], room, mode="edge")
    fade = [
        np.clip(1 - np.maximum(part.start - at, at - part.stop + 1) / max(min(around), 1), 0, 1)
        for part, around, at in zip(inner, room, (np.arange(n) for n in model.shape), strict=True)
    ]
    return (model + missed * np.outer(*fade)).astype(np.float32)


def around_object(above: NDArray[np.float32]) -> tuple[slice, slice]:
    """Return the object's window with as much sky as is looked at: large frames with small planets cost no time."""
    bright = above > 0.25 * np.percentile(above, 99.5)
    bright = opened(bright, 2) if bright.sum() > 400 else bright
    rows, columns = np.flatnonzero(bright.any(axis=1)), np.flatnonzero(bright.any(axis=0))
    if not rows.size:
        return slice(0, above.shape[0]), slice(0, above.shape[1])
    margin = int(max(1.4 * np.sqrt(bright.sum() / np.pi), 30)) + 12
    first, second = (slice(max(int(k[0]) - margin, 0), int(k[-1]) + margin + 1) for k in (rows, columns))
    return first, second


def coarser(picture: NDArray[np.float32], cutoff: float) -> tuple[NDArray[np.float32], float]:
    """Sample finer than the optics need? Take the lowest frequencies only; return them and the ratio of the grids.

    Nothing of the signal is lost: the new cut-off lies at 0.4 cycles a pixel.
    """
    ratio = cutoff / 0.4
    if ratio > 0.85:
        return picture, 1.0
    h, w = (max(round(n * ratio), 16) for n in picture.shape)
    small = uncosine(np.ascontiguousarray(cosine(picture)[:h, :w]))
    factor = float(np.sqrt(h * w / picture.size))
    return small * np.float32(factor), factor


def sky_level(picture: Float) -> float:
    """Return the background: the darkest quarter of the frame's border strips, by their medians."""
    h, w = picture.shape
    strip = max(min(h, w) // 40, 2)
    sides = [picture[:strip], picture[-strip:], picture[:, :strip], picture[:, -strip:]]
    parts = [np.median(piece) for side in sides for piece in np.array_split(side, 4, axis=int(side.shape[1] > strip))]
    return float(np.mean(np.sort(parts)[:4]))


def has_sky(picture: Float) -> bool:
    """Say whether an object lies on a dark sky: most of the border is dark, and a good part of the frame is."""
    background = sky_level(picture)
    top = float(np.percentile(picture, 99.5)) - background
    strip = max(min(picture.shape) // 40, 2)
    border = np.concatenate(
        [picture[:strip].ravel(), picture[-strip:].ravel(), picture[:, :strip].ravel(), picture[:, -strip:].ravel()]
    )
    dark = (picture - background) < 0.12 * top
    return bool(top > 0 and np.mean(border - background < 0.12 * top) > 0.75 and dark.mean() > 0.2)
