"""The local cluster: nothing listens beyond this machine, and workers keep OpenCV to one thread."""

from __future__ import annotations

import os
import subprocess
import sys
import time

import psutil
import pytest

from nightmill.early import WORKER_ENVIRONMENT, start_method
from nightmill.run import engines
from nightmill.run.engines import DaskEngine


@pytest.mark.parametrize("threads", [False, True])
def test_local_workers_listen_on_loopback_alone(threads):
    engine = DaskEngine(workers=2, threads=threads)
    try:
        own = psutil.Process()
        listening = {
            connection.laddr.ip
            for process in [own, *own.children(recursive=True)]
            for connection in process.net_connections()
            if connection.status == psutil.CONN_LISTEN
        }
        assert listening == {"127.0.0.1"}
        assert engine.window == 3
    finally:
        engine.close()


def _threads_of_opencv() -> int:
    import cv2

    return int(cv2.getNumThreads())


@pytest.mark.parametrize("method", sorted({start_method(), "spawn"}))
def test_workers_keep_opencv_to_one_thread_and_the_heap_untrimmed(method, monkeypatch):
    # Started one by one, as where the system cannot copy processes, they are the same.
    monkeypatch.setattr(engines, "start_method", lambda: method)
    engine = DaskEngine(workers=1)
    try:
        assert engine._client.submit(_threads_of_opencv).result(timeout=30) == 1
        value = engine._client.submit(os.environ.get, "MALLOC_TRIM_THRESHOLD_").result(timeout=30)
        assert value == str(2**30)
    finally:
        engine.close()


@pytest.mark.skipif(sys.platform != "linux", reason="only glibc gives memory back when told to")
def test_memory_of_a_task_that_is_done_goes_back_to_the_system():
    code = """
import numpy, psutil
from nightmill.work.limits import give_back
small = [numpy.ones(1000) for _ in range(40_000)]
top = numpy.ones(1000)  # keeps the heap from shrinking by itself
del small
before = psutil.Process().memory_info().rss
give_back()
print(before - psutil.Process().memory_info().rss)
"""
    command, environment = [sys.executable, "-c", code], {**os.environ, **WORKER_ENVIRONMENT}
    made = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
    assert int(made.stdout) > 200e6


def _hold(seconds: float) -> None:
    time.sleep(seconds)


def _outcome(engine: DaskEngine) -> tuple[str, dict[str, object]]:
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        if done := engine.wait(1.0):
            return done[0]
    raise AssertionError("no outcome within a minute")


def test_a_task_handed_over_as_workers_start_anew_is_done(monkeypatch):
    monkeypatch.setattr(engines, "perform", lambda task: {"ok": True, "pid": os.getpid()})
    engine = DaskEngine(workers=2)
    try:
        seen = set()
        for turn in range(4):
            before = engine.workers()
            engine.renew()
            engine.submit(f"turn {turn}", {})
            name, outcome = _outcome(engine)
            assert (name, outcome["ok"]) == (f"turn {turn}", True)
            assert not before & engine.workers()
            seen.add(outcome["pid"])
        assert len(seen) == 4
    finally:
        engine.close()


def test_what_somebody_else_cancelled_by_a_restart_is_tried_again(monkeypatch):
    monkeypatch.setattr(engines, "perform", lambda task: _hold(60))
    engine = DaskEngine(workers=1)
    try:
        engine.submit("held", {})
        engine._client.restart(timeout=60)
        name, outcome = _outcome(engine)
        assert (name, outcome["ok"], outcome["kind"]) == ("held", False, "transient")
    finally:
        engine.close()
