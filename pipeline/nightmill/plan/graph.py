"""What a plan holds: its steps, and which of them make a capture's or a picture's products."""

from __future__ import annotations

from dataclasses import dataclass, field

from ..artefacts import Capture
from ..recipe import Recipe
from .steps import Step

__all__ = ["Assignment", "Chain", "PicturePlan", "Plan"]


@dataclass(frozen=True)
class Assignment:
    """A capture and the recipe that it goes through.

    `common` is the recipe without what differs by filter: captures that share it may be joined in a picture.
    """

    capture: Capture
    recipe: Recipe
    common: Recipe


@dataclass
class Chain:
    """What the plan holds for one capture: its name and the steps that make its table, its stack and their files."""

    capture: Capture
    name: str
    table: str | None
    stack: str
    file: str = ""
    sheet: str = ""
    aids: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class PicturePlan:
    """A finished picture (or several, of one group): the step that writes its files, and the captures it is of.

    `added` names the stage that adds it besides the captures' own pictures:
    that it cannot be made says nothing of them.
    """

    step: str
    captures: tuple[int, ...]
    names: tuple[str, ...]
    preview: str
    added: str = ""


@dataclass
class Plan:
    """The graph of a night.

    Attributes
    ----------
    steps : dict of str to Step
        Every step after those that it needs.
    chains : list of Chain
        One a capture, in the order of the night; then `masters`.
    masters : dict of str to Chain
        By file.
    pictures : list of PicturePlan
    """

    steps: dict[str, Step] = field(default_factory=dict)
    chains: list[Chain] = field(default_factory=list)
    masters: dict[str, Chain] = field(default_factory=dict)
    pictures: list[PicturePlan] = field(default_factory=list)
    _shown_in: dict[int, list[PicturePlan]] = field(default_factory=dict, repr=False, compare=False)

    def pictures_of(self, index: int) -> list[PicturePlan]:
        """Return the pictures that a capture is in; to be asked once the plan is whole."""
        if not self._shown_in:
            for picture in self.pictures:
                for capture in picture.captures:
                    self._shown_in.setdefault(capture, []).append(picture)
        return self._shown_in.get(index, [])

    @property
    def goals(self) -> list[str]:
        """Steps whose products the user wants: every stack, every picture, and what the report shows of them."""
        wanted = [chain.file for chain in (*self.masters.values(), *self.chains)]
        wanted += [picture.step for picture in self.pictures]
        return wanted + [chain.sheet for chain in self.chains] + [picture.preview for picture in self.pictures]
