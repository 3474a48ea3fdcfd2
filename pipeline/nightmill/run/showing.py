"""Hands the report what it shows: the summary, the folders of sheets and previews, what plugins add.

The page is a courtesy: whatever goes wrong with it is written into the journal and costs nothing else.
"""

from __future__ import annotations

import traceback
from collections.abc import Mapping
from functools import partial
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

    def write(self, summary: Mapping[str, Any], plan: Plan, board: Board) -> None:
        """Write the page, if there is something new; raises OSError only."""
        try:
            self._report.write(summary, _sources(plan, board, self._store))
        except OSError:
            raise
        except Exception as error:  # the boundary of a courtesy
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


def _sources(plan: Plan, board: Board, store: Store) -> Sources:
    sources = Sources()
    for chain in plan.chains:
        key = board.key(chain.sheet) if board.of(chain.sheet) is Status.THERE else None
        if key is not None:
            sources.sheets[chain.capture.file] = store.path(key)
    for picture in plan.pictures:
        if board.of(picture.preview) is not Status.THERE or board.of(picture.step) is not Status.THERE:
            continue
        try:
            listed = store.meta(board.key(picture.step) or "")["listed"]
            folder = store.path(board.key(picture.preview) or "")
            shown = store.meta(board.key(picture.preview) or "")["shown"]
        except DamagedError:
            continue
        for one, what in zip(listed, shown, strict=False):
            sources.previews[one["name"]] = (folder, what)
    return sources
