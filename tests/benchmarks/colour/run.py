"""Colour of a filter set against truth: registration, colour of patches, colour of the limb.

    python tests/benchmarks/colour/run.py [--folder DIR] [--frames N] [--set-seconds S] [--target jupiter]

makes three captures through R, G and B (dispersion, different air, the planet turning meanwhile), runs nightmill with
the recipe that it chooses by itself, and compares the colour picture with the scene at the middle of the set, seen
through a perfect telescope of the set's softest filter and blurred as much as the green channel is. Results stand in
README.md beside this file.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import scipy
from astropy.io import fits
from numpy.typing import NDArray

from nightmill.testing import make_capture
from nightmill.testing.captures import Capture
from nightmill.testing.presets import PRESETS
from nightmill.testing.scenario import Camera, Scenario
from nightmill_sky.optics import modulation_transfer

Float = NDArray[np.float64]
R0_M = {"R": 0.085, "G": 0.065, "B": 0.05}
LEVEL = {"R": 0.70, "G": 0.60, "B": 0.40}
NIGHT = """\
site: {latitude: 47.10 deg, longitude: 8.50 deg, height: 540 m}
telescope: {aperture: 203 mm, focal_length: 2030 mm, obstruction: 0.33, amplifier: 2.0}
camera: {pixel: 3.75 um, bits: 8}
filters: {R: 630 nm, G: 530 nm, B: 460 nm}
"""


def scenarios(target: str, frames: int, set_s: float, seed: int, shape: tuple[int, int] | None) -> list[Scenario]:
    """The three captures: the meridian of each is that of its own time."""
    base = PRESETS[target]()
    day_h = {"jupiter": 9.92492, "mars": 24.62296}[target]
    meridian = {"jupiter": 29.49, "mars": 80.50}[target]
    made = []
    for k, band in enumerate("RGB"):
        after = set_s * k / 2.0
        made.append(
            replace(
                base,
                filter=band,
                shape=shape or base.shape,
                frames=frames,
                camera=Camera(full_well_e=5000.0, serial=8),
                seeing=replace(base.seeing, r0_m=R0_M[band]),
                level=LEVEL[band],
                start=base.start + timedelta(seconds=after),
                altitude_deg=35.0,
                seed=seed + k,
                scene_options={"meridian_deg": (meridian + 360.0 * after / (day_h * 3600.0)) % 360.0},
            )
        )
    return made


def truth_at_middle(made: list[Scenario]) -> Float:
    """The scene in R, G and B at the middle of the set, all through the telescope at the wavelength of R; (3, h, w).

    A telescope's blur is no Gaussian. A sharp bright spot on the limb (the cap of Mars) shows the difference: the scene
    itself, blurred by a Gaussian, made a perfect picture of Mars look as if it had a rim of 5.6 %.
    """
    middle = 0.5 * (made[0].scene_options["meridian_deg"] + made[-1].scene_options["meridian_deg"])
    planes = []
    for one in made:
        still = replace(one, frames=2, bank=0, scene_options={"meridian_deg": middle}, altitude_deg=90.0)
        plane = np.asarray(Capture(still).renderer.scene_picture()[0], np.float64)
        cutoff_px = made[0].cutoff[0]
        frequency = np.hypot(scipy.fft.fftfreq(plane.shape[0])[:, None], scipy.fft.rfftfreq(plane.shape[1]))
        passed = modulation_transfer(np.minimum(frequency / cutoff_px, 1.0), still.telescope.obstruction)
        planes.append(scipy.fft.irfft2(scipy.fft.rfft2(plane) * passed, plane.shape))
    return np.stack(planes)


class Fit:
    """Lays a truth plane onto a measured one: place, scale, turn, blur and brightness by least squares."""

    def __init__(self, truth: Float, measured: Float, inside: NDArray[np.bool_]) -> None:
        self.truth, self.measured, self.inside = truth, measured, inside
        self.rows, self.columns = (index.astype(np.float64) for index in np.indices(measured.shape))

    def model(self, p: Float) -> Float:
        """p: centre (y, x) of the truth's middle on the picture, pixels a truth pixel, turn (rad), blur (px)."""
        cy, cx = ((n - 1) / 2.0 for n in self.truth.shape)
        y, x = (self.rows - p[0]) / p[2], (self.columns - p[1]) / p[2]
        c, s = np.cos(p[3]), np.sin(p[3])
        blurred = scipy.ndimage.gaussian_filter(self.truth, abs(p[4]) / p[2])
        return scipy.ndimage.map_coordinates(blurred, [cy + c * y - s * x, cx + s * y + c * x], order=3, mode="nearest")

    def residual(self, p: Float) -> Float:
        """Difference on the pixels that count, brightness fitted."""
        model, data = self.model(p)[self.inside], self.measured[self.inside]
        return data / data.mean() - model * (data @ model) / (model @ model) / data.mean()

    def solve(self, start: Float, free: list[int]) -> Float:
        """Least squares in the parameters named."""

        def moved(q: Float) -> Float:
            p = start.copy()
            p[free] = q
            return self.residual(p)

        found = scipy.optimize.least_squares(moved, start[free], x_scale=np.array([1, 1, 0.01, 0.01, 0.3])[free])
        out = start.copy()
        out[free] = found.x
        return out


