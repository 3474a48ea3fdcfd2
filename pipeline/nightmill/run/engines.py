"""Where tasks are done: in this process, or on Dask workers, by the same function and with the same bits."""

from __future__ import annotations

import contextlib
import logging
import os
import queue
import time
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable
from typing import Any

from ..early import WORKER_ENVIRONMENT, start_early, start_method
from ..errors import MachineError
from ..work import perform
from .memory import MemoryWatch, end_own, share_memory

__all__ = ["DaskEngine", "Engine", "SerialEngine"]

Task = dict[str, Any]
Outcome = dict[str, Any]


LOOK_SECONDS = 5.0
RENEW_SECONDS = 60.0
ALONE_SECONDS = 300.0
"""How long a run waits for a worker when there is none; a queue may be about to start some."""


class Engine(ABC):
    """Does tasks.

    Attributes
    ----------
    window : int
        How many tasks to hand over at most: enough to keep all workers busy, few enough that memory, blame for a
        crash and the wait after Ctrl-C stay bounded.
    room : int or None
        Bytes of memory that one task may use, where the workers' owner limits them.
    processors : int
        Processors of one machine that its tasks share; 1 where nobody knows how they lie.
    """

    window: int
    room: int | None = None
    processors: int = 1

    @abstractmethod
    def submit(self, name: str, task: Task) -> None:
        """Hand over a task under a unique name."""

    @abstractmethod
    def wait(self, seconds: float) -> list[tuple[str, Outcome]]:
        """Return what has been done since the last call; wait at most so long for the first of it."""

    def end(self, name: str) -> bool:
        """End a task that hangs, by ending the process that holds it; False when that cannot be done."""
        return False

    def workers(self) -> frozenset[str]:
        """Name the worker processes of this machine that live now."""
        return frozenset()

    def renew(self) -> None:  # noqa: B027 - an engine may have nothing to renew
        """Start worker processes anew; only while no task is in hand."""

    def close(self, *, at_once: bool = False) -> None:  # noqa: B027 - an engine may hold nothing
        """Let go of everything; `at_once` without waiting for tasks in hand."""


class SerialEngine(Engine):
    """Does tasks one by one in this process: for debugging, tests and small nights."""

    window = 1

    def __init__(self) -> None:
        self._waiting: deque[tuple[str, Task]] = deque()

    def submit(self, name: str, task: Task) -> None:
        """Keep the task until `wait`."""
        self._waiting.append((name, task))

    def wait(self, seconds: float) -> list[tuple[str, Outcome]]:
        """Do one task."""
        if not self._waiting:
            return []
        name, task = self._waiting.popleft()
        return [(name, perform(task))]


