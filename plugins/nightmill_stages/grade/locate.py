"""Finding the object in a frame: how bright, where, how large, and whether the frame's edge cuts it.

All of it happens on frames shrunk to some thousand cells: cheap, and blind to single hot pixels and cosmic rays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["COLUMNS", "Scene", "cell_noise", "halvings", "look", "survey_scene"]

THRESHOLD = 0.25
"""Share of the object's brightness above the sky that still counts as object: below limb darkening, above haloes."""

COLUMNS = ("background", "peak", "level", "flux", "y_px", "x_px", "area_px", "edge", "checksum")


@dataclass(frozen=True)
class Scene:
    """What all frames of a capture have in common.

    Attributes
    ----------
    fills_frame : bool
        A surface that runs over the frame's edge (Moon, Sun close up), not a disc in the sky.
    halvings : int
        How often a frame is halved before it is looked at.
    background, peak : float
        Typical sky and object brightness, in ADU.
    noise : float
        Standard deviation that noise alone gives a shrunk, smoothed cell, in ADU.
    extent_px : float
        Side of the square that holds the object, in camera pixels (the frame's longer side for surfaces).
    """

    fills_frame: bool
    halvings: int
    background: float
    peak: float
    noise: float
    extent_px: float

    def to_json(self) -> dict[str, Any]:
        """Return plain values."""
        return asdict(self)


def halvings(height: int, width: int, cfa: str | None) -> int:
    """Choose how often to halve: to about 60 cells along the shorter side, at least once for mosaics."""
    times = max(int(np.log2(max(min(height, width), 1) / 45.0)), 0)
    return max(times, 1) if cfa else times


def look(small: NDArray[np.float32], scene: Scene | None, cell: int) -> dict[str, NDArray[np.float64]]:
    """Measure shrunk frames.

    Parameters
    ----------
    small : ndarray of float32, shape (n, h, w)
        Shrunk frames in ADU, lightly smoothed.
    scene : Scene or None
        None while the scene is being found out: then every frame is measured as if it held a disc.
    cell : int
        Camera pixels along a side of a cell.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        "background", "peak" (ADU), "level" (mean of the object above the sky, ADU), "flux" (sum above the sky, ADU
        times camera pixels), "y_px", "x_px" (brightness-weighted centre, camera pixels), "area_px" (camera pixels
        above the threshold), "edge" (share of border cells that hold object).
    """
    n, height, width = small.shape
    flat = small.reshape(n, height * width)
    border = np.concatenate([small[:, 0], small[:, -1], small[:, 1:-1, 0], small[:, 1:-1, -1]], axis=1)
    if scene is not None and scene.fills_frame:
        background = np.full(n, np.float32(scene.background))
    else:
        middle = border.shape[1] // 2
        background = np.partition(border, middle, axis=1)[:, middle]
    peak = flat.max(axis=1)
    threshold = background + np.float32(THRESHOLD) * (peak - background)
    over = flat - threshold[:, None]
    np.maximum(over, 0, out=over)
    inside = (over > 0).astype(np.float32)
    count = np.maximum(inside.sum(axis=1), 1)
    rows, columns = np.mgrid[0:height, 0:width].astype(np.float32).reshape(2, -1)
    # Sums row by row, not a matrix product: its bits would depend on how many frames come together.
    bases = np.ones_like(rows), rows, columns
    moments = np.stack([np.einsum("ij,j->i", over, basis) for basis in bases], axis=1).astype(np.float64)
    total = np.maximum(moments[:, 0], 1e-9)
    above = np.einsum("ij,ij->i", flat, inside) - count * background
    return {
        "background": background.astype(np.float64),
        "peak": peak.astype(np.float64),
        "level": (above / count).astype(np.float64),
        "flux": above.astype(np.float64) * cell**2,
        "y_px": moments[:, 1] / total * cell + (cell - 1) / 2,
        "x_px": moments[:, 2] / total * cell + (cell - 1) / 2,
        "area_px": count.astype(np.float64) * cell**2,
        "edge": (border > threshold[:, None]).mean(axis=1).astype(np.float64),
    }


def cell_noise(planes: Sequence[NDArray[Any]], halved: int) -> float:
    """Return the standard deviation that noise alone gives a shrunk, smoothed cell.

    Measured at the finest scale of the frames, where a telescope's picture holds next to nothing, in the calmest third
    of tiles; by the mean square, not a median, since most samples of an empty sky may be equal.

    Parameters
    ----------
    planes : sequence of ndarray, shape (h, w)
        Frames, or frames halved once for mosaics.
    halved : int
        How often these planes are still halved before they are smoothed over 3x3 cells.
    """
    found = []
    for plane in planes:
        one = plane.astype(np.float32)
        second = one[1:, 1:] - one[:-1, 1:] - one[1:, :-1] + one[:-1, :-1]
        rows, columns = (size // 16 * 16 for size in second.shape)
        if rows and columns:
            tiles = second[:rows, :columns].reshape(rows // 16, 16, columns // 16, 16)
            found.append(float(np.percentile((tiles**2).mean(axis=(1, 3)), 33)))
    single = float(np.sqrt(np.median(found))) / 2 if found else 0.0
    # Halving whole numbers rounds each time.
    rounding = 0.29 if halved and np.issubdtype(planes[0].dtype, np.integer) else 0.0
    return float(np.hypot(single / 2**halved, rounding)) / 3


def survey_scene(small: NDArray[np.float32], cell: int, target: str | None, noise: float = 0.0) -> Scene:
    """Find out what a capture shows, from some of its frames.

    Parameters
    ----------
    small : ndarray of float32, shape (n, h, w)
        Shrunk, lightly smoothed frames from all over the capture.
    cell : int
        Camera pixels along a side of a cell.
    target : str or None
        What the capture says it shows; the Moon and the Sun are expected to run over the edge, planets are not.
    noise : float, optional
        Of a cell, by `cell_noise`.
    """
    n, height, width = small.shape
    seen = look(small, None, cell)
    contrast = seen["peak"] - seen["background"]
    peak = float(np.median(seen["peak"]))
    floor = float(np.median(np.percentile(small.reshape(n, -1), 5, axis=1)))
    edge = float(np.median(seen["edge"]))
    # A flat, bright field has no contrast against its own border: it fills the frame as well.
    bright_border = float(np.median(seen["background"])) > 0.4 * peak and float(np.median(contrast)) < 0.6 * peak
    limit = 0.04 if target in ("moon", "sun") else 0.12
    fills = edge > limit or (bright_border and target in ("moon", "sun", None))
    times = round(np.log2(cell))
    if fills:
        return Scene(True, times, min(floor, 0.0), peak, noise, float(max(height, width) * cell))
    good = contrast > 0.3 * np.median(contrast)
    extents = []
    for frame, background, top in zip(small[good], seen["background"][good], seen["peak"][good], strict=True):
        mask = (frame > background + THRESHOLD * (top - background)).astype(np.uint8)
        # The largest piece alone: moons and hot clusters must not widen the box.
        _, _, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
        pieces = stats[1:]
        largest = pieces[np.argmax(pieces[:, cv2.CC_STAT_AREA])] if len(pieces) else np.array([0, 0, 1, 1, 1])
        extents.append(max(largest[cv2.CC_STAT_WIDTH], largest[cv2.CC_STAT_HEIGHT]) * cell)
    extent = float(np.median(extents)) if extents else float(cell)
    return Scene(False, times, float(np.median(seen["background"])), peak, noise, extent)
