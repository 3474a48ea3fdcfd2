"""What a run would do, and why: the plan against the store, for people and as JSON. Runs nothing, writes nothing."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ..artefacts import Capture
from ..plan import PicturePlan, Plan, Step
from ..plan.space import bytes_needed
from ..recipe import Recipe
from .choose import choose_recipe
from .fitting import changed_parameters
from .hints import hints
from .reasons import content_reasons, input_reasons
from .remember import PARTS, Memory, label_of, load_memory
from .session import Session, open_here
from .states import Board, Status

__all__ = ["look_ahead"]

JOURNAL_TAIL = 4 * 2**20
"""Bytes of the journal that are read for how long steps took."""


def look_ahead(session: Session, workers: int) -> dict[str, Any]:
    """Look at what a run would do.

    Parameters
    ----------
    session : Session
    workers : int
        How many tasks go side by side, for the time.

    Returns
    -------
    dict
        JSON values: "night", "out", "captures" (file, target, filter, frames, recipe, changes, name, steps),
        "masters", "pictures" (names, added, files, consulted, steps), "not_recorded" (references of which the night
        has no capture), "broken_plugins" (name, reason), "hints" (sentences), "set_aside" (file, role, reason), "disk"
        (needed_bytes, free_bytes) and "seconds" (None when nothing was timed so far). A step has "step", "label",
        "state" ("there", "make", "again", "unknown", "set_aside"), "tasks" (how many it takes now) and "reasons".
    """
    inventory, plan, board = session.survey(open_here)
    board.want(plan.goals)
    _give_up_refused(plan, board, session.store.refusal)
    teller = _Teller(plan, board, load_memory(session.store.root), session.store.has)
    order = {name: number for number, name in enumerate(plan.steps)}
    times = _step_seconds(session.out / "journal.jsonl")
    recipes = [choose_recipe(one.capture.target, one.capture.filter, session.recipes) for one in plan.chains]
    captures = [
        {
            "file": chain.capture.file,
            "target": chain.capture.target,
            "filter": chain.capture.filter,
            "frames": chain.capture.frames,
            "recipe": recipe.name if recipe else "",
            "changes": _changes(session, recipe, chain.capture),
            "name": chain.name,
            "steps": teller.steps(f"{index:05d}/", lambda part: not part.startswith("picture ")),
        }
        for index, (chain, recipe) in enumerate(zip(plan.chains, recipes, strict=True))
    ]
    masters = [
        {"file": file, "role": chain.capture.role, "steps": teller.steps(f"master/{file}/", lambda part: True)}
        for file, chain in plan.masters.items()
    ]
    pictures = [
        {
            "names": list(picture.names),
            "added": picture.added,
            "files": [plan.chains[index].capture.file for index in picture.captures],
            "consulted": _consulted(plan, picture, order),
            "steps": [teller.step([plan.steps[name]]) for name in _picture_steps(plan, picture, order)],
        }
        for picture in plan.pictures
    ]
    recorded = {one.capture.target for one in plan.chains} | {one.target for one in inventory.set_aside}
    free = shutil.disk_usage(_existing(session.out)).free
    needed = bytes_needed(plan, lambda step: session.store.has(board.key(step) or ""))
    return {
        "night": str(session.night.folder),
        "out": str(session.out),
        "captures": captures,
        "masters": masters,
        "pictures": pictures,
        "not_recorded": [name for name in session.night.settings.references if name.lower() not in recorded],
        "broken_plugins": [{"name": one.name, "reason": one.reason} for one in session.registry.broken],
        "hints": hints(session, inventory, plan),
        "set_aside": [{"file": one.file, "role": one.role, "reason": one.reason} for one in inventory.set_aside],
        "disk": {"needed_bytes": needed, "free_bytes": free},
        "seconds": _time(plan, board, times, workers),
    }


def _give_up_refused(plan: Plan, board: Board, refusal: Callable[[str], str | None]) -> None:
    """Give up, as a run does, what the data refused in a run before, and what goes on without it."""
    open_steps = True
    while open_steps:
        open_steps = False
        for step in plan.steps.values():
            key = board.key(step.id) if board.of(step.id) is Status.READY else None
            reason = None if key is None else refusal(key)
            if reason is not None:
                board.failed(step.id, reason)
                open_steps = True


class _Teller:
    """Tells where steps stand, joining the many tasks of one step of the recipe."""

    def __init__(self, plan: Plan, board: Board, memory: Memory, has: Callable[[str], bool]) -> None:
        self.plan, self.board, self.memory, self.has = plan, board, memory, has
        self.labels = {step.id: label_of(step, plan) for step in plan.steps.values() if step.action not in PARTS}

    def steps(self, prefix: str, wanted: Callable[[str], bool]) -> list[dict[str, Any]]:
        """Tell of the steps below a prefix, gathered by what stands before the last part of their names."""
        groups: dict[str, list[Step]] = {}
        for step in self.plan.steps.values():
            part = step.id.removeprefix(prefix)
            if part != step.id and wanted(part):
                groups.setdefault(part.rpartition("/")[0] or part, []).append(step)
        return [self.step(steps) for steps in groups.values()]

    def step(self, steps: list[Step]) -> dict[str, Any]:
        """Tell of one step of the recipe, which may be several tasks; the last makes what is kept."""
        last = steps[-1]
        open_tasks = [one for one in steps if self.waits(one)]
        label = self.labels[last.id]
        known = self.memory.get(label)
        reasons: list[str] = []
        if self.board.of(last.id) is Status.FAILED:
            state, reasons, open_tasks = "set_aside", [self.board.reasons[last.id]], []
        elif not self.waits(last):
            state = "there"
        elif last.action == "fingerprint":
            state = "unknown" if known else "make"
            reasons = [_UNREAD] if known else []
        else:
            reasons = list(dict.fromkeys(reason for one in open_tasks for reason in self.reasons(one)))
            state = "again" if reasons or known else "make"
            if _FOLLOWS_UNREAD in reasons and all(r == _FOLLOWS_UNREAD or r.startswith("follows") for r in reasons):
                state, reasons = "unknown", [_FOLLOWS_UNREAD]
        name = _stage_name(last)
        return {"step": name, "label": label, "state": state, "tasks": len(open_tasks), "reasons": reasons}

    def waits(self, step: Step) -> bool:
        """Say whether a step is still to be done (or to be decided)."""
        return _waits(step, self.board)

    def reasons(self, step: Step) -> list[str]:
        """Say why a step is done again; nothing for one that was never done."""
        if step.action in PARTS:
            return []
        known = self.memory.get(self.labels[step.id])
        if known is None:
            return []
        found = content_reasons(step, known["content"])
        now = {
            need.role: (self.labels[need.step], self.board.key(need.step) or "")
            for need in step.inputs
            if need.step in self.labels
        }
        found += input_reasons(known["inputs"], now)
        if found:
            return found
        for role, (label, key) in now.items():
            before = known["inputs"].get(role, ["", ""])
            if role == "recording" and key and before[1] and before[1] != key:
                found.append("source changed: its content is another")
            elif key == "" and not found:
                found.append(_FOLLOWS_UNREAD)
            elif key != before[1] and _short(label) != _stage_name(step):
                found.append(f"follows from {_short(label)}")
        if not found and self.board.key(step.id) == known["key"]:
            found.append("its product is no longer in the store")
        return found


def _waits(step: Step, board: Board) -> bool:
    """Say whether a run would do a step, or could not tell yet because its recording is still to be read."""
    status = board.of(step.id)
    return status in (Status.WANTED, Status.READY) or (status is Status.IDLE and board.key(step.id) is None)


_UNREAD = "its size or time changed; it is read to see whether its content did"
_FOLLOWS_UNREAD = "decided when the recording has been read"


def _stage_name(step: Step) -> str:
    """Name a step as recipes do; tasks that serve one stage of the recipe have its name."""
    if step.action in ("publish", "publish_stack"):
        return "files"
    head, _, tail = step.id.rpartition("/")
    return head.rpartition("/")[2] if step.action in ("prepare", "conclude", "finish", *PARTS) else tail


def _short(label: str) -> str:
    """Name a step as the tree names it."""
    head, _, tail = label.rpartition("/")
    return head.rpartition("/")[2] if tail in ("prepare", "conclude", "finish") else tail


def _picture_steps(plan: Plan, picture: PicturePlan, order: dict[str, int]) -> list[str]:
    """List the steps from the stacks to one picture's files and preview, in order."""
    found = {picture.preview} if picture.preview else set()
    pending = [picture.step]
    while pending:
        current = pending.pop()
        step = plan.steps[current]
        if current not in found and step.action in ("develop", "publish"):
            found.add(current)
            pending += [need.step for need in step.inputs]
    return sorted(found, key=order.__getitem__)


