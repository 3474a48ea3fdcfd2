"""A full disk is a pause: exit code 3, nothing false is called done, and the same command goes on afterwards."""

from __future__ import annotations

import ctypes
import os
import shutil
import subprocess
import sys

import numpy as np
import pytest

from toysupport import TOY, TOY_RECIPE, products

POINTS = int(os.environ.get("NIGHTMILL_FILLS", "3"))
"""The long form, by hand: NIGHTMILL_FILLS=20."""

SIZE = 24 * 2**20


@pytest.fixture
def small_disk(tmp_path):
    """Mount a small file system of its own; skipped where that is not allowed."""
    if sys.platform != "linux" or os.geteuid() != 0:
        pytest.skip("mounting a small file system needs Linux and root")
    place = tmp_path / "disk"
    place.mkdir()
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.mount(b"tmpfs", str(place).encode(), b"tmpfs", 0, f"size={SIZE}".encode()) != 0:
        pytest.skip(f"mounting is not allowed here: {os.strerror(ctypes.get_errno())}")
    yield place
    libc.umount2(str(place).encode(), 2)


def run(night, out):
    command = [
        sys.executable, "-m", "nightmill", "run", str(night), "--out", str(out), "--recipe",
        str(night.parent / "toy.yaml"), "--plugin", str(TOY), "--using", "serial", "--quiet", "--ignore-space",
    ]  # fmt: skip
    return subprocess.run(command, capture_output=True, timeout=300, check=False, text=True)


@pytest.mark.timeout(900)
def test_a_full_disk_is_a_pause(small_disk, tmp_path):
    night = tmp_path / "night"
    night.mkdir()
    rng = np.random.default_rng(1)
    for k in range(3):
        np.save(night / f"mars_20250205_20300{k}_R.npy", rng.integers(9, 200, (60, 120, 160)).astype(np.uint8))
    (tmp_path / "toy.yaml").write_text(TOY_RECIPE, encoding="utf-8")
    whole = run(night, tmp_path / "whole")
    assert whole.returncode == 0, whole.stderr
    expected = products(tmp_path / "whole")
    used = sum(path.stat().st_size for path in (tmp_path / "whole").rglob("*") if path.is_file())
    paused = 0
    for point in range(POINTS):
        out = small_disk / "out"
        shutil.rmtree(out, ignore_errors=True)
        # Leave room for a growing part of what is needed.
        room = int(used * (point + 0.5) / POINTS)
        filler = small_disk / "filler"
        with filler.open("wb") as stream:
            os.posix_fallocate(stream.fileno(), 0, max(SIZE - room - 2**16, 4096))
        first = run(night, out)
        assert "Traceback" not in first.stderr, first.stderr
        assert first.returncode in (0, 3), first.stderr
        if first.returncode == 3:
            paused += 1
            assert "full" in first.stderr or "No space" in first.stderr, first.stderr
        for name, data in products(out).items():
            assert data == expected[name], f"{name} is not what it should be"
        filler.unlink()
        again = run(night, out)
        assert again.returncode == 0, again.stderr
        assert products(out) == expected
    assert paused, "the disk was never full: the test tests nothing"
