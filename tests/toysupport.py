"""What tests with the toy plugin share: where it is, its recipe, and looks into an output folder."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

TOY = Path(__file__).with_name("pipeline") / "toy.py"

TOY_RECIPE = """\
nightmill: 1
title: Toy
stages:
  - toy-source
  - toy-calibrate
  - toy-level: {limit: 1}
  - toy-rank
  - toy-mean
  - toy-scale: {factor: 3}
"""


def write_ser(path: Path, data: np.ndarray, colour: int = 0) -> None:
    """Write 8-bit frames as a SER recording (version 3: head of 178 bytes, frames, a trailer of time stamps)."""
    numbers = np.array([0, colour, 0, data.shape[2], data.shape[1], 8, len(data)], "<i4").tobytes()
    times = 639_038_526_000_000_000 + 100_000 * np.arange(len(data), dtype="<i8")
    head = b"NIGHTMILL-TEST" + numbers + b" " * 120 + times[:1].tobytes() * 2
    assert len(head) == 178
    path.write_bytes(head + data.tobytes() + times.tobytes())


def products(out: Path) -> dict[str, bytes]:
    """Return every published file's bytes."""
    return {
        path.relative_to(out).as_posix(): path.read_bytes()
        for folder in ("masters", "stacks", "pictures")
        for path in sorted((out / folder).glob("*"))
    }


def events(out: Path, name: str) -> list[dict[str, object]]:
    """Return the journal's events of one name, of all runs."""
    lines = (out / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    return [event for event in map(json.loads, lines) if event["event"] == name]
