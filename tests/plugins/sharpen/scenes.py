"""Small scenes with known truth for the tests of sharpening: planets, as a perfect telescope and as air shows them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from nightmill.testing.discs import DiscRenderer
from nightmill.testing.motion import make_schedule
from nightmill.testing.presets import PRESETS
from nightmill.testing.scenes import make_scene
from nightmill.testing.seeing import Seeing

Float = NDArray[np.floating]


@dataclass(frozen=True)
class Stacked:
    """A stack of the best frames with perfect registration, and the truth."""

    data: Float
    half_a: Float
    half_b: Float
    noise: Float
    truth: Float
    cutoff: float
    obstruction: float
    ratio: float
    share: float
    jitter_px: list[float]
    night: dict[str, dict[str, float]]


def moved(picture: Float, dy: float, dx: float) -> Float:
    """Return the picture sampled at (y + dy, x + dx)."""
    fy = scipy.fft.fftfreq(picture.shape[0])[:, None]
    fx = scipy.fft.rfftfreq(picture.shape[1])[None, :]
    turn = np.exp(2j * np.pi * (fy * dy + fx * dx))
    return scipy.fft.irfft2(scipy.fft.rfft2(picture) * turn, s=picture.shape)


@lru_cache(maxsize=4)
def mars(r0_m: float = 0.05, seed: int = 31, frames: int = 220, share: float = 0.2) -> Stacked:
    """Stack the best frames of a Mars capture through phase screens, in red, with photon and read noise."""
    scenario = PRESETS["mars"](seeing=Seeing(r0_m=r0_m), frames=frames, seed=seed, scene_seed=seed)
    scene = make_scene(scenario.scene, scenario.scene_seed)
    renderer = DiscRenderer(scenario, scene, make_schedule(scenario))
    truth = renderer.perfect_picture()[0].astype(np.float64)
    gain = 0.7 / truth.max()
    pictures, quality, shifts = [], [], []
    for index in range(frames):
        light, seen = renderer.glimpse(index, still=True)
        shift = np.asarray(seen.shift_px) + renderer.dispersion[0]
        pictures.append(moved(light[0] * gain, *shift).astype(np.float32))
        quality.append(seen.transfer)
        shifts.append(seen.shift_px)
    best = np.sort(np.argsort(quality)[::-1][: int(share * frames)])
    best = best[: len(best) // 2 * 2]
    rng = np.random.default_rng(seed)
    full = scenario.camera.full_well_e
    halves, noises = [], []
    for half in (best[::2], best[1::2]):
        mean = np.mean([pictures[i] for i in half], axis=0, dtype=np.float64)
        sigma = np.sqrt((np.maximum(mean, 0) * full + 4.0 + (full / 255) ** 2 / 12) / len(half)) / full
        halves.append((mean + rng.normal(size=mean.shape) * sigma).astype(np.float32))
        noises.append(sigma)
    telescope = scenario.telescope
    return Stacked(
        data=((halves[0] + halves[1]) / 2).astype(np.float32),
        half_a=halves[0],
        half_b=halves[1],
        noise=(np.hypot(*noises) / 2).astype(np.float32),
        truth=truth * gain,
        cutoff=scenario.cutoff[0],
        obstruction=telescope.obstruction,
        ratio=telescope.aperture_mm / 1000 / (r0_m * (scenario.wavelengths_nm[0] / 500) ** 1.2),
        share=share,
        jitter_px=[float(value) for value in np.std(shifts, axis=0)],
        night={
            "telescope": {
                "aperture_mm": telescope.aperture_mm,
                "focal_length_mm": telescope.focal_length_mm,
                "obstruction": telescope.obstruction,
                "amplifier": telescope.amplifier,
            },
            "camera": {"pixel_um": scenario.camera.pixel_um},
            "filters": {},
        },
    )


def psnr(picture: Float, truth: Float) -> float:
    """Return the peak signal-to-noise ratio in dB after the best scale and offset."""
    fitted = np.polyval(np.polyfit(picture.ravel(), truth.ravel(), 1), picture)
    return float(20 * np.log10(truth.max()) - 10 * np.log10(np.mean((fitted - truth) ** 2)))


def blob(shape: tuple[int, int] = (96, 112)) -> Float:
    """Return a bright blob with detail, dark towards the border, float64 and positive."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float64)
    y, x = y - shape[0] / 2, x - shape[1] / 2
    disc = 1 / (1 + np.exp((np.hypot(y, x) - 22) / 1.2))
    return disc * (1 + 0.3 * np.sin(x / 2.7) * np.cos(y / 3.1)) + 1e-3


def gaussian_psf(sigma: float, side: int = 25) -> Float:
    """Return a normalised Gaussian, its centre in the middle."""
    y, x = np.mgrid[:side, :side] - side // 2
    psf = np.exp(-(y**2 + x**2) / (2 * sigma**2))
    return psf / psf.sum()
