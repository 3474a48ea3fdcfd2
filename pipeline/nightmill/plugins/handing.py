"""What one plugin hands over by its hooks, vetted; a part that it names is loaded and vetted by itself."""

from __future__ import annotations

import importlib.util
import inspect
import pkgutil
import traceback
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

import pluggy

from .. import hooks
from ..documents import nearest
from ..errors import PluginError
from ..foreign import attempt
from ..hooks import Writer
from ..stage import API, Stage
from .blame import Fault, FaultsError, Place, fault_of, own_frames, place_in, place_of, render, stages_named_in, stated
from .registry import Broken
from .vetting import folder_faults, list_faults, stage_faults, writer_faults

__all__ = ["Handed", "broken_by", "check_version", "register", "source_of"]

VERSION = "nightmill_api"


@dataclass
class Handed:
    """What one plugin hands over; `broken` are those of its parts that cannot be loaded."""

    stages: list[type[Stage]] = field(default_factory=list)
    writers: list[Writer] = field(default_factory=list)
    folders: list[Path] = field(default_factory=list)
    broken: list[Broken] = field(default_factory=list)


def register(manager: pluggy.PluginManager, name: str, origin: str, plugin: Any) -> Handed:
    """Vet what a plugin hands over and register its hooks; raise FaultsError with all that is wrong with it."""
    if inspect.isclass(plugin):
        raise PluginError("the entry point names a class; name a module or an instance")
    stated_here = getattr(plugin, VERSION, API)
    if stated_here != API:
        raise FaultsError([_wrong_version(stated_here, getattr(plugin, "__file__", None))])
    faults, marked = _hook_faults(manager, plugin)
    handed = Handed()
    for hook, what, take, vet in (
        ("nightmill_stages", "stage classes", handed.stages, stage_faults),
        ("nightmill_writers", "writers", handed.writers, writer_faults),
        ("nightmill_recipes", "folders (pathlib.Path)", handed.folders, folder_faults),
    ):
        if hook in marked:
            found, wrong = _hand_over(getattr(plugin, hook), hook, what, origin, handed.broken, vet)
            take += found
            faults += wrong
    if not faults and not marked:
        text = "has no hook implementation: mark a function such as nightmill_stages with "
        file = getattr(plugin, "__file__", None)
        faults = [Fault(f"{text}@nightmill.hooks.implementation", place_in(file, "") if file else None)]
    if faults:
        raise FaultsError(faults)
    try:
        manager.register(plugin, name)
    except pluggy.PluginValidationError as error:
        raise PluginError(" ".join(line.strip() for line in str(error).splitlines() if line.strip())) from error
    return handed


def _hook_faults(manager: pluggy.PluginManager, plugin: Any) -> tuple[list[Fault], list[str]]:
    """Say what is wrong with a plugin's hooks, of which pluggy says nothing; and which are marked and right."""
    known = [one for one in dir(manager.hook) if one.startswith("nightmill_")]
    faults, marked = [], []
    for name in dir(plugin):
        function = getattr(plugin, name, None)
        if not name.startswith("nightmill_") or name == VERSION or inspect.ismodule(function):
            continue
        if name not in known:
            faults.append(Fault(f"there is no hook {name!r}{nearest(name, known)}", place_of(function)))
            continue
        options = manager.parse_hookimpl_opts(plugin, name)
        if options is None:
            text = f"{name} is not marked: write @nightmill.hooks.implementation above it"
            faults.append(Fault(text, place_of(function)))
        elif options.get("wrapper") or options.get("hookwrapper"):
            text = f"{name} wraps other plugins' hooks, which no plugin may; write @implementation without arguments"
            faults.append(Fault(text, place_of(function)))
        elif extra := _extra_arguments(name, function):
            given = list(inspect.signature(getattr(hooks, name)).parameters)
            takes = f"it gives {', '.join(given)}" if given else "it gives none"
            text = f"{name} has the argument {extra[0]!r}, which this hook does not give; {takes}"
            faults.append(Fault(text, place_of(function, extra[0])))
        else:
            marked.append(name)
    return faults, marked


