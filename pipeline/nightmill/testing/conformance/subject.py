"""A stage under test, with what the checks need to know about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from ...artefacts import Stack
from ...plugins import Registry
from ...stage import Stage, Survey
from .bench import Bench, Form, make_bench
from .trial import first_pass

__all__ = ["Subject"]


@dataclass(frozen=True)
class Subject:
    """A stage class, the registry that knows the stages before it, and example files for a source.

    Attributes
    ----------
    cls : type of Stage
    registry : Registry
        Where the stages are found that give the columns which `cls` needs.
    files : tuple of Path
        Recordings that a source can read.
    """

    cls: type[Stage]
    registry: Registry
    files: tuple[Path, ...] = ()
    notes: list[str] = field(default_factory=list, compare=False)

    def make(self, **parameters: Any) -> Stage:
        """Make the stage, some parameters given as they stand in YAML."""
        return self.cls(self.cls.Parameters.model_validate(parameters))

    def bench(self, form: Form = "mono8", *, frames: int = 16, masters: bool = False) -> Bench:
        """Make a bench with the columns that the stage needs, and with masters when asked for."""
        bench = make_bench(form, frames)
        needs = tuple(getattr(self.cls, "needs", ()))
        if needs:
            bench = _with_columns(self.registry_key(), needs, self.cls.name, form, frames, self.registry)
        if masters:
            aids = {role: _master(role, bench) for role in self.cls.aids}
            bench = Bench(bench.capture, bench.data, bench.columns, aids, bench.night)
        return bench

    def registry_key(self) -> int:
        """Tell registries apart."""
        return id(self.registry)


@lru_cache(maxsize=64)
def _surveyed(key: int, names: tuple[str, ...], form: Form, frames: int, stages: tuple[type[Survey], ...]) -> Bench:
    return first_pass([cls() for cls in stages], make_bench(form, frames))


def _with_columns(key: int, needs: Sequence[str], name: str, form: Form, frames: int, registry: Registry) -> Bench:
    """Let the stages that are loaded fill in needed columns; what none gives is invented."""
    stages = _givers(needs, name, registry)
    bench = _surveyed(key, tuple(cls.name for cls in stages), form, frames, tuple(stages))
    columns = dict(bench.columns)
    rng = np.random.default_rng(7)
    for column in needs:
        if column not in columns and column not in ("number", "utc", "kept"):
            columns[column] = rng.uniform(0.2, 0.8, len(bench.data))
    return Bench(bench.capture, bench.data, columns, bench.aids, bench.night)


def _givers(needs: Sequence[str], name: str, registry: Registry) -> list[type[Survey]]:
    """Find survey stages that give these columns, those that they need first."""
    found: list[type[Survey]] = []

    def look(wanted: Sequence[str], above: tuple[str, ...]) -> None:
        for column in wanted:
            if any(column in one.gives for one in found) or column in ("number", "utc", "kept"):
                continue
            for cls in registry.stages.values():
                if issubclass(cls, Survey) and column in cls.gives and cls.name not in (name, *above):
                    look(cls.needs, (*above, cls.name))
                    if cls not in found:
                        found.append(cls)
                    break

    look(needs, (name,))
    return found


def _master(role: str, bench: Bench) -> Stack:
    """Invent a plausible master: a faint even dark, or a flat of 1."""
    capture = bench.capture
    shape = (3, capture.height, capture.width) if capture.planes == 3 else (capture.height, capture.width)
    rng = np.random.default_rng(11)
    level, spread = (0.01, 0.001) if role == "dark" else (1.0, 0.02)
    data = (level + rng.normal(0, spread, shape)).astype(np.float32)
    noise = np.full(shape, spread / 6, np.float32)
    return Stack(data, np.full(shape, 36, np.float32), noise, data, data, {"frames_kept": 36})
