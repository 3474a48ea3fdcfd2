"""Scenes for the captures in hard air: a banded planet, a desert planet, a cratered field, a field on the Sun.

Before any telescope.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.special import expit

__all__ = ["SCENES"]

Float = NDArray[np.float32]
FINE = 3
"""Samples a side within a pixel."""
Made = tuple[Float, tuple[float, float], tuple[float, float] | None, float]


def clouds(shape: tuple[int, int], power: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return noise of amplitude f^-power, standard deviation 1."""
    f = np.hypot(np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None, :])
    f[0, 0] = 1.0
    noise = np.fft.irfft2(np.fft.rfft2(rng.standard_normal(shape)) * f**-power * (f > 1.5 / min(shape)), s=shape)
    return noise / noise.std()


def _globe(shape: tuple[int, int], radius: float, flat: float, north_deg: float) -> tuple[Any, ...]:
    """Return latitude, longitude and cosine of emergence on fine samples; NaN off the disc."""
    rows, columns = shape
    y, x = np.mgrid[: rows * FINE, : columns * FINE]
    y, x = (y + 0.5) / FINE - rows / 2 - 0.31, (x + 0.5) / FINE - columns / 2 + 0.17
    turn = np.radians(north_deg)
    up, right = -(y * np.cos(turn) + x * np.sin(turn)), x * np.cos(turn) - y * np.sin(turn)
    u, v = right / radius, up / (radius * (1 - flat))
    inside = u**2 + v**2 < 1
    w = np.sqrt(np.maximum(1 - u**2 - v**2, 0))
    tilt = np.radians(3.0)
    v2, w2 = v * np.cos(tilt) - w * np.sin(tilt), v * np.sin(tilt) + w * np.cos(tilt)
    return inside, np.arcsin(np.clip(v2, -1, 1)), np.arctan2(u, w2), w


def _binned(plane: NDArray[Any], shape: tuple[int, int]) -> Float:
    return plane.reshape(shape[0], FINE, shape[1], FINE).mean(axis=(1, 3)).astype(np.float32)


def _sampled(sheet: NDArray[Any], latitude: Float, longitude: Float) -> Float:
    rows, columns = sheet.shape
    y = ((latitude / np.pi + 0.5) * (rows - 1)).astype(np.float32)
    x = ((longitude / (2 * np.pi) + 0.5) * (columns - 1)).astype(np.float32)
    return cv2.remap(sheet.astype(np.float32), x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)


def jupiter(
    shape: tuple[int, int], seed: int, channels: tuple[str, ...], radius: float = 120.5, north_deg: float = -17.0
) -> Made:
    """A giant planet: bands, festoons, ovals; limb darkening by colour."""
    rng = np.random.default_rng([seed, 71])
    inside, latitude, longitude, mu = _globe(shape, radius, 0.065, north_deg)
    rows, columns = 900, 1800
    lines = np.linspace(-np.pi / 2, np.pi / 2, rows)
    bands = sum(
        a * np.tanh((np.sin(k * lines + p)) * 3) / k
        for k, a, p in zip(rng.uniform(5, 34, 9), rng.uniform(0.4, 1.6, 9), rng.uniform(0, 6, 9), strict=True)
    )
    flow = clouds((rows, columns), 1.6, rng)
    bent = np.clip(np.arange(rows)[:, None] + 9 * flow, 0, rows - 1).astype(int)
    sheet = (
        bands[bent] + 0.09 * clouds((rows, columns), 1.15, rng) * (1 + 0.6 * np.abs(np.gradient(bands) * 60))[:, None]
    )
    for _ in range(70):
        r, c, s = rng.integers(120, 780), rng.integers(450, 1350), rng.uniform(3, 13)
        spot = np.exp(
            -((((np.arange(rows) - r)[:, None] / s) ** 2 + ((np.arange(columns) - c)[None, :] / s / 1.7) ** 2) ** 2)
        )
        sheet = sheet * (1 - spot) + spot * rng.uniform(-0.4, 0.45)
    r, c = 560, int(rng.integers(800, 1000))
    red = np.exp(-((((np.arange(rows) - r)[:, None] / 38) ** 2 + ((np.arange(columns) - c)[None, :] / 66) ** 2) ** 3))
    value, spot = _sampled(sheet, latitude, longitude), _sampled(red, latitude, longitude)
    planes = []
    for channel in channels:
        contrast, dark, limb, white = {
            "R": (0.28, 0.15, 0.95, 0.95),
            "G": (0.36, -0.15, 0.85, 1.0),
            "B": (0.42, -0.34, 0.7, 0.72),
        }[channel]
        albedo = white * (1 + contrast * value) * (1 + dark * spot)
        planes.append(_binned(np.where(inside, np.maximum(albedo, 0.05) * np.maximum(mu, 1e-3) ** limb, 0), shape))
    centre = (shape[0] / 2 + 0.31 - 0.5, shape[1] / 2 - 0.17 - 0.5)
    return np.stack(planes), centre, (radius, radius * 0.935), north_deg