def judge(picture: Float, truth: Float, geometry: dict[str, Any]) -> dict[str, Any]:
    """All figures."""
    disc = geometry["disc"]
    y, x = np.indices(picture.shape[1:])
    distance = np.hypot(x - disc["x_px"], y - disc["y_px"])
    radius = disc["a_px"]
    size = radius / (0.5 * 42.736 / 0.19052) if radius > 60 else 1.0
    start = np.array([disc["y_px"], disc["x_px"], size, 0.0, 1.0])
    whole = Fit(truth[1], picture[1], distance < 1.25 * radius).solve(start, [0, 1, 2, 3, 4])
    figures: dict[str, Any] = {"scale": round(float(whole[2]), 4), "turn_deg": round(float(np.degrees(whole[3])), 3)}
    models, offsets = [], []
    for k in range(3):
        place = Fit(truth[k], picture[k], distance < 1.25 * radius).solve(whole, [0, 1, 4])
        offsets.append(place[:2])
        # Colours are compared with a scene of one sharpness in all channels, that of green.
        models.append(Fit(truth[k], picture[k], distance < 9e9).model(np.r_[whole[:4], whole[4]]))
        figures[f"blur_px {'RGB'[k]}"] = round(abs(float(place[4])), 2)
    apart = np.array([offsets[0] - offsets[1], offsets[2] - offsets[1]])
    figures["offsets_px R, B"] = np.round(apart, 3).tolist()
    figures["registration_rms_px"] = round(float(np.sqrt((apart**2).sum(axis=1).mean())), 3)
    inner = []
    for k in range(3):
        start = whole.copy()
        inner.append(Fit(truth[k], picture[k], distance < 0.8 * radius).solve(start, [0, 1, 4])[:2])
    apart = np.array([inner[0] - inner[1], inner[2] - inner[1]])
    figures["features_rms_px"] = round(float(np.sqrt((apart**2).sum(axis=1).mean())), 3)
    model = np.stack(models)
    figures |= patches(picture, model, (whole[0], whole[1]), radius)
    figures |= rim(picture, model, distance, radius)
    return figures


