"""The actions of a plan's steps, each a function from a task to a product in a folder."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..artefacts import Capture, Frames, FrameTable, Picture, Stack
from ..errors import CaptureError
from ..stage import Context, Fold, PictureStage, Survey
from .calling import calling
from .feed import Feed
from .files import publish, publish_master, publish_stack
from .members import Members, consulted, consulted_sources, join_records, parents_of
from .preview import preview
from .sheet import sheet
from .states import load_arrays, save_arrays, save_state
from .tables import RangeWriter, add_concluded, add_measured, aside
from .task import Task, plain

__all__ = ["ACTIONS"]

Meta = dict[str, Any]

WORTH_SKIPPING = 2**20
"""Smaller frames that no survey of a pass wants are read along: to leave them out takes longer (bytes)."""


def prepare(task: Task, folder: Path, meta: Meta) -> None:
    """Let the survey or fold stages of one pass make what they need for this capture."""
    aids = task.aids()
    with task.feed(aids) as feed:
        table = task.table() or _base_table(feed)
        for said in task.content["stages"]:
            stage = task.stage(said)
            assert isinstance(stage, (Survey, Fold))
            context = task.context(said, (feed.capture,))
            context.aids = aids
            task.reading(context, feed)
            with calling(stage.name, "prepare"):
                state = stage.prepare(table, context)
            task.keep_notes(stage.name, context)
            if state:
                save_state(folder / stage.name, state)


def survey(task: Task, folder: Path, meta: Meta) -> None:
    """Measure a range of frames by the stages of one pass; only measured rows are stored."""
    aids = task.aids()
    start, stop = task.content["range"]
    with task.feed(aids) as feed:
        table = task.table()
        stages = _surveys(task, feed, aids)
        mask = _wanted(stages, table, feed.capture)
        written = RangeWriter(folder, stop - start if mask is None else int(mask[start:stop].sum()))
        with written:
            for frames in feed.chunks(start, stop, mask):
                rows = table.take(frames.numbers) if table is not None else _rows(frames)
                columns: dict[str, NDArray[Any]] = {"number": frames.numbers}
                for stage, context in stages:
                    with calling(stage.name, "measure"):
                        found = stage.measure(frames, rows, context)
                        columns |= _checked(stage, found, len(frames))
                written.add(columns)
            written.close()
        for stage, context in stages:
            task.keep_notes(stage.name, context)


def conclude(task: Task, folder: Path, meta: Meta) -> None:
    """Join the ranges of one pass into the frame table and let the stages conclude on the whole capture."""
    aids = task.aids()
    parts = [FrameTable.load(task.store.open(key)) for _, key in task.roles("part:")]
    parts = [part for part in parts if part.rows]
    with task.feed(aids) as feed, aside(folder) as beside:
        table = task.table() or _base_table(feed)
        if parts:
            table = add_measured(table, parts, beside)
        for stage, context in _surveys(task, feed, aids):
            with calling(stage.name, "conclude"):
                table = add_concluded(table, stage.conclude(table, context), beside)
            task.keep_notes(stage.name, context)
        table = table.without([name for name in table if name.startswith("_")])
        kept = np.asarray(table["kept"], bool)
        table = table.with_columns({"kept": kept})
        task.notes = _gathered(task)
        meta |= {"frames": table.rows, "kept": int(kept.sum())}
        if not kept.any():
            raise CaptureError(_nothing_kept(task))
        table.save(folder)


def fold(task: Task, folder: Path, meta: Meta) -> None:
    """Fold the selected frames of a range into a partial result."""
    aids = task.aids()
    start, stop = task.content["range"]
    with task.feed(aids) as feed:
        table = task.table() or _base_table(feed)
        stage, context = _fold(task, feed.capture, aids)
        with calling(stage.name, "select"):
            mask = np.asarray(stage.select(table, context), bool)
        partial = None
        for frames in feed.chunks(start, stop, mask):
            with calling(stage.name, "fold"):
                partial = stage.fold(partial, frames, table.take(frames.numbers), context)
        task.keep_notes(stage.name, context)
    save_arrays(folder, partial or {})
    meta["folded"] = int(mask[start:stop].sum())


def finish(task: Task, folder: Path, meta: Meta) -> None:
    """Join partial results in the order of the frames and make the stack."""
    aids = task.aids()
    capture = task.capture()
    with task.feed(aids) as feed:
        table = task.table() or _base_table(feed)
    stage, context = _fold(task, capture, aids)
    partial = None
    for _, key in task.roles("part:"):
        arrays = load_arrays(task.store.open(key))
        if not arrays:
            continue
        with calling(stage.name, "join"):
            partial = arrays if partial is None else stage.join(partial, arrays)
    if partial is None:
        raise CaptureError("no frame was good enough to stack")
    with calling(stage.name, "finish"):
        stack = stage.finish(partial, table, context)
    task.keep_notes(stage.name, context)
    header = {"frames_total": capture.frames, **plain(stack.header)}
    record: dict[str, Any] = {
        "sources": [{"file": capture.file, "sha256": task.inputs["recording"], "frames": capture.frames}]
    }
    record["masters"] = {role.partition(":")[2]: key for role, key in task.roles("aid:")}
    record["notes"] = _notes_so_far(task, capture)
    Stack(stack.data, stack.weight, stack.noise, stack.half_a, stack.half_b, header, record).save(folder)
    meta["header"] = header


def develop(task: Task, folder: Path, meta: Meta) -> None:
    """Run a picture stage on one group of pictures."""
    said = task.content["stage"]
    stage = task.stage(said)
    assert isinstance(stage, PictureStage)
    captures = [Capture.from_json({**facts, "path": ""}) for facts in task.content["captures"]]
    members = Members(task, captures)
    if not members:
        # A stage before this one found nothing to add; why stands in its notes.
        _nothing_to_add(task, meta)
        return
    context = task.context(said, captures)
    context.consulted = consulted(task)
    # A stage that streams is handed the sequence itself, which holds no picture.
    pictures: Any = members if stage.streams else list(members)
    with calling(stage.name, "develop"):
        made = stage.develop(pictures, context)
        results = [made] if isinstance(made, Picture) else list(made)
        for picture in results:
            if not isinstance(picture, Picture):
                raise TypeError(f"develop returned {type(picture).__name__}, not a Picture")
    task.keep_notes(stage.name, context)
    if not results and not stage.adds:
        raise CaptureError(f"stage {stage.name!r} made no picture of {', '.join(c.file for c in captures)}")
    made_of = [{capture.file for capture in picture.captures} for picture in results]
    for number, picture in enumerate(results):
        files = [capture.file for capture in picture.captures]
        record = join_records(parents_of(members.lines, files), plain(picture.record))
        record["notes"] = record.get("notes", []) + _notes_on(files, made_of, task.notes)
        looked_at = [*record.get("consulted", []), *consulted_sources(context.consulted)]
        if looked_at:
            record["consulted"] = looked_at
        place = folder / f"{number:02d}"
        place.mkdir()
        picture.replace(
            data=np.asarray(picture.data, np.float32),
            geometry=plain(picture.geometry),
            display=plain(picture.display),
            header=plain(picture.header),
            record=record,
            kind=(picture.kind or stage.name) if stage.adds else picture.kind,
        ).save(place)
    meta["pictures"] = len(results)


def _notes_on(files: list[str], made_of: list[set[str]], notes: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return what a stage noted on the picture of some files: on this one or on all, not what it noted on others."""
    found = []
    for note in notes:
        about = set(note.get("about", ()))
        # What concerns a picture that went into another one is that one's matter.
        if about == set(files) or about not in made_of:
            found.append({key: value for key, value in note.items() if key != "about"} | {"of": "; ".join(files)})
    return found


