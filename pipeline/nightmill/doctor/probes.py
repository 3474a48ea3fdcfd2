"""The probes of `nightmill doctor`. Each tells one thing; none changes anything but a probe file of its own."""

from __future__ import annotations

import os
import platform
import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Literal

__all__ = ["Finding", "examine"]

LIBRARIES = (
    "numpy",
    "scipy",
    "opencv-python-headless",
    "astropy",
    "dask",
    "distributed",
    "pluggy",
    "pydantic",
    "pyyaml",
    "structlog",
    "rich",
    "filelock",
    "tifffile",
    "pillow",
)
LEAST_FREE = 5e9
LEAST_MEMORY = 2e9


@dataclass(frozen=True)
class Finding:
    """One line of the examination.

    Attributes
    ----------
    state : {"good", "warning", "bad"}
    what : str
        What was looked at.
    text : str
        What was found.
    cure : str
        What to do; empty when good.
    """

    state: Literal["good", "warning", "bad"]
    what: str
    text: str
    cure: str = ""


def examine(folder: Path) -> Iterator[Finding]:
    """Examine this machine, and `folder` as the place for output."""
    yield _python()
    yield from _libraries()
    yield from _plugins()
    yield _cores()
    yield _memory()
    yield from _threads()
    yield from _disk(folder)


def _python() -> Finding:
    text = f"{platform.python_version()} on {platform.system()} {platform.machine()}"
    good = sys.version_info >= (3, 11)
    return Finding("good" if good else "bad", "Python", text, "" if good else "install Python 3.11 or newer")


def _libraries() -> Iterator[Finding]:
    found, missing = [], []
    for name in ("nightmill", *LIBRARIES):
        try:
            found.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            missing.append(name)
    yield Finding("good", "libraries", ", ".join(found))
    if missing:
        yield Finding("bad", "libraries", f"missing: {', '.join(missing)}", f"pip install {' '.join(missing)}")


def _plugins() -> Iterator[Finding]:
    from ..plugins import load_registry

    registry = load_registry()
    origins = sorted(set(registry.origins.values()))
    if registry.stages:
        spent = ", ".join(f"{name} {1000 * seconds:.0f} ms" for name, seconds in registry.seconds.items())
        text = f"{len(registry.stages)} stages from {', '.join(origins)}; loading took: {spent}"
        yield Finding("good", "plugins", text)
    else:
        yield Finding("bad", "plugins", "no stages at all", "pip install --force-reinstall nightmill")
    for broken in registry.broken:
        cure = f"ask its author, or pip uninstall {broken.origin.split()[0]}"
        yield Finding("bad", "plugins", f"{broken.name} ({broken.origin}): {broken.brief}", cure)


def _cores() -> Finding:
    usable = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return Finding(
        "good", "processors", f"{usable} usable; a run starts as many workers unless --workers says otherwise"
    )


def _memory() -> Finding:
    import psutil

    from ..run.memory import available_bytes, share_memory

    available = available_bytes()
    workers, each = share_memory(None, None)
    text = (
        f"{available / 1e9:.1f} GB available of {psutil.virtual_memory().total / 1e9:.1f} GB; a run starts {workers} "
        f"workers, and each may use {each / 1e9:.1f} GB (--workers and --memory change it)"
    )
    if available >= LEAST_MEMORY:
        return Finding("good", "memory", text)
    return Finding("warning", "memory", text, "close other programs, or give --workers 1")


def _threads() -> Iterator[Finding]:
    crowded = {
        name: os.environ[name]
        for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
        if os.environ.get(name, "1") != "1"
    }
    if crowded:
        listed = ", ".join(f"{name}={value}" for name, value in crowded.items())
        yield Finding(
            "warning", "threads", listed, "workers set these to 1 for themselves; unset them for --using threads"
        )


def _disk(folder: Path) -> Iterator[Finding]:
    import psutil

    place = folder if folder.is_dir() else Path.cwd()
    free = shutil.disk_usage(place).free
    state: Literal["good", "warning"] = "good" if free > LEAST_FREE else "warning"
    yield Finding(state, "disk", f"{free / 1e9:.1f} GB free at {place}", "" if state == "good" else "free some space")
    mounts = [part for part in psutil.disk_partitions(all=True) if _below(place, part.mountpoint)]
    if mounts:
        kind = max(mounts, key=lambda part: len(part.mountpoint)).fstype
        yield Finding("good", "file system", kind or "not known")
    yield _renames(place)


def _below(place: Path, mount: str) -> bool:
    return str(place.resolve()).startswith(mount)


def _renames(place: Path) -> Finding:
    """Try what every product needs: a folder renamed at once, and a lock that a second holder does not get."""
    from filelock import FileLock, Timeout

    from ..files import write_whole

    probe = place / f".nightmill-probe-{os.getpid()}"
    try:
        probe.mkdir()
        write_whole(probe / "a", b"probe")
        (probe / "a").replace(probe / "b")
        first, second = FileLock(probe / "lock"), FileLock(probe / "lock")
        with first:
            try:
                second.acquire(timeout=0)
                return Finding("bad", "locks", "two holders got one lock here", "put the output on a local disk")
            except Timeout:
                pass
        return Finding("good", "locks and renames", "work here")
    except OSError as error:
        return Finding("bad", "writing", f"not possible here: {error.strerror}", "give an --out where you may write")
    finally:
        shutil.rmtree(probe, ignore_errors=True)