def patches(picture: Float, model: Float, centre: tuple[float, float], radius: float) -> dict[str, Any]:
    """Colour of patches over the disc, against that of the whole disc, relative to truth."""
    errors = []
    y, x = np.indices(picture.shape[1:])
    disc = np.hypot(y - centre[0], x - centre[1]) < 1.15 * radius
    whole = picture[:, disc].sum(axis=1), model[:, disc].sum(axis=1)
    size = 0.05 * radius
    for v in np.arange(-0.7, 0.71, 0.2):
        for u in np.arange(-0.7, 0.71, 0.2):
            if np.hypot(u, v) <= 0.75:
                spot = np.hypot(y - centre[0] - v * radius, x - centre[1] - u * radius) < size
                seen = picture[:, spot].mean(axis=1) / whole[0]
                true = model[:, spot].mean(axis=1) / whole[1]
                errors.append((seen / seen[1]) / (true / true[1]) - 1.0)
    found = np.array(errors)[:, [0, 2]]
    return {"patches": len(errors), "patch_worst": round(float(np.abs(found).max()), 4),
            "patch_rms": round(float(np.sqrt((found**2).mean())), 4)}  # fmt: skip


def rim(picture: Float, model: Float, distance: Float, radius: float) -> dict[str, Any]:
    """Colour at the limb that the scene does not have: difference of channels, mean over sectors of 30 degrees."""
    inside = distance < 0.8 * radius
    level = [picture[k][inside].mean() for k in range(3)]
    true = [model[k][inside].mean() for k in range(3)]
    y, x = np.indices(distance.shape)
    row, column = (float((index * (distance < radius)).sum() / (distance < radius).sum()) for index in (y, x))
    angle = np.floor(np.degrees(np.arctan2(y - row, x - column)) / 30.0)
    worst = 0.0
    total = []
    for ring in np.arange(0.90, 1.10, 1.0 / radius):
        annulus = np.abs(distance / radius - ring) < 0.7 / radius
        for sector in range(-6, 6):
            spot = annulus & (angle == sector)
            if spot.sum() < 5:
                continue
            seen = [picture[k][spot].mean() / level[k] for k in range(3)]
            want = [model[k][spot].mean() / true[k] for k in range(3)]
            for k in (0, 2):
                off = (seen[k] - seen[1]) - (want[k] - want[1])
                total.append(off)
                worst = max(worst, abs(off))
    return {"rim_worst": round(worst, 4), "rim_rms": round(float(np.sqrt(np.mean(np.square(total)))), 4)}


def main() -> None:
    """Read the command line."""
    options = argparse.ArgumentParser()
    options.add_argument("--folder", type=Path, help="keep captures and results there")
    options.add_argument("--frames", type=int, default=600)
    options.add_argument("--set-seconds", type=float, default=360.0)
    options.add_argument("--target", default="jupiter")
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--recipe", default="")
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        given.folder = (given.folder or Path(temporary)) / f"{given.target}-{given.seed}-{given.frames}"
        measure(given)


def measure(given: argparse.Namespace) -> None:
    """Make the captures unless they are there, run, judge."""
    night, out = given.folder / "night", given.folder / "out"
    night.mkdir(parents=True, exist_ok=True)
    (night / "night.yaml").write_text(NIGHT, encoding="utf-8")
    made = scenarios(given.target, given.frames, given.set_seconds, given.seed, None)
    if not list(night.glob("*.ser")):
        for one in made:
            make_capture(one, night)
    call = "from nightmill.cli import main; import sys; sys.exit(main())"
    recipe = ["--recipe", given.recipe] if given.recipe else []
    subprocess.run(
        [sys.executable, "-c", call, "run", str(night), "--out", str(out), "--workers", "1", *recipe], check=False
    )
    summary = json.loads((out / "night.json").read_text(encoding="utf-8"))
    colour = next(one for one in summary["pictures"] if len(one["filters"]) >= 3)
    picture = np.asarray(fits.getdata(out / colour["files"][0]), np.float64)
    figures = judge(np.nan_to_num(picture), truth_at_middle(made), colour["geometry"])
    print(json.dumps(figures, indent=1))
    for note in colour["notes"]:
        if note["stage"] == "compose":
            print(note["kind"], note["name"], note["value"], note["text"][:140])


if __name__ == "__main__":
    main()
