"""Planets through other telescopes, on other pixels and in other air than the sets of `run.py`: sharpness and rims.

::

    python tests/benchmarks/quality/planets.py [NAME ...] [--known] [--list]

Prints for each capture and channel PSNR in dB and the stronger rim in per cent, without a night file and with one, the
means, and in how many the rim is above half a per cent. The number of a name is its seed; those that begin with "f" are
of the first simulator. `--known` takes those that constants were not chosen on (see the README here).
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from hard import Hard
from measures import psnr, rim
from run import process
from telescopes import USUAL_GRID, look_through

from nightmill.testing import PRESETS, Scenario, Seeing
from nightmill.testing.scenario import Telescope

GOAL = 0.5
"""Per cent of the disc that no rim should exceed."""


@dataclass(frozen=True)
class Planet:
    """A capture of the second simulator.

    Attributes
    ----------
    scene, channels
        "mars" through one filter, "jupiter" in one-shot colour ("RGB").
    aperture_mm, obstruction, finer
        Telescope; by how much more pixels lie on a point than usual.
    ratio, full_well_e, bits, frames
        See `hard.Hard`.
    radius, side
        Of the disc and of the frame, pixels.
    """

    scene: str = "mars"
    channels: str = "R"
    aperture_mm: float = 203.0
    obstruction: float = 0.33
    finer: float = 1.0
    ratio: float = 5.5
    full_well_e: float = 700.0
    bits: int = 8
    frames: int = 1000
    radius: float | None = None
    side: int = 144

    def made(self, seed: int) -> Hard:
        """Set the simulator to the telescope, and return what is to be made."""
        sides = {c: round(side * self.finer) for c, side in USUAL_GRID.items()}
        if self.scene == "jupiter":
            sides = {c: round(side / 2) * 2 for c, side in ((c, USUAL_GRID[c] * self.finer) for c in sides)}
        look_through(self.aperture_mm, self.obstruction, sides, "G" if "G" in self.channels else self.channels)
        return Hard(
            self.scene,
            tuple(self.channels),
            (self.side, self.side),
            self.frames,
            ratio=self.ratio,
            bits=self.bits,
            full_well_e=self.full_well_e,
            seed=seed,
            options={} if self.radius is None else {"radius": self.radius},
        )


def _jupiter(side: int, radius: float, frames: int = 600, **others: float) -> Planet:
    return Planet("jupiter", "RGB", frames=frames, side=side, radius=radius, **others)  # type: ignore[arg-type]


TUNING: dict[str, Planet | Scenario] = {
    "971": Planet(),
    "972": Planet(ratio=7.0),
    "973": Planet(aperture_mm=254.0, obstruction=0.25, finer=200 / 172, radius=50.0, side=176, ratio=6.5),
    "974": Planet("mars", "G", 180.0, 0.001, 140 / 144, 5.3, frames=800, radius=28.0, side=128),
    "975": Planet("mars", "G", ratio=6.0, frames=700),
    "976": Planet("mars", "R", 300.0, 0.2, 150 / 172, 7.5, 2000.0, 12, radius=60.0, side=200),
    "977": Planet("mars", "B"),
    "978": _jupiter(272, 100.0, full_well_e=800.0),
    "979": _jupiter(288, 110.0, full_well_e=1200.0, aperture_mm=254.0, obstruction=0.2, finer=1.15, ratio=6.5),
    "980": Planet("mars", "R", 150.0, 0.001, ratio=4.5, full_well_e=1500.0, frames=500),
    "981": Planet(),
    "982": Planet(ratio=6.0, full_well_e=500.0),
    "983": Planet(ratio=5.0),
    "984": Planet(radius=44.0),
    "985": Planet("mars", "R", 235.0, 0.35, 180 / 172, 6.5, frames=800),
    "986": Planet("mars", "R", 279.0, 0.34, 160 / 172, 7.0, radius=48.0, side=168),
    "987": Planet("mars", "G", 150.0, 0.3, 130 / 144, 4.5, radius=25.0, side=120),
    "988": _jupiter(256, 90.0, 500, full_well_e=800.0, aperture_mm=150.0, obstruction=0.001, finer=0.9, ratio=4.5),
    "989": Planet(finer=240 / 172, radius=52.0, side=180),
    "990": Planet(obstruction=0.25, finer=120 / 172, ratio=5.0, radius=30.0, side=128, frames=700),
}
KNOWN: dict[str, Planet | Scenario] = {str(seed): Planet() for seed in (914, 931, 932, 933, 934)}


def of_first_simulator() -> dict[str, Planet | Scenario]:
    """Return the captures of `nightmill.testing`."""
    newton = Telescope(aperture_mm=254.0, focal_length_mm=1200.0, obstruction=0.25, amplifier=3.4)
    refractor = Telescope(aperture_mm=150.0, focal_length_mm=1200.0, obstruction=0.0, amplifier=2.5)
    poor, fair = Seeing(r0_m=0.04), Seeing(r0_m=0.05)
    mars, jupiter = PRESETS["mars"], PRESETS["jupiter"]
    return {
        "f21": jupiter(frames=600, seed=21),
        "f22": jupiter(frames=600, seed=22, scene_seed=7, seeing=poor),
        "f23": mars(frames=1000, seed=23),
        "f24": mars(frames=1000, seed=24, filter="G", scene_seed=5, seeing=poor),
        "f26": PRESETS["saturn"](frames=600, seed=26),
        "f971": mars(frames=800, seed=971, scene_seed=71, telescope=newton, seeing=fair),
        "f972": mars(frames=800, seed=972, scene_seed=72, telescope=refractor, seeing=fair),
    }


def main() -> None:
    """Make, process, measure."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", metavar="NAME")
    parser.add_argument("--known", action="store_true", help="those that no constant was chosen on")
    parser.add_argument("--list", action="store_true", help="say what there is, and end")
    options = parser.parse_args()
    there = {**TUNING, **of_first_simulator(), **KNOWN}
    if options.list:
        print("\n".join(f"{name}  {one}" for name, one in there.items()))
        return
    names = options.names or (list(KNOWN) if options.known else [name for name in there if name not in KNOWN])
    found = []
    print("| capture | channel | without a night file | rim | with | rim |\n|---|---|---|---|---|---|")
    for name in names:
        wanted = there[name]
        columns = []
        for equipment in (False, True):
            with tempfile.TemporaryDirectory() as folder:
                made = wanted.made(int(name)) if isinstance(wanted, Planet) else wanted
                frames, _, picture, _ = process(made, Path(folder) / name, equipment)
            assert frames.semi_axes_px is not None
            for c, true in enumerate(frames.picture):
                both = rim(picture[c], true, frames.centre_px, frames.semi_axes_px, frames.north_deg)
                columns.append((psnr(picture[c], true), 100 * max(abs(one) for one in both)))
        figures = np.array(columns).reshape(2, -1, 2)
        for c, channel in enumerate(frames.channels):
            (one, first), (two, second) = figures[:, c]
            print(f"| {name} | {channel} | {one:.1f} | {first:.2f} % | {two:.1f} | {second:.2f} % |", flush=True)
        found.append(figures)
    every = np.concatenate(found, axis=1)
    (one, first), (two, second) = every.mean(axis=1)
    above = [int((every[k, :, 1] > GOAL).sum()) for k in (0, 1)]
    print(f"| mean | {every.shape[1]} | {one:.2f} | {first:.2f} % | {two:.2f} | {second:.2f} % |")
    print(f"| above {GOAL} % | | | {above[0]} | | {above[1]} |")


if __name__ == "__main__":
    main()
