"""Freezing a recipe: every parameter written out, and the versions of all that its bits depend on."""

from __future__ import annotations

import hashlib
import inspect
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import yaml

from .differences import ABSENT, differences, in_words
from .errors import PluginError, UsageError
from .plugins import Registry
from .recipe import Recipe
from .stage import Stage

__all__ = ["check_lock", "lock_of", "lock_text"]


def lock_of(recipe: Recipe, registry: Registry) -> dict[str, Any]:
    """Return the versions that a recipe depends on now.

    Returns
    -------
    dict
        "packages": nightmill, Python and the libraries that the arithmetic stands on, name to version. "stages": for
        each stage its "version", the "plugin" that it comes from and "code", the start of the SHA-256 of the plugin's
        source files. Masters that a stage may ask for are listed with it.
    """
    from .work.files import versions

    stages = {}
    for call in recipe.calls:
        for name in (call.name, *sorted(call.stage.aids.values())):
            cls = registry.stage(name)
            plugin = registry.origins[name]
            stages[name] = {"version": cls.version, "plugin": plugin, "code": _code_sum(cls)}
    return {"packages": versions(), "stages": stages}


def lock_text(recipe: Recipe, registry: Registry) -> str:
    """Write a recipe with all parameters and a `locked` part."""
    locked = yaml.safe_dump({"locked": lock_of(recipe, registry)}, sort_keys=False, width=110)
    return recipe.to_yaml(resolved=True) + locked


def check_lock(recipe: Recipe, registry: Registry) -> None:
    """Refuse a recipe whose versions are not those that it was frozen with.

    Raises
    ------
    UsageError
        It was not frozen.
    PluginError
        Versions differ; the message names each.
    """
    if recipe.locked is None:
        raise UsageError(
            f"the recipe {recipe.name!r} has no 'locked' part; freeze it with 'nightmill recipe lock', or run without "
            "--locked"
        )
    now = lock_of(recipe, registry)
    wrong = list(_wrong(recipe.locked, now))
    if wrong:
        raise PluginError(
            f"the recipe {recipe.name!r} was frozen with other versions:\n  "
            + "\n  ".join(wrong)
            + "\ninstall those versions, or run without --locked"
        )


def _wrong(locked: dict[str, Any], now: dict[str, Any]) -> Iterator[str]:
    """Compare what was frozen; what it does not state is not compared."""
    by_change: dict[str, list[str]] = {}
    for part in ("packages", "stages"):
        stated = locked.get(part)
        for one in differences(stated if isinstance(stated, dict) else {}, now[part]):
            if one.old is ABSENT:
                continue
            what = "" if part == "packages" else f"{one.path[-1]} of " if len(one.path) > 1 else "stage "
            here = "not here" if one.new is ABSENT else f"here it is {_brief(one.new)}"
            by_change.setdefault(f"{what}{{}}: frozen with {_brief(one.old)}, {here}", []).append(str(one.path[0]))
    for change, names in by_change.items():
        yield change.replace("{}", ", ".join(names), 1)


def _brief(value: Any) -> str:
    """Shorten the sum of a single-file plugin to what a person compares."""
    name, _, digest = str(value).rpartition(" ")
    return f"{name} {digest[:12]}" if len(digest) == 64 else in_words(value)


def _code_sum(cls: type[Stage]) -> str:
    """Return the start of the SHA-256 over the source files of the package that a stage comes from."""
    module = inspect.getmodule(cls)
    digest = getattr(module, "__nightmill_sha256__", None)
    if digest is not None:
        return str(digest)[:16]
    package = sys.modules[cls.__module__.partition(".")[0]]
    folders = tuple(str(one) for one in getattr(package, "__path__", ()))
    files = folders or ((str(package.__file__),) if package.__file__ else ())
    return _sum_of(files)


@cache
def _sum_of(places: tuple[str, ...]) -> str:
    total = hashlib.sha256()
    for place in map(Path, places):
        for path in sorted(place.rglob("*.py")) if place.is_dir() else [place]:
            name = path.relative_to(place).as_posix() if path != place else path.name
            # Line ends differ between checkouts of the same code; names of folders between installations.
            content = path.read_bytes().replace(b"\r\n", b"\n")
            total.update(f"{name}\0{hashlib.sha256(content).hexdigest()}\n".encode())
    return total.hexdigest()[:16]
