"""The kit finds what it is there to find: a stage for each way to break a promise."""

from __future__ import annotations

import json
import os
import time

import cv2
import numpy as np
import pytest

from nightmill import stage
from nightmill.artefacts import Picture, Stack
from nightmill.errors import UsageError
from nightmill.hooks import Writer
from nightmill.testing.conformance import CHECKS, check_writer, run_checks, stage_checks, writer_checks


class Honest(stage.Survey):
    """Keep every promise."""

    name = "honest"
    gives = {"mine": "mean, ADU"}

    class Parameters(stage.Parameters):
        factor: float = stage.Field(1.0, ge=0, le=2, description="Factor.")

    def measure(self, frames, rows, context):
        data = np.nan_to_num(frames.data.reshape(len(frames), -1).astype(np.float64))
        return {"mine": np.array([frame.mean() for frame in data]) * self.parameters.factor}


class Writes(Honest):
    """Write into its input."""

    def measure(self, frames, rows, context):
        frames.data[0, 0, 0] = 7
        return super().measure(frames, rows, context)


class Counts(Honest):
    """Keep state between calls."""

    calls = 0

    def measure(self, frames, rows, context):
        Counts.calls += 1
        return {"mine": np.full(len(frames), float(Counts.calls))}


class Compares(Honest):
    """Compare frames with the others of their chunk."""

    def measure(self, frames, rows, context):
        values = super().measure(frames, rows, context)["mine"]
        return {"mine": values - values.mean()}


class Short(Honest):
    """Give one value too few."""

    def measure(self, frames, rows, context):
        return {"mine": super().measure(frames, rows, context)["mine"][:-1]}


class Empties(stage.FrameStage):
    """Leave nothing of the frames."""

    name = "empties"

    def apply(self, frames, context):
        return frames.replace(data=np.full(frames.data.shape, np.nan, np.float32))


class Forgets(Honest):
    """Declare a column and never give it."""

    gives = {"mine": "mean, ADU", "other": "never"}


class Adds(Honest):
    """Give a column that it does not declare."""

    def measure(self, frames, rows, context):
        return {**super().measure(frames, rows, context), "more": np.zeros(len(frames))}


class Prints(Honest):
    """Print."""

    def measure(self, frames, rows, context):
        print("hello")
        return super().measure(frames, rows, context)


class Wanders(Honest):
    """Change the process."""

    def measure(self, frames, rows, context):
        os.environ["NIGHTMILL_TEST_TRACE"] = str(time.perf_counter())
        return super().measure(frames, rows, context)


class Threads(Honest):
    """Change OpenCV's threads."""

    def measure(self, frames, rows, context):
        cv2.setNumThreads(3)
        return super().measure(frames, rows, context)


