"""The plots of the page: courses and distributions of a capture, and the night's timeline."""

from __future__ import annotations

import bisect
import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from .plots import Plot

__all__ = ["ALTITUDES", "capture_figures", "clock_ticks", "nights", "other_columns", "timeline"]

Json = Mapping[str, Any]
NIGHT_GAP_S = 14 * 3600.0

ALTITUDES = [(float(a), str(a)) for a in (0, 30, 60, 90)]


def capture_figures(sheet: Json, facts: Json) -> list[dict[str, str]]:
    """Draw what is known of a capture.

    Parameters
    ----------
    sheet : mapping
        As the action "sheet" wrote it.
    facts : mapping
        "scale_arcsec" and "limit_arcsec" when some plugin knows them.

    Returns
    -------
    list of {"title", "svg", "note"}
    """
    figures: list[dict[str, str] | None] = []
    columns = {one["name"]: one for one in sheet.get("columns", [])}
    x_label = "time from start, s" if sheet.get("x") == "s" else "frame"
    first = [name for name in ("sharpness", "level") if name in columns]
    for name in first or list(columns)[:2]:
        figures.append(_course(columns[name], x_label))
    figures += [_distribution(sheet), _drift(sheet, facts), _halves(sheet, facts)]
    return [one for one in figures if one is not None]


def other_columns(sheet: Json) -> list[dict[str, Any]]:
    """Return the measured columns that have no plot of their own."""
    shown = {"sharpness", "level"}
    columns = sheet.get("columns", [])
    if not shown & {one["name"] for one in columns}:
        shown = {one["name"] for one in columns[:2]}
    return [one for one in columns if one["name"] not in shown]


def _course(column: Json, x_label: str) -> dict[str, str] | None:
    course = column["course"]
    low = [one for one in course["low"] if one is not None]
    high = [one for one in course["high"] if one is not None]
    if not low:
        return None
    name = str(column["name"])
    title = f"{name.capitalize().replace('_', ' ')} through time"
    about = f"median {column['median']:.4g}, nine tenths between {column['low']:.4g} and {column['high']:.4g}"
    bottom = min(low) if min(low) > 0.5 * max(high) or min(low) < 0 else 0.0
    plot = Plot(title, about, (course["x"][0] or 0.0, course["x"][-1] or 1.0), (bottom, max(high)), x_label, name)
    plot.band(course["x"], course["low"], course["high"]).line(course["x"], course["middle"])
    return {"title": title, "svg": plot.svg(), "note": str(column["meaning"])}


def _distribution(sheet: Json) -> dict[str, str] | None:
    found = sheet.get("distribution")
    if not found:
        return None
    used, total = sheet.get("used", 0), sheet.get("frames", 0)
    about = f"{used:,} of {total:,} frames are in the stack"
    top = max(found["all"]) * 1.05
    plot = Plot("Distribution of sharpness", about, (found["low"], found["high"]), (0, top), "sharpness", "frames")
    plot.bars(found["low"], found["high"], found["all"], "bar").bars(
        found["low"], found["high"], found["used"], "bar used"
    )
    return {"title": "Sharpness, stacked frames filled", "svg": plot.svg(), "note": about}


def _drift(sheet: Json, facts: Json) -> dict[str, str] | None:
    found = sheet.get("drift")
    if not found:
        return None
    x = [float(one) for one in found["dx_px"]]
    y = [-float(one) for one in found["dy_px"]]
    reach = math.hypot(max(x) - min(x), max(y) - min(y))
    scale = facts.get("scale_arcsec")
    about = f"{reach:.0f} px across" + (f", {reach * scale:.0f} arcsec" if scale else "")
    pad = max(reach * 0.06, 1.0)
    ends = (min(x) - pad, max(x) + pad), (min(y) - pad, max(y) + pad)
    plot = Plot("Drift", about, *ends, "right, px", "up, px", square=True)
    plot.line(x, y, "line thin").dot(x[0], y[0], "point start", "start").dot(x[-1], y[-1], "point end", "end")
    return {"title": "Path on the sensor", "svg": plot.svg(), "note": f"{about}; ring: start, dot: end"}


def _halves(sheet: Json, facts: Json) -> dict[str, str] | None:
    found = sheet.get("halves")
    if not found:
        return None
    scale, limit = facts.get("scale_arcsec"), found["limit_per_px"]
    factor = 1 / scale if scale else 1.0
    unit = "cycles per arcsec" if scale else "cycles per pixel"
    x = [float(one) * factor for one in found["frequency_per_px"]]
    if limit is None:
        about = "the halves never agree"
    elif scale:
        about = f"the halves agree down to {scale / limit:.2f} arcsec"
        if facts.get("limit_arcsec"):
            about += f"; the telescope ends at {facts['limit_arcsec']:.2f} arcsec"
            if scale / limit < 0.97 * facts["limit_arcsec"]:
                about += ", so what agrees beyond is a pattern of the camera, not detail"
    else:
        about = f"the halves agree down to {1 / limit:.1f} px"
    plot = Plot("Half-set correlation", about, (0, x[-1]), (min(0.0, *found["correlation"]), 1.02), unit, "correlation")
    plot.level(found["threshold"], "rule dashed").line(x, found["correlation"])
    if limit is not None:
        plot.upright(limit * factor, "rule", "reached")
    if facts.get("limit_arcsec"):
        plot.upright(1 / facts["limit_arcsec"], "rule faint", "telescope", 1)
    return {"title": "Half-set correlation", "svg": plot.svg(), "note": about}


