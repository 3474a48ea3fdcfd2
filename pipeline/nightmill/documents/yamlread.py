"""A bounded, construction-free YAML reader that keeps the place of every value.

It works on the parser's events, so depth and size are checked before anything is built. Recipes come from strangers:
no tags, no anchors or aliases, no merge keys, no duplicate names, one document, at most 256 KiB, 32 levels, 3,000
values (a night file that tells something of three hundred recordings). Plain scalars are resolved by the core schema
of YAML 1.2 (no "no" for false, no sexagesimal times).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from ..errors import RecipeError, UsageError
from .problems import Problems

__all__ = ["Node", "read_text", "read_yaml"]

MAX_BYTES = 256 * 1024
MAX_DEPTH = 32
MAX_NODES = 3_000

# The parser in C is there in every wheel of PyYAML and fifty times as fast: a hostile file costs milliseconds.
LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

INTEGER = re.compile(r"[-+]?[0-9]{1,18}")
FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
WORDS: dict[str, bool | None] = {"": None, "~": None, "null": None, "Null": None, "NULL": None}
WORDS |= {"true": True, "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False}


@dataclass
class Node:
    """A value with its place.

    Attributes
    ----------
    value : object
        A scalar; or a list of Node; or a dict of name to Node.
    line, column : int
        0-based place where it begins.
    keys : dict of str to Node
        For a mapping, the places of the names.
    """

    value: Any
    line: int
    column: int
    keys: dict[str, Node] = field(default_factory=dict)

    @classmethod
    def of(cls, value: Any, line: int, column: int) -> Node:
        """Make nodes of plain data that has no place of its own."""
        if isinstance(value, dict):
            names = {key: cls(key, line, column) for key in value}
            return cls({key: cls.of(one, line, column) for key, one in value.items()}, line, column, names)
        if isinstance(value, list):
            return cls([cls.of(one, line, column) for one in value], line, column)
        return cls(value, line, column)

    def plain(self) -> Any:
        """Return the value as plain Python data."""
        if isinstance(self.value, dict):
            return {key: node.plain() for key, node in self.value.items()}
        if isinstance(self.value, list):
            return [node.plain() for node in self.value]
        return self.value

    def find(self, path: Sequence[str | int]) -> Node:
        """Return the deepest node on `path` that exists, beginning here."""
        node = self
        for part in path[: self.depth_of(path)]:
            node = node.value[part]
        return node

    def depth_of(self, path: Sequence[str | int]) -> int:
        """Return how many parts of `path` exist in the document, beginning here."""
        node, depth = self, 0
        for part in path:
            inner = node.value
            in_list = isinstance(inner, list) and isinstance(part, int) and part < len(inner)
            if not in_list and not (isinstance(inner, dict) and isinstance(part, str) and part in inner):
                break
            node = inner[part]
            depth += 1
        return depth

    def find_key(self, path: Sequence[str | int]) -> Node:
        """Return the place of the name that `path` ends in, or the nearest that exists."""
        holder = self.find(path[:-1])
        return holder.keys.get(str(path[-1]), holder)


def read_yaml(path: Path, name: str | None = None) -> tuple[Node, Problems]:
    """Read a file; see `read_text`."""
    name = name or str(path)
    try:
        with path.open("rb") as stream:
            data = stream.read(MAX_BYTES + 1)
    except OSError as error:
        raise UsageError(f"cannot read {name}: {error.strerror or error}") from None
    if len(data) > MAX_BYTES:
        raise RecipeError(f"{name}: larger than {MAX_BYTES // 1024} KiB, which no recipe or night file is")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise RecipeError(f"{name}:{line}:1: not UTF-8 text; save the file as UTF-8") from None
    return read_text(text, name)


def read_text(text: str, name: str) -> tuple[Node, Problems]:
    """Parse one YAML document into nodes.

    Returns
    -------
    Node, Problems
        The root and an empty gatherer for problems of this file.

    Raises
    ------
    RecipeError
        Not YAML, or YAML beyond the bounds; with file, line and column.
    """
    problems = Problems(name, text)
    root: Node | None = None
    stack: list[Node] = []
    names: list[Node | None] = []
    count = 0

    def place(node: Node) -> None:
        nonlocal root
        if not stack:
            if root is not None:
                raise _RefusedError(node, "a second document; one file holds one recipe or night")
            root = node
            return
        holder = stack[-1]
        if isinstance(holder.value, list):
            holder.value.append(node)
        elif names[-1] is None:
            if not isinstance(node.value, (str, int, float)) or isinstance(node.value, bool):
                raise _RefusedError(node, "expected a name before the colon, on one line")
            key = Node(str(node.value), node.line, node.column)
            if key.value in holder.value:
                first = holder.keys[key.value]
                again = f"{key.value!r} stands here a second time; the first is in line {first.line + 1}"
                raise _RefusedError(key, again)
            if key.value == "<<":
                raise _RefusedError(key, "merge keys are not allowed; write the values out")
            holder.keys[key.value] = key
            names[-1] = key
        else:
            holder.value[names[-1].value] = node
            names[-1] = None

    try:
        for event in yaml.parse(text, Loader=LOADER):
            mark: Any = event.start_mark
            here = Node(None, mark.line, mark.column)
            tag = getattr(event, "tag", None)
            if getattr(event, "anchor", None) is not None:
                raise _RefusedError(here, "anchors and aliases are not allowed; write the value out")
            if tag is not None:
                raise _RefusedError(here, f"tags such as {tag[:60]!r} are not allowed; write the plain value")
            count += isinstance(event, yaml.NodeEvent)
            if count > MAX_NODES:
                raise _RefusedError(here, f"more than {MAX_NODES} values")
            if isinstance(event, yaml.ScalarEvent):
                plain = event.implicit[0] and not event.style
                here.value = _scalar(event.value) if plain and not _is_name(stack, names) else event.value
                place(here)
            elif isinstance(event, (yaml.MappingStartEvent, yaml.SequenceStartEvent)):
                if len(stack) >= MAX_DEPTH:
                    raise _RefusedError(here, f"nested more than {MAX_DEPTH} levels deep")
                here.value = {} if isinstance(event, yaml.MappingStartEvent) else []
                place(here)
                stack.append(here)
                names.append(None)
            elif isinstance(event, (yaml.MappingEndEvent, yaml.SequenceEndEvent)):
                stack.pop()
                names.pop()
    except _RefusedError as refused:
        problems.add(refused.node, refused.text)
    except yaml.MarkedYAMLError as error:
        problems.add(*_invalid(text, error))
    except yaml.reader.ReaderError as error:
        before = text[: error.position]
        node = Node(None, before.count("\n"), len(before) - before.rfind("\n") - 1)
        problems.add(node, f"the character U+{int(error.character):04X} cannot stand in YAML; delete it")
    problems.raise_if_any()
    return root or Node({}, 0, 0), problems


def _is_name(stack: list[Node], names: list[Node | None]) -> bool:
    return bool(stack) and isinstance(stack[-1].value, dict) and names[-1] is None


def _scalar(text: str) -> Any:
    if text in WORDS:
        return WORDS[text]
    if INTEGER.fullmatch(text):
        return int(text)
    if len(text) <= 40 and FLOAT.fullmatch(text):
        return float(text)
    return text


def _invalid(text: str, error: yaml.MarkedYAMLError) -> tuple[Node | None, str]:
    """Put a fault of syntax into words that say what would be right."""
    mark = error.problem_mark or error.context_mark
    problem = str(error.problem or error.context or "it cannot be read")
    lines = text.splitlines()
    if mark is not None and mark.line < len(lines) and "\t" in lines[mark.line][: mark.column + 1]:
        problem, hint = "a tab", "indent with spaces"
    else:
        hint = next((hint for part, hint in HINTS.items() if part in problem), "")
    begun = error.context_mark
    if begun is not None and mark is not None and begun.line != mark.line:
        hint += f"{', ' if hint else ''}begun in line {begun.line + 1}"
    node = Node(None, mark.line, mark.column) if mark else None
    return node, f"not valid YAML: {problem}" + (f" ({hint})" if hint else "")


HINTS = {
    "mapping values are not allowed": "a second ': ' in a line: put the text in quotes, or begin a new line",
    "cannot start any token": "put a text that begins with this character in quotes",
    "',' or ']'": "a '[' that is not closed",
    "',' or '}'": "a '{' that is not closed",
    "end of stream": "a quote that is not closed",
    "expected key": "an indent that does not fit the lines above, or a text that needs quotes",
    "'-' indicator": "names and '- ' entries do not mix at one indent",
    "unknown escape": "in double quotes a backslash begins an escape: use single quotes",
    "incompatible YAML document": "delete the line that begins with %",
    "maximum nesting depth": f"at most {MAX_DEPTH} levels",
}


class _RefusedError(Exception):
    def __init__(self, node: Node, text: str) -> None:
        super().__init__(text)
        self.node, self.text = node, text
