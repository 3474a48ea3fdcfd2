"""A night: its folder, what night.yaml says of equipment and site, and the recordings that lie in it."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from .documents import Node, Problems, read_yaml
from .errors import UsageError
from .stage import Source, Unit

__all__ = ["NIGHT_FILE", "Found", "Night", "NightFile", "find_recordings", "read_night", "read_night_file"]

NIGHT_FILE = "night.yaml"

FRAME_SIZE = r"^\d{2,5}[x×]\d{2,5}$"
"""Width and height in pixels."""


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    planning: ClassVar[frozenset[str]] = frozenset()
    """Fields that only help to plan an evening: stages do not see them, so changing them makes nothing again."""

    def plain(self, *, planning: bool = False) -> dict[str, Any]:
        """Return what was given, by names with units; with what only serves planning when asked for."""
        return self.model_dump(exclude_none=True, exclude=None if planning else set(self.planning))


class Site(_Section):
    """Where the telescope stands."""

    name: str | None = Field(None, max_length=80, description="Name of the site, for labels.")
    latitude_deg: Annotated[float, Unit("deg")] | None = Field(
        None, alias="latitude", ge=-90, le=90, description="Geographic latitude, north positive."
    )
    longitude_deg: Annotated[float, Unit("deg")] | None = Field(
        None, alias="longitude", ge=-180, le=360, description="Geographic longitude, east positive."
    )
    height_m: Annotated[float, Unit("m")] | None = Field(
        None, alias="height", ge=-500, le=9000, description="Height above the sea."
    )
    pressure_hpa: Annotated[float, Unit("hPa")] | None = Field(
        None, alias="pressure", ge=300, le=1100, description="Pressure of the air at the site; else by its height."
    )
    temperature_c: Annotated[float, Unit("deg_C")] | None = Field(
        None, alias="temperature", ge=-60, le=50, description="Temperature of the air in the night, such as 5 deg_C."
    )
    ephemeris: str | None = Field(
        None,
        max_length=500,
        description="A JPL kernel (.bsp file) for places on the sky, instead of the ephemeris that is built in; "
        "relative to this file.",
    )


class Telescope(_Section):
    """The telescope and what stands between it and the camera."""

    name: str | None = Field(None, max_length=80, description="Name for labels.")
    aperture_mm: Annotated[float, Unit("mm")] | None = Field(
        None, alias="aperture", gt=10, lt=50_000, description="Diameter of the opening."
    )
    focal_length_mm: Annotated[float, Unit("mm")] | None = Field(
        None, alias="focal_length", gt=10, lt=1e6, description="Focal length without amplifier."
    )
    obstruction: float | None = Field(
        None, ge=0, lt=0.95, description="Diameter of the central obstruction as a fraction of the aperture."
    )
    amplifier: float | None = Field(
        None, gt=0.1, lt=20, description="Factor by which lenses before the camera stretch the focal length."
    )
    amplifiers: list[Annotated[float, Field(gt=0.1, lt=20)]] | None = Field(
        None, max_length=20, description="Factors of the lenses at hand, to choose from: [1.5, 2, 3]."
    )
    planning = frozenset({"amplifiers"})


class Camera(_Section):
    """The camera."""

    name: str | None = Field(None, max_length=80, description="Name for labels.")
    pixel_um: Annotated[float, Unit("um")] | None = Field(
        None, alias="pixel", gt=0.3, lt=100, description="Size of a pixel."
    )
    bits: int | None = Field(None, ge=8, le=16, description="Bits of its converter.")
    colours: str | None = Field(
        None, pattern="^[RGB]{4}$", description="Colour filter array, when the files do not say it: RGGB and so on."
    )
    full_well_e: Annotated[float, Unit("electron")] | None = Field(
        None, alias="full_well", gt=100, lt=1e7, description="Electrons that a pixel holds: 14500 electron."
    )
    read_noise_e: Annotated[float, Unit("electron")] | None = Field(
        None, alias="read_noise", gt=0, lt=1000, description="Noise of reading a pixel: 1.2 electron."
    )
    sensor: str | None = Field(
        None, pattern=FRAME_SIZE, description="Pixels of the whole sensor, width x height: 1936x1096."
    )
    frame_rates: dict[Annotated[str, Field(pattern=FRAME_SIZE)], Annotated[float, Unit("Hz")]] | None = Field(
        None, max_length=50, description="Frames a second by frame size: {640x480: 113 Hz}."
    )
    interface: Literal["usb2", "usb3", "usb3.2", "gigabit"] | None = Field(
        None, description="Link to the computer: usb2, usb3, usb3.2 or gigabit."
    )
    planning = frozenset({"sensor", "frame_rates", "interface"})


class Override(_Section):
    """What is known of one recording beyond its name and header."""

    target: str | None = Field(None, max_length=80, description="Target.")
    filter: str | None = Field(None, max_length=40, description="Filter.")
    utc: str | None = Field(None, description="Start, UTC, as 2026-01-12T22:10:00.")
    skip: bool = Field(False, description="Leave this recording out.")


class NightFile(_Section):
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
    names: str = Field("{target}_{date}_{time}_{filter}", max_length=200, description="How recordings are named.")
    recipes: dict[str, str] = Field({}, description="Recipe by target: {jupiter: colour-planet.yaml}.")
    changes: list[Any] = Field(
        [], max_length=100, description="Parameters that differ from the recipes, for some targets and filters."
    )
    plugins: list[str] = Field([], description="Single-file plugins (.py) to load; they are code with your rights.")
    masters: str | None = Field(None, description="Folder of darks and flats, or masters, kept across nights.")
    captures: dict[str, Override] = Field({}, description="What is known of single recordings, by file name.")


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
            held[name] = value.plain() if isinstance(value, _Section) else dict(value)
        if held.get("site", {}).get("ephemeris"):
            # Stages know no folders.
            held["site"]["ephemeris"] = (self.folder / held["site"]["ephemeris"]).as_posix()
        return held


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


def _known_keys(location: Sequence[Any]) -> list[str]:
    model: Any = NightFile
    for part in location:
        fields = {info.alias or name: info for name, info in model.model_fields.items()}
        if part == "captures" or model is Override:
            model = Override
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


def find_recordings(folder: Path, sources: Sequence[Source], skip: Sequence[Path] = ()) -> list[Found]:
    """List what the sources accept below `folder`, in order of the names; nothing is opened.

    A folder that a source accepts as one recording is not looked into any further. Hidden names, and everything in
    `skip` (the output folder), are passed over; links to folders are not followed, so there are no circles.
    """
    barred = {path.resolve() for path in skip}
    return list(_walk(folder, folder, sources, barred))


def _walk(folder: Path, root: Path, sources: Sequence[Source], barred: set[Path]) -> Iterator[Found]:
    with os.scandir(folder) as listing:
        entries = sorted(listing, key=lambda entry: entry.name)
    for entry in entries:
        path = Path(entry.path)
        if entry.name.startswith(".") or path in barred or entry.name == NIGHT_FILE:
            continue
        source = next((source for source in sources if source.accepts(path)), None)
        if source is not None:
            yield Found(path, path.relative_to(root).as_posix(), source.name)
        elif entry.is_dir(follow_symlinks=False):
            yield from _walk(path, root, sources, barred)
