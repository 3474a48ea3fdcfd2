"""Problems in a document, gathered and told all at once: file, line, column, the place with a caret, what is right."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from ..errors import RecipeError

if TYPE_CHECKING:
    from .yamlread import Node

__all__ = ["Problem", "Problems", "nearest"]


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong, at a 0-based line and column (shown 1-based)."""

    line: int
    column: int
    text: str


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

    def add(self, node: Node | None, text: str) -> None:
        """Add a problem at a node (None: at the beginning)."""
        line, column = (node.line, node.column) if node is not None else (0, 0)
        self.found.append(Problem(line, column, text))

    def add_validation(self, node: Node, errors: Iterable[Any], what: str, names: Iterable[str]) -> None:
        """Add what pydantic found in the mapping `node`; `what` begins each sentence, `names` are the known keys."""
        names = list(names)
        for error in errors:
            place = node.find(error["loc"])
            path = ".".join(str(part) for part in error["loc"] if isinstance(part, (str, int)))
            if error["type"] == "extra_forbidden":
                key = str(error["loc"][-1])
                self.add(node.find_key(error["loc"]), f"{what}there is no {key!r}{nearest(key, names)}")
            elif error["type"] == "missing":
                self.add(node, f"{what}{path!r} is missing")
            else:
                self.add(place, f"{what}{path!r}: {_sentence(error)}")

    def raise_if_any(self) -> None:
        """Raise RecipeError with all problems, in order of their places, or do nothing."""
        if self.found:
            raise RecipeError(self.render())

    def render(self) -> str:
        """Return the message: one paragraph a problem."""
        lines = self.text.splitlines()
        parts = []
        for problem in sorted(set(self.found), key=lambda one: (one.line, one.column, one.text)):
            shown = f"{self.name}:{problem.line + 1}:{problem.column + 1}: {problem.text}"
            if problem.line < len(lines) and lines[problem.line].strip():
                source = lines[problem.line][:200].replace("\t", " ")
                shown += f"\n    {source}\n    {' ' * min(problem.column, 200)}^"
            parts.append(shown)
        return "\n".join(parts)


def nearest(name: str, names: Iterable[str]) -> str:
    """Return "; did you mean 'x'?" when a name is near, else the list of what there is."""
    names = sorted(names)
    close = difflib.get_close_matches(name, names, n=1, cutoff=0.6)
    if close:
        return f"; did you mean {close[0]!r}?"
    return f"; there is {', '.join(names)}" if 0 < len(names) <= 25 else ""


def _sentence(error: Any) -> str:
    """Put pydantic's words into ours: what was expected, what stands there."""
    kind, context = error["type"], error.get("ctx", {})
    if kind in ("quantity", "value_error"):
        return str(context.get("reason", context.get("error", error["msg"])))
    given = repr(error["input"])
    given = given if len(given) <= 60 else given[:57] + "..."
    words: dict[str, Callable[[], str]] = {
        "greater_than_equal": lambda: f"expected at least {context['ge']:g}",
        "greater_than": lambda: f"expected more than {context['gt']:g}",
        "less_than_equal": lambda: f"expected at most {context['le']:g}",
        "less_than": lambda: f"expected less than {context['lt']:g}",
        "literal_error": lambda: f"expected {context['expected']}",
        "bool_type": lambda: "expected true or false",
        "bool_parsing": lambda: "expected true or false",
        "float_parsing": lambda: "expected a number",
        "float_type": lambda: "expected a number",
        "int_parsing": lambda: "expected a whole number",
        "int_from_float": lambda: "expected a whole number",
        "int_type": lambda: "expected a whole number",
        "string_type": lambda: "expected text",
        "list_type": lambda: "expected a list",
        "tuple_type": lambda: "expected a list",
        "dict_type": lambda: "expected names with values",
        "model_type": lambda: "expected names with values",
    }
    expected = words.get(kind, lambda: str(error["msg"])[:1].lower() + str(error["msg"])[1:])()
    return f"{expected}, got {given}"