def _consulted(plan: Plan, picture: PicturePlan, order: dict[str, int]) -> list[str]:
    """List the captures that stages look at besides the picture's own."""
    needs = [need for name in _picture_steps(plan, picture, order) for need in plan.steps[name].inputs]
    files = [need.role.partition(":")[2] for need in needs if need.role.startswith("consulted:")]
    return list(dict.fromkeys(files))


def _changes(session: Session, recipe: Recipe | None, capture: Capture) -> list[str]:
    """Say which parameters of the recipe are changed for this target and filter."""
    if recipe is None:
        return []
    fitted = session.fitting.fit(recipe, capture.target, capture.filter).recipe
    return [words for _, words in changed_parameters(recipe, fitted)]


def _kind(name: str) -> str:
    """Name a task without its capture and its number: tasks of one kind take about equally long."""
    head, _, tail = name.rpartition("/")
    stage = head.rpartition("/")[2]
    if tail.startswith("range "):
        return f"{stage}/range"
    return f"{stage}/{tail}" if tail in ("prepare", "conclude", "finish") else tail


def _step_seconds(journal: Path) -> dict[str, float]:
    """Return the mean seconds of each kind of task, from the end of the journal."""
    try:
        with journal.open("rb") as stream:
            stream.seek(max(0, journal.stat().st_size - JOURNAL_TAIL))
            lines = stream.read().splitlines()[1:]
    except OSError:
        return {}
    spent: dict[str, list[float]] = {}
    for line in lines:
        if b'"step done"' not in line:
            continue
        try:
            event = json.loads(line)
            spent.setdefault(_kind(event["step"]), []).append(float(event["seconds"]))
        except (ValueError, KeyError, TypeError):
            continue
    return {kind: sum(values) / len(values) for kind, values in spent.items()}


def _time(plan: Plan, board: Board, times: dict[str, float], workers: int) -> float | None:
    """Estimate the seconds of what is left; None when nothing tells."""
    left = [step for step in plan.steps.values() if _waits(step, board)]
    if not left:
        return 0.0
    if not times:
        return None
    usual = sum(times.values()) / len(times)
    return round(sum(times.get(_kind(step.id), usual) for step in left) / max(workers, 1), 1)


def _existing(path: Path) -> Path:
    return next(one for one in (path, *path.parents) if one.exists())