def nights(captures: Sequence[Json]) -> list[list[Json]]:
    """Cut captures with a known time into nights: a gap of fourteen hours begins a new one."""
    known = sorted((one for one in captures if one.get("utc_mid")), key=lambda one: _posix(one["utc_mid"]))
    cut: list[list[Json]] = []
    for one in known:
        if cut and _posix(one["utc_mid"]) - _posix(cut[-1][-1]["utc_mid"]) < NIGHT_GAP_S:
            cut[-1].append(one)
        else:
            cut.append([one])
    return cut


def timeline(captures: Sequence[Json], curves: Sequence[Json], width: int) -> str:
    """Draw one night: its captures on the altitude of their targets, or in lanes where no altitude is known."""
    times = [_posix(one["utc_mid"]) for one in captures]
    low, high = min(times), max(times)
    pad = max(0.04 * (high - low), 900.0)
    low, high = low - pad, high + pad
    targets = list(dict.fromkeys(str(one.get("target") or "unknown") for one in captures))
    known = {
        str(curve["target"]): curve
        for curve in curves
        if curve["target"] in targets and any(low <= when <= high for when in curve["utc"])
    }
    day = datetime.fromtimestamp(low, UTC).strftime("%Y-%m-%d")
    about = (
        f"{len(captures)} captures of {', '.join(targets)} from {_clock(low + pad)} to {_clock(high - pad)} UTC, {day}"
    )
    ticks = clock_ticks(low, high, max(3, width // 110))
    lanes = [name for name in targets if name not in known]
    if known:
        plot = Plot(
            "The night", about, (low, high), (0, 90), f"UTC, from {day}", "altitude, deg", width, 260, ticks, ALTITUDES
        )
    else:
        rows: list[tuple[float, str]] = [(-k, name) for k, name in enumerate(lanes)]
        size = 80 + 30 * len(lanes)
        left = 20 + 7 * max(len(name) for name in lanes)
        ends = (-len(lanes) + 0.4, 0.6)
        plot = Plot("The night", about, (low, high), ends, f"UTC, from {day}", "", width, size, ticks, rows, left)
    words: list[tuple[float, float, str, str]] = []
    for place, (name, curve) in enumerate(known.items()):
        grid = [low + (high - low) * k / 96 for k in range(97)]
        heights = [_at(curve, when) for when in grid]
        plot.line(grid, [a if a >= 0 else None for a in heights], f"line hue{place % 6}")
        # Names stand side by side, so that none covers another where targets meet.
        k = round(96 * (place + 0.3) / len(known))
        words.append((grid[k], min(max(heights[k], 0) + 5, 85), name, f"mark hue{place % 6}"))
    for one, when in zip(captures, times, strict=True):
        name = str(one.get("target") or "unknown")
        text = f"{one['file']}: {one['status'].replace('_', ' ')}, {_clock(when)} UTC"
        y = _at(known[name], when) if name in known else (-lanes.index(name) if not known else 1.5)
        if one["status"] == "set_aside":
            plot.cross(when, max(y, 1.5) if known else y, "bad", text)
        else:
            plot.dot(when, max(y, 1.5) if known else y, "point" if one["status"] == "done" else "point open", text)
    for word in words:
        plot.word(*word)
    return plot.svg("wide" if width > 500 else "narrow")


def _at(curve: Json, when: float) -> float:
    times, values = curve["utc"], curve["altitude_deg"]
    k = min(max(bisect.bisect_left(times, when), 1), len(times) - 1)
    share = (when - times[k - 1]) / max(times[k] - times[k - 1], 1e-9)
    return float(values[k - 1] + min(max(share, 0), 1) * (values[k] - values[k - 1]))


def clock_ticks(low: float, high: float, most: int) -> list[tuple[float, str]]:
    """Return full hours, or round parts of them, between two POSIX times, with their UTC; at most about `most`."""
    step = next(
        s
        for s in (300, 600, 900, 1800, 3600, 7200, 10800, 14400, 21600, 43200)
        if (high - low) / s <= most or s == 43200
    )
    first = math.ceil(low / step)
    return [(k * step, _clock(k * step)) for k in range(first, math.floor(high / step) + 1)]


def _clock(seconds: float) -> str:
    return datetime.fromtimestamp(seconds, UTC).strftime("%H:%M")


def _posix(text: str) -> float:
    return datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp()