def _nothing_to_add(task: Task, meta: Meta) -> None:
    """Hand on why there is no picture."""
    task.notes = [note for _, key in task.roles("member:") for note in task.store.meta(key).get("notes", [])]
    meta["pictures"] = 0


def _surveys(task: Task, feed: Feed, aids: dict[str, Stack]) -> list[tuple[Survey, Context]]:
    pairs = []
    for said in task.content["stages"]:
        stage = task.stage(said)
        assert isinstance(stage, Survey)
        context = task.context(said, (feed.capture,))
        context.aids, context.state = aids, task.state_of(stage.name)
        pairs.append((stage, context))
    return pairs


def _fold(task: Task, capture: Capture, aids: dict[str, Stack]) -> tuple[Fold, Context]:
    said = task.content["stages"][0]
    stage = task.stage(said)
    assert isinstance(stage, Fold)
    context = task.context(said, (capture,))
    context.aids, context.state = aids, task.state_of(stage.name)
    return stage, context


def _wanted(
    stages: list[tuple[Survey, Context]], table: FrameTable | None, capture: Capture
) -> NDArray[np.bool_] | None:
    """Return a mask of the frames that the surveys of a pass are to measure; None for all."""
    if table is None:
        return None
    kept = np.asarray(table["kept"], bool) if any(stage.rows == "kept" for stage, _ in stages) else None
    if capture.frame_bytes < WORTH_SKIPPING:
        return kept
    masks = []
    for stage, context in stages:
        with calling(stage.name, "select"):
            mask = stage.select(table, context)
        if mask is None:
            return kept
        masks.append(np.asarray(mask, bool))
    wanted: NDArray[np.bool_] = np.logical_or.reduce(masks)
    return wanted if kept is None else wanted & kept


