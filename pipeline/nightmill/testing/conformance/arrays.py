"""Checks of what a stage does to arrays."""

from __future__ import annotations

import contextlib
import io
import os
import tracemalloc
import warnings
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...stage import Fold, FrameStage, PictureStage, Survey
from .bench import Bench, Form
from .registry import FRAMES, NotApplicable, check
from .subject import Subject
from .trial import Trial, try_difficult, try_stage

__all__: list[str] = []

FORMS: tuple[Form, ...] = ("mono8", "mono16", "float", "colour", "mosaic")
NUMBERS = (np.uint8, np.uint16, np.float32)
MEMORY = 60
"""Bytes of work that a stage may hold for each byte of float32 frames handed over, besides 64 MiB of its own."""


@check(*FRAMES)
def input_unchanged(subject: Subject) -> None:
    """Frames, columns, masters and pictures that a stage is handed are as they were afterwards."""
    bench = _copy(subject.bench(masters=True))
    kept = _copy(bench)
    trial = _run(subject, bench)
    for name, (array, before) in trial.handed.items():
        assert np.array_equal(array, before, equal_nan=True), f"it wrote into the picture's {name}"
    assert np.array_equal(bench.data, kept.data), "it wrote into the frames"
    for name, values in kept.columns.items():
        assert np.array_equal(bench.columns[name], values, equal_nan=True), f"it wrote into the column {name!r}"
    for role, stack in kept.aids.items():
        assert np.array_equal(bench.aids[role].data, stack.data, equal_nan=True), f"it wrote into the master {role!r}"


@check(*FRAMES)
def read_only_input(subject: Subject) -> None:
    """Arrays that must not be written to are accepted: those that crossed a process boundary may be so."""
    bench = _copy(subject.bench(masters=True))
    for array in (bench.data, *bench.columns.values(), *(stack.data for stack in bench.aids.values())):
        array.flags.writeable = False
    _run(subject, bench)


@check(*FRAMES)
def same_bits_again(subject: Subject) -> None:
    """The same input gives the same bits, from the same instance and from a new one."""
    bench = subject.bench(masters=True)
    stage = subject.make()
    first = try_stage(stage, bench).arrays
    _same(first, try_stage(stage, bench).arrays, "a second time")
    _same(first, try_stage(subject.make(), bench).arrays, "from a new instance")


@check(*FRAMES)
def same_bits_threaded(subject: Subject) -> None:
    """Four threads at once give the bits that one gives."""
    bench = subject.bench(masters=True)
    first = _run(subject, bench).arrays
    with ThreadPoolExecutor(4) as pool:
        for found in pool.map(lambda _: _run(subject, bench).arrays, range(4)):
            _same(first, found, "from a thread")


@check(FrameStage, Survey)
def same_bits_chunked(subject: Subject) -> None:
    """Frames one by one, or all at once, give the bits that chunks of 8 give."""
    bench = subject.bench(masters=True)
    first = _run(subject, bench).arrays
    for chunk in (1, 5, len(bench.data)):
        found = try_stage(subject.make(), bench, chunk=chunk).arrays
        _same(first, found, f"with {chunk} frames at a time")


@check(Fold)
def join_adds_up(subject: Subject) -> None:
    """Partial results of two ranges, joined, are what one range gives, to rounding (1e-4 of the largest value)."""
    bench = subject.bench(masters=True)
    two = _run(
        subject,
        bench,
    ).arrays
    one = try_stage(subject.make(), bench, chunk=len(bench.data)).arrays
    for name in sorted({*one, *two}):
        assert name in one and name in two, f"{name!r} is there only for one of them"
        scale = float(np.nanmax(np.abs(one[name].astype(np.float64)), initial=1e-12))
        with np.errstate(invalid="ignore"):
            worst = np.nanmax(np.abs(one[name].astype(np.float64) - two[name]), initial=0.0) / scale
        assert worst < 1e-4, f"{name!r} differs by {worst:.2g} of its largest value"


@check(Fold)
def partial_does_not_grow(subject: Subject) -> None:
    """A partial result holds as many bytes for 32 frames as for 16: a capture may have 30,000."""
    few, many = (_run(subject, subject.bench(frames=count)).partial_bytes for count in (16, 32))
    assert few and many <= 1.5 * few, f"{few} bytes after 16 frames, {many} after 32"


