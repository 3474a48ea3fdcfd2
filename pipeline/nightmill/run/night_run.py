"""Runs a night from beginning to end: lock, inventory, plan, work, summary; and again while it is being recorded."""

from __future__ import annotations

import contextlib
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ..files import sweep_parts
from ..journal import Journal
from .address import check_address
from .crew import Crew
from .driver import Driver
from .follow import Settling
from .hints import hints
from .interrupt import InterruptedRunError, Watch
from .links import OURS, check_links
from .lock import hold, refuse_if_held
from .observers import Observers
from .options import Options, Result
from .progress import Progress
from .publish import Shelf
from .session import Session, out_of, prepare
from .showing import Showing
from .summary import files_of

__all__ = ["run_night"]

LOOK_SECONDS = 2.0


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
    if options.scheduler is not None:
        said = check_address(options.scheduler, options.tls, trusted=options.trust_network)
        if said is not None:
            progress.beware(said)
    refuse_if_held(out_of(folder.resolve(), out) / ".store")
    session = prepare(folder, out=out, recipe=options.recipe, plugins=options.plugins, locked=options.locked)
    check_links(session.out)
    if not options.follow:
        session.refuse_empty()
    with hold(session.store.root):
        session.store.sweep()
        for name in ("", *OURS):
            sweep_parts(session.out / name)
        observers = Observers(session.registry)
        journal = Journal(session.out / "journal.jsonl", observers.event)
        observers.started(session.night.folder, session.out)
        try:
            return _Run(session, options, journal, progress).run(observers)
        finally:
            with contextlib.suppress(OSError):  # it only saves looking again, and the disk may be full
                session.index.save()
            journal.close()


@dataclass
class _Run:
    session: Session
    options: Options
    journal: Journal
    progress: Progress
    summary: dict[str, Any] = field(default_factory=dict)

    def run(self, observers: Observers) -> Result:
        """Go through the night once, or again and again while it is being recorded."""
        began = time.monotonic()
        session, root = self.session, self.session.store.root
        self.journal.event("run started", night=str(session.night.folder), out=str(session.out))
        for one in session.registry.broken:
            self.journal.event("plugin broken", plugin=one.name, origin=one.origin, reason=one.reason, trace=one.trace)
            self.progress.plugin_broken(one.name, one.brief)
        crew = Crew(self.options, root / "scratch", root, session.night.folder, session.plugins)
        shelf, showing = Shelf(session.out, session.store), Showing(session, self.journal)
        state, at_once = "failed", True
        with Watch() as watch:
            try:
                self.progress.opening()
                if self.options.follow:
                    self._follow(crew, shelf, showing, watch)
                else:
                    self._pass(crew, shelf, showing, watch, None)
                state, at_once = "finished", False
            except InterruptedRunError:
                state, at_once = "interrupted", watch.twice
                raise
            finally:
                crew.close(at_once=at_once)
                if self.summary:
                    seconds = round(time.monotonic() - began, 2)
                    self.journal.event(f"run {state}", seconds=seconds, **self.summary["counts"])
                    observers.finished(session.out, self.summary)
        bad = any(one["status"] == "set_aside" for one in (*self.summary["captures"], *self.summary["masters"]))
        bad |= any(one["failed"] for one in self.summary["not_made"])
        return Result(self.summary, 1 if bad else 0, session.out)

    def _pass(self, crew: Crew, shelf: Shelf, showing: Showing, watch: Watch, settling: Settling | None) -> None:
        """Take the inventory and work through the plan of what is there."""
        inventory, plan, board = self.session.survey(crew.open, settling.ready if settling else None, crew.room)
        if settling is None and not self.options.follow:
            for text in hints(self.session, inventory, plan):
                self.journal.event("hint", text=text)
                self.progress.note(text)
        driver = Driver(
            self.session, self.options, self.journal, self.progress, crew, shelf, showing, inventory, plan, board
        )
        state = "failed"
        try:
            driver.work(watch)
            state = "running" if settling else "finished"
        except InterruptedRunError:
            state = "interrupted"
            raise
        finally:
            self.summary = driver.end(state)

    def _follow(self, crew: Crew, shelf: Shelf, showing: Showing, watch: Watch) -> None:
        """Work on recordings as they are finished, until the time given, or Ctrl-C while there is nothing to do."""
        settling = Settling(self.options.settle_s)
        known: set[str] = set()
        while True:
            ending = watch.asked > 0 or (self.options.until is not None and time.time() >= self.options.until)
            ready = {one.file for one in self.session.recordings() if settling.ready(one)}
            if ready - known:
                known |= ready
                self._pass(crew, shelf, showing, watch, settling)
            self.progress.waiting(len(settling.held))
            if ending:
                break
            watch.sleep(LOOK_SECONDS)
        # What followed a night must end as a run after it would: one last pass over all that is there.
        watch.asked = 0
        self._pass(crew, shelf, showing, watch, None)
        for file in shelf.clear(files_of(self.summary)):
            self.journal.event("removed", file=file, reason="a picture of more captures took its place")
