"""Make plugins/nightmill_stages/sharpen/blur_table.npz: the blur left in stacks of selected frames.

Run by hand when the physics changes (three minutes on one core)::

    python tests/benchmarks/quality/make_blur_table.py [FRAMES]

Kolmogorov phase screens (Lane, Glindemann & Dainty 1992, doi:10.1088/0959-7174/2/3/003, sub-harmonics) over an
annular pupil; each short exposure is registered by correlation on a scene of power f^-3, graded by the power it passes
between 0.15 and 0.5 of the cut-off, and the best share is averaged. The table holds the transfer of that mean divided
by the perfect telescope's, over the ring, for obstruction x D/r0 x share kept x frequency as share of the cut-off; and
the mean square of the same transfers, likewise, which is what the spectral ratio (von der Luehe 1984,
doi:10.1364/JOSAA.1.000510) compares with the square of their mean.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import scipy.fft
from numpy.typing import NDArray

OBSTRUCTIONS = (0.0, 0.2, 0.33, 0.45)
RATIOS = (0.7, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.5, 10.0, 12.5)
SHARES = (0.02, 0.05, 0.1, 0.2, 0.35, 0.6, 1.0)
DIAMETER, GRID, SCREEN = 48, 108, 2048


def screen(size: int, rng: np.random.Generator) -> NDArray[np.float32]:
    """Return a Kolmogorov phase screen in radians for r0 = 1 sample, with four levels of sub-harmonics."""
    f = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.fftfreq(size)[None, :])
    f[0, 0] = 1
    power = 0.0229 * f ** (-11 / 3)
    power[0, 0] = 0
    white = rng.standard_normal((size, size)) + 1j * rng.standard_normal((size, size))
    phase = np.fft.ifft2(white * np.sqrt(power) * size).real
    x = np.arange(size) - size / 2
    for level in range(1, 5):
        step = 1 / (3**level * size)
        for i in (-1, 0, 1):
            for j in (-1, 0, 1):
                if i or j:
                    scale = np.sqrt(0.0229 * np.hypot(i * step, j * step) ** (-11 / 3)) * step
                    wave = (rng.standard_normal() + 1j * rng.standard_normal()) * scale
                    rows = np.exp(2j * np.pi * step * j * x)
                    phase += np.multiply.outer(wave * rows, np.exp(2j * np.pi * step * i * x)).real
    return (phase - phase.mean()).astype(np.float32)


def pupil(obstruction: float) -> NDArray[np.float32]:
    """Return the annular pupil with soft edges."""
    y, x = np.mgrid[0 : DIAMETER + 2, 0 : DIAMETER + 2] - (DIAMETER + 1) / 2
    r = np.hypot(x, y)
    inner = np.clip(r - obstruction * DIAMETER / 2 + 0.5, 0, 1) if obstruction else 1.0
    return (np.clip(DIAMETER / 2 - r + 0.5, 0, 1) * inner).astype(np.float32)


def transfer(field: NDArray[np.complexfloating]) -> NDArray[np.complex64]:
    """Return the optical transfer function, half plane, of a complex pupil."""
    canvas = np.zeros((GRID, GRID), np.complex64)
    canvas[: field.shape[0], : field.shape[1]] = field
    spectrum = scipy.fft.rfft2(np.abs(scipy.fft.fft2(canvas)) ** 2)
    return (spectrum / spectrum[0, 0].real).astype(np.complex64)


def exposures(
    mask: NDArray[np.float32], ratio: float, count: int, screens: list[NDArray[np.float32]]
) -> Iterator[NDArray[np.complex64]]:
    """Yield transfer functions of short exposures; the same air for every ratio, only stronger or weaker."""
    rng = np.random.default_rng(2)
    side = mask.shape[0]
    strength = np.float32((DIAMETER / ratio) ** (-5 / 6))
    for phase in screens:
        for _ in range(count // len(screens)):
            y, x = rng.integers(0, SCREEN - side, 2)
            yield transfer(mask * np.exp(1j * strength * phase[y : y + side, x : x + side]))


def peak(values: NDArray[np.float32]) -> list[float]:
    """Return the sub-pixel place of the maximum, by parabolas."""
    top = np.unravel_index(values.argmax(), values.shape)
    place = []
    for axis in (0, 1):
        line = np.take(values, int(top[1 - axis]), axis=1 - axis)
        k = int(top[axis])
        a, b, c = line[(k - 1) % GRID], line[k], line[(k + 1) % GRID]
        place.append((k + (a - c) / (2 * (a - 2 * b + c)) + GRID / 2) % GRID - GRID / 2)
    return place


def main(count: int) -> None:
    """Make the table and write it."""
    fy, fx = np.fft.fftfreq(GRID)[:, None], np.fft.rfftfreq(GRID)[None, :]
    u = np.hypot(fy, fx) * GRID / DIAMETER
    ring = np.minimum(np.rint(u * DIAMETER).astype(int), DIAMETER).ravel()
    scene = np.where(u > 0, np.maximum(u, 0.01) ** -3.0, 0) * (u < 0.9)
    band = scene * ((u > 0.15) & (u < 0.5))
    table = np.zeros((len(OBSTRUCTIONS), len(RATIOS), len(SHARES), DIAMETER), np.float32)
    power = np.zeros_like(table)
    spread = np.zeros((len(OBSTRUCTIONS), len(RATIOS)), np.float32)
    jitter = np.zeros_like(spread)
    rng = np.random.default_rng(1)
    screens = [screen(SCREEN, rng) for _ in range(8)]
    for i, obstruction in enumerate(OBSTRUCTIONS):
        mask = pupil(obstruction)
        perfect = transfer(mask).real
        weight = np.maximum(perfect, 0).ravel()
        norm = np.bincount(ring, weight * perfect.ravel())[:DIAMETER]
        square = np.bincount(ring, perfect.ravel() ** 2)[:DIAMETER]
        for j, ratio in enumerate(RATIOS):
            passed, energy, quality, places = [], [], [], []
            for one in exposures(mask, ratio, count, screens):
                place = peak(scipy.fft.irfft2(one * perfect * scene, s=(GRID, GRID)))
                straight = one * np.exp(2j * np.pi * (fy * place[0] + fx * place[1]))
                passed.append(np.bincount(ring, weight * straight.real.ravel())[:DIAMETER] / norm)
                quality.append(float((np.abs(one) ** 2 * band).sum() / (perfect**2 * band).sum()))
                energy.append(np.bincount(ring, np.abs(one).ravel() ** 2)[:DIAMETER] / square)
                places.append(place)
            order = np.argsort(quality)[::-1]
            for k, share in enumerate(SHARES):
                best = order[: max(int(share * len(order)), 1)]
                table[i, j, k] = np.mean([passed[n] for n in best], axis=0)
                power[i, j, k] = np.mean([energy[n] for n in best], axis=0)
            spread[i, j] = np.std(np.log(quality)) / 2
            jitter[i, j] = np.std(places) / GRID * DIAMETER
            print(obstruction, ratio, np.round(table[i, j, 3, ::6], 3), spread[i, j], jitter[i, j], flush=True)
    here = Path(__file__).resolve().parents[3] / "plugins/nightmill_stages/sharpen/blur_table.npz"
    np.savez_compressed(
        here,
        obstructions=np.float32(OBSTRUCTIONS),
        ratios=np.float32(RATIOS),
        shares=np.float32(SHARES),
        transfer=table.astype(np.float16),
        power=power.astype(np.float16),
        spread=spread,
        jitter=jitter,
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 4800)