@check(*FRAMES)
def mono_and_colour(subject: Subject) -> None:
    """8 and 16 bit and float frames, colour frames and colour-filter mosaics are taken, or refused in a sentence."""
    for form in FORMS:
        trial = _tried(subject, subject.bench(form, masters=True), f"{form} frames")
        if trial is not None:
            _check_shapes(subject, trial, subject.bench(form), form)


@check(*FRAMES)
def dtype_and_shape(subject: Subject) -> None:
    """What comes out has the declared type and shape, one row a frame, and is not all gaps."""
    bench = subject.bench(masters=True)
    _check_shapes(subject, _run(subject, bench), bench, "mono8")


@check(Survey)
def columns_delivered(subject: Subject) -> None:
    """Every declared column is delivered, and `measure` gives no other but those that begin with "_"."""
    assert issubclass(subject.cls, Survey)
    trial = _run(subject, subject.bench(masters=True))
    gives = set(subject.cls.gives)
    missing = gives - trial.measured - trial.concluded
    assert not missing, f"declared in gives but not delivered: {', '.join(sorted(missing))}"
    extra = {name for name in trial.measured if not name.startswith("_")} - gives
    assert not extra, f"measured but not declared in gives: {', '.join(sorted(extra))}"
    undeclared = trial.concluded - gives - {"kept"}
    assert not undeclared, f"concluded but not declared in gives: {', '.join(sorted(undeclared))}"


@check(*FRAMES)
def nan_pixels(subject: Subject) -> None:
    """NaN in frames or pictures raises nothing but a plain sentence."""
    bench = subject.bench("float", masters=True)
    data = bench.data.copy()
    data[:, 3:6, 4:9] = np.nan
    _tried(subject, bench.with_data(data), "NaN pixels")


@check(*FRAMES)
def black_and_saturated(subject: Subject) -> None:
    """Frames that are all black or all at full scale raise nothing but a plain sentence."""
    bench = subject.bench(masters=True)
    for value in (0, 255):
        _tried(subject, bench.with_data(np.full_like(bench.data, value)), f"all pixels {value}")


@check(*FRAMES)
def one_frame(subject: Subject) -> None:
    """A capture of one single frame works, or is refused in a sentence."""
    bench = subject.bench(masters=True)
    _tried(subject, bench.with_data(bench.data[:1].copy()), "one frame")


@check(Survey, Fold)
def nothing_kept(subject: Subject) -> None:
    """A capture of which no frame is kept is answered by empty columns, no frames, or a sentence."""
    if getattr(subject.cls, "rows", "all") == "kept":
        raise NotApplicable("it measures kept frames only, and is not called when there are none")
    bench = subject.bench(masters=True)
    none = {**bench.columns, "kept": np.zeros(len(bench.data), bool)}
    trial = _tried(subject, replace(bench, columns=none), "no frame kept")
    if trial is not None and issubclass(subject.cls, Fold) and "kept" in getattr(subject.cls, "needs", ()):
        assert not trial.arrays["select"].any(), "select chose frames that are not kept"


@check(*FRAMES)
def no_equipment(subject: Subject) -> None:
    """Without a night file, masters or times the stage works, or refuses in a sentence."""
    bench = subject.bench()
    capture = bench.capture.replace(utc_start=None, frame_interval_s=None, exposure_s=None, target=None, filter=None)
    _tried(subject, replace(bench, capture=capture, night={}, aids={}), "nothing known")


