"""Kill a run at random moments: everything, the driver alone, a worker; it goes on and ends with the same bits."""

from __future__ import annotations

import contextlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections import Counter

import numpy as np
import psutil
import pytest

from nightmill.run.driver import WORTH_SECONDS
from toysupport import TOY, TOY_RECIPE, events, products

KILLS = int(os.environ.get("NIGHTMILL_KILLS", "2"))
"""The long form, by hand: NIGHTMILL_KILLS=200."""

USING = os.environ.get("NIGHTMILL_KILLS_USING", "processes")
"""Serial, a round costs a sixth of the time: what is killed is then one process, which does everything."""

KINDS = ("everything", "a worker", "the driver") if USING == "processes" else ("everything",)

IN_FLIGHT = 3
"""Tasks in hand at once: two workers, and one that waits."""


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
        "--plugin", str(TOY), "--workers", "2", "--using", USING, "--quiet", *more,
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


class Watcher(threading.Thread):
    """Looks every 5 ms for anything half written under a final name."""

    def __init__(self, out, expected):
        super().__init__(daemon=True)
        self.out, self.expected = out, expected
        self.half, self.looks, self.stopped = [], 0, threading.Event()
        self._seen = {}

    def run(self):
        while not self.stopped.wait(0.005):
            self.looks += 1
            self._look()

    def end(self):
        self.stopped.set()
        self.join()
        return self.half

    def _look(self):
        for name, data in self.expected.items():
            if self._fresh(self.out / name) and (now := _bytes(self.out / name)) is not None and now != data:
                self.half.append(name)
        if self._fresh(self.out / "night.json") and (now := _bytes(self.out / "night.json")) is not None:
            try:
                json.loads(now)
            except ValueError:
                self.half.append("night.json")
        for folder in (self.out / ".store" / "objects").glob("*/*"):
            if folder not in self._seen:
                self._seen[folder] = True
                self._look_at_product(folder)

    def _look_at_product(self, folder):
        meta = _bytes(folder / "meta.json")
        if meta is None:
            if folder.exists():  # thrown away between two looks it may well be
                self.half.append(str(folder))
            return
        for name, (size, _) in json.loads(meta)["files"].items():
            with contextlib.suppress(FileNotFoundError):
                if (folder / name).stat().st_size != size:
                    self.half.append(str(folder / name))

    def _fresh(self, path):
        try:
            state = path.stat()
        except FileNotFoundError:
            return False
        now = (state.st_ino, state.st_size, state.st_mtime_ns)
        fresh, self._seen[path] = self._seen.get(path) != now, now
        return fresh


def _bytes(path):
    try:
        return path.read_bytes()
    except OSError:
        return None


@pytest.mark.skipif(os.name == "nt", reason="SIGKILL is POSIX")
@pytest.mark.timeout(36000 if KILLS > 20 else 300)
def test_killed_at_any_moment_the_same_command_goes_on(slow_night, tmp_path):
    whole = subprocess.run(command(slow_night, tmp_path / "whole"), capture_output=True, timeout=300, check=False)
    assert whole.returncode == 0, whole.stderr.decode()
    expected = products(tmp_path / "whole")
    spent = _seconds(tmp_path / "whole")
    chooser = random.Random(20250205)
    out = tmp_path / "killed"
    tally = Counter()
    while tally["kills"] < KILLS:
        how = KINDS[tally["kills"] % len(KINDS)]
        watcher = Watcher(out, expected)
        watcher.start()
        before = len(events(out, "step done")) if (out / "journal.jsonl").exists() else 0
        running = start(slow_night, out)
        members = [psutil.Process(running.pid)]
        deadline = time.monotonic() + chooser.uniform(0.3, spent + 2.0)
        while running.poll() is None:
            ripe = how != "a worker" or any(_is_worker(one, members[0]) for one in members[1:])
            if ripe and time.monotonic() > deadline:
                break
            time.sleep(0.02)
            members = family(members[0]) or members
        hit = _kill(how, members, running)
        if how == "a worker":
            # The run finds out by itself; nobody gives a command again.
            assert running.wait(timeout=300) == 0, running.stderr.read().decode()
        else:
            running.wait()
            # A worker that is just starting notices the end of its parent once it has started.
            began = time.monotonic()
            while left := [one for one in members if _lives(one)]:
                assert time.monotonic() < began + 60, f"left behind: {left}"
                time.sleep(0.02)
            tally["most ms until all were gone"] = max(
                tally["most ms until all were gone"], round(1000 * (time.monotonic() - began))
            )
        running.stderr.close()
        done = [str(event["step"]) for event in events(out, "step done")[before:]] if _told(out) else []
        again = subprocess.run(command(slow_night, out), capture_output=True, timeout=300, check=False)
        assert again.returncode == 0, again.stderr.decode()
        # The machine may have become busier or idler: aim by what runs with something to do took of late.
        spent = max([spent, *(float(event["seconds"]) for event in events(out, "run finished"))][-6:])
        assert not watcher.end(), watcher.half
        tally["looks"] += watcher.looks
        assert products(out) == expected
        after = events(out, "step done")[before:]
        redone, lost = _twice(after)
        assert redone <= IN_FLIGHT, (how, done, [str(event["step"]) for event in after])
        if hit:
            tally["kills"] += 1
            tally[how] += 1
            tally["redone"] += redone
            tally["begun ahead and lost"] += lost
            tally["most redone"] = max(tally["most redone"], redone)
            print(dict(tally), flush=True)
        # Make the next round start from a part of the way, not from the end.
        _forget_some(out, chooser)