class Divides(Honest):
    """Raise on frames that are all black."""

    def measure(self, frames, rows, context):
        return {"mine": np.array([1 // int(frame.max()) for frame in frames.data], float)}


class Mono(Honest):
    """Take two axes for granted."""

    def measure(self, frames, rows, context):
        count, _, _ = frames.data.shape
        return {"mine": np.zeros(count)}


class Hoards(Honest):
    """Hold far too much."""

    def measure(self, frames, rows, context):
        hoard = np.ones((40, 2**20))
        return {"mine": np.full(len(frames), hoard[0, 0])}


class Peeks(Honest):
    """Read a section of the night file that it does not declare."""

    def measure(self, frames, rows, context):
        return {"mine": np.full(len(frames), context.night["telescope"].get("aperture_mm", 0.0))}


class Lambda(Honest):
    """Cannot be pickled."""

    def __init__(self, parameters=None):
        super().__init__(parameters)
        self.function = lambda: 1


class Bounds(Honest):
    """Fail at the end of its own range."""

    def measure(self, frames, rows, context):
        return {"mine": np.full(len(frames), 1 / self.parameters.factor)}


class Grows(stage.Fold):
    """Keep all frames."""

    name = "grows"
    needs = ("kept",)

    def select(self, table, context):
        return np.ones(table.rows, bool)

    def fold(self, partial, frames, rows, context):
        held = {"all": frames.data.astype(np.float32)}
        return held if partial is None else self.join(partial, held)

    def join(self, first, second):
        return {"all": np.concatenate([first["all"], second["all"]])}

    def finish(self, partial, table, context):
        return Stack(partial["all"].mean(axis=0, dtype=np.float64))


class Paints(stage.PictureStage):
    """Write into the picture that it is handed."""

    name = "paints"

    def develop(self, pictures, context):
        pictures[0].data[0] = 1
        return pictures


class Together(stage.PictureStage):
    """Average all pictures."""

    name = "together"

    def group(self, units):
        return [list(range(len(units)))] if units else []

    def develop(self, pictures, context):
        data = sum(one.data for one in pictures) / np.float32(len(pictures))
        captures = tuple(capture for one in pictures for capture in one.captures)
        return Picture(data, captures, ("L",))


class Strict(Together):
    """Take for granted that all members are there."""

    def develop(self, pictures, context):
        red = next(one for one in pictures if one.filters == ("R",))
        return red.replace(data=pictures[6 if len(pictures) > 1 else 0].data)


class Doubles(Together):
    """Give double precision."""

    def develop(self, pictures, context):
        made = super().develop(pictures, context)
        return made.replace(data=made.data.astype(np.float64))


class Subtracts(Together):
    """Write into its members."""

    def develop(self, pictures, context):
        for one in pictures:
            one.data[:] -= one.data.mean()
        return super().develop(pictures, context)


class Alone(Together):
    """Leave captures out."""

    def group(self, units):
        return [[0]] if units else []


BREAKS = [
    (Strict, "members-may-be-missing"),
    (Doubles, "groups-are-developed"),
    (Subtracts, "members-unchanged"),
    (Alone, "groups-are-whole"),
    (Paints, "input-unchanged"),
    (Paints, "read-only-input"),
    (Writes, "input-unchanged"),
    (Writes, "read-only-input"),
    (Counts, "same-bits-again"),
    (Compares, "same-bits-chunked"),
    (Short, "dtype-and-shape"),
    (Empties, "dtype-and-shape"),
    (Forgets, "columns-delivered"),
    (Adds, "columns-delivered"),
    (Prints, "quiet"),
    (Wanders, "no-traces"),
    (Threads, "no-traces"),
    (Divides, "black-and-saturated"),
    (Mono, "mono-and-colour"),
    (Hoards, "memory-bounded"),
    (Peeks, "same-bits-again"),
    (Lambda, "pickles"),
    (Bounds, "bounds-work"),
    (Grows, "partial-does-not-grow"),
    (Grows, "dtype-and-shape"),
    (Grows, "nothing-kept"),
]


FAULTS = (AssertionError, ValueError, KeyError, AttributeError, TypeError, ZeroDivisionError)


def test_an_honest_stage_passes() -> None:
    outcomes = run_checks(Honest)
    assert [one for one in outcomes if one.state == "failed"] == []
    assert sum(one.state == "passed" for one in outcomes) >= 20
    assert len(CHECKS) >= 15
    assert [one for one in run_checks(Together) if one.state == "failed"] == []


@pytest.mark.parametrize(("cls", "name"), BREAKS, ids=lambda value: getattr(value, "__name__", value))
def test_a_broken_promise_is_found(cls, name) -> None:
    before = cv2.getNumThreads()
    try:
        (check,) = [one for one in stage_checks(cls) if str(one) == name]
        with pytest.raises(FAULTS) as caught:
            check()
    finally:
        cv2.setNumThreads(before)
        os.environ.pop("NIGHTMILL_TEST_TRACE", None)
    assert str(caught.value)


class Plain(Writer):
    """Write the samples and the record."""

    name, suffix = "plain", ".plain"

    def write(self, picture, path):
        path.write_bytes(self.content(picture))
        return True

    def content(self, picture):
        return json.dumps(picture.record).encode() + b"\n" + picture.data.tobytes()

    def read_record(self, path):
        if path.suffix != self.suffix:
            return None
        try:
            return json.loads(path.read_bytes().partition(b"\n")[0])
        except ValueError:
            raise UsageError(f"{path.name} is damaged") from None


class Dates(Plain):
    """Write the time."""

    def content(self, picture):
        return super().content(picture) + time.ctime().encode()


class Names(Plain):
    """Write its own name into the file."""

    def write(self, picture, path):
        path.write_bytes(path.name.encode())
        return True


class Litters(Plain):
    """Leave another file behind."""

    def write(self, picture, path):
        path.with_suffix(".part").write_bytes(b"x")
        return super().write(picture, path)


class Silent(Plain):
    """Say nothing."""

    def write(self, picture, path):
        super().write(picture, path)


class Scales(Plain):
    """Write into the picture."""

    def content(self, picture):
        picture.data[:] = 0
        return super().content(picture)


class Colourless(Plain):
    """Take one plane for granted."""

    def content(self, picture):
        rows, columns = picture.data.shape
        return bytes(rows * columns)


class Whole(Plain):
    """Take whole numbers for granted."""

    def content(self, picture):
        return bytes(int(value) % 256 for value in picture.data.ravel())


class Forgetful(Plain):
    """Lose a part of the record."""

    def read_record(self, path):
        return {"notes": []}


class Trusting(Plain):
    """Read anything."""

    def read_record(self, path):
        return json.loads(path.read_bytes().partition(b"\n")[0])


class Chatty(Plain):
    """Print."""

    def content(self, picture):
        print("writing")
        return super().content(picture)


WRITER_BREAKS = [
    (Dates, "same-bytes-again"),
    (Names, "same-bytes-threaded"),
    (Litters, "writes-one-file"),
    (Silent, "writes-one-file"),
    (Scales, "picture-unchanged"),
    (Colourless, "picture-mono-and-colour"),
    (Whole, "difficult-pictures"),
    (Forgetful, "record-travels"),
    (Trusting, "damaged-files"),
    (Chatty, "writes-quietly"),
]


def test_an_honest_writer_passes() -> None:
    assert {one.state for one in run_checks(Plain())} == {"passed"}
    check_writer(Plain())


@pytest.mark.parametrize(("cls", "name"), WRITER_BREAKS, ids=lambda value: getattr(value, "__name__", value))
def test_a_broken_promise_of_a_writer_is_found(cls, name) -> None:
    (check,) = [one for one in writer_checks(cls()) if str(one) == name]
    with pytest.raises(FAULTS) as caught:
        check()
    assert str(caught.value)


def test_a_check_that_does_not_exist_cannot_be_skipped() -> None:
    with pytest.raises(ValueError, match="there is no check no-such"):
        stage_checks(Honest, skip=["no-such"])
