"""Problems in a document, gathered and told all at once: file, line, column, the place with a caret, what is right."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from ..errors import PluginError, RecipeError
from .validation import gather

if TYPE_CHECKING:
    from .yamlread import Node

__all__ = ["Problem", "Problems", "nearest"]

MOST_SHOWN = 40
WIDTH = 160
"""Characters of a line that are shown."""


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong, at a 0-based line and column (shown 1-based).

    `plugin` says that the document may be right and a plugin is missing or broken.
    """

    line: int
    column: int
    text: str
    plugin: bool = False


@dataclass
class Problems:
    """Gathers problems of one file.

    Attributes
    ----------
    name : str
        The file as the user named it.
    text : str
        Its content, for showing the place.
    """

    name: str
    text: str
    found: list[Problem] = field(default_factory=list)

    def add(self, node: Node | None, text: str, *, plugin: bool = False) -> None:
        """Add a problem at a node (None: at the beginning)."""
        line, column = (node.line, node.column) if node is not None else (0, 0)
        self.found.append(Problem(line, column, text, plugin))

    def add_validation(
        self,
        node: Node,
        errors: Iterable[Any],
        names: Callable[[Sequence[Any]], Iterable[str]],
        *,
        what: str = "",
        noun: str = "",
    ) -> None:
        """Add what pydantic found in the mapping `node`.

        Parameters
        ----------
        node : Node
        errors : iterable
            As from `ValidationError.errors()`.
        names : callable
            Returns the known names of the group at a place.
        what, noun : str
            Begins each sentence ("stage 'stack': "); what a name is ("parameter ").
        """
        rest: list[Any] = []
        for error in errors:
            place = error["loc"]
            if error["type"] == "extra_forbidden":
                within = f" in {_dotted(place[:-1])!r}" if len(place) > 1 else ""
                close = nearest(str(place[-1]), names(place[:-1]))
                self.add(node.find_key(place), f"{what}there is no {noun}{str(place[-1])!r}{within}{close}")
            elif error["type"] == "missing":
                self.add(node.find(place), f"{what}{noun}{_dotted(place)!r} is missing")
            else:
                rest.append(error)
        for place, sentence in gather(rest, node.depth_of, lambda place: node.find(place).plain()):
            self.add(node.find(place), f"{what}{noun}{_dotted(place)!r}: {sentence}" if place else f"{what}{sentence}")

    def raise_if_any(self) -> None:
        """Raise RecipeError with all problems, in order of their places, or do nothing.

        When nothing is wrong but plugins that are missing or broken, it is PluginError: their author must act.
        """
        if self.found:
            kind = PluginError if all(one.plugin for one in self.found) else RecipeError
            raise kind(self.render())

    def render(self) -> str:
        """Return the message: one paragraph a problem."""
        lines = self.text.splitlines()
        parts = []
        problems = sorted(set(self.found), key=lambda one: (one.line, one.column, one.text))
        for problem in problems[:MOST_SHOWN]:
            shown = f"{self.name}:{problem.line + 1}:{problem.column + 1}: {problem.text}"
            if problem.line < len(lines) and lines[problem.line].strip():
                shown += _place(lines[problem.line], problem.column)
            parts.append(shown)
        if len(problems) > MOST_SHOWN:
            parts.append(f"{self.name}: and {len(problems) - MOST_SHOWN} more problems")
        return "\n".join(parts)


def nearest(name: str, names: Iterable[str]) -> str:
    """Return "; did you mean 'x'?" when a name is near, else the list of what there is."""
    names = sorted(names)
    close = difflib.get_close_matches(name, names, n=1, cutoff=0.6)
    if not close:
        folded = {one.casefold().replace("_", "-"): one for one in names}
        same = folded.get(name.casefold().replace("_", "-"))
        close = [same] if same is not None else []
    if close:
        return f"; did you mean {close[0]!r}?"
    return f"; there is {', '.join(names)}" if 0 < len(names) <= 25 else ""


def _place(line: str, column: int) -> str:
    """Show a line with a caret below the column; a long line is cut around it."""
    start = max(0, column - WIDTH // 2) if column >= WIDTH - 20 else 0
    # What a terminal would obey rather than show has no place in a message.
    source = "".join(one if one.isprintable() else " " for one in line[start : start + WIDTH])
    before, after = ("..." if start else ""), ("..." if len(line) > start + WIDTH else "")
    return f"\n    {before}{source}{after}\n    {' ' * (len(before) + column - start)}^"


def _dotted(place: Iterable[Any]) -> str:
    return ".".join(map(str, place))
