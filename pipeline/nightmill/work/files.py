"""The files of finished pictures, by the writers that plugins hand over, each with its full record."""

from __future__ import annotations

import contextlib
import dataclasses
import platform
import re
import traceback
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from ..artefacts import Capture, Picture, Stack
from ..naming import format_name
from ..store import DamagedError
from .calling import StageError, calling
from .task import Task

__all__ = ["publish", "publish_master", "publish_stack", "versions"]

LIBRARIES = ("nightmill", "numpy", "scipy", "opencv-python-headless", "astropy")
RECORD_FORMAT = 1


def versions() -> dict[str, str]:
    """Return the versions that the bits of a picture depend on."""
    found = {"python": platform.python_version()}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed as a package"
    return found


def publish(task: Task, folder: Path, meta: dict[str, Any]) -> None:
    """Write every picture of a product in all formats; `meta` tells names, targets and notes for the summary."""
    key = task.inputs["member:00"]
    source = task.store.open(key)
    if (source / "stack.fits").exists():
        raise DamagedError(key, "the recipe has no picture stage")  # refused when the recipe is read
    listed: list[dict[str, Any]] = []
    for place in sorted(path for path in source.iterdir() if path.is_dir()):
        picture = Picture.load(place)
        name = _name(picture, task.content, [one["name"] for one in listed])
        picture = picture.replace(record=_record(task, picture.record))
        files, troubles = _write(task, picture, folder / name)
        if troubles:
            meta.setdefault("troubles", []).extend(troubles)
        first = picture.captures[0]
        listed.append(
            {
                "name": name,
                "files": files,
                "target": first.target,
                "filters": list(picture.filters),
                "utc": picture.utc_mid,
                "captures": [one.file for one in picture.captures],
                **({"kind": picture.kind} if picture.kind else {}),
                **({"shelf": "sequences"} if picture.frames is not None else {}),
                "geometry": picture.geometry,
                "header": picture.header,
                "notes": [*picture.record["notes"], *(_caution(trouble, first.file) for trouble in troubles)],
            }
        )
    meta["listed"] = listed
    if not listed:
        # A stage that adds pictures found nothing to add; the summary says why.
        task.notes = list(task.store.meta(key).get("notes", []))


def _write(task: Task, picture: Picture, stem: Path) -> tuple[list[str], list[dict[str, str]]]:
    """Write a picture in all formats; return the names of the files, and what writers failed to write.

    A writer that fails costs its own format. Where none can write the picture, its error is raised.
    """
    files: list[str] = []
    troubles: list[dict[str, str]] = []
    failed: StageError | None = None
    for writer in task.registry.writers:
        if writer.moving != (picture.frames is not None):
            continue
        path = stem.with_name(stem.name + writer.suffix)
        try:
            with calling(f"writer {writer.name}", "write"):
                if writer.write(picture, path):
                    files.append(path.name)
        except StageError as error:
            failed = error
            trace = "".join(traceback.format_exception(error, limit=-12))
            text = f"{path.name} is missing: writer {writer.name!r} failed: {_cause(error)}"
            troubles.append({"writer": writer.name, "text": text, "trace": trace})
            with contextlib.suppress(PermissionError):  # Windows, where it was left open; it is not listed
                path.unlink(missing_ok=True)
    if failed is not None and not files:
        raise failed
    return files, troubles


def _cause(error: StageError) -> str:
    return f"{type(error.cause).__name__}: {error.cause}"


def _caution(trouble: dict[str, str], file: str) -> dict[str, Any]:
    """Return a note of the form that stages make, for the report."""
    return {
        "stage": "files",
        "of": file,
        "kind": "caution",
        "name": f"writer {trouble['writer']}",
        "value": None,
        "text": trouble["text"],
    }


def publish_stack(task: Task, folder: Path, meta: dict[str, Any]) -> None:
    """Write a capture's linear stack with its full record."""
    stack = Stack.load(task.store.open(task.inputs["stack"]))
    complete = dataclasses.replace(stack, record=_record(task, stack.record))
    capture = Capture.from_json({**task.content["capture"], "path": ""})
    cards = {
        "OBJECT": (capture.target, "target"),
        **_capture_cards(capture),
        "DATE-AVG": (_iso(capture.utc_mid), "middle of the capture, UTC"),
        "TIMESYS": ("UTC" if capture.utc_mid is not None else None, "time scale of the dates"),
        **_cards(stack),
    }
    complete.write(folder / "stack.fits", _known(cards))
    meta |= {"header": stack.header, "notes": stack.record["notes"]}


def publish_master(task: Task, folder: Path, meta: dict[str, Any]) -> None:
    """Write the master of a dark or flat, with the header by which a later night finds and matches it."""
    stack = Stack.load(task.store.open(task.inputs["stack"]))
    capture = Capture.from_json({**task.content["capture"], "path": ""})
    cards = {
        "IMAGETYP": (capture.role, "kind of master"),
        "BAYERPAT": (capture.cfa, "colour filter array, from the top left"),
        **_capture_cards(capture),
        **_cards(stack),
    }
    stack.write(folder / "stack.fits", _known(cards))


Cards = dict[str, tuple[Any, str]]


def _capture_cards(capture: Capture) -> Cards:
    return {
        "FILTER": (capture.filter, "filter"),
        "EXPTIME": (capture.exposure_s, "[s] exposure of a frame"),
        "GAIN": (capture.gain, "gain, as the camera states it"),
        "INSTRUME": (capture.camera, "camera"),
        "DATE-OBS": (_iso(capture.utc_start), "start, UTC"),
    }


def _cards(stack: Stack) -> Cards:
    return {
        "NFRAMES": (stack.header.get("frames_kept"), "frames in the stack"),
        "NTOTAL": (stack.header.get("frames_total"), "frames in the capture"),
    }


def _known(cards: Cards) -> Cards:
    return {keyword: card for keyword, card in cards.items() if card[0] is not None}


def _iso(utc: float | None) -> str | None:
    return None if utc is None else datetime.fromtimestamp(utc, UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3]


def _record(task: Task, record: dict[str, Any]) -> dict[str, Any]:
    """Complete a record: with it and the night's files, the same can be made again."""
    return {
        "nightmill": RECORD_FORMAT,
        "recipe": task.content["recipe"],
        "versions": versions(),
        "plugins": task.content["plugins"],
        "stage_versions": task.content["stage_versions"],
        "night": task.content["night"],
        **record,
    }


def _name(picture: Picture, content: dict[str, Any], taken: list[str]) -> str:
    """Name a picture after its first capture; numbers tell pictures of one target, time and filter apart."""
    if picture.kind:
        word = re.sub(r"[^a-z0-9]+", "-", picture.kind.lower()).strip("-") or "other"
        whole = _name(picture.replace(kind=""), {**content, "serial": 1}, [])
        number = content["serial"]
        name = f"{whole}_{word}" if number == 1 else f"{whole}_{word}-{number}"
        while name in taken:
            number += 1
            name = f"{whole}_{word}-{number}"
        return name
    first = picture.captures[0]
    own: str | None = dict(zip(content["files"], content["stem"], strict=True)).get(first.file)
    joined = "".join(picture.filters) if all(len(f) == 1 for f in picture.filters) else "-".join(picture.filters)
    if joined == first.filter and own is not None and own not in taken:
        return own
    base = format_name(content["names"], first.target, joined, first.utc_start)
    number = content["serial"]
    name = base if number == 1 else f"{base}-{number}"
    while name in taken:
        number += 1
        name = f"{base}-{number}"
    return name
