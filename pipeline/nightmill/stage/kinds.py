"""The five kinds of stage. The kind decides how the engine runs it; the author writes only the arithmetic.

Which methods must be written is said per kind; all others have working defaults. Every method is a pure function of
its arguments and `self.parameters`: same input, same bits, for any chunking and on any thread. Inputs may be
read-only and are never changed.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from ..artefacts import Capture, Frames, FrameTable, Picture, Stack
from .context import Context
from .parameters import Parameters as Model

__all__ = ["Fold", "FrameStage", "PictureStage", "Rows", "Source", "Stage", "State", "Survey"]

State = Mapping[str, Any]
"""What `prepare` hands on: names to ndarrays or JSON values (stored without pickle)."""

Partial = dict[str, NDArray[Any]]
"""A partial result of a fold: names to arrays, of a size that does not grow with the number of frames."""

Rows = Literal["all", "kept"]


class Stage(ABC):
    """What all kinds share.

    Attributes
    ----------
    name : str
        Name in recipes: lower case, words joined by "-".
    kind : str
        Set by the five base classes.
    version : str
        Raise it whenever the same input would give other bits; products of other versions are then made anew.
    uses : tuple of str
        Sections of the night file it reads ("site", "telescope", "camera", "filters", "references", "extinction"). A
        change there makes its products anew.
    aids : dict of str to str
        Roles of other captures that help, and the fold stage that makes a master of such a capture:
        ``{"dark": "master-dark"}``. Masters arrive in `Context.aids`.
    Parameters : type
        The typed parameters; the first line of the class docstring is what `nightmill stages` prints.
    """

    name: ClassVar[str]
    kind: ClassVar[str]
    version: ClassVar[str] = "1"
    uses: ClassVar[tuple[str, ...]] = ()
    aids: ClassVar[Mapping[str, str]] = {}
    Parameters: ClassVar[type[Model]] = Model

    def __init__(self, parameters: Model | None = None) -> None:
        self.parameters: Any = self.Parameters() if parameters is None else parameters

    def choose_aids(self, capture: Capture, candidates: Mapping[str, Sequence[Capture]]) -> dict[str, Capture]:
        """Choose for each role in `aids` the capture that fits best; leave out a role when none does.

        Called while planning: decide by what the captures say of themselves alone.
        """
        return {}

    @classmethod
    def summary(cls) -> str:
        """First line of the docstring."""
        return (cls.__doc__ or "").strip().split("\n")[0]


class Source(Stage):
    """Reads recordings of some file formats. Must write `accepts`, `open` and `read`."""

    kind: ClassVar[str] = "source"

    @abstractmethod
    def accepts(self, path: Path) -> bool:
        """Say whether `path` (a file or a folder) looks like one of ours; a glance, never an error."""

    @abstractmethod
    def open(self, path: Path) -> Capture:
        """Describe a recording from its header, checking claims against the file's size before trusting them.

        Set everything the file itself says (`file` may stay empty, `path` is `str(path)`); names are read by the
        engine. Raise CaptureError with a plain sentence when it cannot be used.
        """

    @abstractmethod
    def read(self, capture: Capture, start: int, stop: int) -> NDArray[Any]:
        """Return frames `start` to `stop` (exclusive), shape (n, h, w) or (n, h, w, 3), of `capture.dtype`."""

    def times(self, capture: Capture, start: int, stop: int) -> NDArray[np.float64]:
        """Return the POSIX seconds of the start of each frame; by default from start and interval, else NaN."""
        numbers = np.arange(start, stop, dtype=np.float64)
        if capture.utc_start is None:
            return np.full(len(numbers), np.nan)
        return capture.utc_start + numbers * (capture.frame_interval_s or np.nan)

    def files(self, capture: Capture) -> list[Path]:
        """Return the files that make up the recording, in a fixed order (for fingerprints)."""
        return [Path(capture.path)]

    def close(self) -> None:
        """Let go of open files; called when the engine is done with this instance."""


class FrameStage(Stage):
    """Changes frames one by one on their way in; nothing is stored. Must write `apply`."""

    kind: ClassVar[str] = "frame"

    def prepare(self, context: Context) -> State:
        """Make what `apply` needs, once a task, from `context.capture` and `context.aids`."""
        return {}

    @abstractmethod
    def apply(self, frames: Frames, context: Context) -> Frames:
        """Return changed frames, same number and order; each depends on that frame and `context` alone."""


class Survey(Stage):
    """Measures every frame. Must write `measure` and declare `gives`.

    Attributes
    ----------
    needs : tuple of str
        Columns of earlier survey stages that it reads. A stage that needs another's columns runs in a later pass
        over the file; stages that do not share one pass.
    gives : dict of str to str
        Columns it adds, each with what it is, unit and range. A column of an earlier stage may be given again: it
        keeps its values where this one measures nothing, and is whatever `conclude` returns in the end.
    rows : {"all", "kept"}
        Measure all frames, or only those whose "kept" column is true so far.
    """

    kind: ClassVar[str] = "survey"
    needs: ClassVar[tuple[str, ...]] = ()
    gives: ClassVar[Mapping[str, str]] = {}
    rows: ClassVar[Rows] = "all"

    def prepare(self, table: FrameTable, context: Context) -> State:
        """Make what `measure` needs for this capture (a reference picture, say); may use `context.read`."""
        return {}

    def select(self, table: FrameTable, context: Context) -> NDArray[np.bool_] | None:
        """Return which of the frames that `rows` leaves it wants to measure, a mask over all; None for all of them.

        The others need not be read. `measure` may meet them all the same: another stage of the same pass may want
        them, and small frames are read along.
        """
        return None

    @abstractmethod
    def measure(self, frames: Frames, rows: FrameTable, context: Context) -> Mapping[str, NDArray[Any]]:
        """Return one value a frame for measured columns; `rows` are the table's rows of these frames.

        May return columns beyond `gives` that begin with "_": they reach `conclude` and are then dropped.
        """

    def conclude(self, table: FrameTable, context: Context) -> Mapping[str, NDArray[Any] | Iterator[NDArray[Any]]]:
        """Return columns that need the whole capture (flags, "kept"), added to or replacing the table's.

        A column of much data a frame is gone through by `table.blocks`, and may be given as an iterator of its parts,
        first row to last, so that it is never held as a whole.
        """
        return {}


class Fold(Stage):
    """Makes one picture of many frames. Must write `select`, `fold`, `join` and `finish`."""

    kind: ClassVar[str] = "fold"
    needs: ClassVar[tuple[str, ...]] = ()

    def prepare(self, table: FrameTable, context: Context) -> State:
        """Make what `fold` needs for this capture, once; may use `context.read`."""
        return {}

    @abstractmethod
    def select(self, table: FrameTable, context: Context) -> NDArray[np.bool_]:
        """Say which frames to fold: a mask of shape (rows,). Others are not even read."""

    @abstractmethod
    def fold(self, partial: Partial | None, frames: Frames, rows: FrameTable, context: Context) -> Partial:
        """Add frames to a partial result (None to begin with); `partial` may be changed in place."""

    @abstractmethod
    def join(self, first: Partial, second: Partial) -> Partial:
        """Join two partial results of neighbouring ranges; the engine keeps the order fixed."""

    @abstractmethod
    def finish(self, partial: Partial, table: FrameTable, context: Context) -> Stack:
        """Make the stack of the joined result."""


class PictureStage(Stage):
    """Develops pictures, one by one or in groups. Must write `develop`.

    Attributes
    ----------
    adds : bool
        What it makes comes besides its members, which go on through the recipe as they were. Then `group` names only
        the groups that are worth a try, a picture may be in none or in several, and `develop` may make nothing: it
        returns an empty list and says why in a note. Give such pictures a `Picture.kind`; it goes into their names.
    streams : bool
        `pictures` is a sequence that reads a member from disk each time it is asked for and keeps none, so that a
        group may be larger than memory.
    """

    kind: ClassVar[str] = "picture"
    adds: ClassVar[bool] = False
    streams: ClassVar[bool] = False

    def group(self, units: Sequence[tuple[Capture, ...]]) -> list[list[int]]:
        """Say which pictures to develop together: lists of indices into `units`; by default each alone.

        Each unit is the captures that one picture so far was made from. Called while planning.
        """
        return [] if self.adds else [[index] for index in range(len(units))]

    def consult(
        self, captures: Sequence[Capture], recorded: Sequence[Capture], night: Mapping[str, Mapping[str, Any]]
    ) -> list[int]:
        """Say which other captures of the night it wants to look at while it develops one group; by default none.

        Called while planning, once a group, so be quick. The stacks of those captures arrive in `Context.consulted`,
        whatever recipes they go through and whatever groups they are in; when one changes, the group's pictures are
        made anew.

        Parameters
        ----------
        captures : sequence of Capture
            Those of the group.
        recorded : sequence of Capture
            All captures of the night that have a recipe, in order of their names.
        night : mapping
            The sections of the night file in `uses`.

        Returns
        -------
        list of int
            Indices into `recorded`; those of the group itself are passed over.
        """
        return []

    @abstractmethod
    def develop(self, pictures: list[Picture], context: Context) -> Picture | list[Picture]:
        """Make a picture, or several, of one group. A member may be missing: its capture was set aside."""
