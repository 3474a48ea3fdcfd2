"""Reads night.yaml with all that it leans on: plugins, recipes, changes; its problems are told all at once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from ..changes import Change, read_changes
from ..documents import Node, Problems, nearest
from ..errors import PluginError, UsageError
from ..locking import check_lock
from ..night import Night, read_night
from ..plugins import Registry, load_registry, plugin_choice
from ..plugins.trust import is_trusted, trusted_before
from ..recipe import Recipe, find_recipe
from .choose import Recipes, gather_recipes
from .fitting import Fitting

__all__ = ["Settled", "settle"]


@dataclass(frozen=True)
class Settled:
    """A night with its plugins and recipes, all valid.

    Attributes
    ----------
    night : Night
    plugins : tuple of str
        The choice of plugins, as `load_registry` takes it.
    registry : Registry
    recipes : Recipes
    fitting : Fitting
        Fits recipes to captures.
    """

    night: Night
    plugins: tuple[str, ...]
    registry: Registry
    recipes: Recipes
    fitting: Fitting


def settle(folder: Path, *, recipe: str | None, plugins: Iterable[str] = (), locked: bool = False) -> Settled:
    """Read and validate a night, the plugins and the recipes.

    Parameters
    ----------
    folder : Path
    recipe : str or None
        One for everything.
    plugins : iterable of str
        Those that the user named with the command (see `plugin_choice`).
    locked : bool
        Use only frozen recipes, with the versions and parameters that they were frozen with.

    Raises
    ------
    UsageError, RecipeError
        A wrong night, night file or recipe; a plugin file that is not there, or that only night.yaml names and the
        user does not trust.
    PluginError
        A plugin that a recipe needs is missing or broken.
    """
    reader = _Reader(folder, tuple(plugins))
    night = read_night(folder, reader.read)
    registry = reader.registry()
    recipes = gather_recipes(night, recipe, registry)
    if locked:
        recipes = replace(recipes, shipped=(), broken=())
        for one in recipes.all():
            check_lock(one, registry)
    if recipes.broken and not recipes.all():
        raise recipes.broken[0].error
    if not recipes.all():
        if locked:
            raise UsageError("--locked needs a frozen recipe: --recipe FILE, or recipes in night.yaml")
        raise PluginError(f"no plugin hands over a recipe{_not_loaded(registry)}")
    if not registry.writers:
        raise PluginError(f"no plugin hands over a writer of pictures{_not_loaded(registry)}")
    fitting = Fitting(reader.changes, registry, frozen=locked)
    _check_changes(reader.changes, recipes, fitting)
    return Settled(night, reader.choice, registry, recipes, fitting)


def _not_loaded(registry: Registry) -> str:
    """Tell of the plugins that could not be loaded, and of those that are switched off."""
    said = f"; switched off: {', '.join(registry.left_out)}" if registry.left_out else ""
    causes = "; ".join(f"{one.name} ({one.origin}): {one.reason}" for one in registry.broken)
    return f"{said}; not loaded: {causes}" if causes else said


class _Reader:
    """Reads the parts of a night file that plugins and recipes make sense of."""

    def __init__(self, folder: Path, given: tuple[str, ...]) -> None:
        self._folder, self._given = folder, given
        self._without = tuple(name[1:] for name in given if name.startswith("-"))
        self.choice = _absolute(given)
        self.changes: tuple[Change, ...] = ()
        for name in self.choice:
            if not name.startswith("-") and not Path(name).is_file():
                raise UsageError(f"--plugin: there is no file {name}")

    def registry(self) -> Registry:
        """Return what all chosen plugins hand over."""
        return load_registry(self.choice)

    def read(self, root: Node, problems: Problems) -> None:
        """Read `plugins`, `recipes` and `changes`; what is wrong with them is added to the problems."""
        named = root.value.get("plugins")
        files = [self._plugin(node, problems) for node in _items(named)]
        # The night's own first: they are what it was always run with.
        self.choice = tuple(dict.fromkeys([*filter(None, files), *self.choice]))
        registry = self.registry()
        recipes = root.value.get("recipes")
        for node in recipes.value.values() if recipes is not None and isinstance(recipes.value, dict) else ():
            if isinstance(node.value, str):
                try:
                    find_recipe(node.value, registry, self._folder)
                except UsageError as error:
                    problems.add(node, str(error))
        if "changes" in root.value:
            self.changes = read_changes(root.value["changes"], problems, registry)

    def _plugin(self, node: Node, problems: Problems) -> str | None:
        """Return the file of a plugin that the night file names, if the user trusts it."""
        if not isinstance(node.value, str):
            return None
        path = Path(node.value).expanduser()
        path = (path if path.is_absolute() else self._folder / path).resolve()
        if path.stem in self._without:
            return str(path)  # known by its name, and left out when plugins are loaded
        if not path.is_file():
            beside = [one.name for one in path.parent.glob("*.py")] if path.parent.is_dir() else []
            problems.add(node, f"there is no file {path}{nearest(path.name, beside)}")
        elif str(path) not in self.choice and not is_trusted(path):
            why = "it has changed since you trusted it" if trusted_before(path) else "you have not yet trusted it"
            problems.add(
                node,
                f"this asks to run the program {path.name}, and {why}: read it, then give "
                f"'nightmill plugin trust {path}', or name it yourself with --plugin, or leave it out with "
                f"--no-plugin {path.stem}",
            )
        else:
            return str(path)
        return None


def _absolute(choice: Iterable[str]) -> tuple[str, ...]:
    choice = list(choice)
    files = plugin_choice(name for name in choice if not name.startswith("-"))
    return (*files, *(name for name in choice if name.startswith("-")))


def _items(node: Node | None) -> list[Node]:
    return node.value if node is not None and isinstance(node.value, list) else []


def _check_changes(changes: tuple[Change, ...], recipes: Recipes, fitting: Fitting) -> None:
    """Lay every change over the recipes that it may meet, so that what cannot be is told before anything starts."""
    for change in changes:
        problems = Problems(change.document.name, change.document.text)
        met: set[str] = set()
        for target in change.chosen.targets or (None,):
            for recipe in _candidates(target, recipes):
                met |= {call.name for call in recipe.calls}
                for filter in change.chosen.filters or (None,):
                    fitting.fit(recipe, target, filter)
        for name in change.stages.value:
            if met and name not in met and not recipes.broken:
                whose = f"of {', '.join(change.chosen.targets)} " if change.chosen.targets else ""
                problems.add(change.stages.keys[name], f"no recipe {whose}has the stage {name!r}")
        problems.raise_if_any()


def _candidates(target: str | None, recipes: Recipes) -> Sequence[Recipe]:
    """List the recipes that captures of a target may go through."""
    if target is None:
        return recipes.all()
    if recipes.given is not None and target not in recipes.references:
        return [recipes.given]
    if target in recipes.by_target:
        return [recipes.by_target[target]]
    return [one for one in recipes.shipped if one.made_for.has_target(target)]
