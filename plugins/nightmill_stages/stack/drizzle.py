"""Finer grids: drops of the raw samples let fall onto output pixels.

The method is that of Fruchter & Hook (2002, PASP 114, 144, doi:10.1086/338393). Every sample is a square drop, `drop`
camera pixels wide, where it was seen; it shares itself among the output pixels that it overlaps, by area. Samples of
one phase lie on a regular grid, so the sums over phases fall as a whole.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .phases import Layout

__all__ = ["Drizzled", "drizzle", "overlaps"]

Array = NDArray[Any]

Drizzled = tuple[NDArray[np.float32], NDArray[np.float64], NDArray[np.float64]]


def overlaps(fraction: float, scale: int, drop: float) -> list[tuple[int, float]]:
    """Return the output pixels that a drop overlaps along one axis.

    Parameters
    ----------
    fraction : float
        The sample of pixel 0 lies at -fraction camera pixels.
    scale : int
        Output pixels per camera pixel.
    drop : float
        Width of the drop, camera pixels.

    Returns
    -------
    list of (int, float)
        Output pixel, relative to the first of pixel 0, and the share of the drop that falls there; shares sum to 1.
    """
    centre = scale * (0.5 - fraction)
    half = 0.5 * drop * scale
    first, last = int(np.floor(centre - half)), int(np.ceil(centre + half))
    shares = [(k, (min(k + 1, centre + half) - max(k, centre - half)) / (2 * half)) for k in range(first, last)]
    return [(k, float(share)) for k, share in shares if share > 1e-9]


def drizzle(
    total: NDArray[np.float32],
    weight: NDArray[np.float64],
    moment: NDArray[np.float64],
    centre: NDArray[np.float32],
    layout: Layout,
    scale: int,
    drop: float,
) -> Drizzled:
    """Let the sums fall onto a finer grid; arguments as for `reconstruct`.

    Returns
    -------
    picture : ndarray of float32, shape (s h, s w) or (3, s h, s w)
        Weighted mean of the drops, ADU: brightness is kept. NaN where none fell.
    mass, mass2 : ndarray of float64, same shape
        Sum of weights (a sample's weight shared out); sum over samples of the squares of their shares.
    """
    channels = layout.channels
    shape = (channels, layout.height * scale, layout.width * scale)
    sums, mass, mass2 = (np.zeros(shape) for _ in range(3))
    for index in zip(*np.nonzero(weight > 0), strict=True):
        w = float(weight[index])
        fy, fx = moment[index] / w
        values = w * centre[index[0]].astype(np.float64) + total[index]
        rows, columns = overlaps(float(fy), scale, drop), overlaps(float(fx), scale, drop)
        for channel in range(channels):
            for top, left, step in _sites(layout, index[0], channel):
                one = values[..., channel] if layout.planes == 3 else values
                part = one[top::step, left::step]
                for k, share_y in rows:
                    for m, share_x in columns:
                        share = share_y * share_x
                        place, source = _place(part.shape, (k + top * scale, m + left * scale), step * scale, shape[1:])
                        sums[channel][place] += share * part[source]
                        mass[channel][place] += share * w
                        mass2[channel][place] += share * share * w
    with np.errstate(invalid="ignore", divide="ignore"):
        picture = np.where(mass > 1e-6, sums / mass, np.nan).astype(np.float32)
    return (picture[0], mass[0], mass2[0]) if channels == 1 else (picture, mass, mass2)


def _sites(layout: Layout, parity: int, channel: int) -> list[tuple[int, int, int]]:
    """Return (first row, first column, step) of the samples of a channel, in the reference's grid."""
    if layout.cfa is None:
        return [(0, 0, 1)]
    sites = [index for index in range(4) if layout.cfa[index] == "RGB"[channel]]
    return [((site // 2 - parity // 2) % 2, (site % 2 - parity % 2) % 2, 2) for site in sites]


def _place(
    size: tuple[int, int], first: tuple[int, int], step: int, shape: tuple[int, int]
) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """Return where samples fall on the output and which of them do: those beyond its edge are left out."""
    place, source = [], []
    for count, start, length in zip(size, first, shape, strict=True):
        skip = max(0, -(start // step)) if start < 0 else 0
        begin = start + skip * step
        fit = max(min(count - skip, -(-(length - begin) // step)), 0)
        place.append(slice(begin, begin + fit * step, step))
        source.append(slice(skip, skip + fit))
    return (place[0], place[1]), (source[0], source[1])
