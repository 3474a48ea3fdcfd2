"""Where in a plugin's source a fault lies, and how it is told: file, line, column, the place with a caret.

Read from the source by its syntax tree, without running it: the place is that of the value, argument or name which has
to be changed, as far as it stands in the file; else that of the class or function.
"""

from __future__ import annotations

import ast
import inspect
import sys
import traceback
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from ..documents import Node, Problems

__all__ = ["Fault", "FaultsError", "Place", "fault_of", "place_in", "place_of", "render", "stages_named_in", "stated"]

HERE = Path(__file__).parents[1]
MOST_FILES = 300
DECORATORS = ("survey", "frame", "picture")

Definition = ast.ClassDef | ast.FunctionDef


@dataclass(frozen=True)
class Place:
    """A place in a file: 0-based line and column."""

    file: str
    line: int
    column: int


@dataclass(frozen=True)
class Fault:
    """Something wrong with a plugin, in a sentence that says what would be right, and where."""

    text: str
    place: Place | None = None


class FaultsError(Exception):
    """All that is wrong with a plugin."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = list(faults)
        super().__init__("; ".join(fault.text for fault in self.faults))


def render(faults: Iterable[Fault]) -> str:
    """Tell all faults, as those of recipes are told; the first line says the first of them."""
    files: dict[str, Problems] = {}
    bare = []
    for fault in faults:
        if fault.place is None:
            bare.append(fault.text)
            continue
        file = fault.place.file
        held = files.setdefault(file, Problems(_shown(file), _read(file)))
        held.add(Node(None, fault.place.line, fault.place.column), fault.text)
    return "\n".join([*(one.render() for one in files.values()), *dict.fromkeys(bare)])


def place_of(thing: Any, *names: str) -> Place | None:
    """Return the place of a class, its instance or a function, or of something in it.

    Parameters
    ----------
    thing : object
    names : str
        Lead to a class attribute ("version"), to a parameter ("Parameters", "limit"), to an argument of a function, or
        to what it returns ("return"). Of a stage that is a decorated function, attributes are arguments of the
        decorator, and parameters those of the function. What does not stand there is passed over.
    """
    target = thing if inspect.isclass(thing) or inspect.isfunction(thing) else type(thing)
    code = getattr(target, "__code__", None)
    module = sys.modules.get(getattr(target, "__module__", ""))
    file = code.co_filename if code is not None else getattr(module, "__file__", None)
    if not file or Path(file).parent.is_relative_to(HERE):
        return None
    found = _definition(file, target)
    if found is None:
        return None
    node: ast.AST = found
    for name in names:
        node = _within(node, name) or node
    return _place(file, node)


def place_in(file: str, name: str) -> Place | None:
    """Return the place of the value that a name is given at the top of a file."""
    tree = _tree(file)
    node = _within(tree, name) if tree is not None else None
    return _place(file, node) if node is not None else Place(file, 0, 0)


def fault_of(error: BaseException) -> Fault:
    """Say what a plugin's code raised, with the last place in its own code."""
    text = f"{type(error).__name__}: {error}".splitlines()[0].rstrip(": ")
    if isinstance(error, SyntaxError) and error.filename:
        text = f"{type(error).__name__}: {error.msg}"
        return Fault(text, Place(error.filename, (error.lineno or 1) - 1, max((error.offset or 1) - 1, 0)))
    if isinstance(error, ModuleNotFoundError):
        text += "; install what it comes with where nightmill is installed, or take the import out"
    elif isinstance(error, SystemExit):
        text += "; a plugin must not end the program: take this out, or put it under if __name__ == '__main__'"
    own = own_frames(error)
    if not own:
        return Fault(text)
    last = own[-1]
    column = 0
    if last.lineno is not None and last.colno is not None:
        column = _column(last.filename, last.lineno - 1, last.colno)
    return Fault(text, Place(last.filename, (last.lineno or 1) - 1, column))


def own_frames(error: BaseException) -> list[traceback.FrameSummary]:
    """Return the frames of a traceback that are neither ours nor the import machinery's."""
    frames = traceback.extract_tb(error.__traceback__)
    return [one for one in frames if "importlib" not in one.filename and not Path(one.filename).is_relative_to(HERE)]


def stated(source: bytes, name: str) -> Any:
    """Return the constant that a file gives to a name at its top, read without running it; None when it does not."""
    try:
        body = ast.parse(source).body
    except (SyntaxError, ValueError):
        return None  # running it says what is wrong
    for node in body:
        value = _assigned(node, name)
        if isinstance(value, ast.Constant):
            return value.value
    return None


