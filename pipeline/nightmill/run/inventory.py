"""What lies in the night: every recording opened, named, given its role, or set aside with a reason."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from ..artefacts import Capture
from ..errors import UsageError
from ..naming import Named, Words, parse_name, parse_utc
from ..night import Found, Night, find_recordings
from ..recipe import Call
from ..stage import Source
from ..store import key_of
from .index import Index, stamp

__all__ = ["Inventory", "SetAside", "open_again", "take_inventory"]

LIBRARY = "(masters)/"
"""Begins the names of recordings that come from the folder of masters, not from the night."""

Opener = Callable[[list[tuple[str, dict[str, Any]]]], Iterable[tuple[str, dict[str, Any]]]]
"""Performs "open" tasks, by name, wherever tasks are performed; yields outcomes by name."""


@dataclass(frozen=True)
class SetAside:
    """A recording that cannot be used, and why."""

    file: str
    reason: str
    role: str = "light"
    trace: str = ""
    target: str | None = None
    filter: str | None = None
    utc: float | None = None


@dataclass
class Inventory:
    """The night's recordings.

    Attributes
    ----------
    lights : list of Capture
        In order of their names.
    aids : list of Capture
        Darks, flats and the like, of this night and of the masters kept across nights.
    set_aside : list of SetAside
    """

    lights: list[Capture] = field(default_factory=list)
    aids: list[Capture] = field(default_factory=list)
    set_aside: list[SetAside] = field(default_factory=list)


def take_inventory(
    night: Night,
    sources: Sequence[Call],
    words: Words,
    index: Index,
    opener: Opener,
    *,
    skip: Sequence[Path] = (),
    plugins: Sequence[str] = (),
    need_target: bool = True,
    ready: Callable[[Found], bool] | None = None,
) -> Inventory:
    """Find, open and name every recording.

    Parameters
    ----------
    night : Night
    sources : sequence of Call
        Source stages, the first that accepts a path reads it.
    words : Words
        Roles of aids and targets that the recipes know.
    index : Index
        Descriptions of recordings that have not changed since.
    opener : callable
        Performs the tasks for those that have.
    skip : sequence of Path
        Folders to pass over.
    plugins : sequence of str
        Single-file plugins, for the tasks.
    need_target : bool
        Whether a recording without a target is set aside; not so when one recipe is given for all.
    ready : callable or None
        Leaves out recordings of which it says no.
    """
    stages = [call.make() for call in sources]
    found = find_recordings(night.folder, [s for s in stages if isinstance(s, Source)], skip)
    kept_elsewhere = _masters_folder(night)
    if kept_elsewhere is not None:
        extra = find_recordings(kept_elsewhere, [s for s in stages if isinstance(s, Source)], skip)
        found += [Found(one.path, LIBRARY + one.file, one.source) for one in extra]
    if ready is not None:
        found = [one for one in found if ready(one)]
    # An aid's name may go on with a filter that a light has.
    names = [parse_name(one.file, night.settings.names, words) for one in found]
    words = replace(words, filters={name.filter.lower() for name in names if name.filter and name.role is None})
    inventory = Inventory()
    by_file = {one.file: one for one in found}
    parameters = {call.name: call.resolved() for call in sources}
    for file, outcome in _opened(found, parameters, index, opener, plugins):
        one = by_file[file]
        named = parse_name(file, night.settings.names, words)
        if not outcome["ok"]:
            trace = outcome.get("trace", "") if outcome.get("kind") != "capture" else ""
            role = named.role or "light"
            aside = SetAside(file, outcome["reason"], role, trace, named.target, named.filter, named.utc)
            inventory.set_aside.append(aside)
            continue
        capture = Capture.from_json(outcome["meta"]["capture"]).replace(path=str(one.path), file=file)
        _place(inventory, _identify(capture, named, night, words.roles), night, need_target=need_target)
    inventory.lights.sort(key=lambda capture: capture.file)
    inventory.aids.sort(key=lambda capture: capture.file)
    inventory.set_aside.sort(key=lambda one: one.file)
    return inventory


def _masters_folder(night: Night) -> Path | None:
    if night.settings.masters is None:
        return None
    folder = Path(night.settings.masters).expanduser()
    folder = folder if folder.is_absolute() else night.folder / folder
    if not folder.is_dir():
        raise UsageError(f"night.yaml: masters: there is no folder {folder}")
    return folder


def _opened(
    found: Sequence[Found],
    parameters: dict[str, dict[str, Any]],
    index: Index,
    opener: Opener,
    plugins: Sequence[str],
) -> Iterable[tuple[str, dict[str, Any]]]:
    tasks, seen = [], {}
    for one in found:
        known = index.get(one.file, one.path, _entry(one.source, parameters))
        if known is not None:
            yield one.file, {"ok": True, "meta": {"capture": known}}
            continue
        try:
            seen[one.file] = stamp(one.path)
        except OSError as error:
            yield one.file, {"ok": False, "reason": f"cannot be read: {error.strerror}"}
            continue
        content = {"source": one.source, "parameters": parameters[one.source]}
        task = {"action": "open", "content": content, "carry": {"path": str(one.path)}, "plugins": list(plugins)}
        tasks.append((one.file, task))
    for file, outcome in opener(tasks):
        if outcome["ok"]:
            capture = outcome["meta"]["capture"]
            index.put(file, seen[file], _entry(capture["source"], parameters), capture)
        yield file, outcome


def _entry(source: str, parameters: dict[str, dict[str, Any]]) -> str:
    """Name a description in the index: what a header means depends on how the source was told to read it."""
    return f"capture {key_of({'source': source, 'parameters': parameters[source]})[:12]}"


def open_again(
    captures: Sequence[Capture],
    call: Call,
    night: Night,
    words: Words,
    index: Index,
    opener: Opener,
    plugins: Sequence[str],
) -> tuple[list[Capture], list[SetAside]]:
    """Open recordings once more with a source's parameters as their recipe gives them."""
    by_file = {one.file: one for one in captures}
    found = [Found(Path(one.path), one.file, one.source) for one in captures]
    opened, aside = [], []
    for file, outcome in _opened(found, {call.name: call.resolved()}, index, opener, plugins):
        if outcome["ok"]:
            capture = Capture.from_json(outcome["meta"]["capture"]).replace(path=by_file[file].path, file=file)
            named = parse_name(file, night.settings.names, words)
            opened.append(_identify(capture, named, night, words.roles))
        else:
            before = by_file[file]
            aside.append(SetAside(file, outcome["reason"], "light", "", before.target, before.filter, before.utc_start))
    return sorted(opened, key=lambda one: one.file), aside


