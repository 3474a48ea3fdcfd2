"""Memory: how it is shared out, what is refused beforehand, and what is ended while it grows."""

from __future__ import annotations

import subprocess
import sys
import time
from dataclasses import replace

import numpy as np
import psutil
import pytest

from nightmill.artefacts import Capture
from nightmill.plan.memory import least_memory
from nightmill.run import memory
from nightmill.run.memory import MemoryWatch, share_memory


def test_what_is_available_is_shared_out_and_some_is_left(monkeypatch):
    monkeypatch.setattr(memory, "available_bytes", lambda: 10_000_000_000)
    monkeypatch.setattr(memory, "usable_cores", lambda: 4)
    assert share_memory(None, None) == (4, 2_000_000_000)
    assert share_memory(2, None) == (2, 4_000_000_000)
    assert share_memory(None, 3_000_000_000) == (4, 750_000_000)
    # Where it is scarce, fewer workers are started rather than many that can do nothing.
    assert share_memory(None, 1_300_000_000) == (2, 650_000_000)
    assert share_memory(4, 1_300_000_000) == (4, 325_000_000)
    monkeypatch.setattr(memory, "available_bytes", lambda: 1_000_000_000)
    assert share_memory(None, None) == (1, memory.LEAST_BYTES)


def test_the_least_is_by_frame_size_and_not_by_length():
    capture = Capture("", "a.ser", "ser", 1000, 1096, 1936, dtype="uint16")
    assert least_memory(capture) == least_memory(replace(capture, frames=10**7))
    assert 200e6 < least_memory(capture) < 500e6
    assert least_memory(replace(capture, height=20_000, width=30_000)) > 20e9


def test_what_cannot_fit_is_set_aside_with_a_remedy(run_toy, toy_night):
    np.save(toy_night / "venus_20250205_180000_R.npy", np.ones((1, 3000, 4000), np.uint8))
    result = run_toy(memory_bytes=600_000_000)
    assert result.exit_code == 1
    (aside,) = [one for one in result.summary["captures"] if one["status"] == "set_aside"]
    assert aside["reason"] == (
        "its frames of 4000x3000 take at least 1.3 GB of memory, and a worker may use 600 MB; give more with --memory, "
        "or fewer --workers"
    )


def test_a_stranger_is_never_ended():
    assert not memory.end_own(psutil.Process().parent())


def test_the_watch_ends_what_grows_too_large_and_says_how_large():
    code = "import time; held = b'x' * 150_000_000; time.sleep(60)"
    large, small = (subprocess.Popen([sys.executable, "-c", one]) for one in (code, "import time; time.sleep(60)"))
    watch = MemoryWatch(100_000_000, lambda: [("large", large.pid), ("small", small.pid), ("gone", 2**22 + 1)])
    watch.start()
    try:
        assert large.wait(timeout=30) != 0
        assert small.poll() is None
        deadline = time.monotonic() + 5
        while watch.verdict("large") is None:
            assert time.monotonic() < deadline
            time.sleep(0.01)
        assert "of memory, and a worker may use 100 MB, so it was stopped; give more" in str(watch.verdict("large"))
        assert watch.verdict("small") is None
    finally:
        watch.stop()
        for one in (large, small):
            one.kill()
            one.wait()


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux counts private memory alone")
def test_the_system_refuses_a_request_beyond_all_bounds():
    code = (
        "import numpy as np\n"
        "from nightmill.work.limits import limit_memory, memory_limit\n"
        "assert memory_limit() is None\n"
        "limit_memory(500_000_000)\n"
        "assert memory_limit() == 500_000_000\n"
        "np.ones(50_000_000)\n"
        "try:\n    np.empty(10**9)\nexcept MemoryError:\n    print('refused')\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=60)
    assert done.stdout == "refused\n", done.stderr
