"""A first picture of some frames: what samples of the others are expected to be."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import FrameTable

from .bent import add_bent, empty_bent, mean_of, variance_of
from .bent_mosaic import add_bent_mosaic, corrected, dense, empty_bent_mosaic, spread
from .hot import repaired
from .mapping import way_of
from .phases import Envelope, Layout, add, empty
from .reconstruct import reconstruct
from .turning import Turning

__all__ = ["first_model", "sample_noise", "sample_rows", "sky_of", "wide_open"]

CORRECTIONS = 2
"""Rounds of correcting the first picture of a bent colour surface."""

FRAMES = 96
"""Frames in the first picture: spread over those that will be stacked."""


def wide_open(layout: Layout, dtype: Any, level: float = 0.0) -> Envelope:
    """Return an envelope that rejects nothing, around a level in ADU: what is expected where frames saw nothing."""
    shape = (layout.parities, *layout.frame_shape)
    kind = np.dtype(dtype)
    limits = np.iinfo(kind) if kind.kind in "iu" else np.finfo(kind)
    return Envelope(
        np.full(shape, level, np.float32), np.full(shape, limits.min, kind), np.full(shape, limits.max, kind)
    )


def sample_rows(chosen: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return rows of some of the chosen frames, spread over all of them."""
    rows = np.flatnonzero(chosen)
    return rows[np.unique(np.linspace(0, len(rows) - 1, min(FRAMES, len(rows))).round().astype(int))]


def sky_of(rows: FrameTable, row: int, context: stage.Context) -> float:
    """Return the brightness of the sky on a frame, ADU."""
    return float(rows["background"][row]) * context.capture.full_scale


def first_model(
    table: FrameTable,
    rows: NDArray[np.int64],
    context: stage.Context,
    layout: Layout,
    bent: bool,
    turning: Turning | None = None,
    hot: NDArray[np.int32] | None = None,
) -> tuple[NDArray[np.float32], NDArray[np.float32], float]:
    """Stack some frames plainly.

    Parameters
    ----------
    table : FrameTable
    rows : ndarray of int64
        Of the frames, see `sample_rows`.
    context : Context
        Frames are read through it.
    layout : Layout
    bent : bool
        Whether frames are resampled through their mesh, or by the turn of the globe.
    turning : Turning or None
    hot : ndarray of int32, shape (n, 2), or None
        Pixels of the sensor to be repaired.

    Returns
    -------
    picture : ndarray of float32, shape (h, w) or (3, h, w)
        ADU.
    sigma : ndarray of float32, same shape
        Noise of a single sample about it, ADU, smoothed.
    level : float
        Median level of these frames: gains refer to it.
    """
    few = replace(layout, phases=2)
    resampled = bent and layout.cfa is None
    # Near the border some frames saw nothing: the sky goes on there, or a surface of usual brightness.
    usual = table["background"][rows] + np.where(table["fills_frame"][rows], table["level"][rows], 0)
    beyond = float(np.median(usual)) * context.capture.full_scale
    expected = wide_open(few, context.capture.dtype, beyond)
    sums = empty_bent(few) if resampled else empty(few)
    for row in rows:
        frame = _read(table, int(row), context, hot)
        if frame.dtype != expected.low.dtype:
            expected = wide_open(few, frame.dtype, beyond)
        if resampled:
            way = way_of(table, int(row), few, turning, strips=True, sky=sky_of(table, int(row), context))
            add_bent(sums, few, frame, 0, way, 1.0, expected, context.each)
        else:
            shift = float(table["dy_px"][row]), float(table["dx_px"][row])
            add(sums, few, frame, 0, shift, 1.0, 1.0, expected)
    if resampled:
        picture = mean_of(sums["sum"][0], sums["weight"][0], expected.centre[0])
        # Spots that no frame saw: nothing is expected there, and nothing will come.
        picture = np.nan_to_num(picture, nan=float(np.nanmedian(picture)))
        sigma = np.sqrt(variance_of(sums)[0])
    else:
        picture = reconstruct(sums["sum"][0], sums["weight"][0], sums["moment"][0], expected.centre, few)
        sigma = np.sqrt(sample_noise(sums, few)[0])
    if bent and not resampled:
        picture, sigma = _correct(picture, table, rows, context, few, turning, hot)
    planes = sigma[None] if sigma.ndim == 2 else sigma
    # A cosmic ray in one of the frames must not open the envelope: a median over 5x5 sees it not.
    smooth = np.stack([cv2.GaussianBlur(cv2.medianBlur(plane, 5), (0, 0), 2) for plane in planes])
    return picture, smooth[0] if sigma.ndim == 2 else smooth, float(np.median(table["level"][rows]))


