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

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from .chain import Call, change_calls, read_calls
from .changes import Change, read_changes
from .documents import Node, Problems, nearest, read_text, read_yaml
from .errors import PluginError, UsageError
from .plugins import Registry
from .selecting import Selection, read_selection
from .stage import Stage

__all__ = ["Call", "Recipe", "find_recipe", "parse_recipe", "read_recipe"]

PICTURES = (".fits", ".tif", ".png", ".mp4")
"""What finished pictures end in."""

FORMAT = 1
MOST_ABOVE = 8
KEYS = ("nightmill", "title", "about", "for", "extends", "change", "stages", "changes", "locked")


@dataclass(frozen=True)
class Recipe:
    """A validated recipe.

    Attributes
    ----------
    name : str
        File name without ".yaml".
    title, about : str
        For people.
    made_for : Selection
        What it is chosen for by default.
    calls : tuple of Call
        The stages in order.
    changes : tuple of Change
        Parameters that differ for some captures.
    locked : dict or None
        Versions that it was frozen with (see `nightmill.locking`).
    """

    name: str
    title: str
    about: str
    made_for: Selection
    calls: tuple[Call, ...]
    changes: tuple[Change, ...] = ()
    locked: dict[str, Any] | None = None

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
        if chosen := self.made_for.plain():
            document["for"] = chosen
        document["stages"] = stages
        if self.changes:
            document["changes"] = [one.plain() for one in self.changes]
        return yaml.safe_dump(document, sort_keys=False, allow_unicode=True, width=110)


def shipped(registry: Registry) -> Iterator[Path]:
    """Iterate over the recipes that plugins hand over, in order of their names."""
    for folder in registry.recipe_folders:
        yield from sorted(folder.glob("*.yaml"))


def find_recipe(name: str, registry: Registry, base: Path | None = None) -> Path:
    """Return the file of a recipe: a path (beside `base` when relative), else the name of a shipped one.

    Of a shipped recipe's name the end will do where no other ends so: "colour-planet" for "one-shot-colour-planet".
    """
    direct = Path(name)
    if direct.suffix in (".yaml", ".yml"):
        candidates = [direct] if direct.is_absolute() else [(base or Path.cwd()) / direct, direct]
        for path in candidates:
            if path.is_file():
                return path
    known = {path.stem: path for path in shipped(registry)}
    if direct.name in (f"{direct.stem}.yaml", direct.stem) and direct.parent == Path() and direct.stem in known:
        return known[direct.stem]
    endings = [stem for stem in known if stem.endswith(f"-{direct.stem}") and direct.parent == Path()]
    if len(endings) == 1 and direct.suffix in ("", ".yaml"):
        return known[endings[0]]
    if direct.is_file():
        recover = f"; a picture's own is had by 'nightmill recipe from {direct} -o recipe.yaml'"
        raise UsageError(
            f"{direct} is no recipe: a recipe is a text file whose name ends in .yaml"
            + (recover if direct.suffix.lower() in PICTURES else "")
        )
    what = f"file {direct}, and no recipe ships under its name" if direct.suffix else f"recipe {name!r}"
    raise UsageError(f"there is no {what}{nearest(direct.stem, known)}")


def read_recipe(path: Path, registry: Registry) -> Recipe:
    """Read and validate a recipe file; all problems in one RecipeError."""
    root, problems = read_yaml(path)
    return _build(root, problems, path.stem, registry, path.parent, (path.resolve(),))


def parse_recipe(text: str, name: str, registry: Registry) -> Recipe:
    """Validate a recipe given as text (from a picture's record, say)."""
    root, problems = read_text(text, name)
    return _build(root, problems, name, registry, Path.cwd(), ())


def made_for(path: Path) -> Selection:
    """Return what a recipe says it is for, even when it is not valid otherwise; anything at worst."""
    try:
        root, problems = read_yaml(path)
    except UsageError:
        return Selection()
    return read_selection(root.value.get("for"), problems) if isinstance(root.value, dict) else Selection()


def _build(
    root: Node, problems: Problems, name: str, registry: Registry, folder: Path, above: tuple[Path, ...]
) -> Recipe:
    if not isinstance(root.value, dict):
        problems.add(root, "a recipe is a list of names with values; it begins with 'nightmill: 1'")
        problems.raise_if_any()
    top: dict[str, Node] = root.value
    for key in top:
        if key not in KEYS:
            problems.add(root.keys[key], f"there is no {key!r} in a recipe{nearest(key, KEYS)}")
    if "nightmill" not in top:
        problems.add(root, "'nightmill: 1' is missing; it says which recipe format this is")
    elif top["nightmill"].value != FORMAT or isinstance(top["nightmill"].value, bool):
        given = top["nightmill"].plain()
        problems.add(top["nightmill"], f"recipe format {given!r} is not known; this nightmill reads {FORMAT}"[:200])
    base = _base(top, problems, registry, folder, above)
    calls = list(base.calls) if base else []
    extends = "extends" in top
    if "stages" in top and extends:
        problems.add(root.keys["stages"], "a recipe that extends another has 'change', not 'stages'")
    elif "stages" in top:
        calls = read_calls(top["stages"], problems, registry)
    elif not extends:
        problems.add(root, "'stages' is missing")
    if "change" in top and base is not None:
        calls = change_calls(top["change"], calls, problems, registry)
    elif "change" in top and not extends:
        problems.add(root.keys["change"], "'change' goes with 'extends'")
    changes = base.changes if base else ()
    if "changes" in top:
        changes += read_changes(top["changes"], problems, registry, calls)
    chosen = read_selection(top.get("for"), problems)
    title, about = (_text(top, key, problems) for key in ("title", "about"))
    locked = top["locked"].plain() if "locked" in top else None
    if locked is not None and not isinstance(locked, dict):
        problems.add(top["locked"], "'locked' is written by 'nightmill recipe lock'; delete it to unlock the recipe")
    problems.raise_if_any()
    return Recipe(
        name=name,
        title=title or (base.title if base else name),
        about=about or (base.about if base else ""),
        made_for=Selection(
            chosen.targets or (base.made_for.targets if base else ()),
            chosen.filters or (base.made_for.filters if base else ()),
        ),
        calls=tuple(calls),
        changes=changes,
        locked=locked,
    )


def _base(
    top: dict[str, Node], problems: Problems, registry: Registry, folder: Path, above: tuple[Path, ...]
) -> Recipe | None:
    if "extends" not in top:
        return None
    node = top["extends"]
    if not isinstance(node.value, str):
        problems.add(node, "'extends' names one recipe: a .yaml file, or a recipe that ships")
        return None
    try:
        path = find_recipe(node.value, registry, folder)
        if path.resolve() in above:
            circle = " -> ".join(one.name for one in (*above[above.index(path.resolve()) :], path))
            problems.add(node, f"recipes extend each other in a circle: {circle}")
            return None
        if len(above) >= MOST_ABOVE:
            problems.add(node, f"recipes extend each other more than {MOST_ABOVE} deep")
            return None
        inner, theirs = read_yaml(path)
        return _build(inner, theirs, path.stem, registry, path.parent, (*above, path.resolve()))
    except (UsageError, PluginError) as error:
        between = "\n" if "\n" in str(error) else ""
        text = f"in the recipe that it extends: {between}{error}"
        problems.add(node, text, plugin=isinstance(error, PluginError))
        return None


def _text(top: dict[str, Node], key: str, problems: Problems) -> str:
    node = top.get(key)
    if node is None or node.value is None:
        return ""
    if isinstance(node.value, (dict, list)):
        problems.add(node, f"{key!r}: expected text")
        return ""
    return str(node.value)
