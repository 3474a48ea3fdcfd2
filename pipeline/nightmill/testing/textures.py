"""Seeded albedo maps of invented planets: spectral noise drawn into cylindrical maps.

A map is (3, rows, columns) float32, reflectance 0-1 at `MAP_WAVELENGTHS_NM` (R, G, B), row 0 at latitude +90 deg,
column 0 at longitude 0, longitude growing with the column. The maps know no geometry: `bodies` puts them on
ellipsoids. Everything is invented; the looks only follow what the planets are known for.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

__all__ = ["MAP_WAVELENGTHS_NM", "banded_map", "ochre_map", "spectral_noise"]

MAP_WAVELENGTHS_NM = (630.0, 530.0, 460.0)

Float = NDArray[np.float32]


def spectral_noise(
    shape: tuple[int, int],
    slope: float,
    rng: np.random.Generator,
    *,
    stretch: float = 1.0,
    low_cut: float = 0.0,
) -> Float:
    """Draw periodic Gaussian noise with a power-law spectrum.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.
    slope : float
        Power falls as (spatial frequency) ** -slope.
    rng : numpy.random.Generator
        Source of randomness.
    stretch : float, optional
        How many times longer than high the structures are.
    low_cut : float, optional
        Structures larger than ``1 / low_cut`` of the map's height are suppressed; 0 keeps all.

    Returns
    -------
    ndarray of shape (rows, columns), float32
        Noise of mean 0 and standard deviation 1.
    """
    rows, columns = shape
    fy = scipy.fft.fftfreq(rows).astype(np.float32)[:, None]
    fx = scipy.fft.rfftfreq(columns).astype(np.float32)[None, :] * np.float32(stretch)
    square = fy * fy + fx * fx
    square[0, 0] = 1.0
    amplitude = square ** np.float32(-slope / 4)
    if low_cut > 0:
        amplitude *= 1 - np.exp(-square * np.float32((rows / low_cut) ** 2))
    amplitude[0, 0] = 0.0
    spectrum = scipy.fft.rfft2(rng.standard_normal(shape, dtype=np.float32), workers=2) * amplitude
    noise = scipy.fft.irfft2(spectrum, s=shape, workers=2)
    return np.asarray((noise - noise.mean()) / noise.std(), dtype=np.float32)


def _graticule(shape: tuple[int, int]) -> tuple[Float, Float]:
    """Return latitude (rows, 1) and longitude (1, columns) of the pixel centres, in degrees."""
    rows, columns = shape
    latitude = 90 - (np.arange(rows, dtype=np.float32)[:, None] + 0.5) * (180 / rows)
    longitude = (np.arange(columns, dtype=np.float32)[None, :] + 0.5) * (360 / columns)
    return latitude, longitude


def _blob(latitude: Float, longitude: Float, where: tuple[float, float], size: tuple[float, float]) -> Float:
    """Return a flat-topped oval, 1 inside and 0 outside, centred at (latitude, longitude) in degrees."""
    east = (longitude - where[1] + 180) % 360 - 180
    square = ((latitude - where[0]) / size[0]) ** 2 + (east / size[1]) ** 2
    return np.asarray(1 / (1 + square**3), dtype=np.float32)


def _step(x: NDArray[np.floating[Any]]) -> Float:
    """Return the logistic step of `x`; tanh does not overflow."""
    return np.asarray(0.5 + 0.5 * np.tanh(0.5 * x), dtype=np.float32)


def _warp(image: Float, rows_px: Float, columns_px: Float) -> Float:
    """Displace an image by fields of pixels; columns wrap, rows are held at the poles."""
    columns = image.shape[1]
    y, x = np.indices(image.shape, dtype=np.float32)
    pad = 64
    wide = np.concatenate([image[:, -pad:], image, image[:, :pad]], axis=1)
    moved = (x + columns_px) % columns + pad
    return np.asarray(
        cv2.remap(wide, moved, y + rows_px, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32
    )


def banded_map(
    rows: int, rng: np.random.Generator, *, contrast: float = 1.0, ovals: int = 14, great_oval: bool = True
) -> Float:
    """Draw a giant planet: belts and zones, curled edges, festoons, ovals and fine texture.

    Parameters
    ----------
    rows : int
        Height of the map in pixels; the width is twice that.
    rng : numpy.random.Generator
        Source of randomness.
    contrast : float, optional
        Scales everything that departs from the mean zonal brightness; about 0.35 suits a hazy planet.
    ovals : int, optional
        Number of small ovals.
    great_oval : bool, optional
        Whether to draw one great ruddy oval at 22 deg south, with a wake.

    Returns
    -------
    ndarray of shape (3, rows, 2 * rows), float32
        Reflectance, 0-1.
    """
    shape = (rows, 2 * rows)
    latitude, longitude = _graticule(shape)
    # Belts: dark bands of random strength at irregular latitudes, two strong ones beside the equator.
    belt = np.zeros((rows, 1), np.float32)
    edges = [(14.0, 5.5, 1.0), (-13.0, 6.5, 0.95)]
    edges += [
        (side * at + rng.uniform(-2, 2), rng.uniform(1.5, 3.0), rng.uniform(0.25, 0.6))
        for at in (26.0, 36.0, 46.0, 56.0)
        for side in (1, -1)
    ]
    for centre, width, depth in edges:
        belt += np.float32(depth) / (1 + ((latitude - np.float32(centre)) / np.float32(width)) ** 4)
    belt += np.float32(0.5) * np.clip((np.abs(latitude) - 55) / 25, 0, 1)
    belt = np.repeat(belt, shape[1], axis=1)
    # Turbulence: belt edges are displaced, more strongly inside the belts, and structures shear along the zones.
    swirl = spectral_noise(shape, 3.2, rng, stretch=2.5, low_cut=6)
    belt = _warp(belt, swirl * np.float32(rows / 190), np.zeros(shape, np.float32))
    fine = spectral_noise(shape, 2.2, rng, stretch=3.0, low_cut=10)
    fine = _warp(fine, swirl * np.float32(rows / 110), np.float32(rows / 60) * np.roll(swirl, rows // 7, axis=1))
    streaks = spectral_noise(shape, 2.6, rng, stretch=14.0, low_cut=12)
    dark = np.float32(0.62) * belt + (np.float32(0.06) + np.float32(0.11) * belt) * fine
    dark += np.float32(0.045) * streaks
    # Festoons: slanted bluish plumes hanging from the belt north of the equator.
    blue = np.zeros(shape, np.float32)
    for _ in range(11):
        start, lean = rng.uniform(0, 360), rng.uniform(1.2, 2.2)
        along = np.clip((9 - latitude) / 8, 0, 1)
        east = (longitude - np.float32(start) - np.float32(lean) * (9 - latitude) + 180) % 360 - 180
        blue += np.exp(-((east / np.float32(1.7)) ** 2)) * (1 - along) * ((latitude < 9) & (latitude > 1))
    red = np.zeros(shape, np.float32)
    bright = np.zeros(shape, np.float32)
    for _ in range(ovals):
        where = (rng.choice([-41.0, -33.0, 41.0, 18.0]) + rng.uniform(-1, 1), rng.uniform(0, 360))
        size = rng.uniform(0.7, 2.2)
        oval = _blob(latitude, longitude, where, (size, 1.6 * size))
        target = bright if rng.random() < 0.65 else dark
        target += np.float32(0.25) * oval
    if great_oval:
        seat = (-22.0, 52.0)
        hollow = _blob(latitude, longitude, seat, (7.5, 12.0))
        core = _blob(latitude, longitude, seat, (5.2, 8.2))
        ring = _blob(latitude, longitude, seat, (3.4, 5.6))
        dark *= 1 - np.float32(0.9) * hollow
        red += np.float32(0.8) * core - np.float32(0.25) * (core - ring) + np.float32(0.10) * core * fine
        wake = np.exp(-(((latitude + 15) / 5) ** 2)) * np.clip(1 - ((longitude - 59) % 360) / 80, 0, 1)
        dark += np.float32(0.16) * wake * np.abs(np.roll(fine, rows // 3, axis=1))
    albedo = np.empty((3, *shape), np.float32)
    for plane, (zone, belt_gain, red_gain, blue_gain) in enumerate(
        [(0.86, 0.50, 0.22, 0.50), (0.80, 0.64, 0.62, 0.40), (0.68, 0.76, 0.80, 0.20)]
    ):
        depth = belt_gain * dark + red_gain * red + blue_gain * blue - 0.45 * bright
        albedo[plane] = zone * (1 - np.float32(contrast) * (depth - depth.mean()) - 0.12)
    return np.clip(albedo, 0.03, 0.98)


def ochre_map(rows: int, rng: np.random.Generator, *, cap_deg: float = 68.0) -> Float:
    """Draw a dry ruddy planet: dark albedo features, bright basins, a polar cap; almost bare in blue.

    Parameters
    ----------
    rows : int
        Height of the map in pixels; the width is twice that.
    rng : numpy.random.Generator
        Source of randomness.
    cap_deg : float, optional
        Latitude of the northern cap's edge, degrees.

    Returns
    -------
    ndarray of shape (3, rows, 2 * rows), float32
        Reflectance, 0-1.
    """
    shape = (rows, 2 * rows)
    latitude, longitude = _graticule(shape)
    broad = spectral_noise(shape, 3.6, rng, stretch=1.6, low_cut=2.5)
    medium = spectral_noise(shape, 2.8, rng, stretch=1.4, low_cut=6)
    fine = spectral_noise(shape, 1.9, rng, low_cut=14)
    level = broad + np.float32(0.45) * medium + np.float32(0.9) * np.exp(-(((latitude + 22) / 20) ** 2))
    dark = _step((level - np.float32(0.55)) / np.float32(0.16))
    dark *= np.clip((75 - np.abs(latitude)) / 20, 0, 1)
    for _ in range(4):
        where = (rng.uniform(-45, 20), rng.uniform(0, 360))
        dark *= 1 - np.float32(0.85) * _blob(latitude, longitude, where, (9.0, 13.0))
    edge = np.float32(cap_deg) + np.float32(1.8) * medium
    cap = _step((latitude - edge) / np.float32(0.7))
    haze = np.clip((-latitude - 58) / 14, 0, 1) * np.float32(0.6)
    albedo = np.empty((3, *shape), np.float32)
    for plane, (ground, feature, grain, white) in enumerate(
        [(0.58, 0.46, 0.050, 0.85), (0.30, 0.34, 0.040, 0.72), (0.135, 0.05, 0.012, 0.50)]
    ):
        surface = ground * (1 - feature * dark) * (1 + grain * fine + 0.5 * grain * medium)
        surface += haze * (0.30 - 0.25 * surface)
        albedo[plane] = surface * (1 - cap) + white * cap * (1 + 0.4 * grain * medium)
    return np.clip(albedo, 0.02, 0.98)