def _twice(done):
    """Count steps that were done twice, and apart from them those that were first begun ahead of their keys.

    What is begun while a recording is still being summed holds for that run alone, since nothing yet says which bytes
    it was made of: a kill before the sum is known loses it, by design. So does it lose the sums of recordings that take
    next to no time, which are written down together.
    """
    first, redone, lost = {}, 0, 0
    for event in done:
        if event["step"] not in first:
            first[event["step"]] = bool(event.get("ahead"))
        elif first[event["step"]] or (event["step"].endswith("/fingerprint") and event["seconds"] < WORTH_SECONDS):
            lost += 1
        else:
            redone += 1
    return redone, lost


def _kill(how, members, running):
    """Kill; say whether there was something to kill."""
    if running.poll() is not None:
        return False
    driver, *children = members
    workers = [one for one in children if _is_worker(one, driver)]
    victims = {"everything": members, "the driver": [driver], "a worker": workers[:1]}[how]
    for member in victims:
        # By psutil, which knows when a number has gone to another process meanwhile.
        with contextlib.suppress(psutil.NoSuchProcess):
            member.kill()
    return bool(victims)


def _lives(process):
    """Say whether a process does anything still; whether the dead are buried is up to the system's first process."""
    try:
        return process.status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return False


def _is_worker(process, driver):
    """Tell a worker's process from those that clean up after it, or that it is a copy of."""
    try:
        return process.ppid() != driver.pid or "spawn_main" in " ".join(process.cmdline())
    except (psutil.NoSuchProcess, psutil.ZombieProcess):
        return False


def _told(out):
    return (out / "journal.jsonl").exists()


def _seconds(out):
    return float(events(out, "run finished")[-1]["seconds"])


def _forget_some(out, chooser):
    objects = sorted((out / ".store" / "objects").glob("*/*"))
    for folder in chooser.sample(objects, len(objects) // 2):
        shutil.rmtree(folder)
    shutil.rmtree(out / "pictures")


@pytest.mark.skipif(os.name == "nt", reason="console signals differ on Windows")
def test_ctrl_c_once_leaves_a_resumable_state_and_a_lost_terminal_does_not_end_it(slow_night, tmp_path, monkeypatch):
    monkeypatch.setenv("TOY_SLEEP", "0.3")
    out = tmp_path / "out"
    running = start(slow_night, out)
    _wait_for(out, "step done")
    running.send_signal(signal.SIGHUP)
    before = len(events(out, "step done"))
    deadline = time.monotonic() + 60
    while len(events(out, "step done")) == before:
        assert running.poll() is None and time.monotonic() < deadline
        time.sleep(0.1)
    began = time.monotonic()
    running.send_signal(signal.SIGINT)
    assert running.wait(timeout=30) == 130
    spent = time.monotonic() - began
    print(f"ended {spent:.2f} s after Ctrl-C")
    assert spent < 10
    said = running.stderr.read().decode()
    running.stderr.close()
    assert "give the same command again to go on" in said
    assert "Traceback" not in said
    assert events(out, "run interrupted")
    assert json.loads((out / "night.json").read_text(encoding="utf-8"))["state"] == "interrupted"
    monkeypatch.setenv("TOY_SLEEP", "0.01")
    again = subprocess.run(command(slow_night, out), capture_output=True, timeout=300, check=False)
    assert again.returncode == 0, again.stderr.decode()


@pytest.mark.skipif(os.name == "nt", reason="console signals differ on Windows")
def test_ctrl_c_twice_stops_at_once_and_the_system_may_ask_too(slow_night, tmp_path, monkeypatch):
    monkeypatch.setenv("TOY_SLEEP", "5")
    running = start(slow_night, tmp_path / "out", "--using", "serial")
    _wait_for(tmp_path / "out", "step done")
    time.sleep(1)
    running.send_signal(signal.SIGTERM)
    time.sleep(0.5)
    began = time.monotonic()
    running.send_signal(signal.SIGINT)
    assert running.wait(timeout=30) == 130
    spent = time.monotonic() - began
    print(f"ended {spent:.2f} s after the second")
    assert spent < 1
    running.stderr.close()


def _wait_for(out, event):
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        if (out / "journal.jsonl").exists() and events(out, event):
            return
        time.sleep(0.1)
    raise AssertionError(f"no {event!r} in a minute")
