"""Finding plugins and loading them, strict where pluggy is silent.

Plugins come from the entry-point group `nightmill.plugins` and from single .py files that the user names. Each is
loaded under its own guard: one that fails is remembered with its cause, and the rest go on; the cause is raised when
a recipe asks for what is missing.
"""

from __future__ import annotations

import difflib
import hashlib
import importlib.metadata
import importlib.util
import inspect
import sys
import traceback
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import pluggy

from . import hooks
from .documents import nearest
from .errors import PluginError
from .hooks import PROJECT, Writer
from .stage import API, Fold, FrameStage, PictureStage, Source, Stage, Survey

__all__ = ["Broken", "Registry", "load_registry"]

GROUP = "nightmill.plugins"
KINDS = (Source, FrameStage, Survey, Fold, PictureStage)


@dataclass(frozen=True)
class Broken:
    """A plugin that could not be loaded: its name, where it comes from, why, and the traceback."""

    name: str
    origin: str
    reason: str
    trace: str = ""


@dataclass
class Registry:
    """All that the loaded plugins handed over.

    Attributes
    ----------
    stages : dict of str to type
        Stage classes by name.
    origins : dict of str to str
        Where each stage comes from: "distribution version" or "file sha256".
    broken : list of Broken
        Plugins that could not be loaded.
    """

    manager: pluggy.PluginManager
    stages: dict[str, type[Stage]] = field(default_factory=dict)
    origins: dict[str, str] = field(default_factory=dict)
    writers: list[Writer] = field(default_factory=list)
    recipe_folders: list[Path] = field(default_factory=list)
    broken: list[Broken] = field(default_factory=list)
    clashes: dict[str, tuple[str, str]] = field(default_factory=dict)

    def stage(self, name: str) -> type[Stage]:
        """Return the stage class of this name, or raise PluginError that says what is wrong."""
        if name in self.clashes:
            first, second = self.clashes[name]
            raise PluginError(f"two plugins claim the stage {name!r}: {first} and {second}; remove one of them")
        if name in self.stages:
            return self.stages[name]
        raise PluginError(f"there is no stage {name!r}{nearest(name, self.stages)}{self._suspects()}")

    def _suspects(self) -> str:
        if not self.broken:
            return ""
        listed = "; ".join(f"{one.name} ({one.origin}): {one.reason}" for one in self.broken)
        return f"\nIt may be in a plugin that could not be loaded: {listed}"


@cache
def load_registry(files: tuple[str, ...] = (), *, installed: bool = True) -> Registry:
    """Load all plugins, once a process.

    Parameters
    ----------
    files : tuple of str
        Single-file plugins that the user named. Code is never picked up from a folder by itself.
    installed : bool
        Whether to load the entry points too.
    """
    manager = pluggy.PluginManager(PROJECT)
    manager.add_hookspecs(hooks)
    registry = Registry(manager)
    found = sorted(importlib.metadata.entry_points(group=GROUP), key=lambda p: p.name) if installed else []
    for point in found:
        origin = f"{point.dist.name} {point.dist.version}" if point.dist else point.value
        _guarded(registry, point.name, origin, point.load)
    for name in files:
        path = Path(name).resolve()
        _guarded(registry, path.stem, path.name, lambda path=path: _load_file(path))
    return registry


def _guarded(registry: Registry, name: str, origin: str, load: Any) -> None:
    # The one boundary around foreign code at load time. SystemExit in a plugin must not end the night either.
    try:
        plugin = load()
        handed = _register(registry, name, plugin)
    except KeyboardInterrupt:
        raise
    except BaseException as error:
        reason = str(error) if isinstance(error, PluginError) else f"{type(error).__name__}: {error}"
        registry.broken.append(Broken(name, origin, reason, traceback.format_exc()))
        return
    suffix = getattr(plugin, "__nightmill_sha256__", "")
    for cls in handed:
        if cls.name in registry.stages:
            registry.clashes[cls.name] = (registry.origins[cls.name], origin)
            continue
        registry.stages[cls.name] = cls
        registry.origins[cls.name] = f"{origin} {suffix}".strip()


def _register(registry: Registry, name: str, plugin: Any) -> list[type[Stage]]:
    if inspect.isclass(plugin):
        raise PluginError("the entry point names a class; name a module or an instance")
    api = getattr(plugin, "nightmill_api", API)
    if api != API:
        raise PluginError(f"needs stage interface {api}, this nightmill speaks {API}; install a matching version")
    for attribute in dir(plugin):
        if attribute.startswith("nightmill_") and attribute not in {*dir(registry.manager.hook), "nightmill_api"}:
            known = [n for n in dir(registry.manager.hook) if n.startswith("nightmill_")]
            close = difflib.get_close_matches(attribute, known, n=1)
            hint = f"; did you mean {close[0]!r}?" if close else f"; there is {', '.join(known)}"
            raise PluginError(f"there is no hook {attribute!r}{hint}")
    registry.manager.register(plugin, name)
    if not registry.manager.get_hookcallers(plugin):
        registry.manager.unregister(plugin)
        raise PluginError(
            "has no hook implementation: decorate a function such as nightmill_stages with "
            "@nightmill.hooks.implementation"
        )
    try:
        stages = _checked(_hand_over(plugin, "nightmill_stages"))
        writers = list(_hand_over(plugin, "nightmill_writers"))
        folders = [Path(folder) for folder in _hand_over(plugin, "nightmill_recipes")]
    except BaseException:
        registry.manager.unregister(plugin)
        raise
    registry.writers += writers
    registry.recipe_folders += folders
    return stages


def _hand_over(plugin: Any, hook: str) -> Sequence[Any]:
    function = getattr(plugin, hook, None)
    return () if function is None else function()


def _checked(stages: Iterable[Any]) -> list[type[Stage]]:
    checked: list[type[Stage]] = []
    for cls in stages:
        if not (inspect.isclass(cls) and issubclass(cls, KINDS)):
            raise PluginError(f"nightmill_stages handed over {cls!r}, which is not a stage class")
        name = getattr(cls, "name", None)
        if not isinstance(name, str) or name != name.lower() or not name.replace("-", "").isalnum():
            raise PluginError(f"stage {cls.__name__}: its name {name!r} must be lower-case words joined by '-'")
        if inspect.isabstract(cls):
            missing = ", ".join(sorted(cls.__abstractmethods__))
            raise PluginError(f"stage {name!r} does not write {missing}")
        if not cls.summary():
            raise PluginError(f"stage {name!r} has no docstring; its first line tells users what it does")
        checked.append(cls)
    return checked


def _load_file(path: Path) -> ModuleType:
    if not path.is_file():
        raise PluginError("there is no such file")
    source = path.read_bytes()
    digest = hashlib.sha256(source).hexdigest()
    name = f"nightmill_local_{path.stem}_{digest[:8]}"
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise PluginError("not a Python file")
    module = importlib.util.module_from_spec(spec)
    # Registered before it runs, or its own imports and its classes' identities fail.
    sys.modules[name] = module
    module.__nightmill_sha256__ = digest  # type: ignore[attr-defined]
    try:
        spec.loader.exec_module(module)
    except BaseException:
        del sys.modules[name]
        raise
    return module
