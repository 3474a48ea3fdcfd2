"""The quality benchmark: whole captures through the shipped default recipes, measured against the truth.

::

    python tests/benchmarks/quality/run.py [--set tuning|testing] [--only NAME ...] [--frames N] [--folder DIR]

Prints a table: for each capture and channel the floor (mean of all frames; a plain script on general libraries), ours
(the stack, the finished picture) and the ceiling (knows shifts, quality of the frames and the best filter). What was
used to choose constants in the code is in the set "tuning"; figures to believe are those of "testing": other planets,
seeds, seeing and apertures.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import yaml
from astropy.io import fits
from measures import match, psnr, resolution, rim, shifted, structural_similarity
from numpy.typing import NDArray

from nightmill.testing import PRESETS, Scenario, Seeing, Truth, capture_name
from nightmill.testing import Capture as Maker
from nightmill.testing.scenario import Telescope

Float = NDArray[np.floating]
BORDER = 24
"""Pixels at the border of a field that are not counted: nobody saw what lies beyond."""


def scenarios(which: str, frames: int | None) -> dict[str, Scenario]:
    """Return the captures of a set."""
    newton = Telescope(aperture_mm=254.0, focal_length_mm=1200.0, obstruction=0.25, amplifier=3.4)
    refractor = Telescope(aperture_mm=150.0, focal_length_mm=1200.0, obstruction=0.0, amplifier=2.5)
    made = {
        "tuning": {
            "jupiter": PRESETS["jupiter"](frames=800, seed=21),
            "jupiter-bad-air": PRESETS["jupiter"](frames=800, seed=22, scene_seed=7, seeing=Seeing(r0_m=0.04)),
            "mars-red": PRESETS["mars"](frames=1000, seed=23),
            "mars-green": PRESETS["mars"](frames=1000, seed=24, filter="G", scene_seed=5, seeing=Seeing(r0_m=0.04)),
            "moon": PRESETS["moon"](frames=300, seed=27),
            "moon-bad-air": PRESETS["moon"](frames=300, seed=30, scene_seed=9, seeing=Seeing(r0_m=0.04)),
            "saturn": PRESETS["saturn"](frames=600, seed=26),
        },
        "testing": {
            "jupiter-newton": PRESETS["jupiter"](
                frames=1000, seed=101, scene_seed=31, telescope=newton, shape=(400, 400), seeing=Seeing(r0_m=0.06)
            ),
            "jupiter-usual": PRESETS["jupiter"](frames=1000, seed=102, scene_seed=32),
            "jupiter-refractor": PRESETS["jupiter"](
                frames=1000, seed=103, scene_seed=33, telescope=refractor, seeing=Seeing(r0_m=0.045)
            ),
            "mars-red": PRESETS["mars"](frames=1500, seed=104, scene_seed=34, seeing=Seeing(r0_m=0.05)),
            "mars-green": PRESETS["mars"](
                frames=1500, seed=105, scene_seed=34, filter="G", telescope=newton, seeing=Seeing(r0_m=0.05)
            ),
            "moon": PRESETS["moon"](frames=400, seed=106, scene_seed=36, seeing=Seeing(r0_m=0.06)),
            "saturn": PRESETS["saturn"](frames=800, seed=107, scene_seed=37),
            "sun": PRESETS["sun"](frames=300, seed=108, scene_seed=38),
        },
    }[which]
    if frames is None:
        return made
    from dataclasses import replace

    return {name: replace(one, frames=min(frames, one.frames)) for name, one in made.items()}


@dataclass
class Frames:
    """All frames of a capture in memory, for floor and ceiling."""

    digits: NDArray[np.integer]
    truth: Truth

    def planes(self, index: int) -> NDArray[np.float32]:
        """Return frame `index` as (channels, h, w), mosaics interpolated by OpenCV."""
        frame = self.digits[index]
        code = {"RGGB": cv2.COLOR_BayerBG2RGB, "GRBG": cv2.COLOR_BayerGB2RGB}.get(self.truth.scenario.camera.colour)
        if code is not None:
            frame = np.moveaxis(cv2.cvtColor(frame, code), -1, 0)
        return np.atleast_3d(frame).astype(np.float32) if frame.ndim == 3 else frame.astype(np.float32)[None]


def mean_of_all(frames: Frames) -> Float:
    """Floor: nothing but the mean."""
    return np.mean([frames.planes(i) for i in range(len(frames.digits))], axis=0, dtype=np.float64)


def plain_script(frames: Frames) -> Float:
    """Floor: Laplacian grade, best 20 %, phase correlation to the best frame, mean, unsharp mask."""

    def luminance(index: int) -> NDArray[np.float32]:
        return cv2.GaussianBlur(frames.planes(index).mean(axis=0), (0, 0), 1)

    grade = [float(cv2.Laplacian(luminance(i), cv2.CV_32F).var()) for i in range(len(frames.digits))]
    best = np.argsort(grade)[::-1][: max(len(grade) // 5, 1)]
    reference = luminance(int(best[0]))
    window = cv2.createHanningWindow(reference.shape[::-1], cv2.CV_32F)
    total = np.zeros_like(frames.planes(0), np.float64)
    for index in best:
        (dx, dy), _ = cv2.phaseCorrelate(reference, luminance(int(index)), window)
        total += [shifted(plane, dy, dx) for plane in frames.planes(int(index))]
    stack = total / len(best)
    return stack + 1.5 * (stack - np.stack([cv2.GaussianBlur(plane, (0, 0), 2.0) for plane in stack]))


def ceiling(frames: Frames, picture: Float) -> Float:
    """Ceiling: true shifts, true quality, best 20 %, then in each ring the gain that fits the truth best."""
    truth = frames.truth
    best = np.argsort(truth.transfer)[::-1][: max(len(frames.digits) // 5, 1)]
    total = np.zeros_like(frames.planes(0), np.float64)
    for index in best:
        for c, plane in enumerate(frames.planes(int(index))):
            total[c] += shifted(plane, *(truth.shift_px[index] + truth.channel_shift_px[c]))
    return np.stack([best_gain(one, t, f) for one, t, f in zip(total, picture, truth.scenario.cutoff, strict=True)])


def best_gain(picture: Float, truth: Float, cutoff: float) -> Float:
    """Return the picture with the gain in each ring of frequency that brings it closest to the truth."""
    import scipy.fft

    matched, _ = match(picture, truth)
    one, two = (scipy.fft.dctn(p - np.mean(truth), norm="ortho") for p in (matched, truth))
    f = np.hypot(*np.meshgrid(*[np.arange(n) / (2 * n) for n in truth.shape], indexing="ij"))
    count = int(cutoff * max(truth.shape))
    ring = np.minimum((f / cutoff * count).astype(int), count).ravel()
    cross = np.bincount(ring, (one * two).ravel(), count + 1)
    gain = cross / np.maximum(np.bincount(ring, (one * one).ravel(), count + 1), 1e-300)
    gain[count] = 0
    return scipy.fft.idctn(one * gain[ring].reshape(truth.shape), norm="ortho") + np.mean(truth)


def process(scenario: Scenario, folder: Path, equipment: bool) -> tuple[Frames, Float, Float, dict]:
    """Write the capture, run nightmill on it, and return frames, stack, picture and the picture's record."""
    night, out = folder / "night", folder / "out"
    night.mkdir(parents=True)
    from nightmill.testing import make_capture

    make_capture(scenario, night / capture_name(scenario))
    if equipment:
        telescope = scenario.telescope
        described = {
            "telescope": {
                "aperture": f"{telescope.aperture_mm} mm",
                "focal_length": f"{telescope.focal_length_mm} mm",
                "obstruction": telescope.obstruction,
                "amplifier": telescope.amplifier,
            },
            "camera": {"pixel": f"{scenario.camera.pixel_um} um"},
        }
        (night / "night.yaml").write_text(yaml.safe_dump(described), encoding="utf-8")
    call = ["nightmill", "run", str(night), "--out", str(out), "--workers", "1"]
    command = subprocess.run(call, capture_output=True, text=True, check=False)
    if command.returncode:
        raise RuntimeError(f"nightmill run ended with {command.returncode}:\n{command.stdout}\n{command.stderr}")
    summary = json.loads((out / "night.json").read_text(encoding="utf-8"))
    stack = fits.getdata(out / summary["captures"][0]["stack"])
    file = next(name for name in summary["pictures"][0]["files"] if name.endswith(".fits"))
    with fits.open(out / file) as hdus:
        picture = hdus[0].data.astype(np.float32)
        record = json.loads(bytes(hdus["RECORD"].data).decode("utf-8"))
    maker = Maker(scenario)
    digits = np.concatenate([chunk.frames for chunk in maker.chunks(64)])
    frames = Frames(digits, maker.truth())
    return (
        frames,
        *(np.nan_to_num(p if p.ndim == 3 else p[None], nan=float(np.nanmedian(p))) for p in (stack, picture)),
        record,
    )


