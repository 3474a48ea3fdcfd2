"""What the page says, made of the summary and the sheets: plain values for the template, no HTML but the plots."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any
from urllib.parse import quote

from . import words
from .embed import HARD_BYTES, SOFT_BYTES, Budget, data_uri
from .figures import capture_figures, nights, other_columns, timeline

__all__ = ["Sources", "build_view"]

Json = Mapping[str, Any]

OPEN_CAPTURES = 4
"""With at most so many captures, their sections are open to begin with."""

WORDS = {"done": "done", "set_aside": "set aside", "working": "at work", "waiting": "waiting"}


@dataclass
class Sources:
    """Where the small pictures and sheets lie.

    Attributes
    ----------
    sheets : dict of str to Path
        Folder of a capture's sheet, by the capture's file.
    previews : dict of str to (Path, dict)
        Folder of a picture's preview and what it says, by the picture's name.
    """

    sheets: dict[str, Path] = field(default_factory=dict)
    previews: dict[str, tuple[Path, Json]] = field(default_factory=dict)


def build_view(summary: Json, night: Json, sources: Sources, extras: Json, journal: Json) -> dict[str, Any]:
    """Return the values for the template.

    Parameters
    ----------
    summary : mapping
        As in night.json.
    night : mapping
        Sections of the night file.
    sources : Sources
    extras : mapping
        What plugins add: "curves", "captures", "advice", "cautions".
    journal : mapping
        "problems" and "seconds" of this run.
    """
    budget = Budget()
    captures = [_capture(one, sources.sheets.get(one["file"]), extras) for one in summary["captures"]]
    pictures = _pictures(summary["pictures"], sources, budget)
    for one in captures:
        thumbs = [path for _, path in one["thumbs"]]
        if not thumbs or not budget.take(thumbs, HARD_BYTES):
            one["thumbs"] = []
        one["thumbs"] = [{**said, "src": data_uri(path)} for said, path in one["thumbs"]]
    curves = extras.get("curves", [])
    return {
        "title": words.title(summary["captures"], night),
        "state": summary["state"],
        "running": summary["state"] == "running",
        "counts": summary["counts"],
        "totals": words.totals(summary, journal),
        "pictures": pictures,
        "sequences": _sequences(summary.get("sequences", []), sources, budget),
        "not_made": [
            {**one, "captures": [{"file": file, "anchor": anchor(file)} for file in one["captures"]]}
            for one in summary.get("not_made", [])
        ],
        "earlier": [{"file": file, "href": _link(file)} for file in summary.get("earlier", [])],
        "captures": captures,
        "open": len(captures) <= OPEN_CAPTURES,
        "aside": [one for one in captures if one["status"] == "set_aside"],
        "masters": summary["masters"],
        "masters_aside": [one for one in summary["masters"] if one["status"] == "set_aside"],
        "timelines": [[timeline(cut, curves, 1000), timeline(cut, curves, 380)] for cut in nights(summary["captures"])],
        "advice": list(extras.get("advice", []))[:5],
        "cautions": list(extras.get("cautions", [])),
        "problems": journal.get("problems", []),
    }


def _pictures(listed: Sequence[Json], sources: Sources, budget: Budget) -> list[dict[str, Any]]:
    """Choose what is embedded of each picture, finished ones first, then what they are compared with, then large."""
    views = []
    for one in listed:
        folder, shown = sources.previews.get(one["name"], (None, {}))
        view: dict[str, Any] = {
            "name": one["name"],
            "target": one.get("target"),
            "filters": ", ".join(one.get("filters", [])),
            "kind": one.get("kind", ""),
            "when": words.when(one.get("utc")),
            "files": [{"href": _link(file), "label": _label(file, one["name"])} for file in one["files"]],
            "captures": [{"file": file, "anchor": anchor(file)} for file in one["captures"]],
            "facts": words.geometry_rows(one.get("geometry", {})),
            "notes": words.notes(one.get("notes", [])),
            "layers": [],
            "width": shown.get("width", 4),
            "height": shown.get("height", 3),
            "open": _preferred(one["files"]),
        }
        view["paths"] = []
        if folder is not None and "place" in shown:
            path = folder / f"{shown['place']}.small.webp"
            if budget.take([path], HARD_BYTES):
                view["paths"] = [("finished", path)]
        view["_folder"], view["_shown"] = folder, shown
        views.append(view)
    for view in views:
        if view["paths"]:
            place = view["_shown"]["place"]
            before = [(name, view["_folder"] / f"{place}.{name}.small.webp") for name in view["_shown"]["before"]]
            if before and budget.take([path for _, path in before], HARD_BYTES):
                view["paths"] += before
    for view in views:
        if view["paths"]:
            large = [(name, path.with_name(path.name.replace(".small.", "."))) for name, path in view["paths"]]
            if budget.swap([p for _, p in view["paths"]], [p for _, p in large], SOFT_BYTES):
                view["paths"] = large
    for view in views:
        view["layers"] = [{"name": name, "src": data_uri(path)} for name, path in view.pop("paths")]
        view["before"] = [one for one in view["layers"] if one["name"] != "finished"]
        del view["_folder"], view["_shown"]
    return views


def _sequences(listed: Sequence[Json], sources: Sources, budget: Budget) -> list[dict[str, Any]]:
    """What is shown of each sequence: a small moving copy where there is room, and its files."""
    views = []
    for one in listed:
        folder, shown = sources.previews.get(one["name"], (None, {}))
        path = folder / f"{shown['place']}.small.webp" if folder is not None and "place" in shown else None
        first, last = (words.when(time) for time in one["utc"])
        views.append(
            {
                "name": one["name"],
                "kind": one["kind"],
                "target": one.get("target"),
                "filters": ", ".join(one.get("filters", [])),
                "when": f"{first} to {last}" if first != last else first,
                "count": len(one["captures"]),
                "files": [{"href": _link(file), "label": _label(file, one["name"])} for file in one["files"]],
                # Those of its pictures stand with the pictures.
                "notes": words.notes([note for note in one.get("notes", []) if note["stage"] == one["kind"]]),
                "src": data_uri(path) if path is not None and budget.take([path], HARD_BYTES) else None,
                "width": shown.get("width", 4),
                "height": shown.get("height", 3),
            }
        )
    return views


def _capture(one: Json, folder: Path | None, extras: Json) -> dict[str, Any]:
    sheet = _read_sheet(folder)
    facts = extras.get("captures", {}).get(one["file"], {})
    limit = (sheet.get("halves") or {}).get("limit_per_px")
    scale = facts.get("scale_arcsec")
    frames, used = one.get("frames"), one.get("frames_kept")
    return {
        "file": one["file"],
        "anchor": anchor(one["file"]),
        "target": one.get("target") or "",
        "filter": one.get("filter") or "",
        "utc": one.get("utc_mid") or "",
        "when": words.when(one.get("utc_mid")),
        "clock": (words.when(one.get("utc_mid")) or "")[11:19],
        "frames": frames,
        "used": used,
        "share": used / frames if frames and used is not None else None,
        "size": f"{one['width']} × {one['height']}" if one.get("width") else "",
        "duration": one.get("duration_s"),
        "status": one["status"],
        "status_words": WORDS.get(one["status"], one["status"]),
        "reason": one.get("reason") or "",
        # Finer than the telescope's own limit nothing is detail, whatever agrees there.
        "resolution": max((scale or 1.0) / limit, facts.get("limit_arcsec") or 0.0) if limit else None,
        "resolution_unit": "arcsec" if scale else "px",
        "seeing": facts.get("seeing_arcsec"),
        "facts": words.capture_rows(one, sheet, facts),
        "stack": _link(one["stack"]) if one.get("stack") else None,
        "masters": one.get("masters", {}),
        "notes": words.notes(one.get("notes", [])),
        "cautions": list(one.get("cautions", [])),
        "figures": _figures(folder, json.dumps(facts, sort_keys=True, default=str)) if folder is not None else [],
        "columns": other_columns(sheet) if sheet else [],
        "missing": sheet.get("missing", []),
        "thumbs": _thumbs(folder, sheet),
    }


def _thumbs(folder: Path | None, sheet: Json) -> list[tuple[dict[str, Any], Path]]:
    if folder is None or "pictures" not in sheet:
        return []
    listed = []
    for one in sheet["pictures"]["frames"]:
        where = "in the stack" if one["used"] else "left out"
        words = f"{one['label']} frame" if one["sharpness"] is not None else f"{one['label']} frame in the stack"
        text = f"{words}, number {one['number']:,}, {where}"
        listed.append(({"label": one["label"], "text": text, "used": one["used"]}, folder / f"{one['label']}.webp"))
    stack = {"label": "stack", "text": "the stack, before sharpening", "used": True}
    return [*listed, (stack, folder / "stack.webp")]


def _link(place: str) -> str:
    return "../" + quote(place)


def _label(file: str, name: str) -> str:
    return Path(file).name.removeprefix(name).lstrip(".").replace(".", " ") or Path(file).name


def _preferred(files: Sequence[str]) -> str | None:
    plain = [file for file in files if file.endswith(".png") and ".labelled." not in file]
    found = plain or [file for file in files if file.endswith(".png")]
    return _link(found[0]) if found else None


def anchor(file: str) -> str:
    """Return an identifier for a link within the page; different files have different ones."""
    return "c-" + re.sub(r"[^A-Za-z0-9]", lambda match: f"-{ord(match[0]):x}-", file)


@lru_cache(maxsize=512)
def _figures(folder: Path, facts: str) -> list[dict[str, str]]:
    """Draw a capture's plots, once: sheets never change, and the page is written many times while a run goes on."""
    sheet = _read_sheet(folder)
    return capture_figures(sheet, json.loads(facts)) if sheet else []


@lru_cache(maxsize=512)
def _read_sheet(folder: Path | None) -> dict[str, Any]:
    if folder is None:
        return {}
    try:
        return dict(json.loads((folder / "sheet.json").read_text(encoding="utf-8")))
    except (OSError, ValueError):
        return {}