def _read(table: FrameTable, row: int, context: stage.Context, hot: NDArray[np.int32] | None) -> NDArray[Any]:
    frame = context.read(table["number"][row : row + 1]).data[0]
    return frame if hot is None else repaired(frame, hot, context.capture.cfa is not None)


def _correct(
    picture: NDArray[np.float32],
    table: FrameTable,
    rows: NDArray[np.int64],
    context: stage.Context,
    layout: Layout,
    turning: Turning | None,
    hot: NDArray[np.int32] | None,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Correct a colour picture (3, h, w) by bent frames from behind a filter array, a few times; and its noise."""
    sigma = np.zeros_like(picture)
    for _ in range(CORRECTIONS):
        sums = empty_bent_mosaic(layout)
        reference = np.ascontiguousarray(np.moveaxis(picture, 0, -1))
        for row in rows:
            frame = _read(table, int(row), context, hot)
            way = way_of(table, int(row), layout, turning, sky=sky_of(table, int(row), context))
            add_bent_mosaic(sums, layout, frame, 0, way, 1.0, wide_open(layout, frame.dtype), reference)
        weight = sums["weight"].sum(axis=0)
        picture = corrected(sums["sum"].sum(axis=0), weight, reference, not dense(weight))
        total, mass = spread(sums["square"], True), spread(weight, True)
        sigma = np.moveaxis(np.sqrt(total / np.maximum(mass, 1e-6)), -1, 0).astype(np.float32)
    return picture, sigma


def sample_noise(sums: dict[str, NDArray[Any]], layout: Layout) -> tuple[NDArray[np.float32], bool]:
    """Return the variance of a single sample within its phase, ADU squared, shape (h, w) or (3, h, w).

    Samples of one phase and parity see the same spot: their scatter is noise and what the air changes, nothing else.
    With so few frames that phases hardly share any, the scatter about the reference stands in, which at edges counts
    the shift within a pixel as well; the second value is then False.
    """
    weight = sums["weight"].sum(axis=0)
    both = sums["sum"].sum(axis=0)
    shape = (layout.parities, *layout.frame_shape)
    within = sums["square"].astype(np.float64).reshape(shape)
    freedom = np.zeros(layout.parities)
    for index in zip(*np.nonzero(weight > 0), strict=True):
        within[index[0]] -= both[index].astype(np.float64) ** 2 / weight[index]
        second = sums["weight2"].sum(axis=0)[index]
        freedom[index[0]] += weight[index] - second / weight[index]
    mass = weight.sum(axis=(1, 2))
    exact = float(freedom.sum()) >= 0.4 * float(mass.sum())
    if not exact:
        within, freedom = sums["square"].astype(np.float64).reshape(shape), mass
    np.maximum(within, 0, out=within)
    if layout.cfa is None:
        variance = within[0] / max(freedom[0], 1e-9)
        return (np.moveaxis(variance, -1, 0) if layout.planes == 3 else variance).astype(np.float32), exact
    result = np.empty((3, layout.height, layout.width), np.float32)
    for channel, name in enumerate("RGB"):
        total = np.zeros((layout.height, layout.width))
        count = np.zeros((layout.height, layout.width))
        for parity in range(4):
            for row in range(2):
                for column in range(2):
                    site = ((row + parity // 2) % 2) * 2 + (column + parity % 2) % 2
                    if layout.cfa[site] == name:
                        total[row::2, column::2] += within[parity, row::2, column::2]
                        count[row::2, column::2] += freedom[parity]
        # Spots that this colour never saw borrow from their neighbours.
        wide_total, wide_count = cv2.blur(total, (3, 3)), cv2.blur(count, (3, 3))
        thin = count < 0.3 * wide_count
        result[channel] = np.where(thin, wide_total / np.maximum(wide_count, 1e-9), total / np.maximum(count, 1e-9))
    return result, exact
