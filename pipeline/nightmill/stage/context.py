"""What a stage is handed besides its arrays, and where it leaves what a person should know."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ..artefacts import Capture, Frames, Stack

__all__ = ["Context", "Note"]

State = Mapping[str, Any]


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
    """

    kind: Literal["choice", "caution", "measure"]
    name: str
    value: Any
    text: str


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
    notes : list of Note
        Filled by `choose`, `caution` and `measure`.
    """

    captures: tuple[Capture, ...] = ()
    night: dict[str, dict[str, Any]] = field(default_factory=dict)
    aids: dict[str, Stack] = field(default_factory=dict)
    state: State = field(default_factory=dict)
    notes: list[Note] = field(default_factory=list)
    reader: Callable[[NDArray[np.int64]], Frames] | None = None

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

    def choose(self, name: str, value: Any, why: str) -> None:
        """Record a value that was chosen from the data."""
        self.notes.append(Note("choice", name, value, why))

    def caution(self, name: str, text: str, value: Any = None) -> None:
        """Record something that the user should beware of, as one plain sentence."""
        self.notes.append(Note("caution", name, value, text))

    def measure(self, name: str, value: Any, text: str) -> None:
        """Record a result worth reporting."""
        self.notes.append(Note("measure", name, value, text))
