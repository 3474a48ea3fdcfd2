"""All that the loaded plugins handed over, and what is wrong with those that could not be loaded."""

from __future__ import annotations

import difflib
from dataclasses import dataclass, field
from pathlib import Path

import pluggy

from ..documents import nearest
from ..errors import PluginError
from ..hooks import Writer
from ..stage import Stage

__all__ = ["Broken", "Registry"]


@dataclass(frozen=True)
class Broken:
    """A plugin, or a part of one, that could not be loaded.

    Attributes
    ----------
    name, origin : str
        Its name, and where it comes from.
    reason : str
        All that is wrong, each with file, line and column, and the place shown.
    trace : str
        The traceback of what it raised, without our own frames; empty when it raised nothing.
    stages : frozenset of str
        The stages that it seems to hold, read from its source.
    """

    name: str
    origin: str
    reason: str
    trace: str = ""
    stages: frozenset[str] = frozenset()

    @property
    def brief(self) -> str:
        """The first reason, in one line."""
        return self.reason.partition("\n")[0]


@dataclass
class Registry:
    """All that the loaded plugins handed over.

    Attributes
    ----------
    stages : dict of str to type
        Stage classes by name; a name that two plugins claim is not among them.
    qualified : dict of str to type
        All stage classes by "plugin:name".
    origins : dict of str to str
        Where each stage comes from, by either name: "distribution version" or "file sha256".
    writers_of : dict of str to list of Writer
        The writers of each plugin, by its name.
    seconds : dict of str to float
        How long each plugin took to load, by its name.
    clashes : dict of str to tuple of str
        Names that several plugins claim, with those plugins.
    broken : list of Broken
        Plugins that could not be loaded.
    left_out : tuple of str
        Plugins that the user switched off.
    """

    manager: pluggy.PluginManager
    stages: dict[str, type[Stage]] = field(default_factory=dict)
    origins: dict[str, str] = field(default_factory=dict)
    writers: list[Writer] = field(default_factory=list)
    recipe_folders: list[Path] = field(default_factory=list)
    qualified: dict[str, type[Stage]] = field(default_factory=dict)
    broken: list[Broken] = field(default_factory=list)
    clashes: dict[str, tuple[str, ...]] = field(default_factory=dict)
    left_out: tuple[str, ...] = ()
    writers_of: dict[str, list[Writer]] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)

    def take(self, cls: type[Stage], plugin: str, origin: str) -> None:
        """Take a stage under its name, and under "plugin:name", which stays clear when two claim the name."""
        self.qualified[f"{plugin}:{cls.name}"] = cls
        self.origins[f"{plugin}:{cls.name}"] = origin
        if cls.name in self.clashes:
            self.clashes[cls.name] += (f"{plugin} ({_brief(origin)})",)
        elif cls.name in self.stages:
            first = next(one for one, held in self.qualified.items() if held is self.stages[cls.name])
            claims = f"{first.partition(':')[0]} ({_brief(self.origins[cls.name])})", f"{plugin} ({_brief(origin)})"
            self.clashes[cls.name] = claims
            del self.stages[cls.name], self.origins[cls.name]
        else:
            self.stages[cls.name] = cls
            self.origins[cls.name] = origin

    def stage(self, name: str) -> type[Stage]:
        """Return the stage class of this name, or raise PluginError that says what is wrong and what to do."""
        if name in self.stages:
            return self.stages[name]
        if name in self.qualified:
            return self.qualified[name]
        if name in self.clashes:
            ways = " or ".join(repr(one) for one in self.qualified if one.partition(":")[2] == name)
            claims = " and ".join(self.clashes[name])
            raise PluginError(
                f"plugins claim the stage {name!r} both: {claims}; write {ways}, or leave one out by --no-plugin"
            )
        for one in self.broken:
            if name.rpartition(":")[2] in one.stages:
                cause = one.reason + (f"\n{one.trace.rstrip()}" if one.trace else "")
                raise PluginError(f"stage {name!r} is in {one.name} ({one.origin}), which cannot be loaded: {cause}")
        raise PluginError(f"there is no stage {name!r}{nearest(name, self.stages)}{self._suspects(name)}")

    def blames_plugin(self, name: str) -> bool:
        """Say whether a stage that cannot be had is the fault of a plugin, not of a name written wrongly."""
        held = any(name.rpartition(":")[2] in one.stages for one in self.broken)
        return held or name in self.clashes or not difflib.get_close_matches(name, self.stages, n=1, cutoff=0.6)

    def _suspects(self, name: str) -> str:
        if not self.blames_plugin(name):
            return ""
        said = "\nIt may come with a plugin: install that, or load it by --plugin FILE.py"
        if self.left_out:
            said += f"\nSwitched off by --no-plugin: {', '.join(self.left_out)}"
        if self.broken:
            listed = "; ".join(f"{one.name} ({one.origin}): {one.brief}" for one in self.broken)
            said += f"\nIt may be in a plugin that could not be loaded: {listed}"
        return said


def _brief(origin: str) -> str:
    """Shorten the sum of a single-file plugin."""
    name, _, digest = origin.rpartition(" ")
    return f"{name} {digest[:8]}" if len(digest) == 64 else origin
