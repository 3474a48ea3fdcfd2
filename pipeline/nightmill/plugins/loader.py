"""Finding plugins and loading them, strict where pluggy is silent.

Plugins come from the entry-point group `nightmill.plugins` and from single .py files that the user names. Each is
loaded under its own guard: one that fails is remembered with its cause, and the rest go on; the cause is raised when
a recipe asks for what is missing. A plugin of many parts may name them ("package.part:STAGES") instead of importing
them; then each part is guarded by itself.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import importlib.util
import sys
import time
from collections.abc import Callable
from functools import cache, partial
from pathlib import Path
from types import ModuleType
from typing import Any

import pluggy

from .. import hooks
from ..choice import plugin_choice
from ..documents import nearest
from ..errors import PluginError, UsageError
from ..foreign import attempt
from ..hooks import PROJECT, Writer
from .handing import Handed, broken_by, check_version, register, source_of
from .registry import Broken, Registry

__all__ = ["Broken", "Registry", "load_module", "load_registry", "plugin_choice"]

GROUP = "nightmill.plugins"


@cache
def load_registry(choice: tuple[str, ...] = (), *, installed: bool = True) -> Registry:
    """Load all plugins, once a process.

    Parameters
    ----------
    choice : tuple of str
        Single-file plugins that the user named, and plugins to leave out (see `plugin_choice`). Code is never picked
        up from a folder by itself.
    installed : bool
        Whether to load the entry points too.

    Raises
    ------
    UsageError
        A plugin to be left out is not there.
    """
    files = [Path(name) for name in dict.fromkeys(choice) if not name.startswith("-")]
    without = tuple(name[1:] for name in dict.fromkeys(choice) if name.startswith("-"))
    manager = pluggy.PluginManager(PROJECT)
    manager.add_hookspecs(hooks)
    registry = Registry(manager, left_out=without)
    found = sorted(importlib.metadata.entry_points(group=GROUP), key=_order) if installed else []
    known = [*(point.name for point in found), *(path.stem for path in files)]
    for name in without:
        if name not in known:
            raise UsageError(f"--no-plugin: there is no plugin {name!r}{nearest(name, known)}")
    for point in found:
        if point.name not in without:
            origin = f"{point.dist.name} {point.dist.version}" if point.dist else point.value
            source = source_of(point.value.partition(":")[0])
            _guarded(registry, point.name, origin, point.load, source)
    for path in files:
        if path.stem not in without:
            _guarded(registry, path.stem, path.name, partial(_load_file, path), path)
    return registry


def load_module(name: str) -> tuple[Registry, str]:
    """Load an importable module as a plugin, installed or not, beside the installed ones.

    Returns
    -------
    Registry, str
        The name is that under which its stages stand in `qualified`.
    """
    for point in importlib.metadata.entry_points(group=GROUP):
        if point.value.partition(":")[0] == name:
            return load_registry(), point.name
    registry = load_registry.__wrapped__()
    _guarded(registry, name, f"module {name}", partial(importlib.import_module, name), source_of(name))
    return registry, name


def _order(point: importlib.metadata.EntryPoint) -> tuple[str, str]:
    # The order of folders on the path is nobody's decision; that of names is the same everywhere.
    return (point.name, point.dist.name if point.dist else "")


def _guarded(registry: Registry, name: str, origin: str, load: Callable[[], Any], source: Path | None) -> None:
    """Load one plugin; whatever it raises costs itself alone."""

    def whole() -> tuple[Any, Handed]:
        check_version(source)
        plugin = load()
        return plugin, register(registry.manager, name, origin, plugin)

    began = time.perf_counter()
    tried = attempt(whole)
    registry.seconds[name] = time.perf_counter() - began
    if tried.error is not None:
        registry.broken.append(broken_by(name, origin, tried.error, source))
        return
    plugin, handed = tried.value
    suffix = getattr(plugin, "__nightmill_sha256__", "")
    for cls in handed.stages:
        registry.take(cls, name, f"{origin} {suffix}".strip())
    for writer in handed.writers:
        other = next((one for one in registry.writers if _same_files(one, writer)), None)
        if other is not None:
            reason = f"its writer {writer.name!r} writes {writer.suffix!r}, as the writer {other.name!r} does already"
            registry.broken.append(Broken(name, origin, f"{reason}; that writer is left out"))
        else:
            registry.writers.append(writer)
            registry.writers_of.setdefault(name, []).append(writer)
    registry.recipe_folders += handed.folders
    registry.broken += handed.broken


def _same_files(one: Writer, other: Writer) -> bool:
    """Say whether two writers would write the same file; those of sequences have a folder of their own."""
    return one.suffix.lower() == other.suffix.lower() and one.moving == other.moving


def _load_file(path: Path) -> ModuleType:
    if not path.is_file():
        raise PluginError(f"there is no file {path}")
    if path.suffix != ".py":
        raise PluginError(f"{path.name} is not a .py file")
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
    # What was hashed is what runs: the loader would read the file a second time, or a stale compiled copy.
    tried = attempt(lambda: exec(compile(source, str(path), "exec"), module.__dict__))
    if tried.error is not None:
        del sys.modules[name]
        raise tried.error
    return module
