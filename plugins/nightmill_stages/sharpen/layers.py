"""The companions of a picture, channel by channel: half-sets, noise, gaps, and putting all together again."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import Picture

from .apply import Sharpened
from .signal import white_noise
from .spectral import apply_transfer, fill_gaps

__all__ = ["finished", "halves_of", "noise_rms", "noted"]


def halves_of(
    picture: Picture, usable: list[NDArray[np.bool_]]
) -> list[tuple[NDArray[np.float32], NDArray[np.float32]] | None]:
    """Return the two half-sets of each channel, without gaps; None where there are none."""
    if picture.half_a is None or picture.half_b is None:
        return [None] * len(usable)
    first = picture.half_a if picture.half_a.ndim == 3 else picture.half_a[None]
    second = picture.half_b if picture.half_b.ndim == 3 else picture.half_b[None]
    pairs: list[tuple[NDArray[np.float32], NDArray[np.float32]] | None] = []
    for a, b, one in zip(first, second, usable, strict=True):
        both = one & np.isfinite(a) & np.isfinite(b)
        pairs.append((fill_gaps(a, both), fill_gaps(b, both)) if both.mean() > 0.01 else None)
    return pairs


def noise_rms(picture: Picture, channel: int, filled: NDArray[np.float32], usable: NDArray[np.bool_]) -> float:
    """Return the root mean square noise of a pixel, from the noise map, else from the finest detail."""
    if picture.noise is not None:
        plane = picture.noise if picture.noise.ndim == 2 else picture.noise[channel]
        known = plane[usable & np.isfinite(plane)]
        if known.size and float(np.mean(known**2)) > 0:
            return float(np.sqrt(np.mean(known.astype(np.float64) ** 2)))
    return max(white_noise(filled), 1e-9)


def finished(
    picture: Picture,
    shape: tuple[int, ...],
    usable: list[NDArray[np.bool_]],
    halves: list[tuple[NDArray[np.float32], NDArray[np.float32]] | None],
    results: list[Sharpened],
) -> Picture:
    """Put the channels together again; companions follow where the method is linear, else they go."""

    def joined(planes: list[NDArray[np.float32]]) -> NDArray[np.float32]:
        out = np.stack(planes).astype(np.float32)
        for plane, one in zip(out, usable, strict=True):
            plane[~one] = np.nan
        return out if picture.data.ndim == 3 else out[0]

    noise, a, b = picture.noise, None, None
    if noise is not None:
        gains = np.array([result.noise_gain for result in results], np.float32)
        noise = noise * (gains[:, None, None] if noise.ndim == 3 else gains[0])
    if all(result.gain is not None for result in results) and all(pair is not None for pair in halves):
        a, b = (joined([_alike(p[k], r) for p, r in zip(halves, results, strict=True)]) for k in range(2))
    return picture.replace(data=joined([result.picture for result in results]), noise=noise, half_a=a, half_b=b)


def _alike(half: NDArray[np.float32], result: Sharpened) -> NDArray[np.float32]:
    """Treat a half-set as the whole was."""
    sharp = apply_transfer(half, result.gain)
    return sharp if result.added is None else sharp + result.added


def noted(picture: Picture, facts: dict[str, Any]) -> Picture:
    """Return the picture with what was done to it in its header."""
    return picture.replace(header={**picture.header, "sharpen": facts})