def main() -> None:
    """Run the benchmark and print its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--set", choices=["tuning", "testing"], default="testing")
    parser.add_argument("--only", nargs="*")
    parser.add_argument("--frames", type=int)
    parser.add_argument("--folder", type=Path, help="keep everything there")
    parser.add_argument("--no-night-file", action="store_true", help="tell nothing about telescope and camera")
    options = parser.parse_args()
    print(
        "| capture | channel | mean of all | plain script | our stack | **ours** | ceiling | SSIM "
        "| resolution, ceiling | rim |\n"
        "|---|---|---|---|---|---|---|---|---|---|"
    )
    for name, scenario in scenarios(options.set, options.frames).items():
        if options.only and name not in options.only:
            continue
        with tempfile.TemporaryDirectory() as temporary:
            folder = (options.folder or Path(temporary)) / name
            frames, stack, picture, _ = process(scenario, folder, not options.no_night_file)
        truth = frames.truth
        true, scene = (p if p.ndim == 3 else p[None] for p in (truth.picture, truth.scene))
        border = BORDER if truth.semi_axes_px is None else 0
        rows = {
            "mean": mean_of_all(frames),
            "script": plain_script(frames),
            "stack": stack,
            "ours": picture,
            "ceiling": ceiling(frames, true),
        }
        for c, channel in enumerate(scenario.channels):
            figures = [f"{psnr(rows[way][c], true[c], border=border):.1f}" for way in rows]
            reached = [resolution(rows[way][c], scene[c], cutoff=scenario.cutoff[c]) for way in ("ours", "ceiling")]
            limb = "-"
            if truth.semi_axes_px is not None:
                low, high = rim(picture[c], true[c], truth.centre_px, truth.semi_axes_px, scenario.north_deg)
                limb = f"{100 * low:+.2f} {100 * high:+.2f} %"
            similar = structural_similarity(picture[c], true[c])
            figures[3] = f"**{figures[3]}**"
            print(
                f"| {name} | {channel} | {' | '.join(figures)} | {similar:.4f} | {reached[0]:.2f} of {reached[1]:.2f} "
                f"| {limb} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