def _extra_arguments(hook: str, function: Any) -> list[str]:
    given = inspect.signature(getattr(hooks, hook)).parameters
    return [one for one in inspect.signature(function).parameters if one not in given]


def _hand_over(
    function: Any,
    hook: str,
    what: str,
    origin: str,
    broken: list[Broken],
    vet: Callable[[Sequence[Any], Any], Iterator[Fault]],
) -> tuple[list[Any], list[Fault]]:
    """Call a hook that hands things over and vet them; what stands behind a name is loaded and vetted by itself."""
    handed = function()
    wrong = list(list_faults(handed, hook, what, function))
    if wrong:
        return [], wrong
    direct = [one for one in handed if not isinstance(one, str)]
    faults = list(vet(direct, function))
    for name in (one for one in handed if isinstance(one, str)):
        tried = attempt(partial(_load_part, name, vet))
        if tried.error is None:
            direct += tried.value
        else:
            module = name.partition(":")[0]
            where = place_of(function, "return")
            broken.append(broken_by(module, origin, tried.error, source_of(module), where))
    return direct, faults


def _load_part(name: str, vet: Callable[[Sequence[Any], Any], Iterator[Fault]]) -> list[Any]:
    if ":" not in name:
        raise PluginError(f"hands over the text {name!r}; name a part as 'package.module:NAME_OF_ITS_LIST'")
    held = pkgutil.resolve_name(name)
    faults = list(list_faults(held, name, "what the hook hands over", None)) or list(vet(held, None))
    if faults:
        raise FaultsError(faults)
    return list(held)


def broken_by(name: str, origin: str, error: BaseException, source: Path | None, named: Place | None = None) -> Broken:
    """Tell why a plugin cannot be loaded, and which stages are missing for it, as far as its source shows them.

    `named` is where a part is named: the place of a fault that has none of its own.
    """
    stages: frozenset[str] = frozenset()
    if source is not None:
        packaged = (source.parent / "__init__.py").is_file()
        stages = stages_named_in(source.parent if packaged else source)
    if isinstance(error, FaultsError):
        faults = error.faults
    else:
        faults = [Fault(str(error)) if isinstance(error, PluginError) else fault_of(error)]
    said = render(fault if fault.place else replace(fault, place=named) for fault in faults)
    if isinstance(error, (FaultsError, PluginError)):
        return Broken(name, origin, said, stages=stages)
    lines = traceback.format_list(own_frames(error))
    trace = "".join(["Traceback (most recent call last):\n", *lines, *traceback.format_exception_only(error)])
    return Broken(name, origin, said, trace, stages)


def check_version(source: Path | None) -> None:
    """Refuse a plugin for another interface by what its source states, before any of it runs."""
    if source is None or not source.is_file():
        return
    version = stated(source.read_bytes(), VERSION)
    if version is not None and version != API:
        raise FaultsError([_wrong_version(version, str(source))])


def _wrong_version(version: Any, file: str | None) -> Fault:
    newer = isinstance(version, int) and version > API
    what = "install a newer nightmill" if newer else "ask its author for one made for this nightmill"
    text = f"needs stage interface {version!r}, this nightmill speaks {API}; {what}"
    return Fault(text, place_in(file, VERSION) if file else None)


def source_of(module: str) -> Path | None:
    """Return the source file of a module without importing it or the packages that it is in; None when not found."""
    top, *rest = module.split(".")
    try:
        spec = importlib.util.find_spec(top)
    except (ImportError, ValueError, AttributeError):
        return None
    if spec is None:
        return None
    if not rest:
        return Path(spec.origin) if spec.origin and spec.origin.endswith(".py") else None
    for folder in spec.submodule_search_locations or ():
        base = Path(folder, *rest)
        for path in (base.with_suffix(".py"), base / "__init__.py"):
            if path.is_file():
                return path
    return None
