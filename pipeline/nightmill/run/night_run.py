"""The driving process of a run: what is done next, what is tried again, what is set aside, what the user is shown."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from ..errors import MachineError
from ..files import write_json
from ..journal import Journal
from ..plan import Plan, Step
from ..store import DamagedError
from .engines import DaskEngine, Engine, SerialEngine
from .interrupt import InterruptedRunError, Watch
from .inventory import Inventory, SetAside
from .lock import hold
from .observers import Observers
from .progress import Progress
from .publish import Shelf
from .remember import save_memory
from .session import Session, prepare
from .showing import Showing
from .states import Board, Status
from .summary import capture_outcome, summarise

__all__ = ["Options", "Result", "run_night"]

TRIES = {"transient": 3, "memory": 2, "damaged": 4}
"""How often a task is tried for each kind of failure; every other kind is final."""

SUMMARY_SECONDS = 1.0
SAME_FAULT_LIMIT = 5


@dataclass(frozen=True)
class Options:
    """How to run.

    Attributes
    ----------
    recipe : str or None
        One recipe for every capture.
    using : {"processes", "threads", "serial"}
        Workers of this machine's own.
    workers : int or None
        How many; by default one a core.
    memory_bytes : int or None
        Limit of all workers together.
    scheduler : str or None
        Address of a Dask scheduler to use instead.
    plugins : tuple of str
        Single-file plugins.
    locked : bool
        Use only frozen recipes with the versions they were frozen with.
    ignore_space : bool
        Start although the disk seems too small.
    """

    recipe: str | None = None
    using: Literal["processes", "threads", "serial"] = "processes"
    workers: int | None = None
    memory_bytes: int | None = None
    scheduler: str | None = None
    plugins: tuple[str, ...] = ()
    locked: bool = False
    ignore_space: bool = False


@dataclass
class Result:
    """What came of a run: the summary (as in night.json) and the exit code."""

    summary: dict[str, Any]
    exit_code: int
    out: Path


def run_night(folder: Path, out: Path | None, options: Options, progress: Progress) -> Result:
    """Process a night.

    Parameters
    ----------
    folder : Path
        The night.
    out : Path or None
        Output folder; by default beside the night.
    options : Options
    progress : Progress
        Shows what goes on.

    Raises
    ------
    NightmillError
        With the exit code that goes with it; everything finished before then is kept and used again.
    """
    session = prepare(folder, out=out, recipe=options.recipe, plugins=options.plugins, locked=options.locked)
    with hold(session.store.root):
        session.store.sweep()
        observers = Observers(session.registry)
        journal = Journal(session.out / "journal.jsonl", observers.event)
        observers.started(session.night.folder, session.out)
        driver = _Driver(session, options, journal, progress)
        try:
            return driver.run(observers)
        finally:
            session.index.save()
            journal.close()


@dataclass
class _Driver:
    session: Session
    options: Options
    journal: Journal
    progress: Progress
    engine: Engine | None = None
    inventory: Inventory = field(default_factory=Inventory)
    tries: dict[str, int] = field(default_factory=dict)
    faults: dict[str, int] = field(default_factory=dict)
    suspects: list[str] = field(default_factory=list)
    alone: str | None = None
    written: float = 0.0
    plan: Plan = field(default_factory=Plan)
    board: Board = field(init=False)
    shelf: Shelf = field(init=False)
    showing: Showing = field(init=False)
    shown: set[int] = field(default_factory=set)
    settled: set[str] = field(default_factory=set)

    def run(self, observers: Observers) -> Result:
        """Take the inventory, work, publish, sum up."""
        began = time.monotonic()
        self.shelf = Shelf(self.session.out, self.session.store)
        self.showing = Showing(self.session, self.journal)
        self.journal.event("run started", night=str(self.session.night.folder), out=str(self.session.out))
        state = "failed"
        at_once = True
        with Watch() as watch:
            try:
                self.progress.opening()
                self.inventory, self.plan, self.board = self.session.survey(self._open)
                for one in self.inventory.set_aside:
                    self._tell_set_aside(one)
                self._check_space()
                self.progress.begin(self.plan, len(self.inventory.set_aside))
                self.board.want(self.plan.goals)
                self._look_around()
                self._work(watch)
                state, at_once = "finished", False
            except InterruptedRunError:
                state, at_once = "interrupted", watch.twice
                raise
            finally:
                self._close(at_once=at_once)
                if hasattr(self, "board"):
                    summary = self._write_summary(state)
                    self._remember()
                    self.progress.end()
                    self.journal.event(f"run {state}", seconds=round(time.monotonic() - began, 2), **summary["counts"])
                    observers.finished(self.session.out, summary)
        bad = any(one["status"] == "set_aside" for one in (*summary["captures"], *summary["masters"]))
        return Result(summary, 1 if bad else 0, self.session.out)

    def _engine(self) -> Engine:
        """Start the workers when the first task needs them: a run with nothing to do starts none."""
        if self.engine is None:
            options = self.options
            if options.using == "serial" and options.scheduler is None:
                self.engine = SerialEngine()
            else:
                self.engine = DaskEngine(
                    workers=options.workers,
                    threads=options.using == "threads",
                    memory_bytes=options.memory_bytes,
                    scheduler=options.scheduler,
                    scratch=str(self.session.store.root / "scratch"),
                )
        return self.engine

    def _close(self, *, at_once: bool) -> None:
        if self.engine is not None:
            self.engine.close(at_once=at_once)
        shutil.rmtree(self.session.store.root / "scratch", ignore_errors=True)

    def _open(self, tasks: list[tuple[str, dict[str, Any]]]) -> Iterable[tuple[str, dict[str, Any]]]:
        """Open recordings on the workers, a window at a time."""
        waiting = list(tasks)[::-1]
        running = 0
        while waiting or running:
            engine = self._engine()
            while waiting and running < engine.window:
                engine.submit(*waiting.pop())
                running += 1
            for name, outcome in engine.wait(1.0):
                running -= 1
                yield name, outcome
        self.session.index.save()

    def _work(self, watch: Watch) -> None:
        """Keep the window full until nothing is left to do."""
        running = 0
        while True:
            watch.check()
            while step := self._next(running):
                self._engine().submit(step.id, self._task(step))
                running += 1
            if running == 0:
                break
            for name, outcome in self._engine().wait(0.5):
                running -= 1
                self._settle(self.plan.steps[name], outcome)
                self._look_around()
            self.progress.tick(self._working())
        stuck = [goal for goal in self.plan.goals if self.board.of(goal) not in (Status.THERE, Status.FAILED)]
        if stuck:
            raise MachineError(f"nothing is left to do, yet {len(stuck)} products are missing; first: {stuck[0]}")

    def _next(self, running: int) -> Step | None:
        """Choose the next task to hand over, if there is room.

        When a worker process dies, every task that it held is suspect. Suspects are tried again one at a time, with
        nothing beside them, so that only the guilty one is blamed.
        """
        if self.suspects:
            if running:
                return None
            self.alone = self.suspects.pop(0)
            return self.plan.steps[self.alone]
        if self.alone is not None and running:
            return None
        self.alone = None
        return self.board.next() if running < (self.engine.window if self.engine else 1) else None

    def _task(self, step: Step) -> dict[str, Any]:
        return {
            "action": step.action,
            "title": step.title,
            "key": self.board.key(step.id) or "",
            "content": step.content,
            "carry": step.carry,
            "inputs": self.board.inputs(step),
            "store": str(self.session.store.root),
            "plugins": list(self.session.plugins),
        }

    def _settle(self, step: Step, outcome: dict[str, Any]) -> None:
        """Take in what came of a task."""
        spent = {"seconds": outcome["seconds"], "peak_mb": outcome["peak_mb"]}
        if outcome["ok"]:
            self.journal.event("step done", step=step.id, title=step.title, **spent)
            if step.action == "fingerprint":
                self._note_sum(step, outcome["meta"]["sha256"])
            else:
                self.board.done(step.id)
                self._drop_parts(step)
            return
        self.journal.event(
            "step failed",
            step=step.id,
            title=step.title,
            **spent,
            **{key: outcome.get(key) for key in ("kind", "reason", "trace")},
        )
        kind = outcome["kind"]
        if kind in ("disk", "machine"):
            raise MachineError(f"{outcome['reason']}; put it right and give the same command again to go on")
        if kind == "died" and step.id != self.alone:
            self.suspects.append(step.id)
            return
        self.tries[step.id] = self.tries.get(step.id, 0) + 1
        if self.tries[step.id] < TRIES.get(kind, 1):
            if kind == "damaged":
                self._heal(step, outcome["damaged"])
            else:
                time.sleep(0.2 * 4 ** (self.tries[step.id] - 1))
            self.board.again(step.id)
            return
        self._check_same_fault(outcome)
        self.board.failed(step.id, outcome["reason"])

    def _note_sum(self, step: Step, sha256: str) -> None:
        """Keep a fingerprint for the next run, if the recording is still as it was when it was opened."""
        path, file = Path(step.carry["path"]), step.carry["file"]
        if self.session.index.get(file, path, "capture") is None:
            self.board.failed(step.id, "it changed while it was read; run again once it is complete")
            return
        from .index import stamp

        self.session.index.put(file, stamp(path), "sha256", sha256)
        self.session.index.save()
        self.board.done(step.id, sha256)

    def _heal(self, step: Step, key: str) -> None:
        """Throw a damaged product away and have it made again."""
        self.session.store.discard(key)
        for need in step.inputs:
            if self.board.of(need.step) is Status.THERE and self.board.key(need.step) == key:
                self.board.lost(need.step)

    def _drop_parts(self, step: Step) -> None:
        """Free the partial sums of a fold: they are large, and the stack is there."""
        if step.action == "finish":
            for need in step.inputs:
                if need.role.startswith("part:"):
                    self.session.store.discard(self.board.key(need.step) or "")

    def _check_same_fault(self, outcome: dict[str, Any]) -> None:
        """Stop early when one stage fails for every capture: the night would only fail a hundred times."""
        if outcome["kind"] != "stage":
            return
        stage = outcome.get("stage", "")
        self.faults[stage] = self.faults.get(stage, 0) + 1
        done = any(capture_outcome(i, self.plan, self.board)[0] == "done" for i in range(len(self.plan.chains)))
        if self.faults[stage] >= SAME_FAULT_LIMIT and not done:
            raise MachineError(
                f"stage {stage!r} failed for each of the first {SAME_FAULT_LIMIT} captures, so the rest was not "
                f"tried; the last reason: {outcome['reason']} (tracebacks are in the journal)"
            )

    def _look_around(self) -> None:
        """Publish what has become ready, tell what is finished, keep the summary up to date."""
        for index, chain in enumerate(self.plan.chains):
            if index in self.shown:
                continue
            self._publish(chain.file, {"stack.fits": f"stacks/{chain.name}.fits"})
            status, reason = capture_outcome(index, self.plan, self.board)
            if status in ("done", "set_aside"):
                self.shown.add(index)
                if reason is None:
                    self.progress.done(index)
                else:
                    self._tell_set_aside(SetAside(chain.capture.file, reason))
        for picture in self.plan.pictures:
            self._publish(picture.step, None)
        if time.monotonic() - self.written > SUMMARY_SECONDS:
            self._write_summary("running")

    def _publish(self, step: str, files: dict[str, str] | None) -> None:
        if step in self.settled or self.board.of(step) is not Status.THERE:
            return
        key = self.board.key(step) or ""
        try:
            if files is None:
                listed = self.session.store.meta(key)["listed"]
                files = {name: f"pictures/{name}" for one in listed for name in one["files"]}
                self.progress.pictures([f"pictures/{_preferred(one['files'])}" for one in listed])
            self.shelf.put(key, files)
        except DamagedError:
            self.session.store.discard(key)
            self.board.lost(step)
            return
        except OSError as error:
            raise MachineError(f"cannot write into {self.session.out}: {error.strerror or error}") from error
        self.settled.add(step)
        self.journal.event("published", files=list(files.values()))

    def _tell_set_aside(self, one: SetAside) -> None:
        self.journal.event("set aside", file=one.file, reason=one.reason, trace=one.trace)
        self.progress.set_aside(one.file, one.reason)

    def _working(self) -> list[str]:
        return [step.title for step in self.plan.steps.values() if self.board.of(step.id) is Status.RUNNING]

    def _check_space(self) -> None:
        from ..plan.space import bytes_needed

        need = bytes_needed(self.plan, lambda step: self.session.store.has(self.board.key(step) or ""))
        free = shutil.disk_usage(self.session.store.root).free
        self.journal.event("space", needed=need, free=free)
        if need > free and not self.options.ignore_space:
            raise MachineError(
                f"the output needs about {need / 1e9:.1f} GB and {free / 1e9:.1f} GB are free on its disk; free some, "
                f"give another --out, or go on all the same with --ignore-space"
            )

    def _remember(self) -> None:
        """Keep what the products were made from, for telling later why they are made again."""
        try:
            save_memory(self.session.store.root, self.plan, self.board)
        except OSError as error:
            self.journal.event("not remembered", reason=str(error))  # costs reasons only, and the disk may be full

    def _write_summary(self, state: str) -> dict[str, Any]:
        summary = summarise(self.plan, self.board, self.session.store, self.inventory.set_aside, state)
        try:
            write_json(self.session.out / "night.json", summary)
            self.showing.write(summary, self.plan, self.board)
        except OSError as error:
            raise MachineError(f"cannot write into {self.session.out}: {error.strerror or error}") from error
        self.written = time.monotonic()
        return summary


def _preferred(files: list[str]) -> str:
    """Name the file of a picture that a person would open first."""
    return next((file for file in files if file.endswith(".png")), files[0] if files else "")
