"""Performs one task and reports: the product is in the store, or the reason why not."""

from __future__ import annotations

import errno
import re
import sys
import time
import traceback
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any

from ..artefacts import Capture
from ..errors import CaptureError, MachineError, NightmillError
from ..foreign import attempt
from ..store import DamagedError, Store, fingerprint
from .calling import StageError
from .limits import Idle, give_back

__all__ = ["perform"]

PASSES = ("survey", "fold")
"""Actions that go through frames: what they free is what the next of them needs."""

IDLE = Idle()
"""Of this process: the one thing here that lives from task to task."""

TRANSIENT = {errno.EAGAIN, errno.EBUSY, errno.EINTR, errno.EIO, errno.ETIMEDOUT, getattr(errno, "ESTALE", -1)}


def perform(spec: Mapping[str, Any]) -> dict[str, Any]:
    """Perform one task.

    Parameters
    ----------
    spec : mapping
        JSON values: action, key, content, carry, inputs, store, plugins; "threads" where more than one processor is
        free for it.

    Returns
    -------
    dict
        "ok"; "seconds"; "peak_mb" of this process so far; when ok what the product's meta says ("meta"), else "kind"
        ("capture", "stage", "memory", "disk", "transient", "damaged", "machine"), "reason" in plain words, "trace".
    """
    began = time.perf_counter()
    _one_thread()
    IDLE.begin()
    try:
        tried = attempt(partial(_do, spec))
    finally:
        IDLE.end()
    outcome: dict[str, Any]
    if tried.error is None:
        outcome = {"ok": True, "meta": tried.value}
    else:
        # Whatever happened costs this capture alone.
        trace = "".join(traceback.format_exception(tried.error, limit=-12))
        outcome = {"ok": False, **_explain(tried.error), "trace": trace}
    if spec["action"] not in PASSES:
        give_back()
    return {**outcome, "seconds": round(time.perf_counter() - began, 4), "peak_mb": _peak_mb()}


def _do(spec: Mapping[str, Any]) -> dict[str, Any]:
    if spec["action"] == "open":
        return _open(spec)
    if spec["action"] == "fingerprint":
        return _fingerprint(spec)
    from .actions import ACTIONS
    from .task import Task

    store = Store(Path(spec["store"]))
    if store.has(spec["key"]):
        return store.meta(spec["key"])
    task = Task.unpack(spec)
    meta: dict[str, Any] = {"action": spec["action"], "title": spec["title"]}
    try:
        # Partial sums are read once, soon, and thrown away.
        with store.make(spec["key"], meta, lasting=spec["action"] != "fold") as folder:
            ACTIONS[spec["action"]](task, folder, meta)
            meta.setdefault("notes", task.notes)
    except CaptureError as error:
        # The same data would be refused again; a disk that could not be read might be readable next time.
        if not isinstance(error.__cause__, OSError):
            store.refuse(spec["key"], str(error))
        raise
    return meta


def _open(spec: Mapping[str, Any]) -> dict[str, Any]:
    """Describe a recording; what cannot be opened is an outcome like any other."""
    from ..plugins import load_registry
    from ..stage import Source
    from .calling import calling

    cls = load_registry(tuple(spec["plugins"])).stage(spec["content"]["source"])
    source = cls(cls.Parameters.model_validate(spec["content"]["parameters"]))
    assert isinstance(source, Source)
    try:
        with calling(source.name, "open"):
            capture = source.open(Path(spec["carry"]["path"]))
    finally:
        source.close()
    if capture.frames < 1 or capture.height < 1 or capture.width < 1:
        raise CaptureError("holds no whole frame")
    return {"capture": capture.replace(source=source.name).to_json()}


def _fingerprint(spec: Mapping[str, Any]) -> dict[str, Any]:
    from ..plugins import load_registry
    from ..stage import Source
    from .calling import calling

    capture = Capture.from_json({**spec["content"]["capture"], **spec["carry"]})
    cls = load_registry(tuple(spec["plugins"])).stage(spec["content"]["source"])
    source = cls(cls.Parameters())
    assert isinstance(source, Source)
    try:
        with calling(source.name, "files"):
            files = source.files(capture)
    finally:
        source.close()
    return {"sha256": fingerprint(files, Path(capture.path))}


def _explain(error: BaseException) -> dict[str, Any]:
    """Say what kind of failure this is, and why in words for a person."""
    if isinstance(error, DamagedError):
        return {"kind": "damaged", "reason": str(error), "damaged": error.key}
    if isinstance(error, CaptureError):
        return {"kind": "capture", "reason": str(error)}
    if isinstance(error, StageError):
        return {"kind": "stage", "reason": str(error), "stage": error.stage}
    if isinstance(error, MemoryError):
        return {"kind": "memory", "reason": _too_much(error), "stage": getattr(error, "stage", "the engine")}
    if isinstance(error, OSError):
        place = f" ({error.filename})" if error.filename else ""
        words = f"{error.strerror or error}{place}"
        if _disk_full(error):
            return {"kind": "disk", "reason": f"the disk is full: {words}"}
        if error.errno in TRANSIENT:
            return {"kind": "transient", "reason": f"could not read or write: {words}"}
        return {"kind": "capture", "reason": f"could not read or write: {words}"}
    if isinstance(error, (MachineError, NightmillError)):
        return {"kind": "machine", "reason": str(error)}
    return {"kind": "stage", "reason": f"{type(error).__name__}: {error}", "stage": "the engine"}


def _disk_full(error: OSError) -> bool:
    """Whether the disk was full; libraries that write by themselves say so in words alone, without the system's number.

    NumPy: "18000 requested and 10256 written"; astropy: "Not enough space on disk: requested 72000, available 0".
    """
    if error.errno is not None:
        return error.errno in (errno.ENOSPC, getattr(errno, "EDQUOT", -1))
    return re.search(r"\d requested and \d+ written|not enough space on disk", str(error), re.IGNORECASE) is not None


def _too_much(error: MemoryError) -> str:
    """Say how much a worker had and may have when it could not get more."""
    from .limits import memory_limit

    said = " ".join(str(error).split())[:200]
    who = f"it needs more memory than there is ({said})" if said else "it needs more memory than there is"
    limit = memory_limit()
    may = f" of the {limit / 1e6:.0f} MB that it may use" if limit is not None else ""
    had = f"its worker had taken {_peak_mb() * 2**20 / 1e6:.0f} MB{may}"
    return f"{who}: {had}; give more with --memory, or fewer --workers"


def _one_thread() -> None:
    """Keep OpenCV to one thread a task: workers share the cores already, and its pools fight."""
    import cv2

    cv2.setNumThreads(1)


def _peak_mb() -> float:
    if sys.platform == "win32":
        import psutil

        return round(float(psutil.Process().memory_info().peak_wset) / 2**20, 1)
    import resource

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return round(peak / (2**20 if sys.platform == "darwin" else 2**10), 1)
