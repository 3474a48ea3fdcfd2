"""The chain of stages in a recipe: each with validated parameters, and in an order that can work."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, ValidationError

from .documents import Node, Problems, nearest
from .errors import PluginError
from .plugins import Registry
from .stage import Fold, FrameStage, Parameters, PictureStage, Source, Stage, Survey

__all__ = ["Call", "call_errors", "change_calls", "joined_names", "lay_over", "read_calls"]

ORDER: tuple[type[Stage], ...] = (Source, FrameStage, Survey, Fold, PictureStage)


@dataclass(frozen=True)
class Call:
    """One stage of a recipe with its validated parameters."""

    name: str
    stage: type[Stage]
    parameters: Parameters

    def make(self) -> Stage:
        """Make the stage."""
        return self.stage(self.parameters)

    def resolved(self) -> dict[str, Any]:
        """Return all parameters, defaults included, as they may stand in YAML."""
        return self.parameters.model_dump(mode="json")

    def given(self) -> dict[str, Any]:
        """Return the parameters that differ from the defaults."""
        return self.parameters.model_dump(mode="json", exclude_defaults=True)


def read_calls(node: Node, problems: Problems, registry: Registry) -> list[Call]:
    """Read the list under `stages`."""
    if not isinstance(node.value, list) or not node.value:
        problems.add(node, "'stages' is a list, one stage a line: '- ingest'")
        return []
    calls: list[tuple[Node, Call]] = []
    for entry in node.value:
        name, place, values = entry.value, entry, Node({}, entry.line, entry.column)
        if isinstance(entry.value, dict) and len(entry.value) == 1:
            name, values = next(iter(entry.value.items()))
            place = entry.keys[name]
        if not isinstance(name, str):
            hint = "; parameters are indented below the name, which ends in ':'" if isinstance(name, dict) else ""
            problems.add(entry, f"expected the name of a stage, or 'name: {{parameter: value}}'{hint}")
            continue
        call = _call(name, place, values, problems, registry)
        if call is not None:
            calls.append((place, call))
    _check_order(calls, problems, node, complete=len(calls) == len(node.value))
    return [call for _, call in calls]


def change_calls(node: Node, calls: Sequence[Call], problems: Problems, registry: Registry) -> list[Call]:
    """Apply what stands under `change` to the stages of the recipe that is extended; the rest of each stays."""
    if not isinstance(node.value, dict):
        problems.add(node, "'change' gives parameters by stage: {sharpen: {strength: 0.4}}")
        return list(calls)
    names = [call.name for call in calls]
    for name in node.value:
        if name not in names:
            problems.add(node.keys[name], f"the recipe it extends has no stage {name!r}{nearest(name, names)}")
    return lay_over(node, calls, problems, registry)


def lay_over(node: Node, calls: Sequence[Call], problems: Problems, registry: Registry) -> list[Call]:
    """Lay parameters by stage over those of `calls`; the rest of each stays, and stages not there are passed over."""
    names = [call.name for call in calls]
    changed = list(calls)
    for name, values in node.value.items():
        if names.count(name) > 1:
            text = f"stage {name!r} stands {names.count(name)} times in the recipe; write its 'stages' out instead"
            problems.add(node.keys[name], text)
        if names.count(name) != 1 or values.value is None:
            continue
        index = names.index(name)
        merged = _merged(calls[index].given(), values) if isinstance(values.value, dict) else values
        changed[index] = _call(name, node.keys[name], merged, problems, registry) or changed[index]
    return changed


def joined_names(calls: Sequence[Call]) -> tuple[str, frozenset[str]]:
    """Return the first picture stage that may join captures, and the names of all that work on joined ones alone.

    Behind a stage that only adds pictures the captures' own go on by themselves.
    """
    pictures = [call for call in calls if issubclass(call.stage, PictureStage)]
    names: list[str] = []
    first = ""
    for index, call in enumerate(pictures):
        stage = call.stage
        if issubclass(stage, PictureStage) and stage.group is not PictureStage.group:
            first = first or call.name
            names += [call.name] if stage.adds else [one.name for one in pictures[index:]]
    return first, frozenset(names)


def _merged(below: dict[str, Any], over: Node) -> Node:
    """Lay the values of a mapping over those of the recipe below, group by group."""
    values = {key: Node.of(value, over.line, over.column) for key, value in below.items()}
    for key, node in over.value.items():
        grouped = isinstance(node.value, dict) and isinstance(below.get(key), dict)
        values[key] = _merged(below[key], node) if grouped else node
    return Node(values, over.line, over.column, over.keys)


def _call(name: str, place: Node, values: Node, problems: Problems, registry: Registry) -> Call | None:
    try:
        cls = registry.stage(name)
    except PluginError as error:
        problems.add(place, str(error), plugin=registry.blames_plugin(name))
        return None
    plain = {} if values.value is None else values.plain()
    if not isinstance(plain, dict):
        problems.add(values, f"stage {name!r}: expected 'parameter: value', got {plain!r}"[:200])
        return None
    try:
        return Call(name, cls, cls.Parameters.model_validate(plain))
    except ValidationError as error:
        call_errors(name, cls, values, error.errors(), problems)
        return None


def call_errors(name: str, cls: type[Stage], values: Node, errors: Iterable[Any], problems: Problems) -> None:
    """Add what pydantic found in the parameters of a stage."""
    known = _names_in(cls.Parameters)
    problems.add_validation(values, errors, known, what=f"stage {name!r}: ", noun="parameter ")


def _names_in(model: type[BaseModel]) -> Callable[[Sequence[Any]], Iterable[str]]:
    """Return what knows the names of a group of parameters, by its place."""

    def names(place: Sequence[Any]) -> Iterable[str]:
        current: Any = model
        for part in place:
            field = current.model_fields.get(part) if _is_model(current) else None
            current = None if field is None else field.annotation
        return list(current.model_fields) if _is_model(current) else []

    return names


def _is_model(value: Any) -> bool:
    return isinstance(value, type) and issubclass(value, BaseModel)


def _check_order(calls: Sequence[tuple[Node, Call]], problems: Problems, node: Node, *, complete: bool) -> None:
    """Check kinds and columns: a stage that needs what no earlier stage gives is an error here, not at midnight."""
    given = {"number", "utc", "kept"}
    givers = {name: call.name for _, call in calls for name in getattr(call.stage, "gives", ())}
    rank, last = 0, ""
    folds = 0
    seen: set[str] = set()
    for place, call in calls:
        own = next(index for index, kind in enumerate(ORDER) if issubclass(call.stage, kind))
        if own < rank:
            problems.add(
                place,
                f"stage {call.name!r} ({call.stage.kind}) must come before {last!r} "
                f"({ORDER[rank].kind}); the order is source, frame, survey, fold, picture",
            )
        rank, last = max(rank, own), call.name if own >= rank else last
        if call.name in seen and own != len(ORDER) - 1:
            problems.add(place, f"stage {call.name!r} stands here a second time")
        seen.add(call.name)
        lacking = [column for column in getattr(call.stage, "needs", ()) if column not in given]
        if lacking:
            later = list(dict.fromkeys(givers[column] for column in lacking if column in givers))
            cure = (
                f"move {' and '.join(map(repr, later))} before it"
                if later
                else "put a survey stage that does before it"
            )
            what = f"the column{'s' if len(lacking) > 1 else ''} {', '.join(map(repr, lacking))}"
            problems.add(place, f"stage {call.name!r} needs {what}, which no earlier stage gives; {cure}")
        given |= set(getattr(call.stage, "gives", ()))
        folds += issubclass(call.stage, Fold)
        if folds > 1 and issubclass(call.stage, Fold):
            problems.add(place, f"a second fold stage, {call.name!r}; a recipe has one")
    if complete and not any(issubclass(call.stage, Source) for _, call in calls):
        problems.add(node, "the first stage must be a source, such as 'ingest'")
    if complete and not any(issubclass(call.stage, PictureStage) for _, call in calls):
        problems.add(node, "there is no picture stage, such as 'compose', so no picture would come of it")
    if complete and folds == 0:
        problems.add(node, "there is no fold stage, such as 'stack'")
