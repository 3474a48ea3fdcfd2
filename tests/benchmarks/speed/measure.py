"""One run of nightmill measured from outside: time, processor time and memory of all its processes, and its passes."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import psutil
from schedule import part_of

__all__ = ["Measured", "Part", "measure_run", "parts_of"]

SAMPLE_S = 0.05


@dataclass
class Measured:
    """What a run took.

    Attributes
    ----------
    seconds : float
        From the start of the command to its end.
    processor_s : float
        Processor time of all its processes, as seen in samples: a little too small.
    rss_mb, pss_mb : float
        Peak of the resident memory of all processes, summed: shared pages counted for each process, and counted once
        (the latter where the system tells, else 0).
    first_frame_s : float
        From the start of the command to the first byte of a recording read by a task; NaN when no task ran.
    """

    seconds: float = 0.0
    processor_s: float = 0.0
    rss_mb: float = 0.0
    pss_mb: float = 0.0
    first_frame_s: float = float("nan")
    parts: list[Part] = field(default_factory=list)


@dataclass(frozen=True)
class Part:
    """One part of the work: its tasks' seconds summed, and from the start of the first to the end of the last."""

    name: str
    tasks: int
    summed_s: float
    wall_s: float
    peak_mb: float


def measure_run(night: Path, out: Path, *options: str) -> Measured:
    """Run a night by the command in its own processes and measure them all."""
    command = [sys.executable, "-m", "nightmill", "run", str(night), "--out", str(out), "--quiet", *options]
    events = _events(out)
    began, clock = time.time(), time.perf_counter()
    started = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    measured = Measured()
    watcher = threading.Thread(target=_watch, args=(psutil.Process(started.pid), measured), daemon=True)
    watcher.start()
    code = started.wait()
    measured.seconds = time.perf_counter() - clock
    watcher.join()
    if code not in (0, 1):
        raise SystemExit(f"the run ended with {code}; see {out / 'journal.jsonl'}")
    fresh = _events(out)[len(events) :]
    measured.parts = parts_of(fresh)
    steps = [event for event in fresh if event["event"] == "step done"]
    if steps:
        measured.first_frame_s = min(_end(one) - float(one["seconds"]) for one in steps) - began
    return measured


def parts_of(events: Sequence[dict[str, Any]]) -> list[Part]:
    """Sum the tasks of each part of the work, in the order in which the parts began."""
    found: dict[str, list[dict[str, Any]]] = {}
    for event in events:
        if event["event"] == "step done":
            found.setdefault(part_of(event["step"]), []).append(event)
    parts = []
    for name, steps in found.items():
        ends = [_end(one) for one in steps]
        starts = [end - float(one["seconds"]) for end, one in zip(ends, steps, strict=True)]
        summed, peak = sum(float(one["seconds"]) for one in steps), max(float(one["peak_mb"]) for one in steps)
        parts.append(Part(name, len(steps), summed, max(ends) - min(starts), peak))
    return parts


def _events(out: Path) -> list[dict[str, Any]]:
    journal = out / "journal.jsonl"
    return [json.loads(line) for line in journal.read_text(encoding="utf-8").splitlines()] if journal.exists() else []


def _end(event: dict[str, Any]) -> float:
    return datetime.fromisoformat(event["time"]).timestamp()


def _watch(process: psutil.Process, measured: Measured) -> None:
    """Sample memory and processor time of a process and all its children until it ends."""
    spent: dict[int, float] = {}
    while True:
        try:
            if process.status() == psutil.STATUS_ZOMBIE:
                break
            family = [process, *process.children(recursive=True)]
        except psutil.NoSuchProcess:
            break
        resident = proportional = 0
        for one in family:
            try:
                times = one.cpu_times()
                spent[one.pid] = times.user + times.system
                resident += one.memory_info().rss
                proportional += getattr(one.memory_full_info(), "pss", 0)
            except (psutil.NoSuchProcess, psutil.AccessDenied):
                continue
        measured.rss_mb = max(measured.rss_mb, resident / 2**20)
        measured.pss_mb = max(measured.pss_mb, proportional / 2**20)
        measured.processor_s = sum(spent.values())
        time.sleep(SAMPLE_S)
