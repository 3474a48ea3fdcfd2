"""Whole invented nights: a folder of captures with darks, flats, a spoilt capture and `night.yaml`.

The night is that of 5 February 2025 on an invented hill: Jupiter in one-shot colour, Mars through red, green and blue,
a field on the Moon. Sizes, tilts and phases of the planets are those of that night, so that an ephemeris fits them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import yaml
from numpy.typing import NDArray

from .camera import Sensor
from .captures import capture_name, make_capture
from .presets import PRESETS
from .scenario import BANDS_NM, Camera, Faults, Scenario
from .truth import Truth
from .writers import SerWriter

__all__ = ["NIGHT_SITE", "Night", "make_darks", "make_flats", "make_night", "night_scenarios"]

NIGHT_SITE = {"name": "Hill meadow", "latitude": "47.10 deg", "longitude": "8.50 deg", "height": "540 m"}
"""The invented site, as in `night.yaml`; east positive."""


@dataclass(frozen=True)
class Night:
    """A night that was written.

    Attributes
    ----------
    folder : Path
        Where it is.
    truths : dict of str to Truth
        What is true of each capture, by file name.
    darks, flats : tuple of str
        File names of the calibration captures.
    spoilt : str or None
        File name of the capture that cannot give a picture.
    """

    folder: Path
    truths: dict[str, Truth] = field(repr=False)
    darks: tuple[str, ...]
    flats: tuple[str, ...]
    spoilt: str | None


def _write_even(
    path: Path, camera: Camera, shape: tuple[int, int], frames: int, start: datetime, level: float, seed: int
) -> None:
    """Write frames of even light at a share of full scale; 0 is a closed shutter."""
    sensor = Sensor(camera, shape)
    light = sensor.flat_light(level)
    first = np.datetime64(start.astimezone(UTC).replace(tzinfo=None), "ns")
    with SerWriter(path, shape=shape, colour=camera.colour, bits=camera.bits, start=first) as writer:
        for index in range(frames):
            rng = np.random.Generator(np.random.SFC64([seed, 0xD0, index]))
            digits: NDArray[Any] = sensor.expose(light, rng)[0][None]
            writer.write(digits, np.array([first + index * np.timedelta64(50, "ms")]))


def make_darks(scenario: Scenario, path: Path, *, frames: int = 40, start: datetime, seed: int = 1) -> None:
    """Write a capture with the shutter closed, matching a scenario's camera, exposure and shape."""
    _write_even(path, scenario.camera, scenario.shape, frames, start, 0.0, seed)


def make_flats(scenario: Scenario, path: Path, *, frames: int = 40, start: datetime, seed: int = 1) -> None:
    """Write a capture of even light at half of full scale, matching a scenario's camera, exposure and shape."""
    _write_even(path, scenario.camera, scenario.shape, frames, start, 0.5, seed)


def night_scenarios(
    *, length: float = 1.0, seed: int = 1, targets: Sequence[str] = ("jupiter", "mars", "moon")
) -> list[Scenario]:
    """Return the captures of the night.

    Parameters
    ----------
    length : float, optional
        Multiplies the number of frames of each capture.
    seed : int, optional
        Seed of air, noise and scenes.
    targets : sequence of str, optional
        Of "jupiter", "mars", "saturn", "moon", "sun".

    Returns
    -------
    list of Scenario
        In the order of their beginning.
    """
    scenarios: list[Scenario] = []
    for name in targets:
        base = PRESETS[name](scene_seed=seed)
        base = replace(base, frames=max(2, round(base.frames * length)))
        if name == "mars":
            for k, band in enumerate("RGB"):
                # Blue is faint: less light reaches the sensor in the same exposure.
                level = (0.70, 0.60, 0.35)[k]
                start = base.start + timedelta(minutes=2 * k)
                scenarios.append(replace(base, filter=band, start=start, level=level, seed=100 * seed + k))
        else:
            shape = (360, 480) if name in {"moon", "sun"} else base.shape
            scenarios.append(replace(base, shape=shape, seed=100 * seed + 10 + len(scenarios)))
    return sorted(scenarios, key=lambda s: s.start)


