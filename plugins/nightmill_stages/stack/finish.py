"""The stack of the joined sums: picture, halves, weight and noise, in fractions of full scale."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import Stack

from .bent import mean_of, variance_of
from .bent_mosaic import corrected, dense, noise_energy, spread
from .drizzle import Drizzled, drizzle
from .model import sample_noise
from .phases import Envelope, Layout
from .reconstruct import reconstruct

__all__ = ["make_bent_fine_stack", "make_bent_stack", "make_fine_stack", "make_stack"]

EXCESS_PX = 5.0
"""Over such an area the halves' differences are averaged: some 150 pixels, a tenth of uncertainty."""

MIN_SEEN = 0.02
"""Pixels that fewer than this share of the frames saw are given as NaN."""


def make_stack(
    sums: dict[str, NDArray[Any]],
    layout: Layout,
    expected: Envelope,
    full_scale: float,
    header: dict[str, Any],
    each: stage.Each = stage.in_turn,
) -> Stack:
    """Combine sums into a stack.

    Parameters
    ----------
    sums : dict
        Joined partial results of `phases.add`.
    layout : Layout
    expected : Envelope
        What the differences refer to.
    full_scale : float
        ADU of a saturated sample.
    header : dict
        Goes into the stack as it is.
    each : function, optional
        What is reconstructed, the halves and the whole, goes through it.
    """

    def made(half: int | None) -> NDArray[np.float32]:
        total, weight, moment = (
            sums[name].sum(axis=0) if half is None else sums[name][half] for name in ("sum", "weight", "moment")
        )
        return reconstruct(total, weight, moment, expected.centre, layout)

    weights = sums["weight"].sum(axis=(1, 2, 3))
    halves = each(made, (0, 1, None) if layout.cfa else (0, 1))
    if layout.cfa:
        data = halves.pop()
    else:
        # Linear: the whole is the weighted mean of its halves.
        parts = [np.float32(w / weights.sum()) * half for w, half in zip(weights, halves, strict=True) if w > 0]
        data = np.sum(parts, axis=0, dtype=np.float32)
    total = float(weights.sum())
    seen = np.maximum(total - sums["rejected"].astype(np.float64), 0)
    effective = seen * (total / max(float(sums["weight2"].sum()), 1e-300))
    variance, exact = sample_noise(sums, layout)
    if layout.cfa:
        density = np.array([layout.cfa.count(name) / 4 for name in "RGB"])[:, None, None]
        effective, seen = effective[None] * density, seen[None] * density
    else:
        effective, seen = np.broadcast_to(effective, data.shape), np.broadcast_to(seen, data.shape)
    blank = seen < MIN_SEEN * np.max(seen)
    # A sample's variance is itself a noisy estimate: a little smoothing steadies it where there are few frames.
    planes = variance if variance.ndim == 3 else variance[None]
    steady = np.stack([cv2.GaussianBlur(plane, (0, 0), 1.0) for plane in planes]).reshape(variance.shape)
    noise = np.sqrt(steady / np.maximum(effective, 1e-9))
    return _stack(data, halves, weights, seen, noise, blank, full_scale, header, 1.0 if exact else 0.1)


def make_fine_stack(
    sums: dict[str, NDArray[Any]],
    layout: Layout,
    expected: Envelope,
    scale: int,
    drop: float,
    full_scale: float,
    header: dict[str, Any],
) -> Stack:
    """Combine sums into a stack of `scale` pixels per camera pixel, by drops `drop` camera pixels wide."""

    def fall(half: slice) -> Drizzled:
        parts = (sums[name][half].sum(axis=0) for name in ("sum", "weight", "moment"))
        return drizzle(*parts, expected.centre, layout, scale, drop)

    data, mass, mass2 = fall(slice(0, 2))
    halves = [fall(slice(half, half + 1))[0] for half in range(2)]
    # A spot on which no drop of one half fell tells nothing about its noise: the whole stands in.
    halves = [np.where(np.isfinite(one), one, data).astype(np.float32) for one in halves]
    variance, exact = sample_noise(sums, layout)
    fine = np.repeat(np.repeat(variance, scale, axis=-2), scale, axis=-1)
    noise = np.sqrt(fine * mass2) / np.maximum(mass, 1e-9)
    weights = sums["weight"].sum(axis=(1, 2, 3))
    lost = np.repeat(np.repeat(sums["rejected"], scale, axis=0), scale, axis=1)
    blank = (mass <= 1e-6) | (lost > (1 - MIN_SEEN) * weights.sum())
    return _stack(data, halves, weights, mass, noise, blank, full_scale, header, 1.0 if exact else 0.1)


