"""Kill a whole run, driver and workers, at random moments; the same command goes on and ends with the same bits."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import sys
import time

import numpy as np
import psutil
import pytest

from toysupport import TOY, TOY_RECIPE, events, products

KILLS = int(os.environ.get("NIGHTMILL_KILLS", "2"))
"""The long form, by hand: NIGHTMILL_KILLS=200."""


@pytest.fixture
def slow_night(tmp_path):
    """Make a night whose frames are measured slowly, so that there is something to interrupt."""
    night = tmp_path / "night"
    night.mkdir()
    rng = np.random.default_rng(1)
    for number in range(4):
        data = rng.integers(10, 200, (600, 24, 32)).astype(np.uint8)
        np.save(night / f"mars_20250205_2030{number:02d}_slow.npy", data)
    np.save(night / "dark_20250205_100000.npy", rng.integers(0, 5, (50, 24, 32)).astype(np.uint8))
    (tmp_path / "toy.yaml").write_text(TOY_RECIPE, encoding="utf-8")
    return night


def command(night, out, *more):
    recipe = night.parent / "toy.yaml"
    return [
        sys.executable, "-m", "nightmill", "run", str(night), "--out", str(out), "--recipe", str(recipe),
        "--plugin", str(TOY), "--workers", "2", "--quiet", *more,
    ]  # fmt: skip


def start(night, out, *more):
    return subprocess.Popen(
        command(night, out, *more), start_new_session=True, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    )


def family(process):
    try:
        return [process, *process.children(recursive=True)]
    except psutil.NoSuchProcess:
        return []


@pytest.mark.skipif(os.name == "nt", reason="SIGKILL is POSIX; Windows kills are tested by terminate below")
@pytest.mark.timeout(1800)
def test_killed_at_any_moment_the_same_command_goes_on(slow_night, tmp_path):
    whole = subprocess.run(command(slow_night, tmp_path / "whole"), capture_output=True, timeout=300, check=False)
    assert whole.returncode == 0, whole.stderr.decode()
    expected = products(tmp_path / "whole")
    spent = _seconds(tmp_path / "whole")
    chooser = random.Random(20250205)
    out = tmp_path / "killed"
    for _ in range(KILLS):
        running = start(slow_night, out)
        members = [psutil.Process(running.pid)]
        deadline = time.monotonic() + chooser.uniform(0.3, 1.2 * spent + 2.0)
        while time.monotonic() < deadline and running.poll() is None:
            time.sleep(0.05)
            members = family(members[0]) or members
            assert not _halves(out)
        for member in members:
            with contextlib.suppress(ProcessLookupError):
                os.kill(member.pid, signal.SIGKILL)
        running.wait()
        running.stderr.close()
        _gone, alive = psutil.wait_procs(members, timeout=2)
        assert not alive, f"left behind: {alive}"
        again = subprocess.run(command(slow_night, out), capture_output=True, timeout=300, check=False)
        assert again.returncode == 0, again.stderr.decode()
        assert products(out) == expected
        # Make the next round start from a part of the way, not from the end.
        _forget_some(out, chooser)


def _seconds(out):
    return float(events(out, "run finished")[-1]["seconds"])


def _halves(out):
    """Return published FITS files that are not whole: a final name must hold complete blocks of 2880 bytes."""
    found = []
    for folder in ("stacks", "pictures"):
        for path in (out / folder).glob("[!.]*.fits"):
            try:
                size = path.stat().st_size
            except FileNotFoundError:
                continue
            if size == 0 or size % 2880:
                found.append(path)
    return found


def _forget_some(out, chooser):
    import shutil

    objects = sorted((out / ".store" / "objects").glob("*/*"))
    for folder in chooser.sample(objects, len(objects) // 2):
        shutil.rmtree(folder)
    shutil.rmtree(out / "pictures")


@pytest.mark.skipif(os.name == "nt", reason="console signals differ on Windows")
def test_ctrl_c_once_leaves_a_resumable_state(slow_night, tmp_path, monkeypatch):
    monkeypatch.setenv("TOY_SLEEP", "0.3")
    running = start(slow_night, tmp_path / "out")
    _wait_for(tmp_path / "out", "step done")
    began = time.monotonic()
    running.send_signal(signal.SIGINT)
    assert running.wait(timeout=30) == 130
    assert time.monotonic() - began < 15
    said = running.stderr.read().decode()
    running.stderr.close()
    assert "give the same command again to go on" in said
    assert "Traceback" not in said
    assert events(tmp_path / "out", "run interrupted")
    monkeypatch.setenv("TOY_SLEEP", "0.01")
    again = subprocess.run(command(slow_night, tmp_path / "out"), capture_output=True, timeout=300, check=False)
    assert again.returncode == 0, again.stderr.decode()


@pytest.mark.skipif(os.name == "nt", reason="console signals differ on Windows")
def test_ctrl_c_twice_stops_at_once(slow_night, tmp_path, monkeypatch):
    monkeypatch.setenv("TOY_SLEEP", "5")
    running = start(slow_night, tmp_path / "out", "--using", "serial")
    _wait_for(tmp_path / "out", "step done")
    time.sleep(1)
    running.send_signal(signal.SIGINT)
    time.sleep(0.5)
    began = time.monotonic()
    running.send_signal(signal.SIGINT)
    assert running.wait(timeout=30) == 130
    assert time.monotonic() - began < 1
    running.stderr.close()


def _wait_for(out, event):
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        if (out / "journal.jsonl").exists() and events(out, event):
            return
        time.sleep(0.1)
    raise AssertionError(f"no {event!r} in a minute")
