"""Runs the checks on a stage: all with their outcomes, or one by one for a test suite."""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ...blame import fault_of, render
from ...foreign import attempt
from ...plugins import Registry, load_registry
from ...stage import Source, Stage
from . import arrays, declaration, sources  # noqa: F401 - they enter their checks into the list
from .registry import CHECKS, Check, NotApplicable
from .subject import Subject
from .trial import try_stage

__all__ = ["Measured", "Outcome", "check_stage", "measure_stage", "run_checks", "stage_checks"]


@dataclass(frozen=True)
class Outcome:
    """What came of one check: "passed", "failed" or "not applicable", and why."""

    name: str
    state: str
    reason: str = ""


@dataclass(frozen=True)
class Measured:
    """What a stage costs on frames of 64 x 64 pixels: milliseconds a frame, and MiB at the peak."""

    frame_ms: float
    peak_mib: float


class _Bound:
    """A check bound to a stage: call it; its text is its name."""

    def __init__(self, check: Check, subject: Subject) -> None:
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
    unknown = set(skip) - set(CHECKS)
    if unknown:
        raise ValueError(f"there is no check {', '.join(sorted(unknown))}; there is {', '.join(CHECKS)}")
    subject = Subject(cls, registry if registry is not None else load_registry(), tuple(map(Path, files)))
    fitting = [one for one in CHECKS.values() if issubclass(cls, one.kinds) and one.name not in skip]
    return [_Bound(one, subject) for one in fitting]


def run_checks(cls: type[Stage], *, files: Sequence[Path] = (), registry: Registry | None = None) -> list[Outcome]:
    """Run all checks on a stage and return every outcome."""
    return [_outcome(bound) for bound in stage_checks(cls, files=files, registry=registry)]


def check_stage(
    cls: type[Stage], *, files: Sequence[Path] = (), registry: Registry | None = None, skip: Sequence[str] = ()
) -> None:
    """Run all checks on a stage; AssertionError lists those that fail."""
    bounds = stage_checks(cls, files=files, registry=registry, skip=skip)
    failed = [one for one in map(_outcome, bounds) if one.state == "failed"]
    if failed:
        listed = "\n".join(f"  {one.name}: {one.reason}" for one in failed)
        raise AssertionError(f"stage {getattr(cls, 'name', cls.__name__)!r} fails {len(failed)} checks:\n{listed}")


def measure_stage(cls: type[Stage], *, registry: Registry | None = None) -> Measured | None:
    """Measure time and memory a frame; None for sources, whose files decide."""
    if issubclass(cls, Source):
        return None
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
