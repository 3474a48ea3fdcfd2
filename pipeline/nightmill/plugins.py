"""Finding plugins and loading them, strict where pluggy is silent.

Plugins come from the entry-point group `nightmill.plugins` and from single .py files that the user names. Each is
loaded under its own guard: one that fails is remembered with its cause, and the rest go on; the cause is raised when
a recipe asks for what is missing.
"""

from __future__ import annotations

import ast
import difflib
import hashlib
import importlib.metadata
import importlib.util
import inspect
import sys
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache, partial
from pathlib import Path
from types import ModuleType
from typing import Any

import pluggy

from . import hooks
from .documents import nearest
from .errors import PluginError
from .hooks import PROJECT, Writer
from .stage import API, Stage
from .vetting import place_of, vet_folders, vet_list, vet_stages, vet_writers

__all__ = ["Broken", "Registry", "load_module", "load_registry"]

GROUP = "nightmill.plugins"
HERE = Path(__file__).parent


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
        Stage classes by name; a name that two plugins claim is not among them.
    qualified : dict of str to type
        All stage classes by "plugin:name".
    origins : dict of str to str
        Where each stage comes from, by either name: "distribution version" or "file sha256".
    clashes : dict of str to tuple of str
        Names that several plugins claim, with those plugins.
    broken : list of Broken
        Plugins that could not be loaded.
    """

    manager: pluggy.PluginManager
    stages: dict[str, type[Stage]] = field(default_factory=dict)
    origins: dict[str, str] = field(default_factory=dict)
    writers: list[Writer] = field(default_factory=list)
    recipe_folders: list[Path] = field(default_factory=list)
    qualified: dict[str, type[Stage]] = field(default_factory=dict)
    broken: list[Broken] = field(default_factory=list)
    clashes: dict[str, tuple[str, ...]] = field(default_factory=dict)

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
        """Return the stage class of this name, or raise PluginError that says what is wrong."""
        if name in self.stages:
            return self.stages[name]
        if name in self.qualified:
            return self.qualified[name]
        if name in self.clashes:
            ways = " or ".join(repr(one) for one in self.qualified if one.partition(":")[2] == name)
            claims = " and ".join(self.clashes[name])
            raise PluginError(f"plugins claim the stage {name!r} both: {claims}; write {ways}, or remove one of them")
        raise PluginError(f"there is no stage {name!r}{nearest(name, self.stages)}{self._suspects()}")

    def blames_plugin(self, name: str) -> bool:
        """Say whether a stage that cannot be had is the fault of a plugin, not of a name written wrongly."""
        return name in self.clashes or not difflib.get_close_matches(name, self.stages, n=1, cutoff=0.6)

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
    found = sorted(importlib.metadata.entry_points(group=GROUP), key=_order) if installed else []
    for point in found:
        origin = f"{point.dist.name} {point.dist.version}" if point.dist else point.value
        _guarded(registry, point.name, origin, point.load)
    for name in files:
        path = Path(name).resolve()
        _guarded(registry, path.stem, path.name, partial(_load_file, path))
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
    _guarded(registry, name, f"module {name}", partial(importlib.import_module, name))
    return registry, name


def _order(point: importlib.metadata.EntryPoint) -> tuple[str, str]:
    # The order of folders on the path is nobody's decision; that of names is the same everywhere.
    return (point.name, point.dist.name if point.dist else "")


def _brief(origin: str) -> str:
    """Shorten the sum of a single-file plugin."""
    name, _, digest = origin.rpartition(" ")
    return f"{name} {digest[:8]}" if len(digest) == 64 else origin


def _guarded(registry: Registry, name: str, origin: str, load: Callable[[], Any]) -> None:
    # The one boundary around foreign code at load time. SystemExit in a plugin must not end the night either.
    try:
        plugin = load()
        stages, writers, folders = _register(registry, name, plugin)
    except KeyboardInterrupt:
        raise
    except BaseException as error:
        reason = str(error) if isinstance(error, PluginError) else _reason(error)
        registry.broken.append(Broken(name, origin, reason, traceback.format_exc()))
        return
    suffix = getattr(plugin, "__nightmill_sha256__", "")
    for cls in stages:
        registry.take(cls, name, f"{origin} {suffix}".strip())
    for writer in writers:
        other = next((one for one in registry.writers if writer.suffix.lower() == one.suffix.lower()), None)
        if other is not None:
            reason = f"its writer {writer.name!r} writes {writer.suffix!r}, as the writer {other.name!r} does already"
            registry.broken.append(Broken(name, origin, f"{reason}; that writer is left out"))
        else:
            registry.writers.append(writer)
    registry.recipe_folders += folders


def _reason(error: BaseException) -> str:
    """Say what was raised, with the place in the plugin's own code."""
    text = f"{type(error).__name__}: {error}".splitlines()[0]
    if isinstance(error, SyntaxError):
        return f"{text}"
    frames = traceback.extract_tb(error.__traceback__)
    own = [one for one in frames if "importlib" not in one.filename and Path(one.filename).parent != HERE]
    return f"{text} ({Path(own[-1].filename).name}, line {own[-1].lineno})" if own else text