class DaskEngine(Engine):
    """Does tasks on `dask.distributed`: a cluster of this machine's own, or one that exists.

    Parameters
    ----------
    workers : int or None
        Worker processes (or threads); by default one a core.
    threads : bool
        Use threads of this process instead of processes.
    memory_bytes : int or None
        Limit of all workers together.
    scheduler : str or None
        Address of an existing scheduler.
    tls : tuple of str or None
        Files of the certificate authority, the certificate and its key.
    scratch : str
        Folder for Dask's own files.
    """

    def __init__(
        self,
        *,
        workers: int | None = None,
        threads: bool = False,
        memory_bytes: int | None = None,
        scheduler: str | None = None,
        tls: tuple[str, str, str] | None = None,
        scratch: str = "",
    ) -> None:
        if scheduler is None and not threads:
            start_early()
        import dask
        import distributed

        self._names: dict[str, str] = {}
        self._done: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._settings = dask.config.set(
            {
                # Who is to blame for a worker's death is found out by the driving process, which tries suspects alone.
                "distributed.scheduler.allowed-failures": 0,
                "distributed.scheduler.work-stealing": False,
                # Products go to files and only their keys come back, so there is nothing worth spilling.
                "distributed.worker.memory.target": False,
                "distributed.worker.memory.spill": False,
                # A worker that is paused may stay so for ever; ours are limited by the system and watched by us.
                "distributed.worker.memory.pause": False,
                "distributed.worker.memory.terminate": False,
                # On a crowded machine a new process may take long to start; Dask would go on without that worker.
                "distributed.deploy.lost-worker-timeout": "10 minutes",
                "distributed.worker.daemon": True,
                "distributed.worker.multiprocessing-method": start_method(),
                "distributed.nanny.pre-spawn-environ": WORKER_ENVIRONMENT,
                "distributed.worker.preload": ["nightmill.run.preload"],
                "distributed.admin.system-monitor.gil.enabled": False,
                "temporary-directory": scratch or None,
            }
        )
        self._settings.__enter__()
        # Some loggers of Dask, and below it, have levels of their own; what they would say, with tracebacks, we say in
        # words.
        named = [one for one in logging.root.manager.loggerDict if one.split(".")[0] in ("distributed", "tornado")]
        for name in {*named, "asyncio", "tornado"}:
            logging.getLogger(name).setLevel(logging.CRITICAL)
        count, limit = share_memory(workers, memory_bytes)
        self._cluster: Any = None
        self._watch: MemoryWatch | None = None
        try:
            if scheduler is None:
                self._cluster = _local_cluster(count, threads=threads, memory_bytes=limit)
                if not threads:
                    self._watch = MemoryWatch(limit, self._processes)
                    self._watch.start()
            self._client = distributed.Client(
                self._cluster or scheduler, timeout="10s", set_as_default=False, security=_security(tls)
            )
        except (OSError, TimeoutError, RuntimeError) as error:
            self.close(at_once=True)
            where = f"the scheduler at {scheduler}" if scheduler else "workers on this machine"
            raise MachineError(f"cannot reach {where}: {error}") from error
        slots = count if scheduler is None else sum(self._client.nthreads().values())
        if slots == 0:
            self.close(at_once=True)
            raise MachineError(f"the scheduler at {scheduler} has no workers; start some with 'dask worker'")
        self.window = slots + 1
        self.processors = count if scheduler is None else 1
        if scheduler is not None:
            workers_there = self._client.scheduler_info(n_workers=-1)["workers"].values()
            shares = [one["memory_limit"] // one["nthreads"] for one in workers_there if one.get("memory_limit")]
            self.room = min(shares, default=None)
        self._submitted = 0
        self._count = 1 if threads else count
        self._looked = self._seen = time.monotonic()

    def submit(self, name: str, task: Task) -> None:
        """Hand a task to the scheduler; earlier tasks come first."""
        self._submitted += 1
        # Names are made unique: a task tried again must not be answered from Dask's memory of the first time.
        # A file's name may hold what is not Unicode, and Dask would refuse it.
        key = f"{name.encode('ascii', 'backslashreplace').decode()}#{self._submitted}"
        future = self._client.submit(perform, task, key=key, priority=-self._submitted, pure=False)
        self._names[key] = name
        future.add_done_callback(self._done.put)

    def wait(self, seconds: float) -> list[tuple[str, Outcome]]:
        """Wait for workers."""
        outcomes: list[tuple[str, Outcome]] = []
        while self._names:
            try:
                # Whatever else is done by now comes along; only the first is waited for.
                future = self._done.get(timeout=0 if outcomes else seconds)
            except queue.Empty:
                if not outcomes:
                    self._look_after_workers()
                break
            outcomes.append((self._names.pop(future.key), self._result(future)))
            future.release()
        return outcomes

    def _look_after_workers(self) -> None:
        """Have missing workers started again; a run without any must end and say so, not wait for ever.

        Raises
        ------
        MachineError
            The scheduler is gone, or there has been no worker for a long time.
        """
        now = time.monotonic()
        if now - self._looked < LOOK_SECONDS:
            return
        self._looked = now
        try:
            present = len(self._client.nthreads()) if self._client.status == "running" else -1
        except (OSError, TimeoutError, RuntimeError):
            present = -1
        if present > 0:
            self._seen = now
        elif now - self._seen > ALONE_SECONDS:
            raise MachineError(
                "the scheduler is gone" if present < 0 else f"there was no worker for {ALONE_SECONDS / 60:.0f} minutes"
            )
        if self._cluster is not None and 0 <= present < self._count:
            self._cluster.scale(self._count)

    def _result(self, future: Any) -> Outcome:
        """Turn what Dask says of a future into an outcome; only the worker's death is left to Dask."""
        from concurrent.futures import CancelledError
        from pickle import PickleError

        from distributed import KilledWorker

        try:
            return dict(future.result(timeout=30))
        except KilledWorker as error:
            reason = self._watch.verdict(error.last_worker.address) if self._watch else None
            reason = reason or "the process that worked on it died, twice, as when memory runs out or a library crashes"
            return {"ok": False, "kind": "died", "reason": reason, "trace": "", "seconds": 0.0, "peak_mb": 0.0}
        except (CancelledError, OSError, RuntimeError, ImportError, PickleError) as error:
            # A task never raises: what comes here is of Dask and the network, a failure of the machine.
            kind, reason = "machine", f"{type(error).__name__}: {error}"
            if getattr(error, "reason", "") == "scheduler-restart":
                # Somebody had the workers of a cluster started anew.
                kind = "transient"
            elif isinstance(error, (CancelledError, OSError)):
                reason = f"the scheduler cannot be reached any more ({reason})"
            return {"ok": False, "kind": kind, "reason": reason, "trace": "", "seconds": 0.0, "peak_mb": 0.0}

    def ask_workers(self, function: Callable[..., Any], *arguments: Any) -> dict[str, Any]:
        """Run a function on every worker; returns results, or exceptions, by address."""
        return dict(self._client.run(function, *arguments, on_error="return"))

    def end(self, name: str) -> bool:
        """Kill the worker process of this machine that holds the task; its nanny starts another."""
        import psutil

        keys = {key for key, held in self._names.items() if held == name}
        workers = dict(self._processes())
        for address, held in self._client.processing().items():
            if keys & set(held) and address in workers:
                with contextlib.suppress(psutil.NoSuchProcess):
                    return end_own(psutil.Process(workers[address]))
        return False

    def workers(self) -> frozenset[str]:
        """Name this machine's own workers."""
        return frozenset(address for address, _ in self._processes())

    def renew(self) -> None:
        """Start the processes of this machine anew, so that what earlier tasks left in memory is gone."""
        if self._watch is None:
            return
        # One that the scheduler does not know yet has done nothing: it need not start anew, and cannot.
        old = set(self.workers()) & set(self._client.nthreads())
        # Not `Client.restart`: its notice, which cancels whatever is in hand, may arrive after the next task was handed
        # over.
        with contextlib.suppress(TimeoutError, KeyError):  # one that is gone by itself is what is wanted
            self._client.restart_workers(sorted(old), timeout=RENEW_SECONDS, raise_for_error=False)
        deadline = time.monotonic() + RENEW_SECONDS
        while time.monotonic() < deadline:  # else the next task tells
            # The scheduler learns of a worker's end by its connection alone, and would give the next task to the dead;
            # and who goes on before all are back finds the late ones missing the next time.
            present = set(self._client.nthreads())
            back = len(present) >= max(len(self._nannies()), 1) and not present & old
            # The addresses that `workers` names are the old ones for a moment longer.
            if back and self.workers() <= present:
                return
            time.sleep(0.1)

    def _nannies(self) -> list[Any]:
        return list(getattr(self._cluster, "workers", {}).values())

    def _processes(self) -> list[tuple[str, int]]:
        """List (address, process id) of this machine's own worker processes."""
        found = [(getattr(one, "worker_address", None), getattr(one, "pid", None)) for one in self._nannies()]
        return [(address, pid) for address, pid in found if address and pid]

    def close(self, *, at_once: bool = False) -> None:
        """Close client, then cluster."""
        from concurrent.futures import CancelledError

        if self._watch is not None:
            self._watch.stop()
        for held in (getattr(self, "_client", None), self._cluster):
            if held is not None:
                # What does not close well must not hide how the run ended.
                with contextlib.suppress(OSError, RuntimeError, CancelledError):
                    held.close(timeout=2 if at_once else 10)
        self._settings.__exit__(None, None, None)


def _local_cluster(count: int, *, threads: bool, memory_bytes: int) -> Any:
    """Start workers on this machine; once more when one of them dies while it starts."""
    import distributed

    for again in (True, False):
        try:
            return distributed.LocalCluster(
                n_workers=1 if threads else count,
                threads_per_worker=count if threads else 1,
                processes=not threads,
                memory_limit=None if threads else memory_bytes,
                dashboard_address="127.0.0.1:0",
                # Loopback alone: an open scheduler port runs anyone's code. Threads would need no port at all,
                # but Dask's in-process protocol opens one for its pages on every address.
                protocol="tcp://",
                host="127.0.0.1",
                silence_logs=logging.CRITICAL,
                # Copies of a process that started early know nothing of what was set since.
                **({} if threads else {"env": {**os.environ, **WORKER_ENVIRONMENT}}),
            )
        except RuntimeError:
            if not again:
                raise
    raise AssertionError("not reached")


def _security(tls: tuple[str, str, str] | None) -> Any:
    from distributed.security import Security

    if tls is None:
        return None
    authority, certificate, key = tls
    return Security(tls_ca_file=authority, tls_client_cert=certificate, tls_client_key=key, require_encryption=True)
