"""Runs one stage on a bench, the way the engine would, and returns everything that came of it as plain arrays."""

from __future__ import annotations

import copy
import tempfile
import warnings
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...artefacts import Capture, FrameTable, Picture, Stack
from ...errors import CaptureError
from ...foreign import attempt
from ...stage import Context, Fold, FrameStage, PictureStage, Stage, Survey
from ...work.states import load_state, save_state
from ...work.tables import spread
from .bench import Bench

__all__ = ["Trial", "first_pass", "try_group", "try_stage"]

Arrays = dict[str, NDArray[Any]]


class Trial:
    """What came of a stage.

    Attributes
    ----------
    arrays : dict of str to ndarray
        Its product.
    contexts : list of Context
        With the notes that it left.
    measured, concluded : set of str
        Columns of a survey.
    partial_bytes : int
        Size of the largest partial result of a fold.
    handed : dict of str to (ndarray, ndarray)
        Arrays of the picture that was handed over, each with a copy from before.
    """

    def __init__(self) -> None:
        self.arrays: Arrays = {}
        self.contexts: list[Context] = []
        self.measured: set[str] = set()
        self.concluded: set[str] = set()
        self.partial_bytes = 0
        self.made: list[Any] = []
        self.handed: dict[str, tuple[NDArray[Any], NDArray[Any]]] = {}


def try_stage(stage: Stage, bench: Bench, *, chunk: int = 8) -> Trial:
    """Run a stage of any kind but a source.

    Parameters
    ----------
    stage : Stage
    bench : Bench
    chunk : int
        Frames that are handed over at a time.
    """
    trial = Trial()
    if isinstance(stage, FrameStage):
        _frame(stage, bench, chunk, trial)
    elif isinstance(stage, Survey):
        _survey(stage, bench, chunk, trial)
    elif isinstance(stage, Fold):
        _fold(stage, bench, chunk, trial)
    elif isinstance(stage, PictureStage):
        _picture(stage, bench, trial)
    else:
        raise TypeError(f"{type(stage).__name__} is of no kind that can be tried on frames")
    return trial


def first_pass(stages: Sequence[Survey], bench: Bench) -> Bench:
    """Let survey stages fill in the columns that a later one needs."""
    for stage in stages:
        trial = try_stage(stage, bench)
        bench = Bench(bench.capture, bench.data, {**bench.columns, **trial.arrays}, bench.aids, bench.night)
    return bench


def _context(stage: Stage, bench: Bench, trial: Trial, captures: tuple[Capture, ...] | None = None) -> Context:
    # Only what it declares: a stage that reads more of the night would not be made anew when that changes.
    night = {name: dict(bench.night.get(name, {})) for name in stage.uses}
    context = Context(captures=captures or (bench.capture,), night=night)
    context.aids = {role: bench.aids[role] for role in stage.aids if role in bench.aids}
    trial.contexts.append(context)
    return context


def _chunks(bench: Bench, chunk: int, mask: NDArray[np.bool_] | None = None) -> list[NDArray[np.int64]]:
    numbers = np.arange(len(bench.data), dtype=np.int64)
    parts = [numbers[start : start + chunk] for start in range(0, len(numbers), chunk)]
    chosen = parts if mask is None else [part[mask[part]] for part in parts]
    return [part for part in chosen if len(part)]


def _stored(state: Mapping[str, Any]) -> dict[str, Any]:
    """Hand a state through the disk, as it goes from one process to another."""
    if not state:
        return {}
    with tempfile.TemporaryDirectory() as folder:
        save_state(Path(folder) / "state", state)
        return load_state(Path(folder) / "state")


def _frame(stage: FrameStage, bench: Bench, chunk: int, trial: Trial) -> None:
    context = _context(stage, bench, trial)
    context.state = stage.prepare(context)
    made = [stage.apply(bench.frames(numbers), context) for numbers in _chunks(bench, chunk)]
    trial.made = made
    trial.arrays = {"data": np.concatenate([np.asarray(one.data) for one in made])}


def _survey(stage: Survey, bench: Bench, chunk: int, trial: Trial) -> None:
    table = bench.table()
    ready = _context(stage, bench, trial)
    ready.reader = bench.frames
    state = _stored(stage.prepare(table, ready))
    context = _context(stage, bench, trial)
    context.state = state
    mask = np.asarray(table["kept"], bool) if stage.rows == "kept" else None
    wanted = stage.select(table, context)
    if wanted is not None:
        mask = np.asarray(wanted, bool) if mask is None else mask & np.asarray(wanted, bool)
    parts: list[tuple[NDArray[np.int64], Arrays]] = []
    for numbers in _chunks(bench, chunk, mask):
        found = stage.measure(bench.frames(numbers), table.take(numbers), context)
        parts.append((numbers, {name: np.asarray(values) for name, values in found.items()}))
    trial.made = parts
    columns: Arrays = {}
    for name in parts[0][1] if parts else ():
        values = np.concatenate([part[name] for _, part in parts])
        columns[name] = spread(values, np.concatenate([n for n, _ in parts]), table.rows, table.get(name))
    after = _context(stage, bench, trial)
    after.state = state
    concluded = dict(FrameTable(stage.conclude(table.with_columns(columns), after)))
    trial.measured, trial.concluded = set(columns), set(concluded)
    trial.arrays = {n: v for n, v in {**columns, **concluded}.items() if not n.startswith("_")}