def _identify(capture: Capture, named: Named, night: Night, roles: Collection[str]) -> Capture:
    """Fill in what the name says, then what the header says; the night file's word comes first of all."""
    own = night.known_of(capture.file)
    role = named.role or (capture.role if capture.role in roles else "light")
    target = named.target or (capture.target.lower() if capture.target else None)
    colours = night.settings.camera.colours
    if colours and capture.planes == 1 and capture.cfa is None and (named.filter or "RGB") == "RGB":
        capture = capture.replace(cfa=colours)
    name = named.filter or capture.filter or ("RGB" if capture.colour else None)
    utc = capture.utc_start if capture.utc_start is not None else named.utc
    target = own.target.lower() if own.target else target
    name = own.filter or name
    utc = parse_utc(own.utc) if own.utc else utc
    exposure = capture.exposure_s if own.exposure_s is None else own.exposure_s
    gain = capture.gain if own.gain is None else own.gain
    capture = capture.replace(exposure_s=exposure, gain=gain)
    return capture.replace(role=role, target=None if role != "light" else target, filter=name, utc_start=utc)


def _place(inventory: Inventory, capture: Capture, night: Night, *, need_target: bool) -> None:
    if night.known_of(capture.file).skip:
        return
    if capture.role != "light":
        inventory.aids.append(capture)
    elif capture.file.startswith(LIBRARY):
        return  # a folder of masters may hold other things
    elif capture.target is None and need_target:
        stem = Path(capture.file).name
        reason = (
            f"neither its name nor its header tells the target; name it like {night.settings.names}, or write into "
            f"night.yaml: captures: {{{stem}: {{target: jupiter}}}}"
        )
        inventory.set_aside.append(SetAside(capture.file, reason))
    else:
        inventory.lights.append(capture)
