"""The pluggy specifications: the whole surface between the engine and its plugins.

A plugin is a module or object with functions marked `@nightmill.hooks.implementation`. Hooks hand over stages, recipes
and writers, or observe a run; none transforms frames, for the order of a recipe is explicit and that of hooks is not.
An implementation may leave out arguments that it does not need; specifications may gain arguments.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pluggy

from .artefacts import Picture
from .stage import Stage

__all__ = ["PROJECT", "Writer", "implementation", "specification"]

PROJECT = "nightmill"
specification = pluggy.HookspecMarker(PROJECT)
implementation = pluggy.HookimplMarker(PROJECT)


class Writer:
    """Writes a finished picture in one more file format. Subclass it and hand it over by `nightmill_writers`.

    Attributes
    ----------
    name : str
        Unique name.
    suffix : str
        What is added to the picture's name: ".tif", ".labelled.png".
    version : str
        Raise it when the same picture gives other bytes: files are then written anew.
    moving : bool
        It writes sequences (pictures with `frames`), and only those. Others are not asked about sequences.
    """

    name: str
    suffix: str
    version: str = "1"
    moving: bool = False

    def write(self, picture: Picture, path: Path) -> bool:
        """Write `picture` to `path`; return False when there is nothing to write (no label, say).

        The bytes must depend on the picture alone (no date of writing), and `picture.record` must travel with
        it where the format allows.
        """
        raise NotImplementedError

    def read_record(self, path: Path) -> dict[str, Any] | None:
        """Return the record that travels with a picture in this format, or None when it carries none.

        It is what gives a recipe back from a picture. Raise UsageError with a plain sentence for a damaged file.
        """
        return None


@specification
def nightmill_stages() -> Sequence[type[Stage] | str]:  # type: ignore[empty-body]
    """Hand over stage classes. Called once, when a recipe is read or stages are listed.

    A text "package.module:NAME" stands for the list of that name in that module: it is imported and checked by itself,
    so that what is wrong with it costs the rest of the plugin nothing.
    """


@specification
def nightmill_recipes() -> Sequence[Path]:  # type: ignore[empty-body]
    """Hand over folders of recipes (*.yaml) that can be named without a path and chosen by default."""


@specification
def nightmill_writers() -> Sequence[Writer | str]:  # type: ignore[empty-body]
    """Hand over writers of picture files, or texts as for `nightmill_stages`. Called in the process that writes."""


@specification
def nightmill_report(  # type: ignore[empty-body]
    night: Mapping[str, Any], captures: Sequence[Mapping[str, Any]]
) -> Mapping[str, Any]:
    """Add to the report. Called in the driving process, again and again while a run goes on; must be quick.

    `night` holds the sections "site", "telescope", "camera", "filters" and "references"; `captures` those of
    night.json, each with what was measured frame by frame ("sheet") and the geometry of its pictures ("pictures").

    May return "curves", a list of {"target", "utc": POSIX seconds, "altitude_deg"} for the timeline; "captures", by
    file a mapping with "scale_arcsec" of a camera pixel, "limit_arcsec" of the telescope, "seeing_arcsec" and "facts",
    a list of (name, text); "advice" and "cautions", sentences for the whole night.
    """


@specification
def nightmill_run_started(night: Path, out: Path) -> None:
    """Observe: a run begins; nothing is read yet. Called in the driving process."""


@specification
def nightmill_event(event: Mapping[str, Any]) -> None:
    """Observe: every line of the journal, as it is written. Called in the driving process; must be quick."""


@specification
def nightmill_run_finished(out: Path, summary: Mapping[str, Any]) -> None:
    """Observe: the run has ended, `summary` is the content of night.json. Called in the driving process."""
