"""What the products of the last runs were made from, so that a later look at the plan can say why they no longer do.

The store's keys are sums that cannot be read backwards; this file beside them, `plan.json`, holds their content for
the steps that a person thinks in. It explains and decides nothing: without it, only the reasons are missing.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

from ..files import write_whole
from ..plan import Plan, Step
from ..store import FORMAT as STORE_FORMAT
from .states import Board, Status

__all__ = ["Memory", "label_of", "load_memory", "save_memory"]

FORMAT = 1
PARTS = ("survey", "fold")
"""Steps of which there are many a capture; they say nothing that the step which joins them does not."""

Memory = dict[str, dict[str, Any]]
"""By label of a step: "content", "key", and "inputs" (role to label and key)."""


def label_of(step: Step, plan: Plan) -> str:
    """Name a step so that the name outlives captures that come and go: by files, never by their number."""
    if step.id.startswith("master/"):
        return step.id
    files = "+".join(plan.chains[index].capture.file for index in step.captures)
    part = re.sub(r"^picture (\d+)\.\d+/", r"picture \1/", step.id.partition("/")[2])
    return f"{files}/{part}"


def load_memory(root: Path) -> Memory:
    """Read what was remembered; empty when there is nothing, or nothing that can be read."""
    try:
        held = json.loads((root / "plan.json").read_text(encoding="utf-8"))
        if held["format"] == FORMAT and held["store_format"] == STORE_FORMAT and isinstance(held["steps"], dict):
            return dict(held["steps"])
    except (OSError, ValueError, KeyError, TypeError):
        pass
    return {}


def save_memory(root: Path, plan: Plan, board: Board) -> None:
    """Remember every step whose product is there; what is known of others stays as it was."""
    known = load_memory(root)
    memory = dict(known)
    labels = {step.id: label_of(step, plan) for step in plan.steps.values() if step.action not in PARTS}
    for step in plan.steps.values():
        if step.action in PARTS:
            continue
        key = board.key(step.id)
        if key is None or not (board.of(step.id) is Status.THERE or board.has(key)):
            continue
        inputs = {
            need.role: [labels[need.step], board.key(need.step) or ""]
            for need in step.inputs
            if need.step in labels and board.of(need.step) is not Status.FAILED
        }
        memory[labels[step.id]] = {"content": step.content, "key": key, "inputs": inputs}
    if memory != known:
        text = json.dumps({"format": FORMAT, "store_format": STORE_FORMAT, "steps": memory})
        write_whole(root / "plan.json", text.encode("utf-8"))