def _register(registry: Registry, name: str, plugin: Any) -> tuple[list[type[Stage]], list[Writer], list[Path]]:
    if inspect.isclass(plugin):
        raise PluginError("the entry point names a class; name a module or an instance")
    _check_api(getattr(plugin, "nightmill_api", API))
    manager = registry.manager
    known = [one for one in dir(manager.hook) if one.startswith("nightmill_")]
    for attribute in dir(plugin):
        if not attribute.startswith("nightmill_") or attribute == "nightmill_api":
            continue
        if inspect.ismodule(getattr(plugin, attribute)):
            continue
        if attribute not in known:
            close = difflib.get_close_matches(attribute, known, n=1)
            hint = f"; did you mean {close[0]!r}?" if close else f"; there is {', '.join(known)}"
            raise PluginError(f"there is no hook {attribute!r}{hint}{place_of(getattr(plugin, attribute))}")
        where = place_of(getattr(plugin, attribute))
        options = manager.parse_hookimpl_opts(plugin, attribute)
        if options is None:
            raise PluginError(f"{attribute} is not marked: write @nightmill.hooks.implementation above it{where}")
        if options.get("wrapper") or options.get("hookwrapper"):
            raise PluginError(f"{attribute} wraps other plugins' hooks, which no plugin may{where}")
        given = list(inspect.signature(getattr(hooks, attribute)).parameters)
        extra = [one for one in inspect.signature(getattr(plugin, attribute)).parameters if one not in given]
        if extra:
            takes = f"it gives {', '.join(given)}" if given else "it gives none"
            raise PluginError(
                f"{attribute} has the argument {extra[0]!r}, which this hook does not give; {takes}{where}"
            )
    try:
        manager.register(plugin, name)
    except pluggy.PluginValidationError as error:
        raise PluginError(" ".join(line.strip() for line in str(error).splitlines() if line.strip())) from error
    if not manager.get_hookcallers(plugin):
        manager.unregister(plugin)
        raise PluginError(
            "has no hook implementation: mark a function such as nightmill_stages with @nightmill.hooks.implementation"
        )
    try:
        stages = vet_stages(_hand_over(plugin, "nightmill_stages", "stage classes"))
        writers = vet_writers(_hand_over(plugin, "nightmill_writers", "writers"))
        return stages, writers, vet_folders(_hand_over(plugin, "nightmill_recipes", "folders (pathlib.Path)"))
    except BaseException:
        manager.unregister(plugin)
        raise


def _hand_over(plugin: Any, hook: str, what: str) -> list[Any]:
    function = getattr(plugin, hook, None)
    return [] if function is None else vet_list(function(), hook, what, place_of(function))


def _check_api(stated: Any) -> None:
    if stated != API:
        newer = isinstance(stated, int) and stated > API
        what = "install a newer nightmill" if newer else "ask its author for one made for this nightmill"
        raise PluginError(f"needs stage interface {stated!r}, this nightmill speaks {API}; {what}")


def _load_file(path: Path) -> ModuleType:
    if not path.is_file():
        raise PluginError(f"there is no file {path}")
    if path.suffix != ".py":
        raise PluginError(f"{path.name} is not a .py file")
    source = path.read_bytes()
    _check_api(_stated_api(source))
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
        # What was hashed is what runs: the loader would read the file a second time, or a stale compiled copy.
        exec(compile(source, str(path), "exec"), module.__dict__)
    except BaseException:
        del sys.modules[name]
        raise
    return module


def _stated_api(source: bytes) -> Any:
    """Return what a file states as `nightmill_api`, read without running it: it may not even import."""
    try:
        body = ast.parse(source).body
    except (SyntaxError, ValueError):
        return API  # running it says what is wrong
    for node in body:
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant):
            names = [target.id for target in node.targets if isinstance(target, ast.Name)]
            if "nightmill_api" in names:
                return node.value.value
    return API
