"""Works a plan through: what is tried again, what is set aside, what is published and told."""

from __future__ import annotations

import shutil
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ..errors import MachineError
from ..files import write_json
from ..journal import Journal
from ..plan import Plan, Step
from ..plan.space import bytes_needed
from ..store import DamagedError
from ..telling import size
from .crew import Crew
from .index import stamp
from .interrupt import Watch
from .inventory import Inventory, SetAside
from .options import Options
from .progress import Progress
from .publish import Shelf
from .remember import save_memory
from .session import Session
from .showing import Showing
from .states import Board, Status
from .summary import capture_outcome, files_of, shelf_of, summarise

__all__ = ["Driver"]

TRIES = {"transient": 3, "damaged": 4}
"""How often a task is tried for each kind of failure; every other kind is final (see also `Crew`)."""

COURTESIES = ("sheet", "preview")
"""Steps for the report alone: their faults set nothing aside and stop nothing."""

SUMMARY_SHARE = 0.05
"""Of the driving process's time, at most, goes into keeping the summary up to date: it grows with the night."""

INDEX_SECONDS = 5.0
"""Sums of small recordings are written down so often, or hundreds of files would be slowed by the disk."""

WORTH_SECONDS = 0.2
"""A sum that took longer than this is written down at once."""

SAME_FAULT_LIMIT = 5


