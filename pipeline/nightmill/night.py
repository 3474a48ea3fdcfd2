"""A night: its folder, what night.yaml says of equipment and site, and the recordings that lie in it."""

from __future__ import annotations

import fnmatch
import os
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, Field, ValidationError

from .documents import Node, Problems, read_yaml
from .errors import UsageError
from .night_sections import Camera, Override, Reference, Section, Site, Telescope
from .stage import Source, Unit

__all__ = [
    "NIGHT_FILE",
    "REFERENCE",
    "Found",
    "Night",
    "NightFile",
    "find_recordings",
    "fits_entry",
    "is_output",
    "read_night",
    "read_night_file",
]

NIGHT_FILE = "night.yaml"

OUTPUT = ("night.json", "journal.jsonl")
"""Files by which an output folder is known."""

REFERENCE = "reference"
"""The target that recordings of a reference have which the night file does not list; recipes are made for it."""


class NightFile(Section):
    """The night file. Every section may be left out."""

    site: Site = Field(Site(), description="Where the telescope stood.")
    telescope: Telescope = Field(Telescope(), description="The telescope.")
    camera: Camera = Field(Camera(), description="The camera.")
    cameras: dict[str, Camera] = Field(
        {}, max_length=20, description="More cameras to compare in the evening, by name."
    )
    targets: list[str] = Field([], max_length=20, description="Targets to plan for: [jupiter, moon].")
    date: str | None = Field(
        None, pattern=r"^\d{4}-\d{2}-\d{2}$", description="Date of the evening to plan for: 2026-01-12."
    )
    filters: dict[str, Annotated[float, Unit("nm")]] = Field(
        {}, description="Filters and their effective wavelengths: {R: 630 nm}."
    )
    references: dict[str, Reference | None] = Field(
        {},
        max_length=20,
        description="Targets that others are measured by, with their places: {mystar: {right_ascension: 66.4 deg, "
        "declination: 16.8 deg}}. Captures named 'reference' need no entry.",
    )
    extinction: dict[str, Annotated[float, Field(ge=0, le=5)]] = Field(
        {},
        max_length=40,
        description="Light that the air took through each filter, in magnitudes per air mass, where it was measured: "
        "{R: 0.10, G: 0.16, B: 0.26}; else that of usual air.",
    )
    names: str = Field("{target}_{date}_{time}_{filter}", max_length=200, description="How recordings are named.")
    recipes: dict[str, str] = Field({}, description="Recipe by target: {jupiter: colour-planet.yaml}.")
    changes: list[Any] = Field(
        [], max_length=100, description="Parameters that differ from the recipes, for some targets and filters."
    )
    plugins: list[str] = Field([], description="Single-file plugins (.py) to load; they are code with your rights.")
    masters: str | None = Field(None, description="Folder of darks and flats, or masters, kept across nights.")
    captures: dict[str, Override] = Field(
        {}, description="What is known of single recordings, by file name; * and ? stand for any letters."
    )


@dataclass(frozen=True)
class Night:
    """A folder of recordings with what its night file says.

    Attributes
    ----------
    folder : Path
        Absolute.
    settings : NightFile
        Validated content of night.yaml, or defaults.
    """

    folder: Path
    settings: NightFile = field(default_factory=NightFile)

    def sections(self, names: Sequence[str]) -> dict[str, Any]:
        """Return the sections of these names as stages see them; an unknown name is an empty section."""
        held: dict[str, Any] = {}
        for name in sorted(names):
            value = getattr(self.settings, name, {})
            held[name] = value.plain() if isinstance(value, Section) else _plain_items(value)
        if held.get("site", {}).get("ephemeris"):
            # Stages know no folders.
            held["site"]["ephemeris"] = (self.folder / held["site"]["ephemeris"]).as_posix()
        return held

    @property
    def references(self) -> frozenset[str]:
        """Targets, lower case, whose captures others are measured by."""
        return frozenset({REFERENCE, *(name.lower() for name in self.settings.references)})

    def known_of(self, file: str) -> Override:
        """Return what the night file says of a recording, by its path in the night or its name.

        Entries with `*` or `?` say it of all recordings that fit; later ones go over earlier ones, and what names the
        recording itself over all of them.
        """
        name = file.rpartition("/")[2]
        entries = self.settings.captures
        fitting = [one for key, one in entries.items() if "*" in key or "?" in key if _fits(file, name, key)]
        own = entries.get(file) or entries.get(name)
        found = Override()
        for one in [*fitting, *([own] if own is not None else [])]:
            found = found.model_copy(update={key: getattr(one, key) for key in one.model_fields_set})
        return found


