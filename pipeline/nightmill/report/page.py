"""The page itself: written when something has changed, cheaply enough to be written while the night runs."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from ..files import write_whole
from ..night import Night
from .resources import resource
from .view import Sources, build_view

__all__ = ["Report"]

SECTIONS = ("site", "telescope", "camera", "filters", "references")
REFRESH_SECONDS = 5
PAUSE = 15.0
"""While the run goes on, writing the page takes at most one part in so many of the time."""

Extras = Callable[[dict[str, Any], list[dict[str, Any]]], Mapping[str, Any]]


class Report:
    """OUT/report/index.html.

    Parameters
    ----------
    out : Path
        The output folder.
    night : Night
    extras : callable
        Given the night's sections and the captures of the summary, each with its "sheet" and "pictures", returns what
        plugins add (see `hooks.nightmill_report`).
    """

    def __init__(self, out: Path, night: Night, extras: Extras = lambda night, captures: {}) -> None:
        self._path = out / "report" / "index.html"
        self._journal = _JournalReader(out / "journal.jsonl")
        self._night: dict[str, Any] = night.sections(SECTIONS)
        self._extras = extras
        self._said = ""
        self._added: tuple[str, Mapping[str, Any]] = ("", {})
        self._next = 0.0

    def write(self, summary: Mapping[str, Any], sources: Sources) -> bool:
        """Write the page if it would say something new; return whether it was written."""
        running = summary["state"] == "running"
        if running and time.monotonic() < self._next:
            return False
        facts = [summary, sorted(map(str, sources.sheets.values())), sorted(sources.previews)]
        said = _digest(facts)
        if said == self._said and self._path.exists():
            return False
        began = time.monotonic()
        journal = self._journal.read()
        view = build_view(summary, self._night, sources, self._add(summary, sources), journal)
        page = _template().render(**view, css=resource("page.css"), js=resource("page.js"), refresh=REFRESH_SECONDS)
        write_whole(self._path, page.encode("utf-8", "backslashreplace"))
        self._said = said
        self._next = time.monotonic() + PAUSE * (time.monotonic() - began)
        return True

    def _add(self, summary: Mapping[str, Any], sources: Sources) -> Mapping[str, Any]:
        """Ask the plugins, again only when there is something new to ask about."""
        captures = [dict(one) for one in summary["captures"]]
        for one in captures:
            folder = sources.sheets.get(one["file"])
            one["sheet"] = _sheet(folder) if folder is not None else {}
            one["pictures"] = [
                {key: picture.get(key) for key in ("name", "geometry", "header")}
                for picture in summary["pictures"]
                if one["file"] in picture["captures"]
            ]
        said = _digest([self._night, captures])
        if said != self._added[0]:
            self._added = (said, self._extras(self._night, captures))
        return self._added[1]


class _JournalReader:
    """Reads what has been added to the journal since the last look; keeps what concerns the latest run."""

    def __init__(self, path: Path) -> None:
        self._path, self._place = path, 0
        self._problems: list[dict[str, Any]] = []
        self._began: str | None = None
        self._last: str | None = None

    def read(self) -> dict[str, Any]:
        """Return "problems", steps that failed, and "seconds" since the run began."""
        try:
            with self._path.open("rb") as stream:
                stream.seek(self._place)
                added = stream.read()
        except OSError:
            added = b""
        whole = added[: added.rfind(b"\n") + 1]
        self._place += len(whole)
        for line in whole.splitlines():
            self._take(line)
        return {"problems": list(self._problems), "seconds": self._seconds()}

    def _take(self, line: bytes) -> None:
        try:
            event = json.loads(line)
        except ValueError:
            return
        self._last = event.get("time", self._last)
        if event.get("event") == "run started":
            self._problems, self._began = [], event.get("time")
        elif event.get("event") == "step failed":
            self._problems.append({key: event.get(key) or "" for key in ("title", "kind", "reason", "trace")})

    def _seconds(self) -> float | None:
        from datetime import datetime

        if self._began is None or self._last is None:
            return None
        first, last = (datetime.fromisoformat(text.replace("Z", "+00:00")) for text in (self._began, self._last))
        return (last - first).total_seconds()


@lru_cache(maxsize=4096)
def _sheet(folder: Path) -> dict[str, Any]:
    """Read a sheet without its courses: what plugins may want to judge."""
    try:
        sheet = dict(json.loads((folder / "sheet.json").read_text(encoding="utf-8")))
    except (OSError, ValueError):
        return {}
    wanted = ("frames", "used", "jitter_px", "brightness", "halves", "drift")
    kept = {key: sheet.get(key) for key in wanted}
    columns = [{key: one[key] for key in ("name", "low", "median", "high")} for one in sheet.get("columns", [])]
    return {**kept, "columns": columns}


@lru_cache(maxsize=1)
def _template() -> Any:
    import jinja2

    environment = jinja2.Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    environment.undefined = jinja2.StrictUndefined
    return environment.from_string(resource("page.html.j2"))


def _digest(value: Any) -> str:
    text = json.dumps(value, sort_keys=True, default=str)
    return hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()
