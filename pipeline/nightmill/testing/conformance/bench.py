"""The invented input of the conformance kit: a small capture of a disc with detail, moved, blurred and noisy.

Cheap on purpose (no optics): it has to look enough like a planet that stages find it, and nothing more.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ...artefacts import Capture, Frames, FrameTable, Picture, Stack

__all__ = ["Bench", "Form", "make_bench"]

Form = Literal["mono8", "mono16", "float", "colour", "mosaic"]
SIZE = 64
FULL = {"mono8": 255.0, "mono16": 65535.0, "float": 1.0, "colour": 255.0, "mosaic": 255.0}
TINT = np.array([1.0, 0.85, 0.6], np.float32)


@dataclass(frozen=True)
class Bench:
    """What a stage is tried on.

    Attributes
    ----------
    capture : Capture
        Says the same as `data`.
    data : ndarray of shape (n, h, w) or (n, h, w, 3)
        The frames.
    columns : dict of str to ndarray
        Columns of earlier stages.
    aids : dict of str to Stack
        Masters by role.
    night : dict
        All sections of a night file, in canonical units; a stage sees those that it declares.
    """

    capture: Capture
    data: NDArray[Any]
    columns: dict[str, NDArray[Any]] = field(default_factory=dict)
    aids: dict[str, Stack] = field(default_factory=dict)
    night: dict[str, dict[str, Any]] = field(default_factory=dict)

    @property
    def utc(self) -> NDArray[np.float64]:
        """Times of the frames."""
        start, interval = self.capture.utc_start or 0.0, self.capture.frame_interval_s or 0.01
        return start + np.arange(len(self.data), dtype=np.float64) * interval

    def frames(self, numbers: NDArray[np.int64]) -> Frames:
        """Return some frames, as the engine would read them."""
        full = self.capture.full_scale
        return Frames(self._view(numbers), numbers, self.utc[numbers], full, self.capture.cfa)

    def _view(self, numbers: NDArray[np.int64]) -> NDArray[Any]:
        """Return frames without copying where they follow one another: a stage that writes into them is then seen."""
        if len(numbers) and np.all(np.diff(numbers) == 1):
            return self.data[numbers[0] : numbers[-1] + 1]
        chosen = self.data[numbers]
        chosen.flags.writeable = self.data.flags.writeable
        return chosen

    def table(self) -> FrameTable:
        """Return the frame table as it is before the stage."""
        count = len(self.data)
        base = {"number": np.arange(count), "utc": self.utc, "kept": np.ones(count, bool)}
        return FrameTable({**base, **self.columns})

    def with_data(self, data: NDArray[Any]) -> Bench:
        """Return a bench with other frames of the same form (and the first columns, one row a frame)."""
        capture = self.capture.replace(frames=len(data), height=data.shape[1], width=data.shape[2])
        columns = {name: values[: len(data)] for name, values in self.columns.items()}
        return replace(self, capture=capture, data=data, columns=columns)

    def picture(self) -> Picture:
        """Return a picture as it comes from a stack of these frames."""
        linear = self.data.astype(np.float32) / np.float32(self.capture.full_scale)
        first, second = (_planes(linear[part % len(linear) :: 2].mean(axis=0)) for part in (0, 1))
        data = _planes(linear.mean(axis=0))
        noise = np.full(data.shape, 0.02 / np.sqrt(len(linear)), np.float32)
        header = {"frames_kept": len(linear), "frames_total": len(linear), "scale": 1.0, "origin_px": [0.0, 0.0]}
        stack = Stack(data, np.full(data.shape, len(linear), np.float32), noise, first, second, header)
        record = {"sources": [{"file": self.capture.file, "sha256": "0" * 64, "frames": len(linear)}], "notes": []}
        return Picture.from_stack(replace(stack, record=record), self.capture)


@cache
def make_bench(form: Form = "mono8", frames: int = 16) -> Bench:
    """Make a bench; the same bits every time."""
    rng = np.random.default_rng(20260112)
    scene = _disc()
    frequency = np.hypot(*np.meshgrid(np.fft.fftfreq(SIZE), np.fft.rfftfreq(SIZE), indexing="ij"))
    rows, columns = np.fft.fftfreq(SIZE)[:, None], np.fft.rfftfreq(SIZE)[None]
    spectrum = np.fft.rfft2(scene)
    stack = np.empty((frames, SIZE, SIZE), np.float32)
    for index in range(frames):
        dy, dx, blur = rng.normal(0, 1.5), rng.normal(0, 1.5), rng.uniform(0.8, 2.2)
        transfer = np.exp(-2 * (np.pi * blur * frequency) ** 2 - 2j * np.pi * (rows * dy + columns * dx))
        stack[index] = np.fft.irfft2(spectrum * transfer, s=scene.shape)
    stack = stack * 0.6 + 0.04
    if form in ("colour", "mosaic"):
        stack = stack[..., None] * TINT
    if form == "mosaic":
        mosaic = stack[..., 1].copy()
        mosaic[:, ::2, ::2], mosaic[:, 1::2, 1::2] = stack[:, ::2, ::2, 0], stack[:, 1::2, 1::2, 2]
        stack = mosaic
    stack += rng.normal(0, 0.015, stack.shape).astype(np.float32)
    full = FULL[form]
    dtype = {"float": np.float32, "mono16": np.uint16}.get(form, np.uint8)
    data = np.clip(stack, 0, 1) * full
    data = data.astype(np.float32) if form == "float" else np.round(data).astype(dtype)
    capture = Capture(
        path="",
        file="jupiter_20260112_221000_RGB.try" if form in ("colour", "mosaic") else "jupiter_20260112_221000_R.try",
        source="try",
        frames=frames,
        height=SIZE,
        width=SIZE,
        planes=3 if form == "colour" else 1,
        dtype=str(data.dtype),
        full_scale=full,
        cfa="RGGB" if form == "mosaic" else None,
        target="jupiter",
        filter="RGB" if form in ("colour", "mosaic") else "R",
        utc_start=1768255800.0,
        frame_interval_s=0.01,
        exposure_s=0.008,
    )
    return Bench(capture, data, night=NIGHT)


NIGHT: dict[str, dict[str, Any]] = {
    "site": {"name": "Hill meadow", "latitude_deg": 47.1, "longitude_deg": 8.5, "height_m": 540.0},
    "telescope": {"aperture_mm": 203.0, "focal_length_mm": 2030.0, "obstruction": 0.33, "amplifier": 1.5},
    "camera": {"pixel_um": 3.75, "bits": 12},
    "filters": {"R": 630.0, "G": 530.0, "B": 460.0},
}


def _disc() -> NDArray[np.float32]:
    """Draw a limb-darkened disc with bands and spots; values 0 to 1."""
    y, x = np.mgrid[:SIZE, :SIZE] - (SIZE - 1) / 2
    radius = 0.3 * SIZE
    inside = np.clip(1 - (x**2 + (y * 1.05) ** 2) / radius**2, 0, None)
    bands = 1 + 0.15 * np.sin(y * 0.6) + 0.1 * np.sin(y * 1.3 + 1)
    spots = sum(
        0.25 * np.exp(-(((x - a) / 2.5) ** 2) - ((y - b) / 1.8) ** 2) for a, b in ((-6, 3), (4, -5), (8, 6), (-2, -9))
    )
    return np.asarray(np.sqrt(inside) * (bands - spots) / 1.25, np.float32)


def _planes(data: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.ascontiguousarray(np.moveaxis(data, -1, 0) if data.ndim == 3 else data)