def stages_named_in(place: Path) -> frozenset[str]:
    """Return the names of the stages that a file or package of a plugin seems to hold, read without running it."""
    files = sorted(place.rglob("*.py"))[:MOST_FILES] if place.is_dir() else [place]
    found: set[str] = set()
    for file in files:
        tree = _tree(str(file))
        for node in ast.walk(tree) if tree is not None else ():
            found |= set(_stage_names(node))
    return frozenset(found)


def _stage_names(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.ClassDef) and node.bases:
        value = _within(node, "name")
        if isinstance(value, ast.Constant) and isinstance(value.value, str):
            yield value.value
    elif isinstance(node, ast.FunctionDef):
        for one in node.decorator_list:
            if isinstance(one, ast.Call) and isinstance(one.func, ast.Attribute) and one.func.attr in DECORATORS:
                given = _within(one, "name")
                told = isinstance(given, ast.Constant) and isinstance(given.value, str)
                yield str(given.value) if told else node.name.replace("_", "-")  # type: ignore[union-attr]


def _definition(file: str, target: Any) -> Definition | None:
    tree = _tree(file)
    if tree is None:
        return None
    name = target.__qualname__.rpartition(".")[2]
    same = [one for one in ast.walk(tree) if isinstance(one, ast.ClassDef | ast.FunctionDef) and one.name == name]
    code = getattr(target, "__code__", None)
    if code is not None:
        starts = {id(one): {one.lineno, *(d.lineno for d in one.decorator_list)} for one in same}
        same = [one for one in same if code.co_firstlineno in starts[id(one)]]
    return same[-1] if same else None


def _within(node: ast.AST, name: str) -> ast.AST | None:
    """Return the node of a name within another: a value, an inner class, an argument, what is returned."""
    if isinstance(node, ast.FunctionDef):
        if name == "return":
            given = [one for one in ast.walk(node) if isinstance(one, ast.Return) and one.value is not None]
            return given[-1].value if given else None
        arguments = (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs)
        for argument in arguments:
            if argument.arg == name:
                return argument
        calls = [one for one in node.decorator_list if isinstance(one, ast.Call)]
        return next((found for one in calls if (found := _within(one, name)) is not None), None)
    if isinstance(node, ast.Call):
        return next((one.value for one in node.keywords if one.arg == name), None)
    for one in getattr(node, "body", ()):
        if isinstance(one, ast.ClassDef) and one.name == name:
            return one
        if (value := _assigned(one, name)) is not None:
            return value
        if isinstance(one, ast.AnnAssign) and isinstance(one.target, ast.Name) and one.target.id == name:
            return one.target
    return None


def _assigned(node: ast.AST, name: str) -> ast.expr | None:
    """Return the value that a statement gives to a name."""
    if isinstance(node, ast.Assign):
        for target in node.targets:
            if isinstance(target, ast.Name) and target.id == name:
                return node.value
            if isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple):
                for one, value in zip(target.elts, node.value.elts, strict=False):
                    if isinstance(one, ast.Name) and one.id == name:
                        return value
    if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name) and node.target.id == name:
        return node.value
    return None


def _place(file: str, node: ast.AST) -> Place:
    line, column = getattr(node, "lineno", 1) - 1, getattr(node, "col_offset", 0)
    column = _column(file, line, column)
    if isinstance(node, ast.ClassDef | ast.FunctionDef):
        column = max(_line(file, line).find(node.name, column), column)
    return Place(file, line, column)


def _column(file: str, line: int, count: int) -> int:
    """Turn bytes of UTF-8, in which Python counts, into characters."""
    return len(_line(file, line).encode()[:count].decode(errors="ignore"))


def _line(file: str, line: int) -> str:
    lines = _read(file).splitlines()
    return lines[line] if 0 <= line < len(lines) else ""


def _tree(file: str) -> ast.Module | None:
    return _parsed(_read(file))


@lru_cache(maxsize=64)
def _parsed(text: str) -> ast.Module | None:
    try:
        return ast.parse(text)
    except (SyntaxError, ValueError):
        return None


def _read(file: str) -> str:
    try:
        return Path(file).read_text(encoding="utf-8-sig", errors="replace")
    except OSError:
        return ""


def _shown(file: str) -> str:
    """Name a file from the working folder, when it lies below."""
    try:
        return str(Path(file).relative_to(Path.cwd()))
    except ValueError:
        return file
