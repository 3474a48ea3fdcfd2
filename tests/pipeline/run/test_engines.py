"""The local cluster: nothing listens beyond this machine, and workers keep OpenCV to one thread."""

from __future__ import annotations

import os
import subprocess
import sys

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
