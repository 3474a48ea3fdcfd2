"""Runs the checks on a stage: all with their outcomes, or one by one for a test suite."""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ...foreign import attempt
from ...hooks import Writer
from ...plugins import Registry, load_registry
from ...plugins.blame import fault_of, render
from ...stage import Source, Stage
from . import arrays, declaration, groups, sources, writers  # noqa: F401 - they enter their checks into the list
from .registry import CHECKS, Check, NotApplicable
from .subject import Subject
from .trial import try_stage
from .writers import WriterSubject

__all__ = [
    "Measured",
    "Outcome",
    "check_stage",
    "check_writer",
    "measure_stage",
    "run_checks",
    "stage_checks",
    "writer_checks",
]


@dataclass(frozen=True)
class Outcome:
    """What came of one check: "passed", "failed" or "not applicable", and why."""

    name: str
    state: str
    reason: str = ""


@dataclass(frozen=True)
class Measured:
    """What a stage costs on frames of 64 x 64 pixels, or of the recording given: ms a frame, MiB at the peak."""

    frame_ms: float
    peak_mib: float


class _Bound:
    """A check bound to a stage: call it; its text is its name."""

    def __init__(self, check: Check, subject: Subject | WriterSubject) -> None:
        self._check, self._subject = check, subject
        self.__doc__ = check.promise

    def __call__(self) -> None:
        """Run the check; nothing to check is no failure."""
        try:
            self._check.run(self._subject)
        except NotApplicable:
            return
        except AssertionError as error:
            raise AssertionError(f"{self._check.name}: {error}\n  promised: {self._check.promise}") from error

    def __str__(self) -> str:
        return self._check.name

    __repr__ = __str__


def writer_checks(writer: Writer, *, skip: Sequence[str] = ()) -> list[_Bound]:
    """Return the checks for a writer of picture files, to be called one by one; `skip` as for stages."""
    _check_names(skip)
    fitting = [one for one in CHECKS.values() if Writer in one.kinds and one.name not in skip]
    return [_Bound(one, WriterSubject(writer)) for one in fitting]


def check_writer(writer: Writer, *, skip: Sequence[str] = ()) -> None:
    """Run all checks on a writer; AssertionError lists those that fail."""
    _raise_failed(f"writer {getattr(writer, 'name', type(writer).__name__)!r}", writer_checks(writer, skip=skip))


def stage_checks(
    cls: type[Stage], *, files: Sequence[Path] = (), registry: Registry | None = None, skip: Sequence[str] = ()
) -> list[_Bound]:
    """Return the checks for a stage, to be called one by one.

    Parameters
    ----------
    cls : type of Stage
    files : sequence of Path
        Example recordings, for a source.
    registry : Registry, optional
        Where the stages are found whose columns it needs; all installed plugins by default.
    skip : sequence of str
        Names of checks to leave out; say why beside it.
    """
    _check_names(skip)
    subject = Subject(cls, registry if registry is not None else load_registry(), tuple(map(Path, files)))
    fitting = [one for one in CHECKS.values() if issubclass(cls, one.kinds) and one.name not in skip]
    return [_Bound(one, subject) for one in fitting]


def run_checks(
    what: type[Stage] | Writer, *, files: Sequence[Path] = (), registry: Registry | None = None
) -> list[Outcome]:
    """Run all checks on a stage, or on a writer, and return every outcome."""
    if isinstance(what, Writer):
        return [_outcome(bound) for bound in writer_checks(what)]
    return [_outcome(bound) for bound in stage_checks(what, files=files, registry=registry)]


def check_stage(
    cls: type[Stage], *, files: Sequence[Path] = (), registry: Registry | None = None, skip: Sequence[str] = ()
) -> None:
    """Run all checks on a stage; AssertionError lists those that fail."""
    bounds = stage_checks(cls, files=files, registry=registry, skip=skip)
    _raise_failed(f"stage {getattr(cls, 'name', cls.__name__)!r}", bounds)


def _check_names(skip: Sequence[str]) -> None:
    unknown = set(skip) - set(CHECKS)
    if unknown:
        raise ValueError(f"there is no check {', '.join(sorted(unknown))}; there is {', '.join(CHECKS)}")


def _raise_failed(who: str, bounds: Sequence[_Bound]) -> None:
    failed = [one for one in map(_outcome, bounds) if one.state == "failed"]
    if failed:
        listed = "\n".join(f"  {one.name}: {one.reason}" for one in failed)
        raise AssertionError(f"{who} fails {len(failed)} checks:\n{listed}")


def measure_stage(cls: type[Stage], *, files: Sequence[Path] = (), registry: Registry | None = None) -> Measured | None:
    """Measure time and memory a frame; None for a source without a recording to read."""
    if issubclass(cls, Source):
        return _measure_source(cls, files[0]) if files else None
    subject = Subject(cls, registry if registry is not None else load_registry())
    bench = subject.bench(masters=True)
    best = float("inf")
    for _ in range(3):
        began = time.perf_counter()
        try_stage(subject.make(), bench)
        best = min(best, time.perf_counter() - began)
    tracemalloc.start()
    try:
        try_stage(subject.make(), bench)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    return Measured(1000 * best / len(bench.data), peak / 2**20)


def _measure_source(cls: type[Source], path: Path) -> Measured:
    source = cls()
    try:
        capture = source.open(path)
        count = min(64, capture.frames)
        began = time.perf_counter()
        source.read(capture, 0, count)
        spent = time.perf_counter() - began
        tracemalloc.start()
        source.read(capture, 0, count)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
        source.close()
    return Measured(1000 * spent / count, peak / 2**20)


def _outcome(bound: _Bound) -> Outcome:
    """Run one check. Foreign code is called here: whatever it raises is a failure of that check alone."""
    name = str(bound)
    error = attempt(lambda: bound._check.run(bound._subject)).error
    if error is None:
        return Outcome(name, "passed")
    if isinstance(error, NotApplicable):
        return Outcome(name, "not applicable", str(error))
    if isinstance(error, AssertionError):
        return Outcome(name, "failed", str(error))
    return Outcome(name, "failed", render([fault_of(error)]))
