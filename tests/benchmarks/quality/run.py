"""The quality benchmark: whole captures through the shipped default recipes, measured against the truth.

::

    python tests/benchmarks/quality/run.py [--set tuning|testing|hard] [--only NAME ...] [--frames N] [--folder DIR]

Prints a table: for each capture and channel the floor (mean of all frames; a plain script on general libraries), ours
(the stack, the finished picture) and the ceiling (knows shifts, quality of the frames and the best filter). What was
used to choose constants in the code is in the set "tuning"; figures to believe are those of "testing": other planets,
seeds, seeing and apertures; and of "hard": hard air, few photons, made by a second simulator.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import tempfile
from pathlib import Path

import numpy as np
import yaml
from astropy.io import fits
from floors import ceiling, mean_of_all, plain_script
from hard import Hard, make, write_ser
from measures import psnr, resolution, rim, structural_similarity
from numpy.typing import NDArray
from recorded import Recorded, from_scenario

from nightmill.testing import PRESETS, Scenario, Seeing, capture_name, make_capture
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


def hard(frames: int | None) -> dict[str, Hard]:
    """Return the captures in hard air, by a simulator of their own (see `hard.py`)."""

    def count(wanted: int) -> int:
        return wanted if frames is None else min(wanted, frames)

    red, green, blue, colour = ("R",), ("G",), ("B",), ("R", "G", "B")
    return {
        "jupiter": Hard("jupiter", colour, (320, 320), count(2000), seed=203, mount_px=6.0, full_well_e=800.0),
        "mars-red": Hard("mars", red, (144, 144), count(1500), seed=204, full_well_e=700.0),
        "mars-green": Hard("mars", green, (144, 144), count(1500), seed=206, full_well_e=700.0),
        "mars-blue": Hard("mars", blue, (144, 144), count(1500), seed=207, full_well_e=700.0),
        "mars-12-bit": Hard("mars", red, (144, 144), count(1500), seed=208, full_well_e=3000.0, bits=12, ratio=7.5),
        "moon": Hard("moon", red, (400, 512), count(400), seed=205, bending_px=1.5, ratio=5.0, fps=40.0),
        "sun": Hard("sun", green, (400, 512), count(400), seed=210, bending_px=1.2, ratio=5.0, fps=60.0),
    }


def process(wanted: Scenario | Hard, folder: Path, equipment: bool) -> tuple[Recorded, Float, Float, dict]:
    """Write the capture, run nightmill on it, and return frames, stack, picture and the picture's record."""
    night, out = folder / "night", folder / "out"
    night.mkdir(parents=True)
    if isinstance(wanted, Hard):
        frames = make(wanted)
        target, name = wanted.scene, "RGB" if len(wanted.channels) == 3 else wanted.channels[0]
        write_ser(frames, night / f"{target}_20250205_201000_{name}.ser", fps=wanted.fps)
    else:
        frames = from_scenario(wanted)
        make_capture(wanted, night / capture_name(wanted))
    if equipment:
        (night / "night.yaml").write_text(yaml.safe_dump(frames.equipment), encoding="utf-8")
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
    return (
        frames,
        *(np.nan_to_num(p if p.ndim == 3 else p[None], nan=float(np.nanmedian(p))) for p in (stack, picture)),
        record,
    )


def main() -> None:
    """Run the benchmark and print its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--set", choices=["tuning", "testing", "hard"], default="testing")
    parser.add_argument("--only", nargs="*")
    parser.add_argument("--frames", type=int)
    parser.add_argument("--folder", type=Path, help="keep everything there")
    parser.add_argument("--no-night-file", action="store_true", help="tell nothing about telescope and camera")
    options = parser.parse_args()
    print(
        "| capture | channel | mean of all | plain script | repaired | our stack | **ours** | ceiling | SSIM "
        "| resolution, ceiling | rim |\n"
        "|---|---|---|---|---|---|---|---|---|---|---|"
    )
    captures = hard(options.frames) if options.set == "hard" else scenarios(options.set, options.frames)
    for name, scenario in captures.items():
        if options.only and name not in options.only:
            continue
        with tempfile.TemporaryDirectory() as temporary:
            folder = (options.folder or Path(temporary)) / name
            frames, stack, picture, _ = process(scenario, folder, not options.no_night_file)
        true, scene = frames.picture, frames.scene
        border = BORDER if frames.semi_axes_px is None else 0
        rows = {
            "mean": mean_of_all(frames),
            "script": plain_script(frames),
            "repaired": plain_script(frames, repaired=True),
            "stack": stack,
            "ours": picture,
            "ceiling": ceiling(frames),
        }
        for c, channel in enumerate(frames.channels):
            figures = [f"{psnr(rows[way][c], true[c], border=border):.1f}" for way in rows]
            reached = [resolution(rows[way][c], scene[c], cutoff=frames.cutoff[c]) for way in ("ours", "ceiling")]
            limb = "-"
            if frames.semi_axes_px is not None:
                low, high = rim(picture[c], true[c], frames.centre_px, frames.semi_axes_px, frames.north_deg)
                limb = f"{100 * low:+.2f} {100 * high:+.2f} %"
            similar = structural_similarity(picture[c], true[c])
            figures[4] = f"**{figures[4]}**"
            print(
                f"| {name} | {channel} | {' | '.join(figures)} | {similar:.4f} | {reached[0]:.2f} of {reached[1]:.2f} "
                f"| {limb} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
