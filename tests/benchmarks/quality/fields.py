"""Moons and Suns through other telescopes, on other pixels and in other air than the sets of `run.py`.

::

    python tests/benchmarks/quality/fields.py [NAME ...] [--known] [--list]

Prints for each capture the cut-off in cycles a pixel, PSNR in dB of the finished picture without a night file and with
one, and the means. Names that begin with "m" and "s" are Moons and Suns of the second simulator, "t" and "u" those of
the first; the number is the seed. `--known` takes those that constants were not chosen on (see the README here).
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import hard
import numpy as np
from measures import psnr
from numpy.typing import NDArray
from run import BORDER, process
from telescopes import look_through

from nightmill.testing import PRESETS, Scenario, Seeing
from nightmill.testing.scenario import Telescope

PATCHES = hard._field


@dataclass(frozen=True)
class Field:
    """A capture of the second simulator.

    Attributes
    ----------
    aperture_mm, obstruction, grid
        Telescope; `hard.SAMPLES` / `grid` is its cut-off in cycles a pixel.
    bits, bending_px, ratio
        See `hard.Hard`.
    one_air : bool
        All directions see the same air, and differ in bending alone.
    shape : tuple of int
        Of a frame.
    """

    aperture_mm: float = 203.0
    obstruction: float = 0.33
    grid: int = 172
    bits: int = 8
    bending_px: float = 1.5
    ratio: float = 3.5
    one_air: bool = False
    shape: tuple[int, int] = (400, 512)


USUAL, SUN = Field(ratio=5.0), Field(ratio=5.0, grid=144, bending_px=1.2)
TUNING: dict[str, Field] = {
    **{f"m{seed}": USUAL for seed in (5, 6, 22)},
    "s211": SUN,
    "s212": SUN,
    "m401": Field(ratio=5.4),
    "m402": Field(180.0, 0.001, bending_px=2.2, ratio=5.3),
    "m403": Field(300.0, 0.20, 185, bending_px=1.2, ratio=7.6),
    "m404": Field(254.0, 0.25, 200, 12, 1.0, 6.5),
    "m601": Field(ratio=5.4, one_air=True),
    "m602": Field(254.0, 0.25, 200, 8, 1.0, 6.5, True),
    "m720": Field(one_air=True),
    "m721": Field(180.0, 0.001, bending_px=2.0, one_air=True),
    "m722": Field(254.0, 0.25, 185, ratio=4.5, one_air=True),
    "m723": Field(235.0, 0.35, 165, 12, 2.0, 3.0, True),
    "m724": Field(150.0, 0.001, 160, ratio=3.0, one_air=True),
    "m730": Field(),
    "m731": Field(180.0, 0.001, 160, bending_px=2.0),
    "m750": Field(one_air=True, shape=(256, 256)),
    "m751": Field(shape=(256, 256)),
    "m752": Field(bending_px=2.0, one_air=True, shape=(300, 300)),
    "m753": Field(ratio=4.5, shape=(320, 320)),
    "m754": Field(ratio=3.0, one_air=True, shape=(240, 320)),
    "m760": Field(grid=100, bending_px=0.8, ratio=4.0),
    "m761": Field(grid=120, bending_px=1.0, ratio=4.5, one_air=True),
    "m762": Field(254.0, 0.25, 100, 12, 0.7, 4.5),
    "m763": Field(150.0, 0.001, 110, bending_px=0.8),
    "m764": Field(grid=240, bending_px=2.2, ratio=4.0),
    "m765": Field(grid=240, bits=12, bending_px=2.0, one_air=True),
    "m766": Field(254.0, 0.25, 220, ratio=4.5),
}
KNOWN: dict[str, Field] = {
    "m501": Field(ratio=5.4),
    "m502": Field(grid=150, bits=12, ratio=5.4),
    "m503": Field(300.0, 0.20, 185, bending_px=1.2, ratio=7.6),
    "m504": Field(180.0, 0.001, bending_px=2.2, ratio=5.3),
    "m505": Field(235.0, 0.35, 165, ratio=6.5),
    "m506": Field(254.0, 0.25, 200, 12, 1.0, 6.5),
    "m306": USUAL,
}


def of_first_simulator() -> dict[str, Scenario]:
    """Return the captures of `nightmill.testing`."""

    def made(target: str, seed: int, amplifier: float, r0_m: float = 0.06, frames: int = 300) -> Scenario:
        through = Telescope(aperture_mm=203.0, focal_length_mm=2030.0, obstruction=0.33, amplifier=amplifier)
        seeing = Seeing(r0_m=r0_m)
        return PRESETS[target](frames=frames, seed=seed, scene_seed=seed + 10, seeing=seeing, telescope=through)

    large = Telescope(aperture_mm=254.0, focal_length_mm=2030.0, obstruction=0.25, amplifier=1.0)
    short = Telescope(aperture_mm=254.0, focal_length_mm=1200.0, obstruction=0.25, amplifier=3.4)
    steady, usual = Seeing(r0_m=0.06), Seeing(r0_m=0.05)
    return {
        "t27": PRESETS["moon"](frames=400, seed=27),
        "t30": PRESETS["moon"](frames=400, seed=30, scene_seed=9, seeing=Seeing(r0_m=0.04)),
        "t41": PRESETS["moon"](frames=400, seed=41, scene_seed=51, seeing=usual),
        "t42": PRESETS["moon"](frames=400, seed=42, scene_seed=52, seeing=usual, telescope=short),
        "t44": made("moon", 44, 1.0),
        "t45": made("moon", 45, 1.5),
        "t46": made("moon", 44, 2.0),
        "t47": made("moon", 47, 1.0, 0.05),
        "t48": made("moon", 48, 1.25),
        "t50": PRESETS["moon"](frames=300, seed=50, scene_seed=60, seeing=steady, telescope=large),
        "u49": made("sun", 49, 1.0),
    }


def _one_air(
    wanted: hard.Hard, air: hard.Air, index: int, scene: Any, judge: Any, mount: NDArray[np.float64]
) -> tuple[NDArray[np.float64], float, NDArray[np.float32]]:
    """Render a field whose directions all see the same air."""
    import scipy

    channel = wanted.channels[0]
    phase = air.phase(index, straight=True) * np.float32(530 / hard.wavelength_nm(channel))
    passed = hard.transfer(hard.point_spread(phase, hard.GRID[channel]), scene.shape)
    shift, quality = judge(passed)
    spectrum = scipy.fft.rfft2(scene) * passed * hard._turn(scene.shape, *mount)
    return shift, quality, scipy.fft.irfft2(spectrum, s=scene.shape).astype(np.float32)


def prepared(name: str, one: Field) -> hard.Hard:
    """Set the second simulator to the telescope, and return what is to be made."""
    scene, channel = ("sun", "G") if name[0] == "s" else ("moon", "R")
    look_through(one.aperture_mm, one.obstruction, {channel: one.grid}, channel)
    hard._field = _one_air if one.one_air else PATCHES
    fps = 60.0 if scene == "sun" else 40.0
    how = {"bending_px": one.bending_px, "ratio": one.ratio, "bits": one.bits, "fps": fps}
    return hard.Hard(scene, (channel,), one.shape, 400, seed=int(name[1:]), **how)


def main() -> None:
    """Make, process, measure."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", metavar="NAME")
    parser.add_argument("--known", action="store_true", help="those that no constant was chosen on")
    parser.add_argument("--list", action="store_true", help="say what there is, and end")
    options = parser.parse_args()
    first = of_first_simulator()
    there: dict[str, Field | Scenario] = {**TUNING, **first, **KNOWN}
    if options.list:
        print("\n".join(f"{name}  {one}" for name, one in there.items()))
        return
    names = options.names or (list(KNOWN) if options.known else [name for name in there if name not in KNOWN])
    found = []
    print("| capture | cut-off | without a night file | with |\n|---|---|---|---|")
    for name in names:
        wanted = there[name]
        figures = []
        for equipment in (False, True):
            with tempfile.TemporaryDirectory() as folder:
                made = prepared(name, wanted) if isinstance(wanted, Field) else wanted
                frames, _, picture, _ = process(made, Path(folder) / name, equipment)
            figures.append(float(psnr(picture[0], frames.picture[0], border=BORDER)))
        found.append(figures)
        print(f"| {name} | {frames.cutoff[0]:.3f} | {figures[0]:.1f} | {figures[1]:.1f} |", flush=True)
    means = np.mean(found, axis=0)
    print(f"| mean | | {means[0]:.2f} | {means[1]:.2f} |")


if __name__ == "__main__":
    main()