def mars(
    shape: tuple[int, int], seed: int, channels: tuple[str, ...], radius: float = 37.2, north_deg: float = 24.0
) -> Made:
    """A desert planet: dark maria with sharp edges, a polar cap, hardly any limb darkening."""
    rng = np.random.default_rng([seed, 72])
    inside, latitude, longitude, mu = _globe(shape, radius, 0.006, north_deg)
    rough = clouds((600, 1200), 1.7, rng)
    maria = 1 / (1 + np.exp(-9 * (rough - 0.35)))
    sheet = 1 - 0.42 * maria + 0.035 * clouds((600, 1200), 1.2, rng)
    lines = np.linspace(-90, 90, 600)[:, None]
    edge = 71 + 2.5 * np.sin(np.linspace(0, 12, 1200))[None, :]
    cap = 1 / (1 + np.exp(-(lines - edge) * 1.4))
    ground, white = (
        _sampled(sheet, latitude, longitude),
        _sampled(np.broadcast_to(cap, (600, 1200)), latitude, longitude),
    )
    planes = []
    for channel in channels:
        contrast, snow, limb = {"R": (1.0, 1.1, 0.42), "G": (0.55, 1.7, 0.5), "B": (0.06, 1.9, 0.6)}[channel]
        albedo = 1 + contrast * (ground - 1)
        planes.append(
            _binned(np.where(inside, (albedo * (1 - white) + snow * white) * np.maximum(mu, 1e-3) ** limb, 0), shape)
        )
    centre = (shape[0] / 2 + 0.31 - 0.5, shape[1] / 2 - 0.17 - 0.5)
    return np.stack(planes), centre, (radius, radius * 0.994), north_deg


def moon(shape: tuple[int, int], seed: int, channels: tuple[str, ...]) -> Made:
    """A cratered field in slanting light, darker towards one side."""
    rng = np.random.default_rng([seed, 73])
    fine = 2
    rows, columns = (n * fine for n in shape)
    height = 10 * clouds((rows, columns), 2.0, rng)
    y, x = np.mgrid[:rows, :columns].astype(np.float32)
    sizes = fine * 2.2 * (1 - rng.random(2600)) ** (-1 / 1.9)
    for size in np.sort(np.minimum(sizes, 75 * fine))[::-1]:
        cy, cx = rng.uniform(0, rows), rng.uniform(0, columns)
        reach = int(2.4 * size) + 2
        a, b, c, d = (
            max(int(cy) - reach, 0),
            min(int(cy) + reach, rows),
            max(int(cx) - reach, 0),
            min(int(cx) + reach, columns),
        )
        r = np.hypot(y[a:b, c:d] - cy, x[a:b, c:d] - cx) / size
        bowl = np.where(
            r < 1, 0.75 * (r**2 - 1) + 0.25, 0.25 * np.maximum(r, 1.0) ** -3.5 * np.clip((2.4 - r) / 1.4, 0, 1)
        )
        height[a:b, c:d] += 0.32 * size * rng.uniform(0.6, 1.0) * (bowl if size < 40 else np.maximum(bowl, -0.3))
    gy, gx = np.gradient(height)
    low = np.radians(np.interp(np.arange(columns), [0, columns], [14, 30]))[None, :]
    facing = np.sin(low) + np.cos(low) * 0.85 * gx / np.sqrt(1 + gx**2 + gy**2) - 0.15 * gy
    albedo = 1 + 0.12 * clouds((rows, columns), 1.5, rng)
    light = np.clip(albedo * (facing + 0.02 * np.sqrt(1 + facing**2)), 0.004, 1.1)
    plane = light.reshape(shape[0], fine, shape[1], fine).mean(axis=(1, 3)).astype(np.float32)
    return plane[None], (shape[0] / 2, shape[1] / 2), None, 0.0


def sun(shape: tuple[int, int], seed: int, channels: tuple[str, ...]) -> Made:
    """A field on the Sun far from the limb: granules, and a spot with its penumbra."""
    rng = np.random.default_rng([seed, 74])
    fine = 2
    rows, columns = (n * fine for n in shape)
    y, x = np.mgrid[:rows, :columns].astype(np.float32)
    # Granules of some 1.3 arcsec: bright cells with dark lanes where two are equally near.
    size = 7.5 * fine
    count = int(rows * columns / size**2 * 1.1)
    seeds = rng.uniform(0, 1, (count, 2)) * [rows, columns]
    bright = 1 + 0.10 * rng.standard_normal(count)
    near, which = cKDTree(seeds).query(np.stack([y.ravel(), x.ravel()], axis=1), k=2)
    lane = np.clip((near[:, 1] - near[:, 0]) / (0.35 * size), 0, 1).reshape(rows, columns)
    light = bright[which[:, 0]].reshape(rows, columns) * (0.78 + 0.22 * lane) + 0.02 * clouds((rows, columns), 1.2, rng)
    light = cv2.GaussianBlur(light.astype(np.float32), (0, 0), 0.6 * fine)
    cy, cx = rows * rng.uniform(0.4, 0.6), columns * rng.uniform(0.4, 0.6)
    turn = np.arctan2(y - cy, x - cx)
    ragged = 1 + 0.10 * np.sin(3 * turn + 1.0) + 0.06 * np.sin(7 * turn)
    radius = np.hypot(y - cy, x - cx) / ragged / (38 * fine)
    threads = 1 + 0.22 * np.sin(46 * turn + 3 * clouds((rows, columns), 1.6, rng))
    penumbra = 0.72 * threads * (0.85 + 0.15 * light)
    umbra = 0.16 + 0.02 * clouds((rows, columns), 1.4, rng)
    inside = expit((1 - radius) / 0.02)
    core = expit((0.45 - radius) / 0.03)
    light = (light * (1 - inside) + penumbra * inside) * (1 - core) + umbra * core
    plane = np.maximum(light, 0.05).reshape(shape[0], fine, shape[1], fine).mean(axis=(1, 3)).astype(np.float32)
    return plane[None], (shape[0] / 2, shape[1] / 2), None, 0.0


SCENES: Mapping[str, Callable[..., Made]] = {"jupiter": jupiter, "mars": mars, "moon": moon, "sun": sun}
"""Makers: (shape, seed, channels) to scene (channels, rows, columns), disc centre, semi-axes, north."""
