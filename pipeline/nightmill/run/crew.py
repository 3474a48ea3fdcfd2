"""The workers of a run: hired when the first task needs them, kept busy, watched, let go."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ..plan import Plan, Step
from .engines import DaskEngine, Engine, SerialEngine
from .memory import share_memory
from .options import Options
from .preflight import check_workers
from .states import Board

__all__ = ["Crew"]

Outcome = dict[str, Any]

SHORT = ("publish", "publish_master", "publish_stack", "sheet", "preview")
"""Actions that are over soon: beside them a processor counts as free."""


@dataclass
class Crew:
    """Hands tasks to an engine and takes their outcomes back.

    Attributes
    ----------
    options : Options
    scratch : Path
        Folder for the engine's own files.
    store, night : Path
        Folders that every worker of a cluster must see.
    plugins : tuple of str
        Single-file plugins, for the same check.
    """

    options: Options
    scratch: Path
    store: Path
    night: Path
    plugins: tuple[str, ...] = ()
    began: dict[str, float] = field(default_factory=dict)
    suspects: list[str] = field(default_factory=list)
    alone: str | None = None
    hung: set[str] = field(default_factory=set)
    stale: bool = False
    workers: frozenset[str] = frozenset()
    _engine: Engine | None = None

    def engine(self) -> Engine:
        """Return the engine, starting it for the first task: a run with nothing to do starts none."""
        if self._engine is None:
            options = self.options
            if options.using == "serial" and options.scheduler is None:
                self._engine = SerialEngine()
                return self._engine
            self._engine = engine = DaskEngine(
                workers=options.workers,
                threads=options.using == "threads",
                memory_bytes=options.memory_bytes,
                scheduler=options.scheduler,
                tls=options.tls,
                scratch=str(self.scratch),
            )
            if options.scheduler is not None:
                check_workers(engine.ask_workers, self.night, self.store, self.plugins)
        return self._engine

    @property
    def room(self) -> int | None:
        """Bytes of memory that one task may use; None where nobody says."""
        options = self.options
        if options.scheduler is not None:
            return self.engine().room
        alone = options.using == "serial"
        return share_memory(1 if alone else options.workers, options.memory_bytes)[1]

    def open(self, tasks: list[tuple[str, dict[str, Any]]]) -> Iterable[tuple[str, Outcome]]:
        """Do tasks that no plan knows yet (opening recordings), a window at a time."""
        waiting = list(tasks)[::-1]
        again: list[tuple[str, dict[str, Any]]] = []
        by_name = dict(tasks)
        running = 0
        while waiting or running or again:
            engine = self.engine()
            while waiting and running < engine.window:
                engine.submit(*waiting.pop())
                running += 1
            if not running and again:
                # A process died while it held these: one at a time shows which of them it was.
                engine.submit(*again.pop())
                running += 1
                ((name, outcome),) = self._one(engine)
                running -= 1
                yield name, outcome
                continue
            for name, outcome in engine.wait(1.0):
                running -= 1
                if outcome.get("kind") == "died":
                    again.append((name, by_name[name]))
                else:
                    yield name, outcome

    def fill(self, board: Board, plan: Plan, make: Callable[[Step], dict[str, Any] | None]) -> None:
        """Hand over tasks while there is room; a step that `make` returns None for is settled without one."""
        tasks = []
        while (step := self._next(board, plan)) is not None:
            task = make(step)
            if task is None:
                continue
            self.engine()
            self.began[step.id] = time.monotonic()
            tasks.append((step.id, task))
        for name, task in tasks:
            threads = self._threads(plan)
            self.engine().submit(name, task if threads == 1 else {**task, "threads": threads})

    def wait(self) -> list[tuple[str, Outcome]]:
        """Return outcomes; a task that hangs is ended, and one whose worker died is told as such only when proved."""
        if not self.began:
            return []
        settled = []
        for name, outcome in self.engine().wait(0.5):
            del self.began[name]
            if outcome.get("kind") == "died":
                if name in self.hung:
                    words = f"it showed no end after {_span(self.options.patience_s)} and was stopped"
                    outcome = {**outcome, "kind": "hung", "reason": words}
                elif name != self.alone:
                    self.suspects.append(name)
                    continue
            elif outcome.get("kind") == "memory" and name != self.alone:
                # What others left behind may be to blame: once more, alone and in a fresh process.
                self.suspects.append(name)
                self.stale = True
                continue
            settled.append((name, outcome))
        self._end_hanging()
        return settled

    @property
    def busy(self) -> bool:
        """Whether tasks are in hand, or wait for their trial alone."""
        return bool(self.began or self.suspects)

    def close(self, *, at_once: bool) -> None:
        """Let the workers go."""
        if self._engine is not None:
            self._engine.close(at_once=at_once)
            self._engine = None
        shutil.rmtree(self.scratch, ignore_errors=True)

    def _next(self, board: Board, plan: Plan) -> Step | None:
        """Choose the next task to hand over, if there is room.

        When a worker process dies, every task that it held is suspect. Suspects are tried again one at a time, with
        nothing beside them, so that only the guilty one is blamed.
        """
        running = len(self.began)
        if self.suspects:
            if running:
                return None
            if self.stale:
                self.engine().renew()
                self.stale = False
            self.alone = self.suspects.pop(0)
            return plan.steps[self.alone]
        if self.alone is not None and running:
            return None
        self.alone = None
        return board.next() if running < (self._engine.window if self._engine else 1) else None

    def _threads(self, plan: Plan) -> int:
        """Return how many processors a task may use: all that those in hand leave idle."""
        long = sum(plan.steps[name].action not in SHORT for name in self.began)
        return max(self.engine().processors // max(long, 1), 1)

    def _one(self, engine: Engine) -> list[tuple[str, Outcome]]:
        while True:
            done = engine.wait(1.0)
            if done:
                return done

    def _end_hanging(self) -> None:
        """End the task that has been in hand longest, when that is too long."""
        workers = self.engine().workers() if self.began else self.workers
        if workers != self.workers:
            # A process that starts anew takes its time, on a crowded machine a long time: that is no task's fault.
            self.workers = workers
            self.began = dict.fromkeys(self.began, time.monotonic())
        name, began = min(self.began.items(), key=lambda item: item[1], default=("", 0.0))
        if not name or time.monotonic() - began <= self.options.patience_s or not self.engine().end(name):
            return
        self.hung.add(name)
        # Others may have waited behind it on the same worker: their time begins anew.
        self.began = dict.fromkeys(self.began, time.monotonic())


def _span(seconds: float) -> str:
    return f"{seconds / 60:.0f} minutes" if seconds >= 120 else f"{seconds:.0f} seconds"
