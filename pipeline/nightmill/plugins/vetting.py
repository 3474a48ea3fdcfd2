"""What the engine demands of what plugins hand over, checked once when a plugin is loaded.

A stage that passes here can be listed, validated and planned; whether its arithmetic keeps its promises only the
conformance kit can tell (`nightmill plugin test`).
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from ..documents import nearest
from ..foreign import attempt
from ..hooks import Writer
from ..stage import Fold, FrameStage, Parameters, PictureStage, Source, Stage, Survey
from .blame import Fault, place_of

__all__ = ["KINDS", "folder_faults", "list_faults", "stage_faults", "writer_faults"]

KINDS = (Source, FrameStage, Survey, Fold, PictureStage)
SECTIONS = ("site", "telescope", "camera", "filters", "references", "extinction")
ENGINES_OWN = ("number", "utc")
"""Columns that no stage may give: the engine fills them."""

Told = Iterator[tuple[str, tuple[str, ...]]]
"""Sentences, each with the names that lead to its place in the stage's source."""

HOOK = ("return",)
"""Leads to what the hook returns, in the hook's source."""


def list_faults(value: Any, hook: str, what: str, function: Any) -> Iterator[Fault]:
    """Say what is wrong with the kind of thing that a hook returned: it must be a list."""
    if isinstance(value, (str, bytes, Mapping)) or not isinstance(value, Iterable) or inspect.isclass(value):
        yield Fault(f"{hook} returned {_short(value)}; return a list of {what}", place_of(function, "return"))


def stage_faults(handed: Sequence[Any], function: Any = None) -> Iterator[Fault]:
    """Say what is wrong with the stage classes of one plugin, handed over by a hook `function`."""
    for one in handed:
        for text, names in _stage_faults(one):
            yield Fault(text, (names != HOOK and place_of(one, *names)) or place_of(function, "return"))
    known = [getattr(one, "name", None) for one in handed]
    for name in dict.fromkeys(known):
        if known.count(name) > 1:
            text = f"two stages of it are named {name!r}; give one of them another name"
            yield Fault(text, place_of(function, "return"))


def writer_faults(handed: Sequence[Any], function: Any = None) -> Iterator[Fault]:
    """Say what is wrong with the writers of one plugin."""
    for one in handed:
        for text, names in _writer_faults(one):
            yield Fault(text, (names != HOOK and place_of(one, *names)) or place_of(function, "return"))


def _writer_faults(one: Any) -> Told:
    if inspect.isclass(one):
        yield f"nightmill_writers handed over the class {one.__name__}; hand over {one.__name__}()", HOOK
        return
    if not isinstance(one, Writer):
        yield f"nightmill_writers handed over {_short(one)}, which is not a nightmill.hooks.Writer", HOOK
        return
    who = f"writer {type(one).__name__}"
    if not isinstance(getattr(one, "name", None), str) or not one.name:
        yield f"{who} has no name; write name = 'my-format'", ("name",)
    suffix = getattr(one, "suffix", None)
    if not isinstance(suffix, str) or re.fullmatch(r"(\.[A-Za-z0-9-]+)+", suffix) is None:
        yield f"{who}: its suffix {suffix!r} must be like '.tif'", ("suffix",)
    if not isinstance(one.version, str) or not one.version:
        yield f"{who}: version is {one.version!r}; write it as text, version = '{one.version or 1}'", ("version",)
    if type(one).write is Writer.write:
        yield f"{who} does not define write(self, picture, path)", ()


def folder_faults(handed: Sequence[Any], function: Any = None) -> Iterator[Fault]:
    """Say what is wrong with the folders of recipes of one plugin."""
    for one in handed:
        if not isinstance(one, Path):
            text = f"nightmill_recipes handed over {_short(one)}; hand over folders as pathlib.Path"
            yield Fault(text, place_of(function, "return"))
        elif not one.is_dir():
            text = f"nightmill_recipes handed over {one}, which is no folder; give Path(__file__).parent / 'recipes'"
            yield Fault(text, place_of(function, "return"))


def _stage_faults(cls: Any) -> Told:
    place: tuple[str, ...]
    if not (inspect.isclass(cls) and issubclass(cls, KINDS)):
        hint, place = "; hand over stage classes", HOOK
        if inspect.isclass(cls) and issubclass(cls, Stage):
            hint, place = "; derive it from stage.Source, FrameStage, Survey, Fold or PictureStage", ()
        elif isinstance(cls, KINDS):
            hint = "; hand over the class itself, without ()"
        elif inspect.isfunction(cls):
            hint, place = "; decorate the function with @stage.survey, @stage.frame or @stage.picture", ()
        yield f"nightmill_stages handed over {_short(cls)}, which is not a stage class{hint}", place
        return
    if cls in KINDS:
        yield f"nightmill_stages handed over stage.{cls.__name__} itself; derive a stage of your own from it", HOOK
        return
    name = getattr(cls, "name", None)
    who = f"stage {name!r}"
    if not isinstance(name, str) or re.fullmatch(r"[a-z][a-z0-9]*(-[a-z0-9]+)*", name) is None:
        wish = _wished(name, cls)
        yield (
            f"stage {cls.__name__}: its name {name!r} must be lower-case words joined by '-': write {wish!r}",
            ("name",),
        )
        who = f"stage {cls.__name__}"
    yield from ((f"{who}: {text}", names) for text, names in _declaration_faults(cls))


