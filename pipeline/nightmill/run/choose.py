"""Which recipe each capture goes through."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..errors import NightmillError, PluginError, UsageError
from ..night import REFERENCE, Night
from ..plugins import Registry
from ..recipe import Recipe, find_recipe, made_for, read_recipe, shipped
from ..selecting import Selection
from ..stage import Source

__all__ = ["Recipes", "choose_recipe", "gather_recipes"]


@dataclass(frozen=True)
class Broken:
    """A recipe that a plugin hands over and that is not valid: what it is for, and what is wrong with it."""

    made_for: Selection
    error: NightmillError


@dataclass(frozen=True)
class Recipes:
    """The recipes of a run.

    Attributes
    ----------
    given : Recipe or None
        The one that the command names for everything.
    by_target : dict of str to Recipe
        Those that the night file names.
    shipped : tuple of Recipe
        Those that plugins hand over, to choose from by default.
    broken : tuple of Broken
        Those of them that are not valid: they stop a night only when they would be chosen.
    targets : frozenset of str
        What recipes that are at hand are made for, lower case, whether or not they are used.
    references : frozenset of str
        Targets that others are measured by: they go through a recipe made for "reference", whatever they are called
        and whatever recipe is given for the others.
    """

    given: Recipe | None
    by_target: dict[str, Recipe]
    shipped: tuple[Recipe, ...]
    broken: tuple[Broken, ...] = ()
    targets: frozenset[str] = frozenset()
    references: frozenset[str] = frozenset()

    def all(self) -> list[Recipe]:
        """Return every recipe that could be used."""
        return [*([] if self.given is None else [self.given]), *self.by_target.values(), *self.shipped]


def gather_recipes(night: Night, name: str | None, registry: Registry) -> Recipes:
    """Read and validate the recipes that a run may use."""
    paths = list(shipped(registry))
    named = {target for path in paths for target in made_for(path).targets} | set(night.settings.recipes)
    known = frozenset(target.lower() for target in named) | night.references
    given = None
    if name is not None:
        given = read_recipe(find_recipe(name, registry), registry)
        known |= {target.lower() for target in given.made_for.targets}
        # What is measured by is no matter of the recipe for what is measured.
        paths = [path for path in paths if REFERENCE in made_for(path).targets]
    by_target = {
        target.lower(): read_recipe(find_recipe(recipe, registry, night.folder), registry)
        for target, recipe in night.settings.recipes.items()
        if given is None or target.lower() in night.references
    }
    usable, broken = [], []
    for path in paths:
        try:
            recipe = read_recipe(path, registry)
            if given is None or _sources(recipe) <= _sources(given):
                usable.append(recipe)
        except (UsageError, PluginError) as error:
            broken.append(Broken(made_for(path), error))
    return Recipes(given, by_target, tuple(usable), tuple(broken), known, night.references)


def choose_recipe(target: str | None, filter: str | None, recipes: Recipes) -> Recipe | None:
    """Choose for a capture: the one given, the night file's by target, else the shipped one that fits best.

    A recipe made for the target goes before one for anything; then one made for the filter before one for any. When
    the best is not valid its error is raised: a night must not start on the second best in silence.
    """
    serves = target in recipes.references
    if recipes.given is not None and (not serves or REFERENCE in recipes.given.made_for.targets):
        return recipes.given
    if target in recipes.by_target:
        return recipes.by_target[target]
    target = REFERENCE if serves else target
    best: tuple[int, Recipe | Broken] | None = None
    known: tuple[Recipe | Broken, ...] = (*recipes.shipped, *recipes.broken)
    for recipe in known:
        fit = _fit(recipe.made_for.targets, target), _fit(recipe.made_for.filters, filter)
        if min(fit) >= 0 and (best is None or 2 * fit[0] + fit[1] > best[0]):
            best = 2 * fit[0] + fit[1], recipe
    if best is None:
        return recipes.given
    if isinstance(best[1], Broken):
        raise best[1].error
    return best[1]


def _sources(recipe: Recipe) -> set[str]:
    return {call.name for call in recipe.of_kind(Source)}


def _fit(wanted: Sequence[str], held: str | None) -> int:
    """Return 1 for a match, 0 when anything does, -1 for none."""
    if not wanted:
        return 0
    return 1 if held is not None and held.lower() in {one.lower() for one in wanted} else -1
