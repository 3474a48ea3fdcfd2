"""Captures in hard air, made without the project's own simulator: a second opinion on every figure.

Nothing of `nightmill` is used here, neither screens nor scenes nor camera nor the writer, so that an error of the
simulator that the code was tuned on cannot hide. Air: Kolmogorov screens without outer scale, plain FFT screens
with sub-harmonics (Lane, Glindemann & Dainty 1992, doi:10.1088/0959-7174/2/3/003), D/r0 of 5 to 8 at 530 nm that
comes and goes. The picture of a frame is the scene through the instantaneous optical transfer
function; then it is bent, moved by mount and dispersion, counted in electrons (Poisson), hit by particles, digitised.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray
from recorded import Recorded

Float = NDArray[np.float32]
SAMPLES = 48
"""Samples over the aperture."""
GRID = {"R": 172, "G": 144, "B": 126}
"""Side of the point-spread function, pixels: with `SAMPLES` and the pixel's scale this says the wavelength."""
APERTURE_MM, SCALE_ARCSEC, OBSTRUCTION = 203.0, 0.18, 0.33
PIXEL_UM = 2.9
NODE = 8
"""Pixels between the nodes on which bending is known."""


def wavelength_nm(channel: str) -> float:
    """Return the wavelength that the sampling stands for."""
    return GRID[channel] * (APERTURE_MM / SAMPLES * 1e6) * SCALE_ARCSEC / 206264.806


@dataclass(frozen=True)
class Hard:
    """One capture to be made.

    Attributes
    ----------
    scene : str
        "jupiter", "mars", "moon" or "sun".
    channels : tuple of str
        Keys of `GRID`: three for a mosaic sensor (RGGB), else one.
    shape, frames, fps
        Rows and columns; how many; frames a second.
    ratio : float
        D/r0 at 530 nm, mean over the capture.
    wander : float
        Standard deviation of ln r0 over time.
    bending_px : float
        Local motion by the high layer, rms of each axis.
    mount_px : float
        Motion by the mount, rms of each axis.
    full_well_e, level, bits, offset
        Electrons at full scale; brightest part of the perfect picture as a share of it; depth; digits of black.
    hits : float
        Mean number of particles a frame.
    dispersion_px : float
        Between red and blue.
    seed : int
        Of everything.
    """

    scene: str
    channels: tuple[str, ...]
    shape: tuple[int, int]
    frames: int
    ratio: float = 5.5
    wander: float = 0.25
    fps: float = 70.0
    bending_px: float = 0.2
    mount_px: float = 4.0
    full_well_e: float = 4000.0
    level: float = 0.65
    bits: int = 8
    offset: float = 5.0
    hits: float = 0.05
    dispersion_px: float = 1.2
    seed: int = 1
    options: dict[str, Any] = field(default_factory=dict)


def screen(size: int, seed: int, levels: int = 5) -> Float:
    """Return a Kolmogorov phase screen in radians for r0 = 1 sample, without outer scale."""
    rng = np.random.default_rng(seed)
    f = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.fftfreq(size)[None, :])
    f[0, 0] = 1.0
    amplitude = np.sqrt(0.0229) * f ** (-11 / 6)
    amplitude[0, 0] = 0.0
    white = rng.standard_normal((size, size)) + 1j * rng.standard_normal((size, size))
    phase = (np.fft.ifft2(white * amplitude) * size).real
    at = np.arange(size) - size / 2
    for step in [1 / (3**level * size) for level in range(1, levels + 1)]:
        for i, j in [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1) if i or j]:
            size_of = np.sqrt(0.0229) * np.hypot(i * step, j * step) ** (-11 / 6) * step
            wave = size_of * (rng.standard_normal() + 1j * rng.standard_normal())
            phase += np.outer(wave * np.exp(2j * np.pi * i * step * at), np.exp(2j * np.pi * j * step * at)).real
    return (phase - phase.mean()).astype(np.float32)


@lru_cache(maxsize=2)
def _screens(seed: int) -> tuple[Float, Float]:
    return screen(2048, 2 * seed), screen(2048, 2 * seed + 1)


