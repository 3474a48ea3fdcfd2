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

from .errors import PluginError
from .hooks import Writer
from .stage import Fold, FrameStage, Parameters, PictureStage, Source, Stage, Survey

__all__ = ["KINDS", "place_of", "vet_folders", "vet_list", "vet_stages", "vet_writers"]

KINDS = (Source, FrameStage, Survey, Fold, PictureStage)
SECTIONS = ("site", "telescope", "camera", "filters")
ENGINES_OWN = ("number", "utc")
"""Columns that no stage may give: the engine fills them."""


def vet_list(value: Any, hook: str, what: str, place: str = "") -> list[Any]:
    """Return what a hook handed over as a list; `place` goes to the end of the message when it is none."""
    if isinstance(value, (str, bytes, Mapping)) or not isinstance(value, Iterable) or inspect.isclass(value):
        raise PluginError(f"{hook} returned {_short(value)}; return a list of {what}{place}")
    return list(value)


def place_of(thing: Any) -> str:
    """Return " (file, line)" of a class, its instance or a function; nothing when the source cannot be found."""
    target = thing if inspect.isclass(thing) or inspect.isfunction(thing) else type(thing)
    try:
        file, line = inspect.getsourcefile(target), inspect.getsourcelines(target)[1]
    except (OSError, TypeError):
        return ""
    return f" ({Path(file).name}, line {line})" if file else ""


def vet_stages(handed: Sequence[Any]) -> list[type[Stage]]:
    """Check the stage classes of one plugin; all faults in one PluginError."""
    faults = [f"{fault}{place_of(one)}" for one in handed for fault in _stage_faults(one)]
    names = [getattr(one, "name", None) for one in handed]
    faults += [f"two stages of it are named {name!r}" for name in dict.fromkeys(names) if names.count(name) > 1]
    if faults:
        raise PluginError("; ".join(faults))
    return list(handed)


def vet_writers(handed: Sequence[Any]) -> list[Writer]:
    """Check the writers of one plugin."""
    for one in handed:
        place = place_of(one)
        if inspect.isclass(one):
            name = one.__name__
            raise PluginError(f"nightmill_writers handed over the class {name}; hand over {name}(){place}")
        if not isinstance(one, Writer):
            raise PluginError(
                f"nightmill_writers handed over {_short(one)}, which is not a nightmill.hooks.Writer{place}"
            )
        who = f"writer {type(one).__name__}"
        if not isinstance(getattr(one, "name", None), str) or not one.name:
            raise PluginError(f"{who} has no name{place}")
        suffix = getattr(one, "suffix", None)
        if not isinstance(suffix, str) or re.fullmatch(r"(\.[A-Za-z0-9-]+)+", suffix) is None:
            raise PluginError(f"{who}: its suffix {suffix!r} must be like '.tif'{place}")
        if type(one).write is Writer.write:
            raise PluginError(f"{who} does not define write{place}")
    return list(handed)


def vet_folders(handed: Sequence[Any]) -> list[Path]:
    """Check the folders of recipes of one plugin."""
    for one in handed:
        if not isinstance(one, Path):
            raise PluginError(f"nightmill_recipes handed over {_short(one)}; hand over folders as pathlib.Path")
        if not one.is_dir():
            raise PluginError(f"nightmill_recipes handed over {one}, which is no folder")
    return list(handed)


def _stage_faults(cls: Any) -> Iterator[str]:
    if not (inspect.isclass(cls) and issubclass(cls, KINDS)):
        hint = ""
        if inspect.isclass(cls) and issubclass(cls, Stage):
            hint = "; derive it from stage.Source, FrameStage, Survey, Fold or PictureStage"
        elif isinstance(cls, KINDS):
            hint = "; hand over the class itself, without ()"
        elif inspect.isfunction(cls):
            hint = "; decorate the function with @stage.survey, @stage.frame or @stage.picture"
        yield f"nightmill_stages handed over {_short(cls)}, which is not a stage class{hint}"
        return
    if cls in KINDS:
        yield f"nightmill_stages handed over stage.{cls.__name__} itself; derive a stage of your own from it"
        return
    name = getattr(cls, "name", None)
    if not isinstance(name, str) or re.fullmatch(r"[a-z][a-z0-9]*(-[a-z0-9]+)*", name) is None:
        yield f"stage {cls.__name__}: its name {name!r} must be lower-case words joined by '-', such as 'my-grade'"
        return
    yield from (f"stage {name!r}: {fault}" for fault in _declaration_faults(cls))


def _declaration_faults(cls: type[Stage]) -> Iterator[str]:
    if inspect.isabstract(cls):
        yield f"it does not write {', '.join(sorted(cls.__abstractmethods__))}"
    if not cls.summary():
        yield "it has no docstring; its first line tells users what it does"
    if not isinstance(cls.version, str) or not cls.version:
        yield f"version is {cls.version!r}; write it as text, such as version = '1'"
    yield from _names_faults("uses", cls.uses, SECTIONS)
    if not _is_text_map(cls.aids):
        yield f"aids is {_short(cls.aids)}; write a dict of role to the fold of its master, {{'dark': 'master-dark'}}"
    parameters = list(_parameter_faults(cls.Parameters))
    yield from parameters
    if issubclass(cls, (Survey, Fold)):
        yield from _names_faults("needs", cls.needs, None)
    if issubclass(cls, Survey):
        yield from _survey_faults(cls)
    if not parameters and not inspect.isabstract(cls) and _no_required(cls.Parameters):
        try:
            cls()
        except Exception as error:
            yield f"it cannot be made with its default parameters: {_first_line(error)}"


def _names_faults(what: str, names: Any, known: Sequence[str] | None) -> Iterator[str]:
    if isinstance(names, str) or not isinstance(names, (tuple, list)) or not all(isinstance(n, str) for n in names):
        example = f"({names!r},)" if isinstance(names, str) else "('level',)"
        yield f"{what} is {_short(names)}; write a tuple, {what} = {example}"
        return
    for name in names:
        if known is not None and name not in known:
            yield f"{what}: night.yaml has no section {name!r}; there is {', '.join(known)}"


def _survey_faults(cls: type[Survey]) -> Iterator[str]:
    if not _is_text_map(cls.gives) or not cls.gives:
        yield f"gives is {_short(cls.gives)}; write a dict of column to what it is, {{'contrast': 'contrast, 0 to 1'}}"
        return
    for column in cls.gives:
        if column in ENGINES_OWN or not column.isidentifier() or column.startswith("_"):
            yield f"gives: {column!r} cannot be a column; use letters, digits and _, but not number or utc"
    if cls.rows not in ("all", "kept"):
        yield f"rows is {cls.rows!r}; write 'all' or 'kept'"


def _parameter_faults(model: Any) -> Iterator[str]:
    if not (inspect.isclass(model) and issubclass(model, Parameters)):
        yield f"Parameters is {_short(model)}; derive it: class Parameters(stage.Parameters)"
        return
    for name, field in model.model_fields.items():
        if not field.description:
            yield f"parameter {name!r} has no description; write stage.Field(..., description='One sentence.')"
    if _no_required(model):
        try:
            model()
        except Exception as error:
            yield f"a default of its parameters is not valid: {_first_line(error)}"


def _no_required(model: Any) -> bool:
    fields = getattr(model, "model_fields", {})
    return not any(field.is_required() for field in fields.values())


def _is_text_map(value: Any) -> bool:
    return isinstance(value, Mapping) and all(isinstance(one, str) for pair in value.items() for one in pair)


def _first_line(error: Exception) -> str:
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
