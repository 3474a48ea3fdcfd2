"""Values put into words for the page: names, times, totals, notes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

__all__ = ["capture_rows", "geometry_rows", "notes", "title", "totals", "when"]

Json = Mapping[str, Any]


def title(captures: Sequence[Json], night: Json) -> str:
    """Name the night by its evening, and its place when known."""
    known = sorted(one["utc_mid"] for one in captures if one.get("utc_mid"))
    where = night.get("site", {}).get("name")
    suffix = f", {where}" if where else ""
    if not known:
        return f"The night{suffix}"
    # What is recorded before noon, by the Sun over the site, belongs to the evening of the day before.
    back = timedelta(hours=12.0 - ((night.get("site", {}).get("longitude_deg", 0.0) + 180.0) % 360.0 - 180.0) / 15.0)
    ends = [datetime.fromisoformat(text.replace("Z", "+00:00")) - back for text in (known[0], known[-1])]
    first, last = (f"{one.day} {one:%B %Y}" for one in ends)
    return f"Night of {first}{suffix}" if first == last else f"{first} to {last}{suffix}"


def totals(summary: Json, journal: Json) -> list[tuple[str, str]]:
    """List what a night comes to, name and figure."""
    captures = [one for one in summary["captures"] if one.get("frames")]
    frames = sum(one["frames"] for one in captures)
    used = sum(one.get("frames_kept") or 0 for one in captures)
    recorded = sum(one.get("duration_s") or 0 for one in captures)
    rows = [
        ("pictures", f"{summary['counts']['pictures']:,}"),
        ("captures done", f"{summary['counts']['done']:,} of {summary['counts']['captures']:,}"),
        ("set aside", f"{summary['counts']['set_aside']:,}"),
        ("frames", f"{frames:,}"),
        ("in stacks", f"{used:,}" + (f" ({used / frames:.0%})" if frames else "")),
    ]
    if recorded:
        rows.append(("recorded", _span(recorded)))
    if journal.get("seconds"):
        rows.append(("worked", _span(journal["seconds"])))
    return rows


def capture_rows(one: Json, sheet: Json, facts: Json) -> list[tuple[str, str]]:
    """List the figures of a capture, name and value."""
    rows: list[tuple[str, str]] = []
    if one.get("duration_s"):
        rate = f", {one['frames'] / one['duration_s']:.0f} frames a second" if one.get("frames") else ""
        rows.append(("Length", f"{one['duration_s']:.1f} s{rate}"))
    if one.get("frames_missing"):
        rows.append(("Missing at the end", f"{one['frames_missing']:,} frames"))
    light = sheet.get("brightness")
    if light:
        rows.append(("Brightest parts", f"{light['peak']:.0%} of full scale"))
        if light["clipped"] > 0:
            rows.append(("Clipped", f"{light['clipped']:.2%} of the pixels of a frame"))
    if sheet.get("jitter_px") is not None:
        rows.append(("Motion from frame to frame", f"{sheet['jitter_px']:.2f} px on each axis"))
    rows += [(str(name), str(value)) for name, value in facts.get("facts", [])]
    return rows


def notes(listed: Sequence[Json]) -> dict[str, list[dict[str, str]]]:
    """Sort notes by kind, equal ones once; where they are of several captures, each says of which.

    A caution says so only where captures differ in it: most are the same for all filters of a set.
    """
    sorted_notes: dict[str, list[dict[str, str]]] = {"choice": [], "caution": [], "measure": []}
    several = len({note.get("of") for note in listed if note.get("of")}) > 1
    texts: dict[tuple[str, str], set[str]] = {}
    for note in listed:
        texts.setdefault((str(note["stage"]), str(note["name"])), set()).add(str(note["text"]))

    def differs(note: Json) -> bool:
        return len(texts[str(note["stage"]), str(note["name"])]) > 1

    for note in listed:
        said = {"stage": str(note["stage"]), "name": str(note["name"]), "value": _value(note.get("value"))}
        said["text"] = str(note["text"])
        said["of"] = str(note.get("of") or "") if several and (note["kind"] != "caution" or differs(note)) else ""
        kind = sorted_notes.setdefault(note["kind"], [])
        if said not in kind:
            kind.append(said)
    return sorted_notes


def geometry_rows(geometry: Json) -> list[tuple[str, str]]:
    """List what is known of a picture's scale and orientation, name and value."""
    rows = []
    if "scale_arcsec" in geometry:
        rows.append(("Scale", f"{geometry['scale_arcsec']:.3f} arcsec per pixel"))
    if "north_angle_deg" in geometry:
        rows.append(("North", f"{geometry['north_angle_deg']:.1f}° counter-clockwise from up"))
    disc = geometry.get("disc")
    if disc:
        rows.append(("Disc", f"{2 * disc['a_px']:.1f} × {2 * disc['b_px']:.1f} px"))
    return rows


def when(utc: str | None) -> str:
    """Write an ISO 8601 time to the second, as people read it."""
    return f"{utc[:10]} {utc[11:19]} UTC" if utc else ""


def _value(value: Any) -> str:
    """Write a note's value if it is short; curves are in the record, not for reading."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.4g}"
    if isinstance(value, (int, str)):
        return str(value) if len(str(value)) <= 60 else ""
    if isinstance(value, Mapping):
        parts = [f"{name.replace('_', ' ')} {_value(one)}" for name, one in value.items() if _value(one)]
        return ", ".join(parts) if sum(map(len, parts)) <= 90 else ""
    if isinstance(value, (list, tuple)) and len(value) <= 4:
        parts = [_value(one) for one in value]
        return ", ".join(parts) if all(parts) else ""
    return ""


def _span(seconds: float) -> str:
    whole = timedelta(seconds=round(seconds))
    return f"{seconds:.0f} s" if seconds < 100 else str(whole)