def _wished(name: Any, cls: type[Stage]) -> str:
    """Make a name as it should be."""
    text = name if isinstance(name, str) and name else cls.__name__
    words = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "-", text)
    return re.sub(r"[^a-z0-9]+", "-", words.lower()).strip("-0123456789") or "my-stage"


def _declaration_faults(cls: type[Stage]) -> Told:
    if inspect.isabstract(cls):
        for method in sorted(cls.__abstractmethods__):
            yield f"it does not write {method}{_nearest_method(cls, method)}", ()
    if not cls.summary():
        yield "it has no docstring; its first line tells users what it does", ()
    if not isinstance(cls.version, str) or not cls.version:
        yield f"version is {cls.version!r}; write it as text, version = '{cls.version or 1}'", ("version",)
    yield from _names_faults("uses", cls.uses, SECTIONS)
    if not _is_text_map(cls.aids):
        text = f"aids is {_short(cls.aids)}; write a dict of role to the fold of its master, {{'dark': 'master-dark'}}"
        yield text, ("aids",)
    parameters = list(_parameter_faults(cls.Parameters))
    yield from parameters
    if issubclass(cls, (Survey, Fold)):
        yield from _names_faults("needs", cls.needs, None)
    if issubclass(cls, Survey):
        yield from _survey_faults(cls)
    if not parameters and not inspect.isabstract(cls) and _no_required(cls.Parameters):
        error = attempt(cls).error
        if error is not None:
            yield f"it cannot be made with its default parameters: {_first_line(error)}", ("__init__",)


def _nearest_method(cls: type[Stage], method: str) -> str:
    """Name the method of the class that may have been meant."""
    import difflib

    base = next(kind for kind in KINDS if issubclass(cls, kind))
    own = [name for name in vars(cls) if inspect.isfunction(vars(cls)[name]) and not hasattr(base, name)]
    close = difflib.get_close_matches(method, own, n=1, cutoff=0.6)
    arguments = ", ".join(inspect.signature(getattr(base, method)).parameters)
    return f"; {close[0]!r} is probably meant to be it" if close else f"; write def {method}({arguments})"


def _names_faults(what: str, names: Any, known: Sequence[str] | None) -> Told:
    if isinstance(names, str) or not isinstance(names, (tuple, list)) or not all(isinstance(n, str) for n in names):
        example = f"({names!r},)" if isinstance(names, str) else "('level',)"
        yield f"{what} is {_short(names)}; write a tuple, {what} = {example}", (what,)
        return
    for name in names:
        if known is not None and name not in known:
            yield f"{what}: night.yaml has no section {name!r}{nearest(name, known)}", (what,)


def _survey_faults(cls: type[Survey]) -> Told:
    if not _is_text_map(cls.gives) or not cls.gives:
        text = f"gives is {_short(cls.gives)}; write a dict of column to what it is, {{'contrast': 'contrast, 0 to 1'}}"
        yield text, ("gives",)
        return
    for column in cls.gives:
        if column in ENGINES_OWN or not column.isidentifier() or column.startswith("_"):
            text = f"gives: {column!r} cannot be a column; use letters, digits and _, but not number or utc"
            yield text, ("gives",)
    if cls.rows not in ("all", "kept"):
        yield f"rows is {cls.rows!r}; write 'all' or 'kept'", ("rows",)


def _parameter_faults(model: Any) -> Told:
    if not (inspect.isclass(model) and issubclass(model, Parameters)):
        text = f"Parameters is {_short(model)}; derive it: class Parameters(stage.Parameters)"
        yield text, ("Parameters",)
        return
    for name, field in model.model_fields.items():
        if not field.description:
            text = f"parameter {name!r} has no description; write stage.Field(..., description='One sentence.')"
            yield text, ("Parameters", name)
    if _no_required(model):
        error = attempt(model).error
        if error is not None:
            wrong = _wrong_fields(error)
            yield f"a default of its parameters is not valid: {_first_line(error)}", ("Parameters", *wrong)


def _wrong_fields(error: BaseException) -> tuple[str, ...]:
    from pydantic import ValidationError

    return tuple(str(part) for part in error.errors()[0]["loc"][:1]) if isinstance(error, ValidationError) else ()


def _no_required(model: Any) -> bool:
    fields = getattr(model, "model_fields", {})
    return not any(field.is_required() for field in fields.values())


def _is_text_map(value: Any) -> bool:
    return isinstance(value, Mapping) and all(isinstance(one, str) for pair in value.items() for one in pair)


def _first_line(error: BaseException) -> str:
    """Put an error into one line; pydantic's names the parameter in its second line and the reason in its third."""
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    if type(error).__name__ == "ValidationError" and len(lines) >= 3:
        return f"{lines[1]}: {lines[2].partition(' [type=')[0]}"
    return f"{type(error).__name__}: {lines[0] if lines else ''}"


def _short(value: Any) -> str:
    if inspect.isclass(value) or inspect.isfunction(value):
        return f"{'class' if inspect.isclass(value) else 'function'} {value.__name__}"
    if isinstance(value, Stage):
        return f"an instance of {type(value).__name__}"
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
