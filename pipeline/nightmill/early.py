"""Gets worker processes under way while the driving process still reads recipes and plans.

Most of a worker's start is the loading of libraries. Where the system can copy a process (Linux), one process loads
them, beside the driving process, and every worker is a copy of it; that process has started no thread and called no
library, so that the copies are sound. Elsewhere workers start one by one, when the first task needs them.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path

__all__ = ["WORKER_ENVIRONMENT", "start_early", "start_method", "work_is_likely"]

WORKER_ENVIRONMENT = {
    # Dask's nanny trims the heap so eagerly that every frame buffer is mapped anew: a third of the speed is lost.
    "MALLOC_TRIM_THRESHOLD_": str(2**30),
    "MALLOC_MMAP_THRESHOLD_": str(2**30),
    # One heap for all threads of a worker: of others, hardly anything that was freed goes back to the system.
    "MALLOC_ARENA_MAX": "1",
    # One task a thread: libraries that start threads of their own would fight over the same cores.
    **{f"{name}_NUM_THREADS": "1" for name in ("OMP", "MKL", "OPENBLAS", "NUMEXPR", "NUMBA")},
}

MOST_FILES = 5000
"""Recordings whose times of change are looked at; with more, work is taken to be likely."""


def start_method() -> str:
    """Return how worker processes are started here: a name that `multiprocessing` knows."""
    # macOS could copy processes too, but its system libraries do not bear it.
    return "forkserver" if sys.platform == "linux" else "spawn"


def start_early() -> bool:
    """Have the process that workers are copies of load its libraries; False where workers start one by one."""
    if start_method() != "forkserver":
        return False
    import multiprocessing
    from multiprocessing import forkserver

    multiprocessing.get_context("forkserver").set_forkserver_preload(["nightmill.warm"])
    with _environment(WORKER_ENVIRONMENT):
        forkserver.ensure_running()
    return True


def work_is_likely(night: Path, out: Path, others: tuple[Path, ...] = ()) -> bool:
    """Say, at a glance, whether a run will have something to do: whether anything changed since the last one ended.

    Parameters
    ----------
    night, out : Path
        The night's folder and the output folder.
    others : tuple of Path
        Recipe and plugins, where they are files.
    """
    try:
        summary = out / "night.json"
        ended = summary.stat().st_mtime_ns
        with summary.open(encoding="utf-8") as stream:
            if '"state": "finished"' not in stream.read(200):
                return True
        newest = max((path.stat().st_mtime_ns for path in others if path.exists()), default=0)
        for count, changed in enumerate(_changes(night)):
            newest = max(newest, changed)
            if newest >= ended or count > MOST_FILES:
                return True
    except OSError:
        return True
    return newest >= ended


def _changes(folder: Path) -> Iterator[int]:
    """Iterate over the times of change of a folder, its files and its folders."""
    yield folder.stat().st_mtime_ns
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.is_dir(follow_symlinks=False):
                yield from _changes(Path(entry.path))
            else:
                yield entry.stat().st_mtime_ns


@contextlib.contextmanager
def _environment(wanted: dict[str, str]) -> Iterator[None]:
    before = {name: os.environ.get(name) for name in wanted}
    os.environ.update(wanted)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
