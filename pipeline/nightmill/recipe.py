"""Recipes: YAML in, a validated chain of stages out, every problem told at once with its place.

A recipe names its stages in the order of the work: sources, frame stages, survey stages, one fold, picture stages::

    nightmill: 1
    title: One-shot-colour planet
    for: {targets: [jupiter, saturn], filters: [RGB]}
    stages:
      - ingest
      - grade
      - stack: {share: 0.2}
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml
from pydantic import ValidationError

from .documents import Node, Problems, nearest, read_text, read_yaml
from .errors import PluginError, UsageError
from .plugins import Registry
from .stage import Fold, FrameStage, Parameters, PictureStage, Source, Stage, Survey

__all__ = ["Call", "Recipe", "find_recipe", "parse_recipe", "read_recipe"]

FORMAT = 1
KEYS = ("nightmill", "title", "about", "for", "extends", "change", "stages")
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


@dataclass(frozen=True)
class Recipe:
    """A validated recipe.

    Attributes
    ----------
    name : str
        File name without ".yaml".
    title, about : str
        For people.
    targets, filters : tuple of str
        What it is made for, lower-case targets; empty for anything. Used to choose a recipe by default.
    calls : tuple of Call
        The stages in order.
    """

    name: str
    title: str
    about: str
    targets: tuple[str, ...]
    filters: tuple[str, ...]
    calls: tuple[Call, ...]

    def of_kind(self, kind: type[Stage]) -> list[Call]:
        """Return the calls whose stage is of this kind."""
        return [call for call in self.calls if issubclass(call.stage, kind)]

    def to_yaml(self, *, resolved: bool = True) -> str:
        """Write the recipe as YAML that runs as it stands; `resolved` writes the defaults out."""
        stages: list[Any] = []
        for call in self.calls:
            values = call.resolved() if resolved else call.given()
            stages.append({call.name: values} if values else call.name)
        document: dict[str, Any] = {"nightmill": FORMAT, "title": self.title}
        if self.about:
            document["about"] = self.about
        chosen = {"targets": list(self.targets), "filters": list(self.filters)}
        document["for"] = {key: values for key, values in chosen.items() if values}
        document["stages"] = stages
        return yaml.safe_dump(document, sort_keys=False, allow_unicode=True, width=110)


def shipped(registry: Registry) -> Iterator[Path]:
    """Iterate over the recipes that plugins hand over, in order of their names."""
    for folder in registry.recipe_folders:
        yield from sorted(folder.glob("*.yaml"))


def find_recipe(name: str, registry: Registry, base: Path | None = None) -> Path:
    """Return the file of a recipe: a path (beside `base` when relative), else the name of a shipped one."""
    direct = Path(name)
    if direct.suffix in (".yaml", ".yml"):
        candidates = [direct] if direct.is_absolute() else [(base or Path.cwd()) / direct, direct]
        for path in candidates:
            if path.is_file():
                return path
    known = {path.stem: path for path in shipped(registry)}
    if direct.name in (f"{direct.stem}.yaml", direct.stem) and direct.parent == Path() and direct.stem in known:
        return known[direct.stem]
    raise UsageError(f"there is no recipe {name!r}{nearest(direct.stem, known)}")


def read_recipe(path: Path, registry: Registry) -> Recipe:
    """Read and validate a recipe file; all problems in one RecipeError."""
    root, problems = read_yaml(path)
    return _build(root, problems, path.stem, registry, path.parent, 0)


def parse_recipe(text: str, name: str, registry: Registry) -> Recipe:
    """Validate a recipe given as text (from a picture's record, say)."""
    root, problems = read_text(text, name)
    return _build(root, problems, name, registry, Path.cwd(), 0)


def _build(root: Node, problems: Problems, name: str, registry: Registry, folder: Path, depth: int) -> Recipe:
    if not isinstance(root.value, dict):
        problems.add(root, "a recipe is a list of names with values; it begins with 'nightmill: 1'")
        problems.raise_if_any()
    top: dict[str, Node] = root.value
    for key in top:
        if key not in KEYS:
            problems.add(root.keys[key], f"there is no {key!r} in a recipe{nearest(key, KEYS)}")
    if "nightmill" not in top:
        problems.add(root, "'nightmill: 1' is missing; it says which recipe format this is")
    elif top["nightmill"].value != FORMAT:
        given = top["nightmill"].plain()
        problems.add(top["nightmill"], f"recipe format {given!r} is not known; this nightmill reads {FORMAT}")
    base = _base(top, problems, registry, folder, depth)
    calls = list(base.calls) if base else []
    if "stages" in top:
        if base:
            problems.add(root.keys["stages"], "a recipe that extends another has 'change', not 'stages'")
        calls = _calls(top["stages"], problems, registry)
    elif base is None:
        problems.add(root, "'stages' is missing")
    if "change" in top:
        calls = _changed(top["change"], calls, problems, registry) if base else calls
        if base is None:
            problems.add(root.keys["change"], "'change' goes with 'extends'")
    targets, filters = _made_for(top, problems)
    problems.raise_if_any()
    return Recipe(
        name=name,
        title=_text(top, "title", problems) or (base.title if base else name),
        about=_text(top, "about", problems) or (base.about if base else ""),
        targets=targets or (base.targets if base else ()),
        filters=filters or (base.filters if base else ()),
        calls=tuple(calls),
    )


def _base(top: dict[str, Node], problems: Problems, registry: Registry, folder: Path, depth: int) -> Recipe | None:
    if "extends" not in top:
        return None
    node = top["extends"]
    if depth >= 8:
        problems.add(node, "recipes extend each other in a circle, or more than 8 deep")
        return None
    try:
        path = find_recipe(str(node.value), registry, folder)
        inner, theirs = read_yaml(path)
        return _build(inner, theirs, path.stem, registry, path.parent, depth + 1)
    except UsageError as error:
        problems.add(node, str(error))
        return None


def _text(top: dict[str, Node], key: str, problems: Problems) -> str:
    node = top.get(key)
    return "" if node is None or node.value is None else str(node.plain())


def _made_for(top: dict[str, Node], problems: Problems) -> tuple[tuple[str, ...], tuple[str, ...]]:
    node = top.get("for")
    if node is None:
        return (), ()
    if not isinstance(node.value, dict):
        problems.add(node, "expected 'targets' and 'filters', each a list")
        return (), ()
    lists: dict[str, tuple[str, ...]] = {"targets": (), "filters": ()}
    for key, values in node.value.items():
        if key not in lists:
            problems.add(node.keys[key], f"there is no {key!r} here{nearest(key, lists)}")
        elif not isinstance(values.value, list) or not all(isinstance(one.value, str) for one in values.value):
            problems.add(values, f"{key!r}: expected a list of names, such as [jupiter, mars]")
        else:
            lists[key] = tuple(str(one.value) for one in values.value)
    return tuple(target.lower() for target in lists["targets"]), lists["filters"]


def _calls(node: Node, problems: Problems, registry: Registry) -> list[Call]:
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
            problems.add(entry, "expected the name of a stage, or 'name: {parameter: value}'")
            continue
        call = _call(name, place, values, problems, registry)
        if call is not None:
            calls.append((place, call))
    _check_order(calls, problems, node, complete=len(calls) == len(node.value))
    return [call for _, call in calls]


def _call(name: str, place: Node, values: Node, problems: Problems, registry: Registry) -> Call | None:
    try:
        cls = registry.stage(name)
    except PluginError as error:
        problems.add(place, str(error))
        return None
    plain = {} if values.value is None else values.plain()
    if not isinstance(plain, dict):
        problems.add(values, f"stage {name!r}: expected 'parameter: value', got {plain!r}")
        return None
    try:
        return Call(name, cls, cls.Parameters.model_validate(plain))
    except ValidationError as error:
        known = cls.Parameters.model_fields
        problems.add_validation(values, error.errors(), f"stage {name!r}, parameter ", known)
        return None


def _changed(node: Node, calls: list[Call], problems: Problems, registry: Registry) -> list[Call]:
    if not isinstance(node.value, dict):
        problems.add(node, "'change' gives parameters by stage: {sharpen: {strength: 0.4}}")
        return calls
    changed = {call.name: call for call in calls}
    for name, values in node.value.items():
        if name not in changed:
            problems.add(node.keys[name], f"the recipe it extends has no stage {name!r}{nearest(name, changed)}")
            continue
        if isinstance(values.value, dict):
            for key, value in changed[name].given().items():
                values.value.setdefault(key, Node(value, values.line, values.column))
        new = _call(name, node.keys[name], values, problems, registry)
        if new is not None:
            changed[name] = new
    return [changed[call.name] for call in calls]


def _check_order(calls: Sequence[tuple[Node, Call]], problems: Problems, node: Node, *, complete: bool) -> None:
    """Check kinds and columns: a stage that needs what no earlier stage gives is an error here, not at midnight."""
    given = {"number", "utc", "kept"}
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
        if call.name in seen and own != 4:
            problems.add(place, f"stage {call.name!r} stands here a second time")
        seen.add(call.name)
        for column in getattr(call.stage, "needs", ()):
            if column not in given:
                givers = "a survey stage that gives it"
                problems.add(
                    place,
                    f"stage {call.name!r} needs the column {column!r}, which no earlier stage gives; "
                    f"put {givers} before it",
                )
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
