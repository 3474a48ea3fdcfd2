"""Fields that fill the frame: a cratered lunar plain in slanting light, and the Sun's surface in white light.

A field is drawn once, as (rows, columns) float32, and never turns.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from .textures import spectral_noise

__all__ = ["lunar_field", "solar_field"]

Float = NDArray[np.float32]


def _stamp_crater(height: Float, tone: Float, row: float, column: float, radius: float, fresh: float) -> None:
    """Press one crater (radius in pixels, freshness 0-1) into a height map; both arrays are changed."""
    reach = int(np.ceil(2.2 * radius)) + 2
    r0, r1 = max(int(row) - reach, 0), min(int(row) + reach + 1, height.shape[0])
    c0, c1 = max(int(column) - reach, 0), min(int(column) + reach + 1, height.shape[1])
    if r0 >= r1 or c0 >= c1:
        return
    y = np.arange(r0, r1, dtype=np.float32)[:, None] - np.float32(row)
    x = np.arange(c0, c1, dtype=np.float32)[None, :] - np.float32(column)
    d = np.sqrt(x * x + y * y) / np.float32(radius)
    # Simple craters are a fifth as deep as wide, large ones shallower and flat-floored (common knowledge of craters).
    depth = 0.32 * radius * (0.35 + 0.65 * fresh) * min(1.0, (26 / radius) ** 0.5)
    floor = 0.55 if radius > 22 else 0.0
    bowl = np.clip((d * d - floor**2) / (1 - floor**2), 0, 1) - 1
    rim = 0.22 * depth * np.exp(-(((d - 1) / 0.18) ** 2)) + 0.10 * depth * np.exp(-np.maximum(d - 1, 0) * 2.6)
    shape = np.where(d < 1, depth * bowl + rim, rim)
    if radius > 26 and fresh > 0.35:
        shape += 0.35 * depth * np.exp(-((d / 0.13) ** 2))
    old = height[r0:r1, c0:c1]
    # The impact levels what was there to the mean of its ground; outside, the rim is added.
    keep = np.clip((d - 0.8) / 0.3, 0.12, 1)
    ground = old[d < 1.2].mean() if (d < 1.2).any() else np.float32(0)
    old -= ground
    old *= keep
    old += ground
    old += shape.astype(np.float32)
    tone[r0:r1, c0:c1] += np.float32(0.05 * fresh) * np.exp(-np.maximum(d - 0.7, 0) * 2.0)


def _rays(shape: tuple[int, int], at: tuple[float, float], radius: float, rng: np.random.Generator) -> Float:
    """Return the bright splash of a young crater, 0-1."""
    y = np.arange(shape[0], dtype=np.float32)[:, None] - np.float32(at[0])
    x = np.arange(shape[1], dtype=np.float32)[None, :] - np.float32(at[1])
    angle = np.arctan2(y, x)
    distance = np.hypot(x, y) / np.float32(radius)
    beam = np.zeros(shape, np.float32)
    for _ in range(9):
        where, width = np.float32(rng.uniform(-np.pi, np.pi)), np.float32(rng.uniform(0.03, 0.10))
        off = (angle - where + np.pi) % (2 * np.pi) - np.pi
        beam += np.exp(-((off / width) ** 2)) * np.float32(rng.uniform(0.4, 1.0))
    return np.asarray(np.clip(beam, 0, 1) * np.exp(-distance / 6) + np.exp(-distance / 1.3), np.float32)


def lunar_field(
    shape: tuple[int, int],
    rng: np.random.Generator,
    *,
    px_per_km: float = 5.0,
    sun_altitude_deg: float = 22.0,
) -> Float:
    """Draw a cratered plain with shadows and rays.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.
    rng : numpy.random.Generator
        Source of randomness.
    px_per_km : float, optional
        Scale of the drawing.
    sun_altitude_deg : float, optional
        Height of the Sun in the middle of the field; the light comes from the left and gets lower to the right.

    Returns
    -------
    ndarray of shape (rows, columns), float32
        Brightness, 0 in full shadow to about 1 on sunlit rims.

    Notes
    -----
    Crater diameters follow a power law, N(> D) ~ D^-1.8, from three pixels up to a fifth of the field. Shadows are
    exact for a Sun in the direction of the rows (running maximum along the light), softened by the Sun's width of
    half a degree. Shading: Lommel-Seeliger.
    """
    rows, columns = shape
    height = spectral_noise(shape, 3.4, rng, low_cut=3) * np.float32(0.006 * rows**0.5 * 4)
    height += spectral_noise(shape, 2.4, rng, low_cut=20) * np.float32(0.08)
    mare = 1 / (1 + np.exp(-3.0 * spectral_noise(shape, 3.8, rng)))
    tone = (0.62 - 0.22 * mare + 0.02 * spectral_noise(shape, 1.8, rng, low_cut=12)).astype(np.float32)
    smallest, largest = 1.5, 0.11 * min(shape)
    count = int(rows * columns * 0.0042)
    radii = smallest * rng.random(count) ** (-1 / 1.8)
    radii = np.sort(radii[radii < largest])[::-1]
    places = rng.random((radii.size, 2)) * np.array(shape)
    freshness = rng.random(radii.size) ** 1.5
    dense = mare[places[:, 0].astype(int), places[:, 1].astype(int)]
    thinned = rng.random(radii.size) > 0.5 * dense
    for at, radius, fresh in zip(places[thinned], radii[thinned], freshness[thinned], strict=True):
        _stamp_crater(height, tone, float(at[0]), float(at[1]), float(radius), float(fresh))
    for _ in range(2):
        at = (float(rng.uniform(0, rows)), float(rng.uniform(0, columns)))
        radius = float(rng.uniform(5, 9))
        _stamp_crater(height, tone, *at, radius, 1.0)
        tone += np.float32(0.22) * _rays(shape, at, 2.5 * radius, rng)
    # Softened by a pixel of the drawing: steps of the stamped rims would throw shadows of their own.
    height = np.asarray(cv2.GaussianBlur(height, (0, 0), 0.9), np.float32)
    # Light: the ground curves away from the Sun (lunar radius 1737.4 km), so the altitude falls across the field.
    x = np.arange(columns, dtype=np.float32)[None, :]
    altitude = np.radians(sun_altitude_deg) - (x - columns / 2) / np.float32(px_per_km * 1737.4)
    altitude = np.maximum(altitude, np.float32(np.radians(2.0)))
    slope_x = np.gradient(height, axis=1)
    slope_y = np.gradient(height, axis=0)
    length = np.sqrt(1 + slope_x**2 + slope_y**2)
    mu0 = np.clip((np.sin(altitude) - slope_x * np.cos(altitude)) / length, 0, 1)
    mu = 1 / length
    lit = np.zeros(shape, np.float32)
    for step in (-0.2, -0.07, 0.07, 0.2):
        drop = np.cumsum(np.tan(altitude + np.float32(np.radians(step))), axis=1)
        line = height + drop
        lit += np.float32(0.25) * (line >= np.maximum.accumulate(line, axis=1) - np.float32(1e-3))
    picture = 2.1 * tone * mu0 / (mu0 + mu) * (0.02 + 0.98 * lit)
    return np.asarray(picture / np.percentile(picture, 99.9), np.float32)


def solar_field(
    shape: tuple[int, int],
    rng: np.random.Generator,
    *,
    px_per_arcsec: float = 5.0,
    limb_distance_arcsec: float | None = None,
) -> Float:
    """Draw the Sun's surface in white light: granules, one large spot with penumbra, pores, limb darkening.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.
    rng : numpy.random.Generator
        Source of randomness.
    px_per_arcsec : float, optional
        Scale of the drawing.
    limb_distance_arcsec : float, optional
        Distance from the field's middle to the limb, which lies to the right; None puts the field at the centre of
        the disc.

    Returns
    -------
    ndarray of shape (rows, columns), float32
        Brightness, 1 at the quiet centre of the disc, 0 off the disc.
    """
    rows, columns = shape
    cell = 1.35 * px_per_arcsec  # mean distance of granules, arcsec (common value, from memory)
    grid_y, grid_x = np.mgrid[-1 : rows / (0.87 * cell) + 1, -1 : columns / cell + 1]
    grid_x = grid_x + 0.5 * (grid_y % 2)
    at_y = np.clip((grid_y * 0.87 + rng.uniform(-0.42, 0.42, grid_y.shape)) * cell, 0, rows - 1).astype(int)
    at_x = np.clip((grid_x + rng.uniform(-0.42, 0.42, grid_x.shape)) * cell, 0, columns - 1).astype(int)
    seeds = np.full(shape, 255, np.uint8)
    seeds[at_y, at_x] = 0
    far = cv2.distanceTransform(seeds, cv2.DIST_L2, cv2.DIST_MASK_PRECISE) / np.float32(cell)
    granule = 1.07 - 0.55 * far**2 + 0.03 * spectral_noise(shape, 2.0, rng, low_cut=8)
    y = np.arange(rows, dtype=np.float32)[:, None]
    x = np.arange(columns, dtype=np.float32)[None, :]
    ripple = spectral_noise(shape, 3.0, rng, low_cut=4)
    at = (rows * rng.uniform(0.4, 0.6), columns * rng.uniform(0.38, 0.55))
    radius = 0.09 * min(shape)
    dy, dx = (y - np.float32(at[0])) / radius, (x - np.float32(at[1])) / (1.15 * radius)
    reach = np.hypot(dx, dy) * (1 + 0.10 * ripple)
    # Filaments: noise drawn in (angle, radius), long in radius, laid around the spot.
    polar = spectral_noise((128, 1024), 1.2, rng, low_cut=3)
    polar = cv2.GaussianBlur(polar, (1, 31), sigmaX=0.1, sigmaY=6)
    polar /= polar.std()
    angle = ((np.arctan2(dy, dx) / (2 * np.pi)) % 1 * 1023).astype(np.float32)
    thread = cv2.remap(polar, angle, (reach % 3 * 42).astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    inner = 0.5 - 0.5 * np.tanh((reach - 1.0) / 0.10)
    outer = 0.5 - 0.5 * np.tanh((reach - 2.1 - 0.12 * thread) / 0.12)
    picture = granule * (1 - outer) + (0.74 + 0.12 * thread) * outer * (1 - inner)
    picture += (0.20 + 0.03 * ripple) * inner
    for _ in range(6):
        pore = (at[0] + rng.normal(0, 3.5 * radius), at[1] + rng.normal(0, 3.5 * radius))
        size = rng.uniform(0.08, 0.25) * radius
        hole = np.exp(-((((y - pore[0]) ** 2 + (x - pore[1]) ** 2) / size**2) ** 2))
        picture *= 1 - 0.65 * hole
    if limb_distance_arcsec is not None:
        solar_radius = 960 * px_per_arcsec
        centre_x = columns / 2 + limb_distance_arcsec * px_per_arcsec - solar_radius
        out = np.hypot(x - centre_x, y - rows / 2)
        mu = np.sqrt(np.clip(1 - (out / solar_radius) ** 2, 0, 1))
        picture = picture * (0.4 + 0.6 * mu) * np.clip(solar_radius - out + 0.5, 0, 1)
    return np.asarray(np.maximum(picture, 0), np.float32)
