"""What tests with the toy plugin share: where it is, its recipe, and looks into an output folder."""

from __future__ import annotations

import json
from pathlib import Path

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


def products(out: Path) -> dict[str, bytes]:
    """Return every published file's bytes."""
    return {
        path.relative_to(out).as_posix(): path.read_bytes()
        for folder in ("stacks", "pictures")
        for path in sorted((out / folder).glob("*"))
    }


def events(out: Path, name: str) -> list[dict[str, object]]:
    """Return the journal's events of one name, of all runs."""
    lines = (out / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    return [event for event in map(json.loads, lines) if event["event"] == name]
