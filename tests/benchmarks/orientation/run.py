"""How well `orient` measures planets on stacks of lucky frames: errors against the truth of the simulation.

A stack is the mean of the best fifth of 200 simulated frames, by their true sharpness and shifts, so that the figures
are those of the fit alone. `python tests/benchmarks/orientation/run.py [--planets jupiter,mars,saturn] [--scenes 4]`
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import cv2
import numpy as np

from nightmill.testing import PRESETS, Capture
from nightmill_sky import ephemeris
from nightmill_stages.orient.discs import template_of
from nightmill_stages.orient.fit import place_globe
from nightmill_stages.orient.posterior import known

CASES = {
    "jupiter": (1.3, "G", (230, 230), 0.9),
    "mars": (2.6, "R", (230, 230), 0.65),
    "saturn": (2.0, "G", (230, 330), 0.9),
}
"""Focal amplifier, filter, frame and Minnaert's exponent by planet."""
AIR_M = (0.12, 0.07)
"""Fried's parameter: fair and poor seeing for the telescope of 203 mm."""
FRAMES = 200


def stack(name: str, scene: int, r0_m: float) -> tuple[np.ndarray, Capture]:
    """Simulate a capture and stack it by its truth."""
    amplifier, band, shape, _ = CASES[name]
    base = PRESETS[name](frames=FRAMES, scene_seed=scene, fps=10.0)
    capture = Capture(
        replace(
            base,
            filter=band,
            camera=replace(base.camera, colour="mono"),
            telescope=replace(base.telescope, amplifier=amplifier),
            shape=shape,
            seeing=replace(base.seeing, r0_m=r0_m),
            seed=scene + 10,
        )
    )
    frames = np.concatenate([chunk.frames.astype(np.float32) for chunk in capture.chunks(50)])
    truth = capture.truth()
    total = np.zeros(shape, np.float32)
    best = np.argsort(truth.transfer)[-FRAMES // 5 :]
    for index in best:
        down, right = truth.shift_px[index]
        matrix = np.array([[1.0, 0.0, -right], [0.0, 1.0, -down]])
        total += cv2.warpAffine(
            frames[index], matrix, shape[::-1], flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE
        )
    return total / (255.0 * len(best)), capture


def main() -> None:
    """Print a row a stack, and the root mean squares."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--planets", default=",".join(CASES))
    parser.add_argument("--scenes", type=int, default=4)
    options = parser.parse_args()
    print("planet   r0/m  radius/px  scale/%  centre/px (x, y)  axis/deg  seconds")
    for name in options.planets.split(","):
        errors = []
        for r0_m in AIR_M:
            for scene in range(1, options.scenes + 1):
                picture, capture = stack(name, scene, r0_m)
                truth = capture.truth()
                sky = ephemeris(name, truth.scenario.start, satellites=False)
                began = time.process_time()
                placed = place_globe(picture, template_of(sky), sky.phase_angle_deg or 0.0, darkening=CASES[name][3])
                seconds = time.process_time() - began
                assert truth.semi_axes_px is not None
                axis = known(placed.ways, lambda way: way.pole_angle_deg, 180.0).value if placed.ways else np.nan
                row = (
                    100.0 * (placed.disc.equatorial_radius_px / truth.semi_axes_px[0] - 1.0),
                    placed.disc.centre_column_px - truth.centre_px[1],
                    placed.disc.centre_row_px - truth.centre_px[0],
                    (axis - truth.north_deg + 90.0) % 180.0 - 90.0,
                    seconds,
                )
                errors.append(row)
                print(f"{name:8s} {r0_m:5.2f} {truth.semi_axes_px[0]:8.1f}  " + "  ".join(f"{e:+8.3f}" for e in row))
        rms = np.sqrt(np.mean(np.square(errors), axis=0))
        print(f"{name:8s} rms             " + "  ".join(f"{e:8.3f}" for e in rms), flush=True)


if __name__ == "__main__":
    main()
