"""What differs between two JSON values, as paths with the old and the new value; and such values in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

__all__ = ["ABSENT", "Difference", "change_differences", "differences", "in_words"]


class _Absent:
    def __repr__(self) -> str:
        return "absent"


ABSENT: Any = _Absent()
"""Stands for a value that is not there."""


@dataclass(frozen=True)
class Difference:
    """One value that differs.

    Attributes
    ----------
    path : tuple of str or int
        Names and list indices that lead to it.
    old, new : object
        JSON values, or ABSENT.
    """

    path: tuple[str | int, ...]
    old: Any
    new: Any

    def arrow(self) -> str:
        """Return "old -> new"."""
        return f"{in_words(self.old)} -> {in_words(self.new)}"


def differences(old: Any, new: Any, path: tuple[str | int, ...] = ()) -> Iterator[Difference]:
    """Iterate over the innermost values that differ, in order of their paths.

    Lists of equal length are compared item by item; lists of different length differ as a whole.
    """
    if isinstance(old, dict) and isinstance(new, dict):
        for key in sorted({*old, *new}):
            yield from differences(old.get(key, ABSENT), new.get(key, ABSENT), (*path, key))
    elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for index, (one, other) in enumerate(zip(old, new, strict=True)):
            yield from differences(one, other, (*path, index))
    elif type(old) is not type(new) or old != new:
        if isinstance(old, (int, float)) and isinstance(new, (int, float)) and _same_number(old, new):
            return
        yield Difference(path, old, new)


def change_differences(
    old: Sequence[Mapping[str, Any]], new: Sequence[Mapping[str, Any]]
) -> Iterator[tuple[str, Difference]]:
    """Iterate over what differs under `changes` of two recipes: for whom in words, and the difference."""
    before, after = _changed_for(old), _changed_for(new)
    for who in sorted({*before, *after}):
        first, second = before.get(who, {}), after.get(who, {})
        for stage in sorted({*first, *second}):
            for one in differences(first.get(stage, {}), second.get(stage, {}), (stage,)):
                yield who, one


def _changed_for(entries: Sequence[Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    gathered: dict[str, dict[str, Any]] = {}
    for entry in entries:
        chosen = entry.get("for") or {}
        who = ", ".join(f"{key} {in_words(list(names))}" for key, names in chosen.items()) or "all"
        held = gathered.setdefault(who, {})
        for stage, values in (entry.get("change") or {}).items():
            held[stage] = {**held.get(stage, {}), **(values or {})}
    return gathered


def in_words(value: Any) -> str:
    """Write a JSON value as it would stand in a recipe, in at most 60 characters."""
    if value is ABSENT:
        return "none"
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.12g}"
    if isinstance(value, list):
        text = f"[{', '.join(in_words(one) for one in value)}]"
    elif isinstance(value, dict):
        text = f"{{{', '.join(f'{key}: {in_words(one)}' for key, one in value.items())}}}"
    else:
        text = str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _same_number(old: float, new: float) -> bool:
    """Say whether 2 and 2.0 meet: the same number, unless one of them is a truth value."""
    return isinstance(old, bool) == isinstance(new, bool) and old == new
