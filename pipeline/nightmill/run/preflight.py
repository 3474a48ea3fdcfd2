"""Before a run on somebody else's cluster: every worker must have the same versions and see the same folders."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from ..errors import MachineError

__all__ = ["check_workers", "probe"]

Ask = Callable[..., dict[str, Any]]


def probe(night: str, store: str, plugins: tuple[str, ...]) -> dict[str, Any]:
    """Tell what this process has: versions, plugins, and whether it reads the night and writes into the store."""
    import uuid

    from ..files import write_whole
    from ..plugins import load_registry
    from ..work.files import versions

    told: dict[str, Any] = {"versions": versions()}
    try:
        registry = load_registry(plugins)
        told["plugins"] = dict(sorted(registry.origins.items()))
        told["broken"] = [f"{one.name}: {one.reason}" for one in registry.broken]
        told["night"] = Path(night).is_dir() and any(Path(night).iterdir())
        mark = Path(store) / "probes" / uuid.uuid4().hex
        write_whole(mark, b"probe")
        mark.unlink()
        told["store"] = str(Path(store, "holder.json").read_bytes())
    except OSError as error:
        told["error"] = f"{error.strerror or error}: {error.filename}"
    return told


def check_workers(ask: Ask, night: Path, store: Path, plugins: tuple[str, ...]) -> None:
    """Compare every worker with this process.

    Parameters
    ----------
    ask : callable
        Runs a function on every worker; returns results, or exceptions, by address.
    night, store : Path
        Folders that must be the same everywhere.
    plugins : tuple of str
        Single-file plugins.

    Raises
    ------
    MachineError
        Listing every difference.
    """
    here = probe(str(night), str(store), plugins)
    wrong = []
    for address, there in sorted(ask(probe, str(night), str(store), plugins).items()):
        if isinstance(there, BaseException):
            wrong.append(f"{address}: nightmill cannot be used there ({type(there).__name__}: {there})")
            continue
        wrong += [f"{address}: {text}" for text in _differences(here, there)]
    if wrong:
        listed = "\n  ".join(wrong[:20])
        raise MachineError(
            f"the workers do not fit this run:\n  {listed}\ninstall the same versions everywhere and mount the same "
            f"folders under the same paths"
        )


def _differences(here: dict[str, Any], there: dict[str, Any]) -> list[str]:
    if "error" in there:
        return [f"cannot use the folders of this run: {there['error']}"]
    found = []
    if not there["night"]:
        found.append("the night's folder is not there")
    if there["store"] != here["store"]:
        found.append("its output folder is another one than here")
    found += [
        f"{name} {there['versions'].get(name)} there, {version} here"
        for name, version in here["versions"].items()
        if there["versions"].get(name) != version
    ]
    names = sorted(here["plugins"].keys() | there["plugins"].keys())
    apart = [name for name in names if here["plugins"].get(name) != there["plugins"].get(name)]
    if apart:
        found.append(f"stages that are missing or of another version: {', '.join(apart)}")
    return found
