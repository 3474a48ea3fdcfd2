"""Test captures with known truth: the public face of the simulator.

`Capture` is one scenario made concrete. It renders frames on demand, a chunk at a time, with any number of threads and
the same bits; what is true of every frame is collected on the way.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .camera import Sensor
from .discs import DiscRenderer, Glimpse
from .fields import FieldRenderer
from .motion import Schedule, make_schedule
from .scenario import Mount, Scenario
from .scenes import DiscScene, make_scene
from .truth import Chunk, Truth
from .writers import open_writer

__all__ = ["Capture", "capture_name", "make_capture", "make_frames"]

Float = NDArray[np.float32]
_NOISE_BANK = 1 << 22


class Capture:
    """One scenario made concrete.

    Parameters
    ----------
    scenario : Scenario
        What to make.
    """

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.schedule: Schedule = make_schedule(scenario)
        scene = make_scene(scenario.scene, scenario.scene_seed, **dict(scenario.scene_options))
        self.disc = scene if isinstance(scene, DiscScene) else None
        self._border = 0
        rendered = scenario
        if scenario.bank:
            # Pictures of the bank are rendered without the mount's motion and with a border to move them within.
            self._border = int(np.ceil(np.abs(self.schedule.offset_px).max())) + 3 if self.disc is None else 0
            rows, columns = (n + 2 * self._border for n in scenario.shape)
            still = Mount((0.0, 0.0), 0.0, jitter_px=0.0)
            frames = max(2, min(scenario.bank, scenario.frames))
            rendered = replace(scenario, shape=(rows, columns), mount=still, frames=frames, fps=7.0)
        schedule = self.schedule if rendered is scenario else make_schedule(rendered)
        self.renderer: DiscRenderer | FieldRenderer = (
            DiscRenderer(rendered, scene, schedule)
            if isinstance(scene, DiscScene)
            else FieldRenderer(rendered, scene, schedule)
        )
        self.sensor = Sensor(scenario.camera, scenario.shape)
        inner_rows, inner_columns = (slice(self._border, self._border + n) for n in scenario.shape)
        picture = self.renderer.perfect_picture()[:, inner_rows, inner_columns]
        # Brightest part: one pixel in a thousand of the frame may exceed the level (specks of dust on craters).
        peak = float(np.percentile(picture, 99.9)) if self.disc is None else float(picture.max())
        by_level = scenario.level * scenario.camera.full_well_e / peak
        self._gain_e = np.float32(by_level if scenario.light_e is None else scenario.light_e)
        digits = np.float32(self._gain_e * self.sensor.adu_per_e)
        self._picture = picture * digits
        self._scene = self.renderer.scene_picture()[:, inner_rows, inner_columns] * digits
        n = scenario.frames
        self._glimpses: list[Glimpse | None] = [None] * n
        self._hits = np.zeros(n, bool)
        self._bank: list[tuple[Float, Glimpse]] = []
        self._noise: Float | None = None

    @property
    def utc(self) -> NDArray[np.datetime64]:
        """Time stamps of the frames, middle of the exposure, datetime64[ns]."""
        start = np.datetime64(self.scenario.start.astimezone(UTC).replace(tzinfo=None), "ns")
        middle = self.schedule.time_s + self.scenario.camera.exposure_s / 2
        return np.asarray(start + np.rint(middle * 1e7).astype(np.int64) * np.timedelta64(100, "ns"))

    def chunks(self, size: int = 64, *, threads: int = 2) -> Iterator[Chunk]:
        """Render all frames in order.

        Parameters
        ----------
        size : int, optional
            Frames a chunk. Does not change any bit.
        threads : int, optional
            Threads that render.

        Yields
        ------
        Chunk
            The next frames.
        """
        utc = self.utc
        with ThreadPoolExecutor(threads) as pool:
            if self.scenario.bank and not self._bank:
                rendered = self.renderer.schedule.source.size
                self._bank = list(pool.map(lambda i: self.renderer.glimpse(i, still=True), range(rendered)))
                rng = np.random.Generator(np.random.SFC64([self.scenario.seed, 0x2B]))
                self._noise = rng.standard_normal(_NOISE_BANK + 4 * int(np.prod(self.scenario.shape)), np.float32)
            for first in range(0, self.scenario.frames, size):
                stop = min(first + size, self.scenario.frames)
                frames = list(pool.map(self._frame, range(first, stop)))
                yield Chunk(first, np.stack(frames), utc[first:stop])

    def _frame(self, index: int) -> NDArray[Any]:
        """Make one frame; its bits depend on the scenario and its number alone."""
        scenario, schedule = self.scenario, self.schedule
        # A duplicate has its predecessor's source number, hence the same air and the same noise.
        rng = np.random.Generator(np.random.SFC64([scenario.seed, 0xF0, int(schedule.source[index])]))
        normal = None
        if self._bank:
            light, glimpse = self._from_bank(index, rng)
            if scenario.camera.colour != "RGB":
                assert self._noise is not None
                count = int(np.prod(scenario.shape))
                start = int(rng.integers(0, self._noise.size - count))
                normal = self._noise[start : start + count].reshape(scenario.shape)
        else:
            light, glimpse = self.renderer.glimpse(index)
        first = int(np.searchsorted(schedule.source, schedule.source[index]))
        lit = np.float32(0.0 if schedule.blank[first] else schedule.transparency[index])
        light = light * (self._gain_e * lit)
        light += np.float32(scenario.sky_e)
        digits, hit = self.sensor.expose(light, rng, cosmic_rays=scenario.faults.cosmic_rays, normal=normal)
        self._glimpses[index] = glimpse
        self._hits[index] = hit
        return digits

    def _from_bank(self, index: int, rng: np.random.Generator) -> tuple[Float, Glimpse]:
        light, glimpse = self._bank[int(rng.integers(len(self._bank)))]
        shift = self.schedule.offset_px[index]
        border = self._border
        matrix = np.array([[1, 0, shift[1] - border], [0, 1, shift[0] - border]], dtype=np.float64)
        size = self.scenario.shape[::-1]
        moved = np.stack([cv2.warpAffine(plane, matrix, size, flags=cv2.INTER_CUBIC) for plane in light])
        y, x = glimpse.shift_px
        truth = replace(
            glimpse,
            shift_px=(y + float(shift[0]), x + float(shift[1])),
            centroid_px=(glimpse.centroid_px[0] + float(shift[0]), glimpse.centroid_px[1] + float(shift[1])),
        )
        return np.maximum(moved, 0, out=moved), truth

    def truth(self) -> Truth:
        """Return what is true of the frames rendered so far; the others hold NaN."""
        scenario, schedule = self.scenario, self.schedule
        seen = [g or Glimpse((np.nan, np.nan), (np.nan, np.nan), np.nan, np.nan) for g in self._glimpses]
        refracted = self.renderer.dispersion[self.renderer.reference]
        shift = np.array([g.shift_px for g in seen]) + refracted
        middle = tuple((n - 1) / 2 for n in scenario.shape)
        axes = None
        cut = np.zeros(scenario.frames, bool)
        if self.disc is not None:
            radius = self.disc.diameter_arcsec / 2 / scenario.scale_arcsec
            axes = (radius, radius * self.disc.body.polar_share)
            reach = radius * self.disc.extent
            where = np.array(middle) + np.nan_to_num(shift, nan=0.0)
            cut = ((where < reach) | (where > np.array(scenario.shape) - 1 - reach)).any(axis=1)
        bending, rows, columns = None, None, None
        fields = [g.bending_px for g in seen if g.bending_px is not None]
        if isinstance(self.renderer, FieldRenderer) and len(fields) == scenario.frames:
            bending = np.stack(fields)
            rows, columns = (
                (g - m) / self.renderer.factor + c
                for g, m, c in zip(self.renderer.grid_px, self.renderer.middle, middle, strict=True)
            )
        single = len(scenario.channels) == 1
        return Truth(
            scenario=scenario,
            picture=self._picture[0] if single else self._picture,
            scene=self._scene[0] if single else self._scene,
            shift_px=shift,
            channel_shift_px=self.renderer.dispersion - refracted,
            rotation_deg=schedule.rotation_deg,
            strehl=np.array([g.strehl for g in seen], np.float32),
            transfer=np.array([g.transfer for g in seen], np.float32),
            transparency=schedule.transparency,
            flags={
                "duplicate": schedule.duplicate,
                "gap": schedule.gap,
                "blank": schedule.blank[np.searchsorted(schedule.source, schedule.source)],
                "cloud": schedule.transparency < 0.85,
                "cut": cut,
                "hit": self._hits.copy(),
            },
            utc=self.utc,
            centre_px=(middle[0], middle[1]),
            semi_axes_px=axes,
            north_deg=scenario.north_deg,
            meridian_deg=None if self.disc is None else self.disc.body.meridian_deg,
            bending_px=bending,
            bending_rows=rows,
            bending_columns=columns,
        )


def make_frames(scenario: Scenario, *, chunk: int = 64, threads: int = 2) -> Iterator[Chunk]:
    """Render the frames of a scenario; see `Capture.chunks`. For the truth as well, use `Capture`."""
    return Capture(scenario).chunks(chunk, threads=threads)


def capture_name(scenario: Scenario, *, suffix: str = ".ser") -> str:
    """Return the file name a night expects: target_date_time_filter, UTC."""
    utc: datetime = scenario.start.astimezone(UTC)
    name = "RGB" if scenario.camera.colour != "mono" else scenario.filter
    return f"{scenario.target or scenario.scene}_{utc:%Y%m%d_%H%M%S}_{name}{suffix}"


def make_capture(scenario: Scenario, path: Path, *, threads: int = 2, **options: Any) -> Truth:
    """Write a capture to a file or folder.

    Parameters
    ----------
    scenario : Scenario
        What to make.
    path : Path
        Where; the ending chooses the format, see `writers.open_writer`. A folder that exists, with no ending, gets a
        SER file named by `capture_name`.
    threads : int, optional
        Threads that render.
    **options
        Passed to the writer.

    Returns
    -------
    Truth
        What is true of it.
    """
    path = Path(path)
    if path.is_dir() and not path.suffix:
        path = path / capture_name(scenario)
    capture = Capture(scenario)
    with open_writer(
        path,
        shape=scenario.shape,
        colour=scenario.camera.colour,
        bits=scenario.camera.bits,
        fps=scenario.fps,
        start=capture.utc[0],
        exposure_s=scenario.camera.exposure_s,
        **options,
    ) as writer:
        for chunk in capture.chunks(threads=threads):
            writer.write(chunk.frames, chunk.utc)
    return capture.truth()
