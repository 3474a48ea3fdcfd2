"""How large a small disc is measured: bare globes through the air of the quality benchmark's second simulator.

    python tests/benchmarks/orientation/small.py

Stacks of the best 40 of 120 frames at D/r0 3, 5 and 7 (the telescope's resolution is 3 px), darkening and phase by
Minnaert's law with exponents of 0.6 to 0.95. Printed is what `fit_disc` makes of the radius. Results: README.md.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import scipy
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "quality"))

from hard import Air, Hard, point_spread, transfer

from nightmill_sky.geometry import Disc
from nightmill_sky.limb import DiscNotFoundError, fit_disc

RADII_PX = (6.3, 10.0, 14.0, 18.0, 25.0, 35.0, 50.0, 95.0)
RATIOS = (3.0, 5.0, 7.0)
GRID = 144
"""Side of the point-spread function, pixels: 3 px of resolution."""


def globe(shape: tuple[int, int], centre: tuple[float, float], radius: float, exponent: float) -> NDArray[np.float32]:
    """A full globe without features, its edge by area."""
    fine = 4
    y, x = ((np.arange(n * fine) + 0.5) / fine - 0.5 for n in shape)
    depth = 1.0 - ((y[:, None] - centre[0]) ** 2 + (x[None, :] - centre[1]) ** 2) / radius**2
    light = np.where(depth > 0, np.maximum(depth, 1e-6) ** (exponent - 0.5), 0.0)
    return light.reshape(shape[0], fine, shape[1], fine).mean(axis=(1, 3)).astype(np.float32)


def stack_spread(ratio: float, seed: int) -> NDArray[np.float32]:
    """Mean point-spread function of the best third of some frames, put on their brightest pixels."""
    air = Air(Hard("none", ("G",), (64, 64), 240, ratio=ratio, seed=seed))
    frames = [point_spread(air.phase(k), GRID) for k in range(0, 240, 2)]
    best = sorted(frames, key=lambda one: -float(one.max()))[:40]
    moved = []
    for one in best:
        row, column = np.unravel_index(int(one.argmax()), one.shape)
        moved.append(np.roll(one, (GRID // 2 - row, GRID // 2 - column), (0, 1)))
    return np.mean(moved, axis=0).astype(np.float32)


def main() -> None:
    """Print a line for each radius."""
    rng = np.random.default_rng(1)
    for number, radius in enumerate(RADII_PX):
        side = max(80, int(2 * radius / 0.55) + 40)
        exponent = (0.6, 0.75, 0.95)[number % 3]
        scene = globe((side, side), (side / 2 - 0.2, side / 2 - 0.7), radius, exponent)
        line = []
        for ratio in RATIOS:
            passed = transfer(stack_spread(ratio, 10 * number + int(ratio)), scene.shape)
            plane = scipy.fft.irfft2(scipy.fft.rfft2(scene) * passed, s=scene.shape)
            picture = (plane / plane.max() + 0.003 * rng.standard_normal(plane.shape)).astype(np.float32)
            try:
                fit = fit_disc(picture, Disc(0.0, 0.0, 1.0))
            except DiscNotFoundError:
                line.append("not found")
                continue
            error = fit.disc.equatorial_radius_px / radius - 1
            line.append(f"{100 * error:+.1f} % (claims {100 * fit.radius_sigma_px / radius:.1f})")
        print(f"{radius:5.1f} px, exponent {exponent}: {', '.join(line)}", flush=True)


if __name__ == "__main__":
    main()