@check(*FRAMES)
def quiet(subject: Subject) -> None:
    """Nothing is printed and nothing warned of; what a person should know goes into notes."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out), warnings.catch_warnings():
        warnings.simplefilter("error")
        _run(subject, subject.bench(masters=True))
    assert not out.getvalue(), f"it printed {out.getvalue()[:80]!r}"


@check(*FRAMES)
def no_traces(subject: Subject) -> None:
    """The working folder, the environment, NumPy's random state and OpenCV's threads are as before."""
    import cv2

    def state() -> dict[str, Any]:
        seen = np.random.get_state(legacy=False)["state"]  # noqa: NPY002 - whether somebody else used it
        return {
            "working folder": Path.cwd(),
            "environment": dict(os.environ),
            "NumPy's global random state": {k: np.asarray(v).tolist() for k, v in dict(seen).items()},
            "OpenCV's threads": cv2.getNumThreads(),
        }

    before = state()
    _run(subject, subject.bench(masters=True))
    after = state()
    changed = [name for name in before if before[name] != after[name]]
    assert not changed, f"it changed {', '.join(changed)}"


@check(*FRAMES)
def notes_in_words(subject: Subject) -> None:
    """Notes are JSON values with one plain sentence each."""
    import json

    from ...work.task import plain

    trial = _run(subject, subject.bench())
    for note in (note for context in trial.contexts for note in context.notes):
        json.dumps(plain(note.value), allow_nan=False)
        assert note.name and note.text.strip(), f"the note {note.name!r} says nothing"


@check(*FRAMES)
def memory_bounded(subject: Subject) -> None:
    """Memory stays within 64 MiB and 60 times the frames in hand as float32, whatever the length of the capture."""
    bench = subject.bench(masters=True)
    _run(subject, bench)  # what is loaded and cached once does not count
    tracemalloc.start()
    try:
        _run(subject, bench)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    limit = 64 * 2**20 + MEMORY * bench.data.size * 4
    assert peak < limit, f"{peak / 2**20:.0f} MiB at the peak, {limit / 2**20:.0f} MiB allowed"


def _run(subject: Subject, bench: Bench, **options: Any) -> Trial:
    return try_stage(subject.make(), bench, **options)


def _tried(subject: Subject, bench: Bench, what: str) -> Trial | None:
    return try_difficult(lambda: _run(subject, bench), what)


def _same(first: dict[str, Any], second: dict[str, Any], how: str) -> None:
    assert set(first) == set(second), f"{how}: {sorted(set(first) ^ set(second))} only once"
    for name, values in first.items():
        other = second[name]
        assert values.dtype == other.dtype and values.shape == other.shape, (
            f"{how}: {name!r} is of another type or shape"
        )
        assert np.array_equal(values, other, equal_nan=values.dtype.kind in "fc"), f"{how}: {name!r} has other bits"


def _check_shapes(subject: Subject, trial: Trial, bench: Bench, form: str) -> None:
    for what, problem in _shape_faults(subject, trial, bench):
        raise AssertionError(f"{form}: {what} {problem}")
    if not trial.made:
        raise NotApplicable("nothing came out")


def _shape_faults(subject: Subject, trial: Trial, bench: Bench) -> Iterator[tuple[str, str]]:
    if issubclass(subject.cls, FrameStage):
        for one in trial.made:
            if one.data.dtype not in NUMBERS:
                yield "frames", f"are {one.data.dtype}; uint8, uint16 or float32 is promised"
        data = trial.arrays["data"]
        if data.shape != bench.data.shape:
            yield "frames", f"have shape {data.shape} for {bench.data.shape}"
        if _all_gaps(data):
            yield "frames", "hold no number any more, only gaps (NaN)"
    elif issubclass(subject.cls, Survey):
        for name, values in trial.arrays.items():
            if values.shape[:1] != (len(bench.data),):
                yield f"column {name!r}", f"has shape {values.shape} for {len(bench.data)} frames"
            if values.dtype.kind not in "biuf":
                yield f"column {name!r}", f"is {values.dtype}; numbers or truth values are promised"
    elif issubclass(subject.cls, (Fold, PictureStage)):
        for name, values in trial.arrays.items():
            if name == "select" or name.endswith("labelled"):
                continue
            if values.dtype != np.float32:
                yield name, f"is {values.dtype}; float32 is promised"
            if not (values.ndim == 2 or (values.ndim == 3 and values.shape[0] == 3)):
                yield name, f"has shape {values.shape}; (h, w) or (3, h, w) is promised"
            if name.rpartition(".")[2] == "data" and _all_gaps(values):
                yield name, "holds no number any more, only gaps (NaN)"


def _all_gaps(values: NDArray[Any]) -> bool:
    return values.size > 0 and values.dtype.kind == "f" and bool(np.isnan(values).all())


def _copy(bench: Bench) -> Bench:
    columns = {name: values.copy() for name, values in bench.columns.items()}
    aids = {role: replace(stack, data=stack.data.copy()) for role, stack in bench.aids.items()}
    return replace(bench, data=bench.data.copy(), columns=columns, aids=aids)