def make_night(
    folder: Path,
    *,
    length: float = 1.0,
    seed: int = 1,
    targets: Sequence[str] = ("jupiter", "mars", "moon"),
    spoilt: str | None = "cloud",
    calibration: bool = True,
    threads: int = 2,
) -> Night:
    """Write a night.

    Parameters
    ----------
    folder : Path
        Folder to make or fill.
    length : float, optional
        Multiplies the number of frames: 1 gives 1000 of Jupiter, 600 through each filter of Mars, 300 of the Moon.
    seed : int, optional
        Seed of everything.
    targets : sequence of str, optional
        What was recorded; see `night_scenarios`.
    spoilt : str or None, optional
        "cloud" adds a capture without any planet in it, "cut" one whose file ends within its first frame.
    calibration : bool, optional
        Write darks and flats.
    threads : int, optional
        Threads that render.

    Returns
    -------
    Night
        Names and truth.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    scenarios = night_scenarios(length=length, seed=seed, targets=targets)
    truths = {}
    for scenario in scenarios:
        name = capture_name(scenario)
        truths[name] = make_capture(scenario, folder / name, threads=threads)
    darks: list[str] = []
    flats: list[str] = []
    if calibration:
        darks, flats = _calibration(folder, scenarios, seed)
    spoilt_name = None
    if spoilt is not None:
        last = scenarios[-1]
        bad = replace(
            last,
            start=last.start + timedelta(minutes=4),
            frames=max(2, min(last.frames, 120)),
            faults=Faults(cloud=1.0, cloud_share=4.0),
            bank=2,
            seed=100 * seed + 99,
        )
        spoilt_name = capture_name(bad)
        make_capture(bad, folder / spoilt_name, threads=threads)
        if spoilt == "cut":
            with (folder / spoilt_name).open("r+b") as file:
                file.truncate(178 + bad.shape[0] * bad.shape[1] // 2)
    _write_yaml(folder, scenarios[0])
    return Night(folder, truths, tuple(darks), tuple(flats), spoilt_name)


def _calibration(folder: Path, scenarios: list[Scenario], seed: int) -> tuple[list[str], list[str]]:
    """Write one dark for each camera setting and one flat for each filter and shape."""
    darks: list[str] = []
    flats: list[str] = []
    clock = scenarios[-1].start + timedelta(minutes=10)
    seen: set[Any] = set()
    for scenario in scenarios:
        setting = (scenario.camera, scenario.shape)
        if setting not in seen:
            seen.add(setting)
            name = f"dark_{clock:%Y%m%d_%H%M%S}.ser"
            make_darks(scenario, folder / name, start=clock, seed=seed + len(seen))
            darks.append(name)
            clock += timedelta(minutes=1)
    for scenario in scenarios:
        band = scenario.filter if scenario.camera.colour == "mono" else "RGB"
        if (band, scenario.shape) not in seen:
            seen.add((band, scenario.shape))
            name = f"flat_{band}_{clock:%Y%m%d_%H%M%S}.ser"
            make_flats(scenario, folder / name, start=clock, seed=seed + len(seen))
            flats.append(name)
            clock += timedelta(minutes=1)
    return darks, flats


def _write_yaml(folder: Path, scenario: Scenario) -> None:
    """Write `night.yaml` with what a person would have typed."""
    telescope = scenario.telescope
    content = {
        "site": NIGHT_SITE,
        "telescope": {
            "aperture": f"{telescope.aperture_mm:g} mm",
            "focal_length": f"{telescope.focal_length_mm:g} mm",
            "obstruction": telescope.obstruction,
            "amplifier": telescope.amplifier,
        },
        "camera": {"pixel": f"{scenario.camera.pixel_um:g} um"},
        "filters": {name: f"{BANDS_NM[name]:g} nm" for name in ("R", "G", "B", "IR")},
    }
    text = yaml.safe_dump(content, sort_keys=False, allow_unicode=True)
    (folder / "night.yaml").write_text(text, encoding="utf-8", newline="\n")