def _base_table(feed: Feed) -> FrameTable:
    count = feed.capture.frames
    return FrameTable({"number": np.arange(count), "utc": feed.times(), "kept": np.ones(count, bool)})


def _rows(frames: Frames) -> FrameTable:
    return FrameTable({"number": frames.numbers, "utc": frames.utc, "kept": np.ones(len(frames), bool)})


def _checked(stage: Survey, columns: Mapping[str, Any], count: int) -> dict[str, NDArray[Any]]:
    checked = {}
    for name, values in columns.items():
        if name not in stage.gives and not name.startswith("_"):
            raise ValueError(f"gave the column {name!r}, which it does not declare in `gives`")
        array = np.asarray(values)
        if array.shape[:1] != (count,):
            raise ValueError(f"column {name!r} has shape {array.shape} for {count} frames")
        checked[name] = array
    return checked


def _nothing_kept(task: Task) -> str:
    said = [note["text"] for note in task.notes if note["kind"] == "caution"]
    return "no frame can be used" + (f": {' '.join(said)}" if said else "")


def _notes_so_far(task: Task, capture: Capture) -> list[dict[str, Any]]:
    """Collect what all steps of this capture noted, and what its file gave to beware of."""
    notes: list[dict[str, Any]] = [
        {"stage": capture.source, "kind": "caution", "name": "file", "value": None, "text": text}
        for text in capture.cautions
    ]
    return [{**note, "of": capture.file} for note in notes + _gathered(task)]


def _gathered(task: Task) -> list[dict[str, Any]]:
    """Collect the notes of the products that this task was made from, then its own, once each."""
    notes: list[dict[str, Any]] = []
    for role in ("table", "state", "part:"):
        for _, key in task.roles(role):
            notes += [note for note in task.store.meta(key).get("notes", []) if note not in notes]
    return notes + [note for note in task.notes if note not in notes]


ACTIONS: dict[str, Callable[[Task, Path, Meta], None]] = {
    "prepare": prepare,
    "survey": survey,
    "conclude": conclude,
    "fold": fold,
    "finish": finish,
    "develop": develop,
    "publish": publish,
    "publish_master": publish_master,
    "publish_stack": publish_stack,
    "sheet": sheet,
    "preview": preview,
}
