"""A night: its folder, what night.yaml says of equipment and site, and the recordings that lie in it."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from .documents import read_yaml
from .errors import UsageError
from .stage import Source, Unit

__all__ = ["NIGHT_FILE", "Found", "Night", "NightFile", "find_recordings", "read_night"]

NIGHT_FILE = "night.yaml"


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    def plain(self) -> dict[str, Any]:
        """Return what was given, by names with units."""
        return self.model_dump(exclude_none=True)


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
    filters: dict[str, Annotated[float, Unit("nm")]] = Field(
        {}, description="Filters and their effective wavelengths: {R: 630 nm}."
    )
    names: str = Field("{target}_{date}_{time}_{filter}", max_length=200, description="How recordings are named.")
    recipes: dict[str, str] = Field({}, description="Recipe by target: {jupiter: colour-planet.yaml}.")
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
        return held


def read_night(folder: Path) -> Night:
    """Read a night folder's night.yaml, if it has one.

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
    root, problems = read_yaml(path)
    try:
        settings = NightFile.model_validate(root.plain())
    except ValidationError as error:
        problems.add_validation(root, error.errors(), "", _known_keys)
        problems.raise_if_any()
        raise AssertionError("validation failed without a problem") from error
    if root.value:
        _check_names(settings.names, root, problems)
    problems.raise_if_any()
    return Night(folder, settings)


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


def _check_names(pattern: str, root: Any, problems: Any) -> None:
    fields = re.findall(r"\{([^{}]*)\}", pattern)
    for name in fields:
        if name not in ("target", "date", "time", "filter"):
            problems.add(root.find(["names"]), f"'names': there is no {{{name}}}; there is target, date, time, filter")
    if len(fields) != len(set(fields)):
        problems.add(root.find(["names"]), "'names': each part may stand once")


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