@lru_cache(maxsize=2)
def aperture(obstruction: float = OBSTRUCTION) -> Float:
    """Return the annular aperture on `SAMPLES` samples, edges by area."""
    fine = (np.arange((SAMPLES + 2) * 8) + 0.5) / 8 - (SAMPLES + 2) / 2
    radius = np.hypot(fine[:, None], fine[None, :]) / (SAMPLES / 2)
    clear = ((radius <= 1) & (radius >= obstruction)).astype(np.float32)
    return clear.reshape(SAMPLES + 2, 8, SAMPLES + 2, 8).mean(axis=(1, 3))


def point_spread(phase: Float | None, side: int) -> Float:
    """Return the point-spread function of the aperture with a phase in radians, middle at (side // 2, side // 2)."""
    mask = aperture()
    wave = mask.astype(np.complex64) if phase is None else mask * np.exp(1j * phase).astype(np.complex64)
    light = np.abs(scipy.fft.fft2(wave, s=(side, side))) ** 2
    return np.fft.fftshift(light / light.sum()).astype(np.float32)


def transfer(spread: Float, shape: tuple[int, int]) -> NDArray[np.complex64]:
    """Return the transfer function on `rfft2` frequencies of a frame."""
    canvas = np.zeros(shape, np.float32)
    side = spread.shape[0]
    cut = [min(side, n) for n in shape]
    first = [(side // 2) - c // 2 for c in cut]
    canvas[: cut[0], : cut[1]] = spread[first[0] : first[0] + cut[0], first[1] : first[1] + cut[1]]
    canvas = np.roll(canvas, (-(cut[0] // 2), -(cut[1] // 2)), (0, 1))
    return scipy.fft.rfft2(canvas)


def _turn(shape: tuple[int, int], dy: float, dx: float) -> NDArray[np.complex64]:
    """Return the factor that moves a picture by (dy, dx)."""
    rows, columns = np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None, :]
    return np.exp(-2j * np.pi * (rows * dy + columns * dx)).astype(np.complex64)


class Air:
    """Two layers carried by the wind; `phase` is at 530 nm."""

    def __init__(self, wanted: Hard) -> None:
        self.wanted = wanted
        rng = np.random.default_rng([wanted.seed, 11])
        self.low, self.high = _screens(wanted.seed)
        self.start = rng.uniform(0, 1900, (2, 2))
        # Some 5 and 14 m/s: samples of the screens a frame.
        self.speed = np.array([[0.5, 1.0], [-1.7, 0.9]]) * 5.0 / (APERTURE_MM / 1000 / SAMPLES) / wanted.fps
        k = np.arange(wanted.frames)
        waves = zip(rng.uniform(0.3, 3, 8), rng.uniform(0, 6, 8), strict=True)
        slow = sum(np.sin(2 * np.pi * k * c / 400 + p) for c, p in waves)
        self.strength = (wanted.ratio / SAMPLES * np.exp(wanted.wander * slow / 2)) ** (5 / 6)

    def phase(self, index: int, offset: tuple[float, float] = (0.0, 0.0), straight: bool = False) -> Float:
        """Return the phase over the aperture; `offset` in samples is where the high layer is crossed."""
        side = SAMPLES + 2
        total = np.zeros((side, side), np.float32)
        for layer, (sheet, share) in enumerate(((self.low, 0.65), (self.high, 0.35))):
            y, x = self.start[layer] + self.speed[layer] * index + np.array(offset) * layer
            y, x = (self._bounce(v, sheet.shape[0] - side - 1) for v in (y, x))
            part = sheet[int(y) : int(y) + side, int(x) : int(x) + side] * np.float32(np.sqrt(share))
            total += part - _plane(part) if straight and layer else part
        return total * np.float32(self.strength[index])

    @staticmethod
    def _bounce(value: float, limit: int) -> float:
        """Walk to and fro on a sheet whose ends do not meet."""
        value = value % (2 * limit)
        return value if value < limit else 2 * limit - value


def _plane(part: Float) -> Float:
    """Return the plane that fits a phase best over the aperture."""
    mask = aperture()
    y, x = np.mgrid[: part.shape[0], : part.shape[1]] - (part.shape[0] - 1) / 2
    design = np.stack([np.ones_like(x), y, x], axis=-1)[mask > 0.5]
    found, *_ = np.linalg.lstsq(design, part[mask > 0.5], rcond=None)
    return (found[0] + found[1] * y + found[2] * x).astype(np.float32)


def _bending(wanted: Hard) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Return a long strip of local displacements (2, rows, columns) on nodes and where each frame begins on it."""
    size = 1024
    sheet = screen(size, wanted.seed + 500)
    across = APERTURE_MM / 1000 / 5500 * 206265 / SCALE_ARCSEC / NODE
    sheet = cv2.GaussianBlur(sheet, (0, 0), across / 4)
    slopes = np.stack(np.gradient(sheet))
    nodes = [n // NODE + 3 for n in wanted.shape]
    # What a field as large as the frame has in common is motion, not bending.
    common = np.stack([cv2.blur(s, (nodes[1], nodes[0])) for s in slopes])
    slopes -= common
    slopes *= wanted.bending_px / slopes.std()
    rng = np.random.default_rng([wanted.seed, 13])
    steps = np.cumsum(np.full((wanted.frames, 2), [1.9, 3.1]) * (70 / wanted.fps), axis=0) + rng.uniform(0, 400, 2)
    room = np.array([size - n - 1 for n in nodes])
    steps = steps % (2 * room)
    return slopes.astype(np.float32), np.where(steps < room, steps, 2 * room - steps)


def displacement(wanted: Hard, strip: Float, place: NDArray[np.float64]) -> Float:
    """Return the displacement of every pixel of a frame, (2, rows, columns) in pixels."""
    rows, columns = wanted.shape
    y = (np.arange(rows, dtype=np.float32) / NODE + np.float32(place[0]))[:, None]
    x = (np.arange(columns, dtype=np.float32) / NODE + np.float32(place[1]))[None, :]
    y, x = (np.ascontiguousarray(np.broadcast_to(v, (rows, columns))) for v in (y, x))
    return np.stack([cv2.remap(s, x, y, cv2.INTER_CUBIC) for s in strip])


def warp(picture: Float, way: Float, sign: float) -> Float:
    """Sample a picture at (y, x) + sign * way."""
    rows, columns = picture.shape
    y, x = np.mgrid[:rows, :columns].astype(np.float32)
    return cv2.remap(
        picture, x + sign * way[1], y + sign * way[0], cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT_101
    )


def make(wanted: Hard) -> Recorded:
    """Make all frames of a capture."""
    from hardscenes import SCENES

    rng = np.random.default_rng([wanted.seed, 17])
    shape, n = wanted.shape, wanted.frames
    field_ = wanted.scene in ("moon", "sun")
    # Light that leaves the frame must not come in at the other side.
    margin = 64 if field_ else 40
    big = tuple(v + 2 * margin for v in shape)
    scene, centre, axes, north = SCENES[wanted.scene](big, wanted.seed, wanted.channels, **wanted.options)
    spectra = [scipy.fft.rfft2(plane) for plane in scene]
    perfect = [transfer(point_spread(None, GRID[c]), big) for c in wanted.channels]
    picture = np.stack([scipy.fft.irfft2(s * p, s=big) for s, p in zip(spectra, perfect, strict=True)]).astype(
        np.float32
    )
    inner = (slice(margin, margin + shape[0]), slice(margin, margin + shape[1]))
    peak = float(np.percentile(picture[(..., *inner)], 99.9 if field_ else 100))
    gain = wanted.level * wanted.full_well_e / peak
    digits_per_e = (2**wanted.bits - 1 - wanted.offset) / wanted.full_well_e
    air, (strip, places) = Air(wanted), _bending(wanted)
    k = np.arange(n)
    mount = np.stack(
        [
            np.interp(k, np.arange(0, n + 40, 20), rng.standard_normal(len(np.arange(0, n + 40, 20)))) * 1.2
            + 0.3 * rng.standard_normal(n)
            for _ in range(2)
        ],
        axis=1,
    )
    mount *= wanted.mount_px / mount.std(axis=0)
    middle = "G" if len(wanted.channels) == 3 else wanted.channels[0]
    apart = {c: (wavelength_nm(c) ** -2 - wavelength_nm(middle) ** -2) * 1e5 for c in wanted.channels}
    span = max(apart.values()) - min(apart.values()) or 1.0
    way = np.array([0.8, 0.6]) * wanted.dispersion_px / span
    apart_px = np.array([apart[c] * way for c in wanted.channels])
    kind = np.uint8 if wanted.bits == 8 else np.uint16
    digits = np.empty((n, *shape), kind)
    shifts, quality = np.zeros((n, 2)), np.zeros(n)
    ref = wanted.channels.index(middle)
    judge = _Judge(spectra[ref], perfect[ref], big, GRID[middle])
    hot = rng.random(shape) < 1e-4
    for i in range(n):
        bend = displacement(wanted, strip, places[i])
        light = np.empty((len(wanted.channels), *shape), np.float32)
        if field_:
            air_shift, quality[i], plane = _field(wanted, air, i, scene[0], judge, mount[i])
            light[0] = warp(plane[inner], bend, -1.0) if wanted.bending_px else plane[inner]
            shifts[i] = air_shift + mount[i]
        else:
            phase = air.phase(i)
            for c, channel in enumerate(wanted.channels):
                spread = point_spread(phase * np.float32(530 / wavelength_nm(channel)), GRID[channel])
                passed = transfer(spread, big)
                if c == ref:
                    air_shift, quality[i] = judge(passed)
                    shifts[i] = air_shift + mount[i]
                moved = spectra[c] * passed * _turn(big, *(mount[i] + apart_px[c]))
                plane = scipy.fft.irfft2(moved, s=big).astype(np.float32)[inner]
                light[c] = warp(plane, bend, -1.0) if wanted.bending_px else plane
        mean = light[0]
        if len(wanted.channels) == 3:
            mean = light[1].copy()
            mean[::2, ::2], mean[1::2, 1::2] = light[0, ::2, ::2], light[2, 1::2, 1::2]
        electrons = rng.poisson(np.maximum(mean * gain, 0) + 1.0 + 60.0 * hot) + 2.5 * rng.standard_normal(shape)
        for _ in range(rng.poisson(wanted.hits)):
            y, x = (int(v) for v in rng.uniform(2, np.array(shape) - 8))
            for step in range(rng.integers(1, 6)):
                electrons[y + step, x + (step * 2) // 3] += wanted.full_well_e * rng.uniform(0.3, 1.2)
        digits[i] = np.clip(np.rint(electrons * digits_per_e + wanted.offset), 0, 2**wanted.bits - 1)
    scale = gain * digits_per_e
    return Recorded(
        digits=digits,
        bits=wanted.bits,
        colour="RGGB" if len(wanted.channels) == 3 else "mono",
        channels=wanted.channels,
        picture=picture[(..., *inner)] * scale,
        scene=scene[(..., *inner)] * scale,
        quality=quality,
        shift_px=shifts,
        channel_shift_px=apart_px,
        cutoff=tuple(SAMPLES / GRID[c] for c in wanted.channels),
        centre_px=(centre[0] - margin, centre[1] - margin),
        semi_axes_px=axes,
        north_deg=north,
        bending=(lambda i: displacement(wanted, strip, places[i])) if wanted.bending_px else None,
        equipment=equipment(),
    )


class _Judge:
    """Tells how sharp a frame is and where it lies, from its transfer."""

    def __init__(self, spectrum: NDArray[np.complex64], perfect: NDArray[Any], shape: tuple[int, int], side: int):
        self.shape, self.perfect, self.spectrum = shape, perfect, spectrum
        u = np.hypot(np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None, :]) / (SAMPLES / side)
        self.band = np.where((u > 0.15) & (u < 0.5), np.maximum(u, 0.1) ** -3.0, 0) * np.abs(perfect) ** 2
        # A narrow taper: the object's own power, without what its cut at the frame's border adds.
        self.template = np.conj(spectrum * perfect) * spectrum * (u > 0.01)

    def __call__(self, passed: NDArray[np.complex64]) -> tuple[NDArray[np.float64], float]:
        quality = float((np.abs(passed) ** 2 * self.band / np.maximum(np.abs(self.perfect) ** 2, 1e-6)).sum())
        plane = scipy.fft.irfft2(self.template * passed, s=self.shape)
        top = np.unravel_index(int(plane.argmax()), plane.shape)
        place = []
        for axis in (0, 1):
            line, k = np.take(plane, top[1 - axis], axis=1 - axis), int(top[axis])
            a, b, c = line[k - 1], line[k], line[(k + 1) % line.size]
            place.append((k + 0.5 * (a - c) / (a - 2 * b + c) + line.size / 2) % line.size - line.size / 2)
        return np.array(place), quality / float(self.band.sum())


def _field(
    wanted: Hard, air: Air, index: int, scene: Float, judge: _Judge, mount: NDArray[np.float64]
) -> tuple[NDArray[np.float64], float, Float]:
    """Render a field: patches of 128 pixels, each with its own blur, fade into each other."""
    step, side = 128, GRID[wanted.channels[0]]
    tile = 2 * step + 64
    rows, columns = scene.shape
    ramp = 1 - np.abs(np.arange(2 * step) - step + 0.5) / step
    total, weight = np.zeros(scene.shape, np.float32), np.zeros(scene.shape, np.float32)
    shifts, qualities = [], []
    per_px = SCALE_ARCSEC / 206265 * 5500 / (APERTURE_MM / 1000 / SAMPLES)
    wave = np.float32(530 / wavelength_nm(wanted.channels[0]))
    for top in range(-step // 2, rows - step // 2, step):
        for left in range(-step // 2, columns - step // 2, step):
            offset = ((top - rows / 2) * per_px, (left - columns / 2) * per_px)
            passed = point_spread(air.phase(index, offset, straight=True) * wave, side)
            y, x = np.meshgrid(
                np.arange(top - 32, top - 32 + tile), np.arange(left - 32, left - 32 + tile), indexing="ij"
            )
            part = scene[np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)]
            spectrum = scipy.fft.rfft2(part) * transfer(passed, part.shape) * _turn(part.shape, *mount)
            plane = scipy.fft.irfft2(spectrum, s=part.shape)[32:-32, 32:-32]
            if top == step // 2 + step and left % (2 * step) == step // 2:
                shift, quality = judge(transfer(passed, judge.shape))
                shifts.append(shift)
                qualities.append(quality)
            a, b = max(top, 0), max(left, 0)
            c, d = min(top + 2 * step, rows), min(left + 2 * step, columns)
            hat = np.outer(ramp, ramp)[a - top : c - top, b - left : d - left].astype(np.float32)
            total[a:c, b:d] += hat * plane[a - top : c - top, b - left : d - left]
            weight[a:c, b:d] += hat
    return np.mean(shifts, axis=0), float(np.mean(qualities)), total / weight


def equipment() -> dict[str, Any]:
    """Return what a night file says of the telescope and camera of these captures."""
    focal = PIXEL_UM / 1000 / (SCALE_ARCSEC / 206264.806)
    return {
        "telescope": {
            "aperture": f"{APERTURE_MM:g} mm",
            "focal_length": f"{focal / 2:.1f} mm",
            "obstruction": OBSTRUCTION,
            "amplifier": 2.0,
        },
        "camera": {"pixel": f"{PIXEL_UM} um"},
    }


def write_ser(recorded: Recorded, path: Path, ticks: int = 638_743_000_000_000_000, fps: float = 70.0) -> None:
    """Write SER: header of 178 bytes, frames, time stamps."""
    n, rows, columns = recorded.digits.shape
    head = b"hard air".ljust(14) + struct.pack(
        "<7i", 0, 8 if recorded.colour == "RGGB" else 0, 0, columns, rows, recorded.bits, n
    )
    with path.open("wb") as stream:
        stream.write(head + b" " * 120 + struct.pack("<2q", ticks, ticks))
        recorded.digits.tofile(stream)
        (ticks + (np.arange(n) * 1e7 / fps).astype(np.int64)).tofile(stream)
