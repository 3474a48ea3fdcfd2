"""How a run is wanted, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

__all__ = ["Options", "Result"]


@dataclass(frozen=True)
class Options:
    """How to run.

    Attributes
    ----------
    recipe : str or None
        One recipe for every capture.
    using : {"processes", "threads", "serial"}
        Workers of this machine's own.
    workers : int or None
        How many; by default one a core.
    memory_bytes : int or None
        Limit of all workers together.
    scheduler : str or None
        Address of a Dask scheduler to use instead.
    tls : tuple of str or None
        Files of the certificate authority, the certificate and its key, for a tls:// scheduler.
    trust_network : bool
        Use a scheduler on another machine without encryption.
    plugins : tuple of str
        Single-file plugins.
    locked : bool
        Use only frozen recipes with the versions they were frozen with.
    ignore_space : bool
        Start although the disk seems too small.
    patience_s : float
        A task that shows no end after so long is taken to hang: its worker is stopped, its capture set aside.
    follow : bool
        Go on looking for recordings as they are finished.
    until : float or None
        POSIX seconds at which following ends; None for Ctrl-C.
    settle_s : float
        A recording whose size and time have not changed for so long is taken to be finished, when following.
    """

    recipe: str | None = None
    using: Literal["processes", "threads", "serial"] = "processes"
    workers: int | None = None
    memory_bytes: int | None = None
    scheduler: str | None = None
    tls: tuple[str, str, str] | None = None
    trust_network: bool = False
    plugins: tuple[str, ...] = ()
    locked: bool = False
    ignore_space: bool = False
    patience_s: float = 3600.0
    follow: bool = False
    until: float | None = None
    settle_s: float = 10.0


@dataclass
class Result:
    """What came of a run: the summary (as in night.json) and the exit code."""

    summary: dict[str, Any]
    exit_code: int
    out: Path
