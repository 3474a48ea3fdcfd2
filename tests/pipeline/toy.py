"""A complete toy plugin as a single file: one stage of every kind, on recordings that are plain .npy arrays."""

from __future__ import annotations

import ctypes
import faulthandler
import os
import time
from pathlib import Path

import numpy as np

from nightmill import stage
from nightmill.artefacts import Capture, Picture, Stack
from nightmill.errors import CaptureError
from nightmill.hooks import Writer, implementation


class ToySource(stage.Source):
    """Read frames from a .npy file."""

    name = "toy-source"

    def accepts(self, path):
        return path.suffix == ".npy"

    def open(self, path):
        try:
            data = np.load(path, mmap_mode="r")
        except (ValueError, OSError, EOFError):
            raise CaptureError("not a .npy file; make it again") from None
        n, h, w = data.shape
        return Capture(str(path), "", self.name, n, h, w, dtype=str(data.dtype), utc_start=1.0e9, frame_interval_s=0.01)

    def read(self, capture, start, stop):
        data = np.array(np.load(capture.path, mmap_mode="r")[start:stop])
        return data[:, 1:] if "narrow" in capture.path else data


class ToyDark(stage.Fold):
    """Average a dark."""

    name = "toy-dark"

    def select(self, table, context):
        return np.ones(table.rows, bool)

    def fold(self, partial, frames, rows, context):
        partial = partial or {"sum": np.zeros(frames.data.shape[1:]), "n": np.zeros(1)}
        partial["sum"] += frames.data.sum(axis=0, dtype=np.float64)
        partial["n"] += len(frames)
        return partial

    def join(self, first, second):
        return {name: first[name] + second[name] for name in first}

    def finish(self, partial, table, context):
        return Stack((partial["sum"] / partial["n"]).astype(np.float32), header={"frames_kept": int(partial["n"][0])})


class ToyCalibrate(stage.FrameStage):
    """Subtract the dark."""

    name = "toy-calibrate"
    aids = {"dark": "toy-dark"}

    def choose_aids(self, capture, candidates):
        fitting = [c for c in candidates["dark"] if (c.height, c.width) == (capture.height, capture.width)]
        return {"dark": fitting[0]} if fitting else {}

    def prepare(self, context):
        if "dark" not in context.aids:
            context.caution("dark", "No dark fits.")
        return {}

    def apply(self, frames, context):
        data = frames.data.astype(np.float32)
        return frames.replace(data=data - context.aids["dark"].data if "dark" in context.aids else data)


class ToyLevel(stage.Survey):
    """Measure the mean level; keep frames brighter than a limit."""

    name = "toy-level"
    gives = {"level": "mean, ADU"}

    class Parameters(stage.Parameters):
        limit: float = stage.Field(0.0, ge=0, description="Least level.")

    def measure(self, frames, rows, context):
        # Every fault a plugin can have, on demand, by the name of the recording or the environment.
        file = context.capture.file
        if "raise" in file:
            raise RuntimeError("made to fail")
        if "cloudy" in file:
            raise CaptureError("clouds")
        if "exit" in file:
            os._exit(7)
        if "segfault" in file:
            faulthandler.disable()
            ctypes.string_at(0)
        if "hog" in file:
            # Step by step, and touched, as a leak would: the system has promised much more than there is.
            held = []
            while True:
                held.append(np.ones(2**22))
        if "giant" in file:
            np.ones(10**12)
        if "hang" in file:
            time.sleep(3600)
        if "slow" in file:
            time.sleep(float(os.environ.get("TOY_SLEEP", "0.05")))
        return {"level": frames.data.mean(axis=(1, 2)), "_raw": frames.data[:, 0, 0].astype(float)}

    def conclude(self, table, context):
        assert "_raw" in table
        context.choose("limit", self.parameters.limit, "it was given")
        return {"kept": table["level"] >= self.parameters.limit}