def make_bent_stack(
    sums: dict[str, NDArray[Any]],
    layout: Layout,
    expected: Envelope,
    picture: NDArray[np.float32],
    full_scale: float,
    header: dict[str, Any],
) -> Stack:
    """Combine sums of bent frames.

    `picture`, (h, w) or behind a colour filter array (h, w, 3), is the reference in ADU; the other arguments are as for
    `make_stack`.
    """
    weight = sums["weight"].sum(axis=0, dtype=np.float64)
    if layout.cfa:
        wide = not dense(sums["weight"])
        halves = [corrected(sums["sum"][half], sums["weight"][half], picture, wide) for half in range(2)]
        data = corrected(sums["sum"].sum(axis=0), weight, picture, wide)
        mass, mass2 = spread(weight, wide), spread(sums["weight2"].astype(np.float64), wide)
        # A mean over n samples, and what became of its noise by sharing or by undoing the scatter within a pixel.
        variance = spread(sums["square"].astype(np.float64), wide) / np.maximum(mass, 1e-6)
        energy = noise_energy(wide, (layout.height, layout.width))
        noise = np.moveaxis(np.sqrt(variance * energy * mass2) / np.maximum(mass, 1e-6), -1, 0)
        seen = np.moveaxis(mass, -1, 0)
    else:
        centre = expected.centre[0]
        halves = [mean_of(sums["sum"][half], sums["weight"][half], centre) for half in range(2)]
        data = mean_of(sums["sum"].sum(axis=0), weight, centre)
        noise = np.sqrt(variance_of(sums)[1])
        seen = np.broadcast_to(weight, data.shape)
    blank = seen < MIN_SEEN * np.max(seen)
    shares = sums["weight"].reshape(2, -1).sum(axis=1, dtype=np.float64)
    return _stack(data, halves, shares, seen, noise, blank, full_scale, header)


def make_bent_fine_stack(
    sums: dict[str, NDArray[Any]], picture: NDArray[np.float32], full_scale: float, header: dict[str, Any]
) -> Stack:
    """Combine sums of drops of bent frames; `picture` (h, w, channels) is what the differences refer to, ADU."""

    def laid(values: NDArray[Any]) -> NDArray[np.float32]:
        return np.ascontiguousarray(np.moveaxis(values, -1, 0) if values.shape[-1] == 3 else values[..., 0], np.float32)

    def mean(total: NDArray[Any], weight: NDArray[Any]) -> NDArray[np.float32]:
        return laid(picture + total / np.maximum(weight, 1e-6))

    weight = sums["weight"].sum(axis=0, dtype=np.float64)
    total = sums["sum"].sum(axis=0, dtype=np.float64)
    data = mean(total, weight)
    halves = [mean(sums["sum"][half], sums["weight"][half]) for half in range(2)]
    # A spot on which no drop of one half fell tells nothing about its noise: the whole stands in.
    halves = [np.where(laid(sums["weight"][h]) > 1e-6, halves[h], data).astype(np.float32) for h in range(2)]
    safe = np.maximum(weight, 1e-6)
    freedom = np.maximum(1 - sums["weight2"] / safe**2, 0.05)
    single = np.maximum(sums["square"] / safe - (total / safe) ** 2, 0) / freedom
    planes = [cv2.GaussianBlur(np.ascontiguousarray(single[..., c]), (0, 0), 2.0) for c in range(single.shape[-1])]
    noise = laid(np.sqrt(np.stack(planes, axis=-1) * sums["weight2"]) / safe)
    seen = laid(weight)
    shares = sums["weight"].reshape(2, -1).sum(axis=1, dtype=np.float64)
    return _stack(data, halves, shares, seen, noise, seen < MIN_SEEN * np.max(seen), full_scale, header)


def _stack(
    data: NDArray[Any],
    halves: list[NDArray[np.float32]],
    weights: NDArray[np.float64],
    seen: NDArray[Any],
    noise: NDArray[Any],
    blank: NDArray[np.bool_],
    full_scale: float,
    header: dict[str, Any],
    least: float = 1.0,
) -> Stack:
    """Put a stack together in fractions of full scale, NaN where there are no data."""
    noise = noise * _excess(halves, weights, noise, least)

    def out(values: NDArray[Any]) -> NDArray[np.float32]:
        result = (values / full_scale).astype(np.float32)
        result[blank] = np.nan
        return result

    return Stack(
        data=out(data),
        weight=np.where(blank, 0, seen).astype(np.float32),
        noise=out(noise),
        half_a=out(halves[0]),
        half_b=out(halves[1]),
        header=header,
    )


def _excess(
    halves: list[NDArray[np.float32]], weights: NDArray[np.float64], noise: NDArray[Any], least: float
) -> NDArray[np.float32] | float:
    """Return by how much the halves differ more than the scatter of single frames lets expect, at least `least`.

    Neighbouring frames see the same air, so at edges the mean of n frames is less certain than by the square root of
    n; the halves, made of alternate short blocks of frames, show by how much.
    """
    if not np.all(weights > 0):
        return 1.0
    share = float(np.prod(weights) / weights.sum() ** 2)
    result = np.ones(noise.shape, np.float32)
    planes = zip(*(half if half.ndim == 3 else half[None] for half in halves), strict=True)
    target = result if result.ndim == 3 else result[None]
    for plane, (first, second), expected in zip(target, planes, noise.reshape(target.shape), strict=True):
        found = cv2.GaussianBlur(np.nan_to_num((first - second) ** 2 * np.float32(share)), (0, 0), EXCESS_PX)
        known = cv2.GaussianBlur(np.nan_to_num(expected.astype(np.float32) ** 2), (0, 0), EXCESS_PX)
        plane[:] = np.sqrt(np.clip(found / np.maximum(known, 1e-30), least**2, 9))
    return result
