"""The members of a picture stage's group: read all at once, or each time they are asked for; and their records."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, overload

from ..artefacts import Capture, Picture, Stack
from ..artefacts.fitsio import read_record
from .task import Task

__all__ = ["Members", "consulted", "consulted_sources", "join_records", "parents_of"]

Record = dict[str, Any]


class Members(Sequence[Picture]):
    """The pictures of a group, each read from the store whenever it is asked for; none is kept here.

    Parameters
    ----------
    task : Task
        Its inputs "member:..." are the products; each is verified once, here.
    captures : list of Capture
        What the pictures were made from; a stack becomes a picture of its own.
    """

    def __init__(self, task: Task, captures: list[Capture]) -> None:
        self._captures = {one.file: one for one in captures}
        self._places: list[Path] = []
        self.lines: list[tuple[list[str], Record]] = []
        """Of every picture the files that it is of, and its record."""
        for _, key in task.roles("member:"):
            folder = task.store.open(key)
            if (folder / "stack.fits").exists():
                record = read_record(folder / "stack.fits").get("record", {})
                self._places.append(folder)
                self.lines.append(([record["sources"][0]["file"]], record))
                continue
            for place in sorted(one for one in folder.iterdir() if one.is_dir()):
                said = read_record(place / "picture.fits")
                self._places.append(place)
                self.lines.append(([one["file"] for one in said["captures"]], said["record"]))

    def __len__(self) -> int:
        return len(self._places)

    @overload
    def __getitem__(self, index: int) -> Picture: ...
    @overload
    def __getitem__(self, index: slice) -> list[Picture]: ...
    def __getitem__(self, index: int | slice) -> Picture | list[Picture]:
        if isinstance(index, slice):
            return [self[k] for k in range(*index.indices(len(self)))]
        place = self._places[index]
        if (place / "stack.fits").exists():
            return Picture.from_stack(Stack.load(place), self._captures[self.lines[index][0][0]])
        return Picture.load(place)


def consulted(task: Task) -> tuple[tuple[Capture, Picture | None], ...]:
    """Return the captures that a group looks at besides its members, each with its stack; None for one set aside."""
    keys = {role.partition(":")[2]: key for role, key in task.roles("consulted:")}
    found: list[tuple[Capture, Picture | None]] = []
    for facts in task.content.get("consulted", []):
        capture = Capture.from_json({**facts, "cautions": (), "path": ""})
        key = keys.get(capture.file)
        found.append((capture, None if key is None else Picture.from_stack(Stack.load(task.store.open(key)), capture)))
    return tuple(found)


def consulted_sources(consulted: Sequence[tuple[Capture, Picture | None]]) -> list[Record]:
    """Return the recordings behind what was looked at, for the record of a picture."""
    return [one for _, picture in consulted if picture is not None for one in picture.record.get("sources", [])]


def parents_of(lines: Sequence[tuple[list[str], Record]], files: Sequence[str]) -> list[Record]:
    """Return the records of the members that share a capture with a picture of `files`; of all, when none does."""
    return [record for of, record in lines if set(of) & set(files)] or [record for _, record in lines]


def join_records(records: Sequence[Record], own: Record) -> Record:
    """Join the records of a group's members; what a stage put into its picture's record goes on top."""
    merged: Record = {"sources": [], "masters": {}, "notes": []}
    looked_at: list[Record] = []
    for record in records:
        looked_at += [one for one in record.get("consulted", []) if one not in looked_at]
        merged["sources"] += [one for one in record.get("sources", []) if one not in merged["sources"]]
        merged["notes"] += [one for one in record.get("notes", []) if one not in merged["notes"]]
        for source in record.get("sources", []):
            if record.get("masters"):
                merged["masters"].setdefault(source["file"], record["masters"])
    if looked_at:
        merged["consulted"] = looked_at
    return {**own, **merged}