def _plain_items(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return a section of named entries as stages see it; an entry without a word is an empty one."""
    plain = {key: {} if one is None else one for key, one in values.items()}
    return {key: one.plain() if isinstance(one, Section) else one for key, one in plain.items()}


def fits_entry(file: str, entry: str) -> bool:
    """Say whether an entry under 'captures' is of a recording, by its path in the night, its name, or a pattern."""
    name = file.rpartition("/")[2]
    return entry in (file, name) or _fits(file, name, entry)


def _fits(file: str, name: str, pattern: str) -> bool:
    return fnmatch.fnmatchcase(file, pattern) or fnmatch.fnmatchcase(name, pattern)


def read_night(folder: Path, also: Also | None = None) -> Night:
    """Read a night folder's night.yaml, if it has one.

    Parameters
    ----------
    folder : Path
    also : callable, optional
        As for `read_night_file`; called only when there is a night file.

    Raises
    ------
    UsageError
        No such folder, or a night file with problems (all listed, with line and column).
    """
    if not folder.is_dir():
        what = "is a file; name the folder that holds it" if folder.exists() else "does not exist"
        raise UsageError(f"the night folder {folder} {what}")
    folder = folder.resolve()
    path = folder / NIGHT_FILE
    if not path.is_file():
        return Night(folder)
    return Night(folder, read_night_file(path, also))


Also = Callable[[Node, Problems], None]
"""Checks more of a night file: it is handed the root and gathers problems."""


def read_night_file(path: Path, also: Also | None = None) -> NightFile:
    """Read a night file by any name.

    Parameters
    ----------
    path : Path
    also : callable, optional
        Checks what only plugins and recipes can tell, so that all problems of the file are told at once.

    Raises
    ------
    UsageError
        It cannot be read, or has problems (all listed, with line and column).
    """
    root, problems = read_yaml(path)
    settings = NightFile()
    try:
        settings = NightFile.model_validate(root.plain())
    except ValidationError as error:
        problems.add_validation(root, error.errors(), _known_keys)
    if isinstance(root.value, dict):
        _check_names(root, problems)
        _check_ephemeris(root, problems, path.parent)
        if also is not None:
            also(root, problems)
    problems.raise_if_any()
    return settings


NAMED: dict[str, type[Section]] = {"captures": Override, "references": Reference, "cameras": Camera}
"""Sections of entries that the user names, and what stands in an entry."""


def _known_keys(location: Sequence[Any]) -> list[str]:
    model: Any = NightFile
    for part in location:
        fields = {info.alias or name: info for name, info in model.model_fields.items()}
        if part in NAMED or model in NAMED.values():
            model = NAMED.get(str(part), model)
            continue
        model = getattr(fields.get(str(part)), "annotation", None)
        if not (isinstance(model, type) and issubclass(model, BaseModel)):
            return []
    return [info.alias or name for name, info in model.model_fields.items()]


def _check_names(root: Node, problems: Problems) -> None:
    pattern = root.find(["names"]).value if "names" in root.value else None
    if not isinstance(pattern, str):
        return
    fields = re.findall(r"\{([^{}]*)\}", pattern)
    for name in fields:
        if name not in ("target", "date", "time", "filter"):
            problems.add(root.find(["names"]), f"'names': there is no {{{name}}}; there is target, date, time, filter")
    if len(fields) != len(set(fields)):
        problems.add(root.find(["names"]), "'names': each part may stand once")


def _check_ephemeris(root: Node, problems: Problems, folder: Path) -> None:
    site = root.plain().get("site")
    named = site.get("ephemeris") if isinstance(site, dict) else None
    if isinstance(named, str) and not (folder / named).is_file():
        where = root.find(["site", "ephemeris"])
        problems.add(
            where, f"'site.ephemeris': there is no file {named}; name a JPL kernel (.bsp) that is on this disk"
        )


@dataclass(frozen=True)
class Found:
    """A recording in the night: its absolute path, its name relative to the night, the source that accepts it."""

    path: Path
    file: str
    source: str


def find_recordings(
    folder: Path, sources: Sequence[Source], skip: Sequence[Path] = (), links: list[str] | None = None
) -> list[Found]:
    """List what the sources accept below `folder`, in order of the names; nothing is opened.

    A folder that a source accepts as one recording is not looked into any further. Hidden names, everything in `skip`
    (the output folder), and the products of other runs are passed over; links to folders are not followed, so there
    are no circles. The names of such links, and of links that lead nowhere, are added to `links`.
    """
    barred = {path.resolve() for path in skip}
    return list(_walk(folder, folder, sources, barred, [] if links is None else links))


def is_output(folder: Path) -> bool:
    """Say whether a folder is what a run wrote into: its pictures and stacks are no recordings."""
    return all((folder / name).is_file() for name in OUTPUT)


def _walk(folder: Path, root: Path, sources: Sequence[Source], barred: set[Path], links: list[str]) -> Iterator[Found]:
    with os.scandir(folder) as listing:
        entries = sorted(listing, key=lambda entry: entry.name)
    for entry in entries:
        path = Path(entry.path)
        if entry.name.startswith(".") or path in barred or entry.name == NIGHT_FILE:
            continue
        source = next((source for source in sources if source.accepts(path)), None)
        if source is not None:
            yield Found(path, path.relative_to(root).as_posix(), source.name)
        elif entry.is_dir(follow_symlinks=False) and not is_output(path):
            yield from _walk(path, root, sources, barred, links)
        elif entry.is_symlink() and (path.is_dir() or not path.exists()):
            links.append(path.relative_to(root).as_posix())
