"""What a stage is handed besides its arrays, and where it leaves what a person should know."""

from __future__ import annotations

import contextvars
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any, Literal, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from ..artefacts import Capture, Frames, Picture, Stack

__all__ = ["Context", "Each", "Note", "in_turn"]

State = Mapping[str, Any]
Item = TypeVar("Item")
Made = TypeVar("Made")


class Each(Protocol):
    """Applies a function to items and returns the results in their order: `Context.each`, or `in_turn`."""

    def __call__(self, function: Callable[[Item], Made], items: Iterable[Item], /) -> list[Made]:
        """Return function(item) for each item."""


def in_turn(function: Callable[[Item], Made], items: Iterable[Item], /) -> list[Made]:
    """Apply a function to items, one after the other."""
    return [function(one) for one in items]


@dataclass(frozen=True)
class Note:
    """Something a stage wants kept in the record of the picture.

    Attributes
    ----------
    kind : {"choice", "caution", "measure"}
        A value that the stage chose from the data; something to beware of; a result worth reporting.
    name : str
        Short name, in the words of the recipe where it is a parameter.
    value : object
        JSON value: number, text, list or dict.
    text : str
        One plain sentence: why, or what it means. Units are in the words or in the name.
    about : tuple of str
        Files of the captures whose picture it concerns; empty when it concerns all that the stage makes.
    """

    kind: Literal["choice", "caution", "measure"]
    name: str
    value: Any
    text: str
    about: tuple[str, ...] = ()


@dataclass
class Context:
    """Handed to every method of a stage.

    Attributes
    ----------
    captures : tuple of Capture
        The capture in hand; for picture stages all that the pictures were made from.
    night : dict
        The sections of the night file that the stage declared in `uses` (such as "telescope"), in canonical units:
        keys end in the unit ("aperture_mm"). A section that the user did not give is an empty dict.
    aids : dict of str to Stack
        Masters by role, for stages that declare `aids`; a role without a master is absent.
    state : mapping
        What `prepare` returned for this capture.
    consulted : tuple of (Capture, Picture or None)
        For picture stages: the captures that `consult` asked for, each with its stack as a picture; None in its place
        when it was set aside.
    notes : list of Note
        Filled by `choose`, `caution` and `measure`.
    threads : int
        Processors that are free for this task; `each` uses them.
    concerned : tuple of str
        Set by `about`.
    """

    captures: tuple[Capture, ...] = ()
    night: dict[str, dict[str, Any]] = field(default_factory=dict)
    aids: dict[str, Stack] = field(default_factory=dict)
    state: State = field(default_factory=dict)
    consulted: tuple[tuple[Capture, Picture | None], ...] = ()
    notes: list[Note] = field(default_factory=list)
    reader: Callable[[NDArray[np.int64]], Frames] | None = None
    threads: int = 1
    concerned: tuple[str, ...] = ()

    @property
    def capture(self) -> Capture:
        """The capture in hand (the first one, for a picture of several)."""
        return self.captures[0]

    def read(self, numbers: NDArray[np.int64]) -> Frames:
        """Read some frames, calibrated by the recipe's frame stages. Only inside `prepare` of a survey or fold.

        Parameters
        ----------
        numbers : ndarray of int64
            Frame numbers, increasing. All are held in memory at once: ask for tens, or loop.
        """
        if self.reader is None:
            raise RuntimeError("frames can be read only inside `prepare` of a survey or fold stage")
        return self.reader(np.asarray(numbers, np.int64))

    def each(self, function: Callable[[Item], Made], items: Iterable[Item]) -> list[Made]:
        """Apply a function to items, at the same time where other processors have nothing to do.

        Results come in the order of the items. Each must depend on its item alone, so that the bits are the same
        however many threads there are; it may not call this context or read frames.

        Parameters
        ----------
        function : callable
        items : iterable
            All are held in memory at once.
        """
        wanted = list(items)
        if self.threads < 2 or len(wanted) < 2:
            return in_turn(function, wanted)
        with ThreadPoolExecutor(min(self.threads, len(wanted))) as pool:
            # What is set for this thread alone (NumPy's errstate) holds in the others too.
            held = [pool.submit(contextvars.copy_context().run, function, one) for one in wanted]
            return [one.result() for one in held]

    def about(self, *pictures: Picture) -> Context:
        """Return this context for the work on one of several pictures: what is noted there stands in its record alone.

        Parameters
        ----------
        *pictures : Picture
            The picture in work, or those that it is made from: it is known by their captures.
        """
        return replace(self, concerned=tuple(one.file for picture in pictures for one in picture.captures))

    def choose(self, name: str, value: Any, why: str) -> None:
        """Record a value that was chosen from the data."""
        self.notes.append(Note("choice", name, value, why, self.concerned))

    def caution(self, name: str, text: str, value: Any = None) -> None:
        """Record something that the user should beware of, as one plain sentence."""
        self.notes.append(Note("caution", name, value, text, self.concerned))

    def measure(self, name: str, value: Any, text: str) -> None:
        """Record a result worth reporting."""
        self.notes.append(Note("measure", name, value, text, self.concerned))