@dataclass
class Driver:
    """Works through one plan; the next plan of the same night (when following) gets a driver of its own."""

    session: Session
    options: Options
    journal: Journal
    progress: Progress
    crew: Crew
    shelf: Shelf
    showing: Showing
    inventory: Inventory
    plan: Plan
    board: Board
    tries: dict[str, int] = field(default_factory=dict)
    faults: dict[tuple[str, str], set[int]] = field(default_factory=dict)
    passed: set[tuple[str, str]] = field(default_factory=set)
    written: float = 0.0
    pause: float = 1.0
    saved: float = 0.0
    open_captures: set[int] = field(default_factory=set)
    open_pictures: set[str] = field(default_factory=set)
    touched: set[int] = field(default_factory=set)
    running: dict[str, str] = field(default_factory=dict)

    def work(self, watch: Watch) -> None:
        """Do what is to be done.

        Raises
        ------
        MachineError, InterruptedRunError
            Everything finished before then is kept and used again.
        """
        for one in self.inventory.set_aside:
            self._tell_set_aside(one)
        self._check_space()
        self.progress.begin(self.plan, len(self.inventory.set_aside))
        self.open_captures = set(range(len(self.plan.chains)))
        self.open_pictures = {picture.step for picture in self.plan.pictures}
        self.board.want(self.plan.goals)
        self.written = time.monotonic()
        self._look_everywhere()
        told = False
        while True:
            watch.check()
            self.crew.fill(self.board, self.plan, self._task)
            if self.crew.busy and not told:
                # While workers have begun; a run with nothing to do has nothing to tell before its end.
                self._write_summary("running")
                told = True
            if not self.crew.busy:
                self._look_everywhere()
                if self.showing.lacks(self.plan, self.board):
                    continue
                break
            for name, outcome in self.crew.wait():
                self.running.pop(name, None)
                self._settle(self.plan.steps[name], outcome)
                self._look_around()
            self.progress.tick(list(self.running.values()))
        stuck = [goal for goal in self.plan.goals if self.board.of(goal) not in (Status.THERE, Status.FAILED)]
        if stuck:
            raise MachineError(f"nothing is left to do, yet {len(stuck)} products are missing; first: {stuck[0]}")

    def end(self, state: str) -> dict[str, Any]:
        """Write the summary for good and return it."""
        summary = self._write_summary(state)
        for key in self.board.ahead.keys.values():
            self.session.store.discard(key)
        try:
            save_memory(self.session.store.root, self.plan, self.board)
        except OSError as error:
            self.journal.event("not remembered", reason=str(error))  # costs reasons only, and the disk may be full
        self.progress.end()
        return summary

    def _task(self, step: Step) -> dict[str, Any] | None:
        if step.id in self.board.ahead.running:
            return self._packed(step, self.board.ahead.keys[step.id], self.board.ahead.inputs[step.id])
        key = self.board.key(step.id) or ""
        reason = self.session.store.refusal(key)
        if reason is not None:
            # Nothing is done twice, not even in vain.
            self.journal.event("step refused before", step=step.id, title=step.title, reason=reason)
            self._failed(step, reason)
            return None
        return self._packed(step, key, self.board.inputs(step))

    def _packed(self, step: Step, key: str, inputs: dict[str, str]) -> dict[str, Any]:
        """Return a step as it travels to a worker."""
        self.running[step.id] = step.title
        return {
            "action": step.action,
            "title": step.title,
            "key": key,
            "content": step.content,
            "carry": step.carry,
            "inputs": inputs,
            "store": str(self.session.store.root),
            "plugins": list(self.session.plugins),
        }

    def _settle(self, step: Step, outcome: dict[str, Any]) -> None:
        """Take in what came of a task."""
        self.touched.update(step.captures)
        spent = {"seconds": outcome["seconds"], "peak_mb": outcome["peak_mb"]}
        if step.id in self.board.ahead.running and outcome.get("kind") not in ("disk", "machine"):
            self._settle_ahead(step, outcome, spent)
            return
        if outcome["ok"]:
            self.journal.event("step done", step=step.id, title=step.title, **spent)
            own = _own_stages(step)
            self.passed.update((name, step.action) for name in (*_stages(step), "+".join(own)))
            for trouble in outcome["meta"].get("troubles", ()):
                self.journal.event("writer failed", step=step.id, title=step.title, **trouble)
                self.progress.beware(trouble["text"])
            if step.action == "fingerprint":
                self._note_sum(step, outcome["meta"]["sha256"], outcome["seconds"])
            else:
                self.board.done(step.id)
                self._drop_parts(step)
            return
        told = {key: outcome.get(key) for key in ("kind", "reason", "trace")}
        self.journal.event("step failed", step=step.id, title=step.title, **spent, **told)
        kind = outcome["kind"]
        if kind in ("disk", "machine"):
            raise MachineError(f"{outcome['reason']}; put it right and give the same command again to go on")
        self.tries[step.id] = self.tries.get(step.id, 0) + 1
        if self.tries[step.id] < TRIES.get(kind, 1):
            if kind == "damaged":
                self._heal(step, outcome["damaged"])
            else:
                time.sleep(0.2 * 4 ** (self.tries[step.id] - 1))
            self.board.again(step.id)
            return
        if step.action not in COURTESIES:
            self._check_same_fault(step, outcome)
        self._failed(step, outcome["reason"])

    def _settle_ahead(self, step: Step, outcome: dict[str, Any], spent: dict[str, float]) -> None:
        """Take in what came of a task that was begun before its key was known; what failed is done in its turn."""
        if outcome["ok"]:
            self.journal.event("step done", step=step.id, title=step.title, ahead=True, **spent)
            self.board.done_ahead(step.id)
        else:
            self.journal.event("step not done ahead", step=step.id, title=step.title, reason=outcome["reason"], **spent)
            self.board.failed_ahead(step.id)

    def _failed(self, step: Step, reason: str) -> None:
        """Give a step up, and all that cannot be had without it."""
        for fallen in self.board.failed(step.id, reason):
            for index in self.plan.steps[fallen].captures:
                self.touched.add(index)
                # Pictures of several captures may go on without it, and be there already.
                self.touched.update(one for picture in self.plan.pictures_of(index) for one in picture.captures)

    def _note_sum(self, step: Step, sha256: str, seconds: float) -> None:
        """Keep a fingerprint for the next run, if the recording is still as it was when it was opened."""
        path, file = Path(step.carry["path"]), step.carry["file"]
        if not self.session.index.same(file, path):
            self._failed(step, "it changed while it was read; run again once it is complete")
            return
        self.session.index.put(file, stamp(path), "sha256", sha256)
        if seconds > WORTH_SECONDS or time.monotonic() - self.saved > INDEX_SECONDS:
            # A run that is killed sums the last few small recordings again.
            self.session.index.save()
            self.saved = time.monotonic()
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

    def _check_same_fault(self, step: Step, outcome: dict[str, Any]) -> None:
        """Stop early when one stage fails for every capture: the night would only fail a hundred times.

        What counts is what is nobody's data's fault: a stage that raises, or ends or stops its process. A few bad
        captures in a row do not stop a long night: a tenth of it must have failed, and none have gone well.
        """
        if outcome["kind"] not in ("stage", "died", "hung", "memory"):
            return
        named = outcome.get("stage") or "+".join(_own_stages(step)) or step.action
        place = (named, step.action)
        failed = self.faults.setdefault(place, set())
        failed.add(step.captures[0])
        if len(failed) < max(SAME_FAULT_LIMIT, len(self.plan.chains) // 10) or place in self.passed:
            return
        if any(capture_outcome(i, self.plan, self.board)[0] == "done" for i in range(len(self.plan.chains))):
            return
        raise MachineError(
            f"stage {named!r} failed for each of the first {len(failed)} captures, so the rest was not tried; the last "
            f"reason: {outcome['reason']} (tracebacks are in the journal)"
        )

    def _look_everywhere(self) -> None:
        """Look around at every capture."""
        self.touched.update(self.open_captures)
        self._look_around()

    def _look_around(self) -> None:
        """Publish what has become ready, tell what is finished, keep the summary up to date.

        Only captures of steps that moved since the last look are looked at: a night may hold thousands.
        """
        touched, self.touched = sorted(self.touched), set()
        for index in touched:
            if index in self.open_captures:
                self._look_at(index)
        for chain in self.plan.masters.values():
            self._publish(chain.file, {"stack.fits": f"masters/{chain.name}.fits"})
        shown = dict.fromkeys(one.step for index in touched for one in self.plan.pictures_of(index))
        self.open_pictures -= {step for step in shown if step in self.open_pictures and self._publish(step, None)}
        if time.monotonic() - self.written > self.pause:
            self._write_summary("running")

    def _look_at(self, index: int) -> None:
        chain = self.plan.chains[index]
        self._publish(chain.file, {"stack.fits": f"stacks/{chain.name}.fits"})
        status, reason = capture_outcome(index, self.plan, self.board)
        if status == "done":
            self.progress.done(index)
        elif status == "set_aside":
            self._tell_set_aside(SetAside(chain.capture.file, reason or ""))
        else:
            return
        self.open_captures.discard(index)

    def _publish(self, step: str, files: dict[str, str] | None) -> bool:
        """Copy a product's files out; return whether nothing is left to do about this step."""
        if self.board.of(step) is not Status.THERE:
            return self.board.of(step) is Status.FAILED
        key = self.board.key(step) or ""
        try:
            if files is None:
                listed = self.session.store.meta(key)["listed"]
                files = {name: f"{shelf_of(one)}/{name}" for one in listed for name in one["files"]}
                self.progress.pictures([f"{shelf_of(one)}/{_preferred(one['files'])}" for one in listed])
            copied = self.shelf.put(key, files)
        except DamagedError:
            self.session.store.discard(key)
            self.board.lost(step)
            return False
        except OSError as error:
            raise MachineError(f"cannot write into {self.session.out}: {error.strerror or error}") from error
        if copied:
            self.journal.event("published", files=list(files.values()))
        return True

    def _tell_set_aside(self, one: SetAside) -> None:
        self.journal.event("set aside", file=one.file, reason=one.reason, trace=one.trace)
        self.progress.set_aside(one.file, one.reason)

    def _check_space(self) -> None:
        need = bytes_needed(self.plan, lambda step: self.session.store.has(self.board.key(step) or ""))
        free = shutil.disk_usage(self.session.store.root).free
        self.journal.event("space", needed=need, free=free)
        if need > free and not self.options.ignore_space:
            raise MachineError(
                f"the output needs about {size(need)} and {size(free)} are free on its disk; free some, "
                f"give another --out, or go on all the same with --ignore-space"
            )

    def _write_summary(self, state: str) -> dict[str, Any]:
        began = time.monotonic()
        summary = summarise(self.plan, self.board, self.session.store, self.inventory.set_aside, state)
        if state == "finished":
            summary["earlier"] = self.shelf.earlier(files_of(summary))
        try:
            write_json(self.session.out / "night.json", summary)
            self.showing.write(summary, self.plan, self.board)
        except OSError as error:
            raise MachineError(f"cannot write into {self.session.out}: {error.strerror or error}") from error
        self.written = time.monotonic()
        self.pause = max(1.0, (self.written - began) / SUMMARY_SHARE)
        return summary


def _own_stages(step: Step) -> list[str]:
    """Name the stages that a step is for."""
    said = step.content.get("stages") or [step.content.get("stage")]
    return [one["stage"] for one in said if isinstance(one, dict)]


def _stages(step: Step) -> list[str]:
    """Name every stage that a step calls."""
    said = [step.content.get("source"), *step.content.get("frames", ())]
    return _own_stages(step) + [one["stage"] for one in said if isinstance(one, dict)]


def _preferred(files: list[str]) -> str:
    """Name the file of a picture that a person would open first."""
    return next((file for file in files if file.endswith(".png")), files[0] if files else "")
