"""OUT/night.json: what came of every capture and every picture, for programs and for the report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from ..artefacts import Capture
from ..plan import Plan
from ..store import DamagedError, Store
from .inventory import SetAside
from .states import Board, Status

__all__ = ["FORMAT", "files_of", "shelf_of", "summarise"]

FORMAT = 1


def summarise(plan: Plan, board: Board, store: Store, set_aside: Sequence[SetAside], state: str) -> dict[str, Any]:
    """Build the summary.

    Returns
    -------
    dict
        JSON values: "format", "state" ("running", "finished", "interrupted", "failed"), "counts", "captures",
        "masters", "pictures", "sequences" ("name", "kind", "files", "target", "filters", "captures", "notes" and
        "utc", the times of the first and the last picture shown), "not_made" (pictures that a stage would have added,
        such as a mosaic, each with "stage", "captures", "failed" and "reason"), "earlier" (files that runs with other
        recipes left, told when a run has finished). Paths of captures are relative to the night, those of products to
        the output folder.
    """
    pictures = _pictures(plan, board, store)
    captures = [_capture(index, plan, board, store) for index in range(len(plan.chains))]
    captures += [_aside(one) for one in set_aside if one.role == "light"]
    captures.sort(key=lambda one: str(one["file"]))
    masters = [_master(file, plan, board, store) for file in plan.masters]
    masters += [{**_aside(one), "role": one.role} for one in set_aside if one.role != "light"]
    counts = {status: sum(one["status"] == status for one in captures) for status in ("done", "set_aside")}
    return {
        "format": FORMAT,
        "state": state,
        "counts": {**counts, "captures": len(captures), "pictures": len(pictures)},
        "captures": captures,
        "masters": sorted(masters, key=lambda one: str(one["file"])),
        "pictures": pictures,
        "sequences": _sequences(plan, board, store),
        "not_made": _not_made(plan, board, store),
        "earlier": [],
    }


def files_of(summary: Mapping[str, Any]) -> set[str]:
    """Return the paths, below the output folder, of all products that a summary lists."""
    shown = {file for one in (*summary["pictures"], *summary["sequences"]) for file in one["files"]}
    sums = {one.get("stack") or one.get("master") for one in (*summary["captures"], *summary["masters"])}
    return shown | {str(place) for place in sums if place}


def capture_outcome(index: int, plan: Plan, board: Board) -> tuple[str, str | None]:
    """Return (status, reason) of a capture: "done" when its stack and a picture of it are there."""
    chain = plan.chains[index]
    if board.of(chain.file) is Status.FAILED:
        return "set_aside", board.reasons[chain.file]
    pictures = [one.step for one in plan.pictures_of(index) if not one.added]
    states = [board.of(step) for step in pictures]
    if states and all(state is Status.FAILED for state in states):
        return "set_aside", board.reasons[pictures[0]]
    if board.of(chain.file) is Status.THERE and any(state is Status.THERE for state in states):
        return "done", None
    begun = any(board.of(s) in (Status.RUNNING, Status.THERE) for s in (chain.stack, chain.table or chain.stack))
    return ("working" if begun else "waiting"), None


def _capture(index: int, plan: Plan, board: Board, store: Store) -> dict[str, Any]:
    chain = plan.chains[index]
    status, reason = capture_outcome(index, plan, board)
    meta = _meta(chain.file, board, store)
    facts = _facts(chain.capture)
    return {
        **facts,
        "frames_kept": meta.get("header", {}).get("frames_kept"),
        "status": status,
        "reason": reason,
        "stack": f"stacks/{chain.name}.fits" if meta else None,
        "masters": {role: plan.steps[step].carry["file"] for role, step in chain.aids.items()},
        "notes": meta.get("notes", []),
    }


def _facts(capture: Capture) -> dict[str, Any]:
    return {
        "file": capture.file,
        "target": capture.target,
        "filter": capture.filter,
        "utc_mid": iso(capture.utc_mid),
        "duration_s": capture.duration_s,
        "frames": capture.frames,
        "frames_missing": capture.frames_missing,
        "width": capture.width,
        "height": capture.height,
        "cautions": list(capture.cautions),
    }


def _aside(one: SetAside) -> dict[str, Any]:
    known = {"target": one.target, "filter": one.filter, "utc_mid": iso(one.utc)}
    empty = dict.fromkeys(("frames", "frames_kept", "stack"))
    return {"file": one.file, **known, **empty, "status": "set_aside", "reason": one.reason, "notes": []}


def _master(file: str, plan: Plan, board: Board, store: Store) -> dict[str, Any]:
    chain = plan.masters[file]
    state = board.of(chain.stack)
    # A master that no step asked for in this run may be there from an earlier one.
    there = state is Status.THERE or (state is Status.IDLE and store.has(board.key(chain.stack) or ""))
    status = "set_aside" if state is Status.FAILED else "done" if there else "waiting"
    reason = board.reasons.get(chain.stack)
    master = f"masters/{chain.name}.fits" if there else None
    return {**_facts(chain.capture), "role": chain.capture.role, "status": status, "reason": reason, "master": master}


def _pictures(plan: Plan, board: Board, store: Store) -> list[dict[str, Any]]:
    listed = []
    for picture in plan.pictures:
        for one in _meta(picture.step, board, store).get("listed", []):
            if shelf_of(one) == "pictures":
                files = [f"pictures/{file}" for file in one["files"]]
                listed.append({**one, "files": files, "utc": iso(one["utc"])})
    return listed


def _sequences(plan: Plan, board: Board, store: Store) -> list[dict[str, Any]]:
    """List what is shown as a sequence: its files, what it is of, and the times of its first and its last picture."""
    listed = []
    for picture in plan.pictures:
        for one in _meta(picture.step, board, store).get("listed", []):
            if shelf_of(one) == "sequences":
                film = one["header"].get("film", {})
                times = film.get("utc") or [one["utc"]]
                kept = {key: one[key] for key in ("name", "kind", "target", "filters", "captures", "notes")}
                files = [f"sequences/{file}" for file in one["files"]]
                listed.append({**kept, "files": files, "utc": [iso(times[0]), iso(times[-1])]})
    return listed


def shelf_of(one: Mapping[str, Any]) -> str:
    """Folder of the output in which a listed picture's files lie."""
    return str(one.get("shelf", "pictures"))


def _not_made(plan: Plan, board: Board, store: Store) -> list[dict[str, Any]]:
    """List the pictures that a stage would have added: where it found nothing to add, or failed."""
    listed = []
    for picture in plan.pictures:
        if not picture.added or all(capture_outcome(i, plan, board)[0] == "set_aside" for i in picture.captures):
            continue
        failed = board.of(picture.step) is Status.FAILED
        meta = _meta(picture.step, board, store)
        if not failed and (not meta or meta.get("listed")):
            continue
        reason = board.reasons[picture.step] if failed else " ".join(note["text"] for note in meta.get("notes", []))
        files = [plan.chains[index].capture.file for index in picture.captures]
        listed.append({"stage": picture.added, "captures": files, "failed": failed, "reason": reason})
    return listed


def _meta(step: str, board: Board, store: Store) -> dict[str, Any]:
    if board.of(step) is not Status.THERE:
        return {}
    try:
        return store.meta(board.key(step) or "")
    except DamagedError:
        return {}


def iso(seconds: float | None) -> str | None:
    """Write POSIX seconds as ISO 8601, UTC, to the millisecond."""
    if seconds is None:
        return None
    return datetime.fromtimestamp(seconds, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
