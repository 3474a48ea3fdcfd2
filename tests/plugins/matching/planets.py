"""Synthetic planets with known places, for the tests of compose: drawn four times finer than the pixels, and binned."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage


@lru_cache(maxsize=64)
def planet(
    size: int,
    centre: tuple[float, float],
    radius: float,
    *,
    limb: float = 0.8,
    phase: float = 0.0,
    flat: float = 0.065,
    belts: float = 0.2,
    spots: float = 0.15,
    own_spots: int | None = None,
    cap: float = 0.0,
    ring: float = 0.0,
    blur: float = 1.2,
    gain: float = 0.6,
    sky: float = 0.02,
    noise: float = 0.0,
    seed: int = 0,
) -> NDArray[np.float32]:
    """A disc with Minnaert limb darkening (exponent `limb`), belts, spots, a cap, a ring, blur and noise.

    `phase` is the phase angle in radians; `own_spots` seeds spots that only this filter sees. The array is read-only,
    as stages may meet them.
    """
    fine = 4
    axis = (np.arange(size * fine) + 0.5) / fine - 0.5
    y, x = (axis[:, None] - centre[0]) / (radius * (1.0 - flat)), (axis[None, :] - centre[1]) / radius
    inside = x**2 + y**2 < 1.0
    out = np.sqrt(np.clip(1.0 - x**2 - y**2, 0.0, 1.0))
    lit = np.clip(x * np.sin(phase) + out * np.cos(phase), 0.0, 1.0)
    light = inside * np.where(lit > 0, lit**limb * np.maximum(out, 0.03) ** (limb - 1.0), 0.0)
    albedo = 1.0 + belts * (np.sin(7.0 * y) + 0.6 * np.sin(17.0 * y + 1.0)) / 2.0 + 0.0 * x
    for source, strength in ((11, spots), (own_spots, 0.15)):
        if source is not None:
            rng = np.random.default_rng(source)
            for _ in range(5):
                at, how = rng.uniform(-0.7, 0.7, 2), rng.uniform(-1.0, 1.0)
                albedo = albedo + strength * how * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / 0.02)
    albedo = albedo + cap * np.exp(-((x - 0.1) ** 2 + (y + 0.9) ** 2) / 0.045)
    light = light * albedo
    if ring:
        far = np.hypot((axis[None, :] - centre[1]) / radius, (axis[:, None] - centre[0]) / radius / ring)
        light = np.where((far > 1.5) & (far < 2.2) & ((y > 0) | ~inside), 0.7, light)
    binned = light.reshape(size, fine, size, fine).mean(axis=(1, 3))
    seen = gain * ndimage.gaussian_filter(binned, blur) + sky
    drawn = (seen + noise * np.random.default_rng(seed).standard_normal(seen.shape)).astype(np.float32)
    drawn.setflags(write=False)
    return drawn
