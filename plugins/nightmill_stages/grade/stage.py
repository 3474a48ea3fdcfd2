"""The stage "grade": finds the object in every frame, measures its sharpness and says which frames are usable."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import Frames, FrameTable
from nightmill.errors import CaptureError

from .band import Band, sharpness_of
from .batch import blur3, halved, planes_of
from .conclude import burnt_out, find_gaps, judge, summary
from .flags import Flag
from .locate import Scene, cell_noise, halvings, look, survey_scene
from .luminance import boxes_around
from .tune import choose_band

__all__ = ["Grade"]

STANDS_OUT = 12.0
"""How many times the noise of a cell the brightest cell must stand out; among thousands of cells noise alone reaches 5
to 8, the more the fewer of its samples differ from zero."""

FAINTEST = 0.3
"""ADU that it must stand out in any case."""

SAMPLES = 32
"""Frames looked at beforehand; enough to know the scene, the noise and the band."""


class Grade(stage.Survey):
    """Grade every frame: object level and position, sharpness in a band, and flags for frames that cannot be used.

    Sharpness is the power between two spatial frequencies, chosen where frames of this capture differ most against
    their noise, corrected for noise and brightness. Colour-filter mosaics are graded on cells of 2x2 samples.
    """

    name = "grade"
    version = "3"
    gives: ClassVar[Mapping[str, str]] = {
        "level": "brightness of the object above the sky, fraction of full scale",
        "background": "brightness of the sky, fraction of full scale",
        "sharpness": "noise-corrected power in the band over squared brightness, > 0, larger is sharper",
        "y_px": "row of the object's centre in the frame; the frame's middle when the object fills it",
        "x_px": "column of the object's centre in the frame; the frame's middle when the object fills it",
        "extent_px": "side of the square that holds the object, the same for all frames",
        "fills_frame": "whether the object runs over the frame's edge, the same for all frames",
        "flags": "bits of nightmill_stages.grade.flags.Flag",
        "kept": "whether the frame is usable",
    }

    class Parameters(stage.Parameters):
        """Parameters of "grade"."""

        band: Annotated[float, stage.Field(gt=0.02, lt=0.5)] | Literal["auto"] = stage.Field(
            "auto", description="Centre of the band in cycles per pixel; chosen from the frames by default."
        )
        dimmed: float = stage.Field(
            0.6, ge=0, lt=1, description="Frames below this share of the capture's clear level count as dimmed."
        )

    def prepare(self, table: FrameTable, context: stage.Context) -> dict[str, Any]:
        """Look at some frames from all over the capture: scene, noise, band."""
        capture = context.capture
        times = halvings(capture.height, capture.width, capture.cfa)
        cell = 2**times
        numbers = table["number"]
        chosen = numbers[np.unique(np.linspace(0, len(numbers) - 1, min(SAMPLES, len(numbers))).round().astype(int))]
        frames = [context.read(chosen[i : i + 1]).data[0] for i in range(len(chosen))]
        _refuse_empty(frames, capture.full_scale)
        shrunk = [_shrunk(frame[None], times) for frame in frames]
        small = np.concatenate([one for one, _, _ in shrunk])
        mosaic = capture.cfa is not None
        planes = [(half if mosaic else plane)[0] for _, half, plane in shrunk]
        scene = survey_scene(small, cell, capture.target, cell_noise(planes, times - 1 if mosaic else times))
        seen = look(small, scene, cell)
        if not scene.peak > 0:
            raise CaptureError("all frames looked at are black (gaps, NaN, count as black): was the cap on?")
        # Sky to brightest part of a disc; darkest to brightest part of a surface.
        depth = float(np.median(small.max(axis=(1, 2)) - np.percentile(small, 5 if scene.fills_frame else 50, (1, 2))))
        # Steps of the converter hide noise that is smaller than they are.
        step = FAINTEST * (1.0 if capture.full_scale > 1.5 else capture.full_scale / 65535)
        if depth <= max(STANDS_OUT * scene.noise, step):
            raise CaptureError(
                f"no object stands out: the brightest part is only {depth:.2g} ADU above the rest; "
                f"is it the wrong file, or was it cloudy?"
            )
        # Small discs are graded on the camera's own pixels, everything else on halved frames.
        fine = 0 if (capture.cfa is None and scene.extent_px < 48) else 1
        contrast = seen["peak"] - seen["background"]
        whole = contrast >= 0.5 * np.median(contrast)
        if not scene.fills_frame and np.any(whole & (seen["edge"] <= 0.01)):
            whole &= seen["edge"] <= 0.01
        rows = np.flatnonzero(whole)
        grids = [halved(shrunk[i][2])[0] if fine else shrunk[i][2][0] for i in rows]
        tops, lefts, (high, wide) = _corners(grids[0].shape, fine, scene, seen["y_px"][rows], seen["x_px"][rows])
        boxes = [grid[t : t + high, e : e + wide] for grid, t, e in zip(grids, tops, lefts, strict=True)]
        levels = [float(seen["level"][i]) for i in rows]
        if scene.fills_frame:
            # The middle tells as much about noise and band as the whole, in a fraction of the time.
            boxes = [_middle(box, 320) for box in boxes]
        forced = None if self.parameters.band == "auto" else float(self.parameters.band) * 2**fine
        band, curve = choose_band(boxes, np.array(levels), scene.background, forced)
        centre = 0.19 / np.sqrt(band.fine * band.coarse) / 2**fine
        context.choose(
            "band",
            {"cycles_per_px": round(float(centre), 4), "curve": curve},
            "Band in which the frames of this capture differ most against their noise.",
        )
        return {"scene": scene.to_json(), "band": band.to_json(), "fine": fine}

    def measure(self, frames: Frames, rows: FrameTable, context: stage.Context) -> dict[str, NDArray[Any]]:
        """Measure frames one by one; nothing depends on their neighbours."""
        scene = Scene(**context.state["scene"])
        band = Band(**context.state["band"])
        fine = int(context.state["fine"])
        cell = 2**scene.halvings
        small, half, planes = _shrunk(frames.data, scene.halvings)
        seen = look(small, scene, cell)
        height, width = frames.data.shape[1:3]
        if scene.fills_frame:
            seen["y_px"] = np.full(len(frames), (height - 1) / 2)
            seen["x_px"] = np.full(len(frames), (width - 1) / 2)
        if fine:
            planes = half if scene.halvings else halved(planes)
        top, left, shape = _corners(planes.shape[1:], fine, scene, seen["y_px"], seen["x_px"])
        covered = np.minimum(seen["area_px"] / (shape[0] * shape[1] * 4**fine), 1.0)
        grade = sharpness_of(planes, top, left, shape, band, seen["level"], covered)
        full = frames.full_scale
        return {
            "level": seen["level"] / full,
            "background": seen["background"] / full,
            "sharpness": grade,
            "y_px": seen["y_px"],
            "x_px": seen["x_px"],
            "extent_px": np.full(len(frames), scene.extent_px),
            "fills_frame": np.full(len(frames), scene.fills_frame),
            "flags": _flags(seen, scene, full),
            "kept": np.ones(len(frames), bool),
            "_checksum": _checksums(frames.data, small),
        }

    def conclude(self, table: FrameTable, context: stage.Context) -> dict[str, NDArray[Any]]:
        """Add what needs the whole capture: clouds, gaps, copies; then say which frames are usable."""
        flags = table["flags"].astype(np.int32)
        flags |= find_gaps(table["utc"])
        flags, kept = judge(
            flags, table["level"], table["_checksum"], bool(table["fills_frame"].any()), self.parameters.dimmed
        )
        for name, value, text in summary(flags, kept):
            context.measure(name, value, text)
        burnt = burnt_out(flags, kept)
        if burnt is not None:
            context.caution("saturated", burnt)
        if not kept.any():
            raise CaptureError("no frame is usable: " + "; ".join(text for _, _, text in summary(flags, kept)))
        return {"flags": flags, "kept": kept}


def _refuse_empty(frames: Sequence[NDArray[Any]], full_scale: float) -> None:
    """Refuse frames that cannot hold a picture, each for its own reason."""
    held = [frame[np.isfinite(frame)] for frame in frames]
    if not any(one.size for one in held):
        raise CaptureError("its frames hold no numbers, only gaps (NaN): write them again, or leave it out")
    if min(float(one.min()) for one in held if one.size) >= 0.98 * full_scale:
        raise CaptureError("all frames looked at are burnt out from edge to edge: was the exposure far too long?")


def _shrunk(frames: NDArray[Any], times: int) -> tuple[NDArray[np.float32], NDArray[Any], NDArray[Any]]:
    """Return frames shrunk by `times` halvings and smoothed; halved once (or as they are); and as they are."""
    planes = planes_of(frames)
    half = halved(planes) if times else planes
    small = half
    for _ in range(times - 1):
        small = halved(small)
    return blur3(small), half, planes


def _corners(
    size: tuple[int, ...], fine: int, scene: Scene, y: NDArray[np.float64], x: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.int64], tuple[int, int]]:
    """Return where, on the grid for grading of `size`, the boxes begin in which the object lies, and their shape."""
    if scene.fills_frame:
        none = np.zeros(len(y), np.int64)
        return none, none, (size[0], size[1])
    cell = 2**fine
    side = int(1.15 * scene.extent_px / cell) + 8
    top = boxes_around((y - (cell - 1) / 2) / cell, side, size[0])
    left = boxes_around((x - (cell - 1) / 2) / cell, side, size[1])
    return top, left, (min(side, size[0]), min(side, size[1]))


def _middle(plane: NDArray[Any], side: int) -> NDArray[Any]:
    """Return the middle of a plane, at most `side` along each axis."""
    top, left = max((plane.shape[0] - side) // 2, 0), max((plane.shape[1] - side) // 2, 0)
    return plane[top : top + side, left : left + side]


def _flags(seen: Mapping[str, NDArray[np.float64]], scene: Scene, full_scale: float) -> NDArray[np.int32]:
    """Return the flags that a frame earns by itself."""
    contrast = seen["peak"] - seen["background"]
    flags = np.zeros(len(contrast), np.int32)
    if scene.fills_frame:
        flags[seen["peak"] < 0.1 * scene.peak] |= Flag.LOST
    else:
        lost = contrast < max(0.08 * (scene.peak - scene.background), 4 * scene.noise)
        flags[lost] |= Flag.LOST
        flags[~lost & (seen["edge"] > 0.01)] |= Flag.CUT
    flags[seen["peak"] >= 0.985 * full_scale] |= Flag.SATURATED
    return flags


def _checksums(frames: NDArray[Any], small: NDArray[np.float32]) -> NDArray[np.int64]:
    """Return a number for each frame that two share only when one is a copy of the other.

    Every sample enters through the shrunk frame, and the noise of some rows in full: the sum of all words, each times
    an odd number of its own, modulo 2**64.
    """
    middle = frames.shape[1] // 2
    total = np.zeros(len(frames), np.uint64)
    chance = np.random.default_rng(64)
    for block in (frames[:, middle : middle + 8], small):
        held = np.ascontiguousarray(block).reshape(len(frames), -1).view(np.uint8)
        if held.shape[1] % 8:
            held = np.pad(held, ((0, 0), (0, -held.shape[1] % 8)))
        words = held.view(np.uint64)
        odd = chance.integers(2**63, size=words.shape[1], dtype=np.uint64) * np.uint64(2) + np.uint64(1)
        total += np.einsum("ij,j->i", words, odd)
    return total.view(np.int64)
