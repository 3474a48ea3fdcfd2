"""Hands the report what it shows: the summary, the folders of sheets and previews, what plugins add.

The page is a courtesy: whatever goes wrong with it is written into the journal and costs nothing else.
"""

from __future__ import annotations

import traceback
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any

from ..foreign import attempt
from ..journal import Journal
from ..plan import Plan
from ..report import Report, Sources
from ..store import DamagedError, Store
from .session import Session
from .states import Board, Status

__all__ = ["Showing"]

LISTS = ("curves", "advice", "cautions")


class Showing:
    """Keeps OUT/report/index.html up to date.

    Parameters
    ----------
    session : Session
    journal : Journal
        Is told, once, when the page cannot be made.
    """

    def __init__(self, session: Session, journal: Journal) -> None:
        self._store, self._journal = session.store, journal
        self._hook = session.registry.manager.hook.nightmill_report
        self._report = Report(session.out, session.night, self._extras)
        self._told: set[str] = set()
        self._verified: set[str] = set()
        self._lost: set[str] = set()

    def lacks(self, plan: Plan, board: Board) -> bool:
        """Verify what the page is made of; say whether something damaged was thrown away and is to be made again."""
        lost = len(self._lost)
        _sources(plan, board, self._store, self._verified, self._lost)
        return len(self._lost) > lost

    def write(self, summary: Mapping[str, Any], plan: Plan, board: Board) -> None:
        """Write the page, if there is something new; raises OSError only."""
        sources = _sources(plan, board, self._store, self._verified, self._lost)
        error = attempt(partial(self._report.write, summary, sources)).error
        if isinstance(error, OSError):
            raise error
        if error is not None:
            self._tell("the report", error)

    def _extras(self, night: dict[str, Any], captures: list[dict[str, Any]]) -> dict[str, Any]:
        """Ask every plugin what it adds; one that fails adds nothing."""
        added: dict[str, Any] = {"captures": {}, **{name: [] for name in LISTS}}
        values = {"night": night, "captures": captures}
        for implementation in self._hook.get_hookimpls():
            error = attempt(partial(_add, added, implementation, values)).error
            if error is not None:
                self._tell(f"plugin {implementation.plugin_name}", error)
        return added

    def _tell(self, who: str, error: BaseException) -> None:
        if who not in self._told:
            self._told.add(who)
            trace = "".join(traceback.format_exception(error, limit=-8))
            self._journal.event("report incomplete", who=who, reason=repr(error), trace=trace)


def _add(added: dict[str, Any], implementation: Any, values: Mapping[str, Any]) -> None:
    """Call one plugin and take in what it gives, which may be of any form."""
    given: Any = implementation.function(**{name: values[name] for name in implementation.argnames})
    found: Mapping[str, Any] = given or {}
    for name in LISTS:
        added[name] += list(found.get(name, []))
    for file, facts in found.get("captures", {}).items():
        added["captures"].setdefault(file, {}).update(facts)


def _sources(plan: Plan, board: Board, store: Store, verified: set[str], lost: set[str]) -> Sources:
    sources = Sources()
    for chain in plan.chains:
        folder = _whole(chain.sheet, board, store, verified, lost)
        if folder is not None:
            sources.sheets[chain.capture.file] = folder
    for picture in plan.pictures:
        if board.of(picture.step) is not Status.THERE:
            continue
        folder = _whole(picture.preview, board, store, verified, lost)
        if folder is None:
            continue
        try:
            listed = store.meta(board.key(picture.step) or "")["listed"]
            shown = store.meta(board.key(picture.preview) or "")["shown"]
        except DamagedError:
            continue
        for one, what in zip(listed, shown, strict=False):
            sources.previews[one["name"]] = (folder, what)
    return sources


def _whole(step: str, board: Board, store: Store, verified: set[str], lost: set[str]) -> Path | None:
    """Return the folder of a product that is there and whole; a damaged one is thrown away and made again, once."""
    key = board.key(step) if board.of(step) is Status.THERE else None
    if key is None:
        return None
    if key not in verified:
        try:
            store.open(key)
        except DamagedError:
            if key not in lost:
                lost.add(key)
                store.discard(key)
                board.lost(step)
            return None
        verified.add(key)
    return store.path(key)
