"""Fits recipes to captures: what recipes and night.yaml change by target and by filter, laid over the recipe."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from ..changes import Change, by_filter
from ..differences import differences
from ..documents import Problems
from ..plugins import Registry
from ..recipe import Recipe

__all__ = ["Fitted", "Fitting", "changed_parameters"]


@dataclass(frozen=True)
class Fitted:
    """A recipe as it is for one capture.

    Attributes
    ----------
    recipe : Recipe
        With all that is changed for this target and filter.
    common : Recipe
        With what is changed for this target; what differs by filter stands under its `changes`. Captures with the same
        one (the same object) may be joined in a picture.
    """

    recipe: Recipe
    common: Recipe


@dataclass
class Fitting:
    """Fits recipes; equal captures get the same objects.

    Attributes
    ----------
    changes : tuple of Change
        Those of the night file, over those of the recipe itself.
    registry : Registry
    frozen : bool
        Refuse changes of the night file that differ from a frozen recipe.
    """

    changes: tuple[Change, ...]
    registry: Registry
    frozen: bool = False
    _known: dict[tuple[int, ...], Recipe] = field(default_factory=dict)
    _held: list[Recipe] = field(default_factory=list)
    """Keeps the recipes alive by whose identity the others are known."""

    def fit(self, recipe: Recipe, target: str | None, filter: str | None) -> Fitted:
        """Fit a recipe to the captures of one target through one filter.

        Raises
        ------
        RecipeError
            Changes that do not go with this recipe, with their places.
        """
        changes = [one for one in (*recipe.changes, *self.changes) if one.chosen.has_target(target)]
        common = self._common(recipe, changes)
        through = [one for one in common.changes if one.chosen.has_filter(filter)]
        own = self._own(common, through)
        if self.frozen:
            self._refuse(recipe, target, filter)
        return Fitted(own, common)

    def _common(self, recipe: Recipe, changes: Sequence[Change]) -> Recipe:
        key = (id(recipe), *map(id, changes))
        if key not in self._known:
            calls = recipe.calls
            for one in changes:
                if not one.chosen.filters:
                    calls = one.over(calls, self.registry)
            differing = by_filter([one for one in changes if one.chosen.filters], calls, self.registry)
            found = replace(recipe, calls=calls, changes=differing)
            # What nothing differs in stays the same recipe, under whatever target.
            same = found.calls == recipe.calls and not found.changes and not recipe.changes
            self._known[key] = recipe if same else found
            self._held.append(recipe)
        return self._known[key]

    def _own(self, common: Recipe, through: Sequence[Change]) -> Recipe:
        if not common.changes:
            return common
        key = (id(common), *map(id, through), 0)
        if key not in self._known:
            calls = common.calls
            for one in through:
                calls = one.over(calls, self.registry)
            self._known[key] = replace(common, calls=calls, changes=())
            self._held.append(common)
        return self._known[key]

    def _refuse(self, recipe: Recipe, target: str | None, filter: str | None) -> None:
        """Refuse what would not be the frozen recipe any more."""
        bare = Fitting((), self.registry)
        before = bare.fit(recipe, target, filter).recipe
        calls = before.calls
        for one in self.changes:
            if not (one.chosen.has_target(target) and one.chosen.has_filter(filter)):
                continue
            changed = one.over(calls, self.registry)
            problems = Problems(one.document.name, one.document.text)
            for name, words in changed_parameters(before, replace(before, calls=changed)):
                problems.add(
                    one.stages.keys.get(name),
                    f"--locked takes the recipe {recipe.name!r} as it was frozen, and this changes {words}; "
                    "take it out, or freeze the recipe again",
                )
            problems.raise_if_any()
            calls = changed


def changed_parameters(before: Recipe, after: Recipe) -> Iterator[tuple[str, str]]:
    """Iterate over the parameters that differ: the stage, and "stack.share 0.2 -> 0.3"."""
    for old, new in zip(before.calls, after.calls, strict=True):
        for one in differences(old.resolved(), new.resolved()):
            yield old.name, f"{'.'.join(map(str, (old.name, *one.path)))} {one.arrow()}"
