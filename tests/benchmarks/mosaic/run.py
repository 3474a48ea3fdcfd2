"""A mosaic of many large panels: time, peak memory, and how near it comes to the truth.

    python tests/benchmarks/mosaic/run.py [--panels 5x4] [--size 1250x1600]

Panels are cut from one large picture (the Moon that scikit-image ships, enlarged, with fine structure added), turned,
scaled, bent, brightened and noised, and stored as the engine stores them. The stage then reads them one at a time in a
process of its own, of which the peak of resident memory is taken.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np

from nightmill.artefacts import Capture, Picture

NOISE = 0.005
STEP = 0.78
"""From one panel's middle to the next, in panel sizes: 22 % overlap."""


def scene(shape: tuple[int, int]) -> np.ndarray:
    """Draw the large picture."""
    from skimage import data

    from nightmill.testing.textures import spectral_noise

    moon = cv2.resize(data.moon().astype(np.float32) / 255, shape[::-1], interpolation=cv2.INTER_CUBIC)
    return moon * (1 + 0.06 * spectral_noise(shape, 2.2, np.random.default_rng(1), low_cut=8))


def cut_panels(folder: Path, grid: tuple[int, int], size: tuple[int, int]) -> None:
    """Cut and store the panels, and the truth of each on a coarse grid of its pixels."""
    rng = np.random.default_rng(2)
    height, width = size
    whole = tuple(int(n * (1 + STEP * (count - 1))) + 120 for n, count in zip(size, grid[::-1], strict=True))
    large = scene((whole[0], whole[1]))
    for number, (row, column) in enumerate((r, c) for r in range(grid[1]) for c in range(grid[0])):
        middle = (
            60 + height / 2 + row * STEP * height + rng.uniform(-25, 25),
            60 + width / 2 + column * STEP * width + rng.uniform(-25, 25),
        )
        turn, zoom = np.radians(rng.uniform(-0.5, 0.5)), 1 + rng.uniform(-0.002, 0.002)
        y, x = (one.astype(np.float32) for one in np.mgrid[:height, :width])
        y, x = y - (height - 1) / 2, x - (width - 1) / 2
        on_y = zoom * (np.sin(turn) * x + np.cos(turn) * y) + middle[0]
        on_x = zoom * (np.cos(turn) * x - np.sin(turn) * y) + middle[1]
        for one in (on_y, on_x):
            # The air's bending: 0.5 px at most, over some 150 px.
            small = rng.normal(size=(max(4, height // 150), max(4, width // 150))).astype(np.float32)
            bend = cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC)
            one += 0.5 * bend / np.abs(bend).max()
        light = cv2.remap(large, on_x.astype(np.float32), on_y.astype(np.float32), cv2.INTER_LANCZOS4)
        light = np.exp(rng.uniform(-0.1, 0.1)) * light + rng.uniform(-0.005, 0.005)
        light = (light + NOISE * rng.standard_normal(size)).astype(np.float32)
        level = np.full(size, NOISE, np.float32)
        name = f"moon_{number:02d}.ser"
        capture = Capture(name, name, "ser", 9, height, width, target="moon", filter="R", utc_start=1.7e9 + 60 * number)
        header = {"scale": 1.0, "frames_kept": 9, "frames_total": 9}
        place = folder / f"{number:02d}"
        place.mkdir()
        Picture(
            light, (capture,), ("R",), noise=level, weight=9 * level, half_a=light, half_b=light, header=header
        ).save(place)
        np.save(folder / f"{number:02d}.truth.npy", np.stack([on_x[::25, ::25], on_y[::25, ::25]]))


class Stored(Sequence):
    """The panels, each read when it is asked for, as the engine hands them over."""

    def __init__(self, folder: Path) -> None:
        self.places = sorted(path for path in folder.iterdir() if path.is_dir())

    def __len__(self) -> int:
        return len(self.places)

    def __getitem__(self, index: int) -> Picture:
        return Picture.load(self.places[index])


def join(folder: Path) -> None:
    """Make the mosaic, and tell time, memory and what came of it as JSON."""
    from nightmill.stage import Context
    from nightmill_stages.mosaic import Mosaic

    cv2.setNumThreads(1)
    pictures = Stored(folder)
    pictures[0]
    before = _peak_mb()
    began, busy = time.perf_counter(), time.process_time()
    context = Context()
    (mosaic,) = Mosaic().develop(pictures, context)
    facts = mosaic.header["mosaic"]
    told = {
        "seconds": round(time.perf_counter() - began, 1),
        "cpu_s": round(time.process_time() - busy, 1),
        "peak_mb": round(_peak_mb()),
        "before_mb": round(before),
        "megapixels": round(mosaic.data.size / 1e6, 1),
        "bytes_a_pixel": round((_peak_mb() - before) * 2**20 / mosaic.data.size, 1),
        "panels": len(facts["panels"]),
        "overlaps": facts["overlaps"],
        "residual_px": facts["residual_px"],
        "covered": facts["covered"],
    }
    print(json.dumps(told | _against_truth(folder)))


def _against_truth(folder: Path) -> dict[str, float]:
    """How far apart two panels show the same point of the large picture, by the placements alone."""
    from nightmill_stages.matching.overlaps import find_links
    from nightmill_stages.matching.panels import describe_panel
    from nightmill_stages.matching.placement import to_mosaic, to_panel
    from nightmill_stages.mosaic.solve import place_panels
    from nightmill_stages.mosaic.stage import _match

    pictures = Stored(folder)
    panels = [describe_panel(picture) for picture in pictures]
    (found,) = place_panels([one.shape for one in panels], _match(pictures, panels, find_links(panels)))
    truths = [np.load(path) for path in sorted(folder.glob("*.truth.npy"))]
    apart = []
    for i in found.members:
        rows, columns = truths[i].shape[1:]
        grid = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1).reshape(-1, 2) * 25.0
        there = to_mosaic(found.placements[i], grid).astype(np.float32)
        for j in found.members:
            x, y = (one.ravel() for one in to_panel(found.placements[j], there[:, :1], there[:, 1:]))
            inside = (np.minimum(x, y) > 5) & (x < panels[j].shape[1] - 30) & (y < panels[j].shape[0] - 30)
            if j > i and inside.any():
                at = (x[inside, None] / 25, y[inside, None] / 25)
                on_j = [cv2.remap(one.astype(np.float32), *at, cv2.INTER_LINEAR).ravel() for one in truths[j]]
                apart.append(truths[i].reshape(2, -1)[:, inside] - np.stack(on_j))
    distance = np.hypot(*np.concatenate(apart, axis=1))
    return {
        "truth_rms_px": round(float(np.sqrt((distance**2).mean())), 3),
        "truth_p99_px": round(float(np.percentile(distance, 99)), 3),
    }


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (2**20 if sys.platform == "darwin" else 2**10)


def main() -> None:
    """Make panels, join them in a fresh process, print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--panels", default="5x4", help="columns x rows")
    parser.add_argument("--size", default="1250x1600", help="rows x columns of a panel")
    parser.add_argument("--join", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--cut", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.join:
        join(given.join)
        return
    columns, rows = (int(n) for n in given.panels.split("x"))
    height, width = (int(n) for n in given.size.split("x"))
    if given.cut:
        cut_panels(given.cut, (columns, rows), (height, width))
        return
    with tempfile.TemporaryDirectory() as name:
        # Both in processes of their own: on Linux a child's peak begins with its parent's.
        same = ["--panels", given.panels, "--size", given.size]
        for part in ("--cut", "--join"):
            subprocess.run([sys.executable, __file__, part, name, *same], check=True)


if __name__ == "__main__":
    main()
