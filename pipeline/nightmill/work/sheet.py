"""The action "sheet": what the report shows of one capture, gathered once its stack is there.

A sheet is a courtesy: whatever cannot be shown is left out and named, and no capture is ever set aside for it. What it
shows is generic: columns by the meaning that their stages declare, with a place of honour for "sharpness", "level" and
the shifts.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..artefacts import FrameTable, Stack
from ..files import json_bytes
from ..stage import Fold
from ..store import DamagedError
from . import looks, series
from .feed import Feed
from .halves import THRESHOLD, half_set_correlation
from .task import Task, plain

__all__ = ["PREVIEW_PX", "sheet"]

PREVIEW_PX = 1200
"""Longer side of the largest picture that the page embeds."""

THUMB_PX = 160


def sheet(task: Task, folder: Path, meta: dict[str, Any]) -> None:
    """Write sheet.json, thumbnails, and the best frame and the stack on one grid."""
    stack = Stack.load(task.store.open(task.inputs["stack"]))
    table = task.table()
    found: dict[str, Any] = {}
    missing: list[str] = []
    with task.feed(task.aids()) as feed:
        if table is None:
            count = feed.capture.frames
            table = FrameTable({"number": np.arange(count), "utc": feed.times(), "kept": np.ones(count, bool)})
        used = _tried(missing, lambda: _used(task, feed, table), np.asarray(table["kept"], bool))
        picks = pick_frames(table, used)
        _tried(missing, lambda: found.update(pictures=_pictures(folder, feed, table, used, stack, picks)), None)
        _tried(missing, lambda: found.update(brightness=_brightness(feed, picks)), None)
    _tried(missing, lambda: found.update(_courses(task, table, used)), None)
    _tried(missing, lambda: found.update(halves=_halves(stack)), None)
    found |= {"frames": table.rows, "used": int(used.sum()), "missing": missing}
    text = json.dumps(plain(found), ensure_ascii=False)
    (folder / "sheet.json").write_bytes(json_bytes(text))
    meta["missing"] = missing


def pick_frames(table: FrameTable, used: NDArray[np.bool_]) -> dict[str, int]:
    """Choose the frames to show: best and median of the stack, worst of all; without a sharpness first to last."""
    rows = np.flatnonzero(used) if used.any() else np.arange(table.rows)
    if "sharpness" not in table:
        return {"first": int(rows[0]), "middle": int(rows[len(rows) // 2]), "last": int(rows[-1])}
    sharp = np.asarray(table["sharpness"], np.float64)
    order = rows[np.argsort(-np.nan_to_num(sharp[rows], nan=-np.inf), kind="stable")]
    measured = np.flatnonzero(np.isfinite(sharp))
    worst = measured[np.argmin(sharp[measured])] if len(measured) else rows[-1]
    return {"best": int(order[0]), "median": int(order[len(order) // 2]), "worst": int(worst)}


def _tried(missing: list[str], part: Callable[[], Any], otherwise: Any) -> Any:
    """Do one part; what a page lacks must not cost a capture."""
    try:
        return part()
    except (DamagedError, OSError, MemoryError):
        raise
    except looks.FAULTS as error:  # the boundary of a courtesy: said in the sheet, and that is all
        missing.append(f"{type(error).__name__}: {error}")
        return otherwise


def _used(task: Task, feed: Feed, table: FrameTable) -> NDArray[np.bool_]:
    """Ask the fold which frames are in the stack."""
    said = task.content["stages"][0]
    stage = task.stage(said)
    assert isinstance(stage, Fold)
    context = task.context(said, (feed.capture,))
    context.state = task.state_of(stage.name)
    return np.asarray(stage.select(table, context), bool)


def _pictures(
    folder: Path, feed: Feed, table: FrameTable, used: NDArray[np.bool_], stack: Stack, picks: dict[str, int]
) -> dict[str, Any]:
    whole = looks.to_planes_last(stack.data)
    shifts = {name: np.asarray(table[name], np.float64) for name in ("dy_px", "dx_px") if name in table}
    middle = {name: float(np.nanmean(values[used])) for name, values in shifts.items() if used.any()}
    laid, said = {}, []
    for label, row in picks.items():
        frames = feed.read(np.array([row]))
        light = looks.demosaic(frames.data[0], frames.cfa, frames.full_scale)
        off = {name: float(values[row]) - middle.get(name, 0.0) for name, values in shifts.items()}
        laid[label] = looks.on_grid(light, whole.shape[:2], stack.header, off.get("dy_px", 0.0), off.get("dx_px", 0.0))
        sharp = float(table["sharpness"][row]) if "sharpness" in table else None
        number = int(table["number"][row])
        said.append({"label": label, "number": number, "sharpness": sharp, "used": bool(used[row])})
    best = next(iter(laid.values()))
    top, bottom, left, right = looks.bright_box(whole)
    black, white = looks.levels(best[top:bottom, left:right])
    for label, light in laid.items():
        small = looks.shrink(light[top:bottom, left:right], THUMB_PX)
        (folder / f"{label}.webp").write_bytes(looks.encode(looks.to_bytes(small, black, white), 45))
    stack_white = looks.levels(whole[top:bottom, left:right])
    small = looks.shrink(whole[top:bottom, left:right], THUMB_PX)
    (folder / "stack.webp").write_bytes(looks.encode(looks.to_bytes(small, *stack_white), 80))
    np.save(folder / "frame.npy", looks.shrink(best, PREVIEW_PX).astype(np.float16), allow_pickle=False)
    np.save(folder / "stack.npy", looks.shrink(whole, PREVIEW_PX).astype(np.float16), allow_pickle=False)
    return {"frames": said, "size": [int(whole.shape[1]), int(whole.shape[0])]}


def _brightness(feed: Feed, picks: dict[str, int]) -> dict[str, Any]:
    """Measure how the range of the camera is used, on frames as recorded."""
    full = feed.capture.full_scale
    peaks, clipped, distinct = [], [], []
    for row in picks.values():
        raw: NDArray[Any] = feed.source.read(feed.capture, row, row + 1)
        peaks.append(float(np.percentile(raw, 99.9)) / full)
        clipped.append(float(np.mean(raw >= full)))
        distinct.append(len(np.unique(raw)))
    return {"peak": max(peaks), "clipped": max(clipped), "levels": max(distinct), "full_scale": full}


def _courses(task: Task, table: FrameTable, used: NDArray[np.bool_]) -> dict[str, Any]:
    when = series.seconds(table)
    x = np.arange(table.rows, dtype=np.float64) if when is None else when
    found: dict[str, Any] = {"x": "frame" if when is None else "s"}
    found["columns"] = series.describe(table, task.content["gives"], x)
    found["share"] = series.course(used.astype(float), x)
    if "sharpness" in table:
        found["distribution"] = series.distribution(table["sharpness"], used)
    found["drift"] = series.drift(table)
    found["jitter_px"] = series.jitter_px(table)
    return found


def _halves(stack: Stack) -> dict[str, Any] | None:
    if stack.half_a is None or stack.half_b is None:
        return None
    first, second = (h if h.ndim == 2 else h.mean(axis=0) for h in (stack.half_a, stack.half_b))
    curve = half_set_correlation(first, second)
    scale = float(stack.header.get("scale") or 1.0)
    return {
        # Camera pixels are what equipment is reckoned in.
        "frequency_per_px": series.tidy(curve.frequency * scale),
        "correlation": series.tidy(curve.correlation),
        "limit_per_px": None if curve.limit is None else curve.limit * scale,
        "threshold": THRESHOLD,
    }
