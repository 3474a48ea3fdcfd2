"""Parameters that differ for some captures, by target and by filter; the same form in recipes and in night.yaml.

::

    changes:
      - for: {targets: [mars], filters: [IR]}
        change: {stack: {share: 0.3}}

Later entries go over earlier ones, and those that name filters over those that do not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from .chain import Call, call_errors, joined_names, lay_over
from .documents import Node, Problems, nearest
from .errors import PluginError
from .plugins import Registry
from .selecting import Selection, read_selection

__all__ = ["Change", "by_filter", "read_changes"]

KEYS = ("for", "change")


@dataclass(frozen=True, eq=False)
class Change:
    """One entry under `changes`.

    Attributes
    ----------
    chosen : Selection
        The captures that it is for.
    stages : Node
        Parameters by stage, with their places.
    document : Problems
        The file that it stands in, for showing places.
    """

    chosen: Selection
    stages: Node
    document: Problems

    def over(self, calls: Sequence[Call], registry: Registry) -> tuple[Call, ...]:
        """Return the stages with these parameters laid over theirs; stages that are not there are passed over.

        Raises
        ------
        RecipeError
            Values that do not go together with the others of the stage, or a stage whose parameters cannot differ by
            filter; with their places.
        """
        problems = Problems(self.document.name, self.document.text)
        made = lay_over(self.stages, calls, problems, registry)
        if self.chosen.filters:
            _refuse_joined(self.stages, calls, problems)
        problems.raise_if_any()
        return tuple(made)

    def plain(self) -> dict[str, Any]:
        """Return the entry as it may stand in YAML."""
        return {"for": self.chosen.plain(), "change": self.stages.plain()}


def by_filter(changes: Sequence[Change], calls: Sequence[Call], registry: Registry) -> tuple[Change, ...]:
    """Write what differs by filter in one way only: an entry a filter, with the values that differ from `calls`.

    However it was written, what means the same is then the same text in a picture's record.
    """
    named = {name.casefold(): name for one in reversed(changes) for name in reversed(one.chosen.filters)}
    found = []
    for name in sorted(named.values(), key=str.casefold):
        own = calls
        for one in changes:
            if one.chosen.has_filter(name):
                own = one.over(own, registry)
        values = {
            after.name: changed
            for before, after in zip(calls, own, strict=True)
            if (changed := _changed(before.resolved(), after.resolved()))
        }
        if values:
            found.append(Change(Selection((), (name,)), Node.of(values, 0, 0), changes[0].document))
    return tuple(found)


def read_changes(
    node: Node, problems: Problems, registry: Registry, calls: Sequence[Call] | None = None
) -> tuple[Change, ...]:
    """Read the list under `changes`.

    Parameters
    ----------
    node : Node
    problems : Problems
        Of the document; filled.
    registry : Registry
        Where stages are known from.
    calls : sequence of Call, optional
        The stages of the recipe that the list stands in; None in a night file, which goes with any recipe.
    """
    if node.value is None:
        return ()
    example = "'- {for: {targets: [mars]}, change: {stack: {share: 0.3}}}'"
    if not isinstance(node.value, list):
        problems.add(node, f"'changes' is a list, one entry a line: {example}")
        return ()
    found = []
    for entry in node.value:
        if not isinstance(entry.value, dict):
            problems.add(entry, f"expected an entry such as {example}")
            continue
        for key in entry.value:
            if key not in KEYS:
                problems.add(entry.keys[key], f"there is no {key!r} in 'changes'{nearest(key, KEYS)}")
        chosen = read_selection(entry.value.get("for"), problems)
        stages = entry.value.get("change")
        if stages is None:
            problems.add(entry, "'change' is missing: {stack: {share: 0.3}}")
            continue
        if not isinstance(stages.value, dict):
            problems.add(stages, "'change' gives parameters by stage: {stack: {share: 0.3}}")
            continue
        change = Change(chosen, stages, Problems(problems.name, problems.text))
        _check(change, problems, registry, calls)
        found.append(change)
    return tuple(found)


def _check(change: Change, problems: Problems, registry: Registry, calls: Sequence[Call] | None) -> None:
    """Check names and values, all at once; what only the recipe can tell is told when they meet."""
    if calls is not None:
        names = [call.name for call in calls]
        for name in change.stages.value:
            if name not in names:
                problems.add(change.stages.keys[name], f"the recipe has no stage {name!r}{nearest(name, names)}")
        lay_over(change.stages, calls, problems, registry)
        if change.chosen.filters:
            _refuse_joined(change.stages, calls, problems)
        return
    for name, values in change.stages.value.items():
        place = change.stages.keys[name]
        try:
            cls = registry.stage(name)
        except PluginError as error:
            problems.add(place, str(error), plugin=registry.blames_plugin(name))
            continue
        plain = {} if values.value is None else values.plain()
        if not isinstance(plain, dict):
            problems.add(values, f"stage {name!r}: expected 'parameter: value', got {plain!r}"[:200])
            continue
        try:
            cls.Parameters.model_validate(plain)
        except ValidationError as error:
            # What is missing, or does not go together, may come from the recipe below.
            wrong = [one for one in error.errors() if one["loc"] and one["type"] != "missing"]
            call_errors(name, cls, values, wrong, problems)


def _refuse_joined(stages: Node, calls: Sequence[Call], problems: Problems) -> None:
    joiner, names = joined_names(calls)
    for name in stages.value:
        if name in names:
            why = "joins" if name == joiner else f"stands behind {joiner!r}, which joins"
            problems.add(
                stages.keys[name],
                f"stage {name!r} {why} captures of several filters, so its parameters cannot differ by filter; "
                "leave out 'filters' here",
            )


def _changed(old: dict[str, Any], new: dict[str, Any]) -> dict[str, Any]:
    """Return the values of `new` that differ, group by group."""
    changed = {}
    for key, value in new.items():
        before = old.get(key)
        if isinstance(value, dict) and isinstance(before, dict):
            if inner := _changed(before, value):
                changed[key] = inner
        elif key not in old or value != before:
            changed[key] = value
    return changed
