"""Which captures something is for: `for: {targets: [mars], filters: [R, IR]}`, in recipes and in night.yaml."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from .documents import Node, Problems, nearest

__all__ = ["Selection", "read_selection"]


@dataclass(frozen=True)
class Selection:
    """Targets (lower case) and filters; an empty tuple stands for any."""

    targets: tuple[str, ...] = ()
    filters: tuple[str, ...] = ()

    def has_target(self, target: str | None) -> bool:
        """Say whether it holds for a target."""
        return not self.targets or (target is not None and target.lower() in self.targets)

    def has_filter(self, filter: str | None) -> bool:
        """Say whether it holds for a filter."""
        return not self.filters or (filter is not None and filter.casefold() in _folded(self.filters))

    def plain(self) -> dict[str, list[str]]:
        """Return it as it may stand in YAML."""
        both = {"targets": list(self.targets), "filters": list(self.filters)}
        return {key: names for key, names in both.items() if names}


def read_selection(node: Node | None, problems: Problems) -> Selection:
    """Read what stands under `for`; what is wrong is added to the problems and left out."""
    if node is None:
        return Selection()
    if not isinstance(node.value, dict):
        problems.add(node, "expected 'targets' and 'filters', each a list")
        return Selection()
    lists: dict[str, tuple[str, ...]] = {"targets": (), "filters": ()}
    for key, values in node.value.items():
        if key not in lists:
            problems.add(node.keys[key], f"there is no {key!r} here{nearest(key, lists)}")
        elif not isinstance(values.value, list) or not all(isinstance(one.value, str) for one in values.value):
            problems.add(values, f"{key!r}: expected a list of names, such as [jupiter, mars]")
        else:
            lists[key] = tuple(str(one.value) for one in values.value)
    return Selection(tuple(target.lower() for target in lists["targets"]), lists["filters"])


def _folded(names: Iterable[str]) -> set[str]:
    return {name.casefold() for name in names}