def _fold(stage: Fold, bench: Bench, chunk: int, trial: Trial) -> None:
    table = bench.table()
    ready = _context(stage, bench, trial)
    ready.reader = bench.frames
    state = _stored(stage.prepare(table, ready))
    context = _context(stage, bench, trial)
    context.state = state
    mask = np.asarray(stage.select(table, context), bool)
    chunks = _chunks(bench, chunk, mask)
    # Two ranges that join, as two workers would do it.
    halves = [chunks[: -(-len(chunks) // 2)], chunks[-(-len(chunks) // 2) :]]
    partials = [_folded(stage, bench, part, table, context) for part in halves if part]
    trial.arrays = {"select": mask}
    if not partials:
        return
    trial.partial_bytes = max(sum(np.asarray(v).nbytes for v in one.values()) for one in partials)
    joined = partials[0] if len(partials) == 1 else stage.join(*partials)
    stack = stage.finish(joined, table, context)
    trial.made = [stack]
    trial.arrays |= _stack_arrays(stack)


def _folded(stage: Fold, bench: Bench, chunks: Sequence[Any], table: FrameTable, context: Context) -> Arrays:
    partial: Arrays | None = None
    for numbers in chunks:
        partial = stage.fold(partial, bench.frames(numbers), table.take(numbers), context)
    return dict(partial or {})


def _stack_arrays(stack: Stack) -> Arrays:
    return {"data": np.asarray(stack.data), **{name: np.asarray(values) for name, values in stack.layers()}}


def _picture(stage: PictureStage, bench: Bench, trial: Trial) -> None:
    picture = bench.picture()
    for name in ("data", "noise", "weight", "half_a", "half_b"):
        array = getattr(picture, name)
        trial.handed[name] = (array, array.copy())
        array.flags.writeable = bench.data.flags.writeable
    groups = stage.group([(bench.capture,)])
    if groups != [[0]] and not (stage.adds and not groups):
        raise AssertionError(f"group gave {groups!r} for a single capture; every capture belongs to one group: [[0]]")
    _develop(stage, [picture], _context(stage, bench, trial), trial)


def try_group(
    stage: PictureStage,
    bench: Bench,
    pictures: Sequence[Picture],
    consulted: tuple[tuple[Capture, Picture | None], ...] = (),
) -> Trial:
    """Run a picture stage on a group of pictures."""
    trial = Trial()
    captures = tuple(capture for picture in pictures for capture in picture.captures)
    context = _context(stage, bench, trial, captures)
    context.consulted = consulted
    _develop(stage, pictures, context, trial)
    return trial


class _Members(Sequence[Picture]):
    """Hands out a copy each time it is asked, as a group that lies on disk does."""

    def __init__(self, pictures: Sequence[Picture]) -> None:
        self._pictures = list(pictures)

    def __len__(self) -> int:
        return len(self._pictures)

    def __getitem__(self, index: Any) -> Any:
        found = self._pictures[index]
        return copy.deepcopy(found) if isinstance(found, Picture) else _Members(found)


def _develop(stage: PictureStage, pictures: Sequence[Picture], context: Context, trial: Trial) -> None:
    given: Any = _Members(pictures) if stage.streams else list(pictures)
    made = stage.develop(given, context)
    trial.made = [made] if isinstance(made, Picture) else list(made)
    for index, one in enumerate(trial.made):
        trial.arrays[f"{index}.data"] = np.asarray(one.data)
        for name in ("noise", "weight", "half_a", "half_b", "labelled"):
            if getattr(one, name) is not None:
                trial.arrays[f"{index}.{name}"] = np.asarray(getattr(one, name))


def try_difficult(trial: Callable[[], Trial], what: str) -> Trial | None:
    """Try a stage on difficult input; a plain sentence (CaptureError) is a good answer, any other error is not."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        tried = attempt(trial)
    error = tried.error
    if isinstance(error, CaptureError):
        assert str(error).strip(), f"{what}: CaptureError without a sentence"
        return None
    if error is not None and not isinstance(error, AssertionError):
        raise AssertionError(f"{what}: {type(error).__name__}: {error}; raise CaptureError with a sentence") from error
    return tried.value