class ToyRank(stage.Survey):
    """Rank kept frames against the mean of the first three."""

    name = "toy-rank"
    needs = ("level",)
    gives = {"rank": "correlation"}
    rows = "kept"

    def prepare(self, table, context):
        return {"reference": context.read(np.flatnonzero(table["kept"])[:3]).data.mean(axis=0), "about": "three frames"}

    def measure(self, frames, rows, context):
        assert context.state["about"] == "three frames"
        reference = context.state["reference"]
        return {"rank": np.array([float((frame * reference).mean()) for frame in frames.data])}


class ToyMean(ToyDark):
    """Average the kept frames."""

    name = "toy-mean"
    needs = ("level",)

    def select(self, table, context):
        return np.asarray(table["kept"], bool)


class ToyScale(stage.PictureStage):
    """Multiply; groups all captures of one target when asked to."""

    name = "toy-scale"
    uses = ("camera",)

    class Parameters(stage.Parameters):
        factor: float = stage.Field(2.0, gt=0, description="Factor.")
        together: bool = stage.Field(False, description="One picture of all captures of a target.")
        singles: bool = stage.Field(False, description="With `together`, the pictures of the captures as well.")
        beside: str = stage.Field("", description="Target whose captures are looked at.")

    def consult(self, captures, recorded, night):
        assert set(night) == {"camera"}
        return [k for k, one in enumerate(recorded) if self.parameters.beside and one.target == self.parameters.beside]

    def group(self, units):
        if not self.parameters.together:
            return super().group(units)
        targets = {}
        for index, captures in enumerate(units):
            targets.setdefault(captures[0].target, []).append(index)
        return list(targets.values())

    def develop(self, pictures, context):
        data = sum(p.data for p in pictures) * np.float32(self.parameters.factor)
        captures = tuple(c for p in pictures for c in p.captures)
        if context.consulted:
            seen = {one.file: None if picture is None else picture.data.mean() for one, picture in context.consulted}
            context.measure("beside", seen, "what was looked at")
        context.about(*pictures).measure("members", len(pictures), "pictures went in")
        whole = Picture(data, captures, ("L",), header=pictures[0].header, record=pictures[0].record)
        if not self.parameters.singles:
            return whole
        context.choose("factor", self.parameters.factor, "It was given.")
        for one in pictures:
            context.about(one).measure("own", one.captures[0].file, "its own file")
        return [whole, *pictures]


class ToyJoin(stage.PictureStage):
    """Add the mean of all pictures of a target, where there are at least `least`."""

    name = "toy-join"
    adds = True
    streams = True

    class Parameters(stage.Parameters):
        least: int = stage.Field(2, ge=1, description="Fewer are not joined.")
        fail: bool = stage.Field(False, description="Raise.")
        moving: bool = stage.Field(False, description="Make a sequence of them.")

    def group(self, units):
        return [list(range(len(units)))] if len(units) > 1 else []

    def develop(self, pictures, context):
        assert not isinstance(pictures, list)
        assert pictures[0] is not pictures[0]
        if self.parameters.fail:
            raise RuntimeError("made to fail")
        if len(pictures) < self.parameters.least:
            context.choose("join", False, f"There are only {len(pictures)} pictures.")
            return []
        data = sum(one.data for one in pictures) / np.float32(len(pictures))
        captures = tuple(c for one in pictures for c in one.captures)
        weight = np.full(data.shape, len(pictures), np.float32)
        if self.parameters.moving:
            frames = np.stack([np.full((8, 10, 3), 20 * k, np.uint8) for k in range(len(pictures))])
            film = {"seconds": [0.1] * len(pictures), "formats": ["png"], "utc": [one.utc_mid for one in pictures]}
            return Picture(data, captures, ("L",), frames=frames, header={"film": film}, kind="toy-join")
        return Picture(data, captures, ("L",), weight=weight, kind="mean")


class ToyWriter(Writer):
    """Write a linear FITS and nothing else."""

    name = "toy-fits"
    suffix = ".toy.fits"

    def write(self, picture: Picture, path: Path) -> bool:
        picture.write(path)
        return True


@implementation
def nightmill_stages():
    return [ToySource, ToyDark, ToyCalibrate, ToyLevel, ToyRank, ToyMean, ToyScale, ToyJoin]


@implementation
def nightmill_writers():
    return [ToyWriter()]
