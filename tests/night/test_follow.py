"""While a night is being recorded: captures are taken as they are finished, and it ends as a run afterwards would."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from nightmill.night import Found
from nightmill.run.follow import Settling
from toysupport import TOY, TOY_RECIPE, events, products


def command(night, out, *more):
    return [
        sys.executable, "-m", "nightmill", "run", str(night), "--out", str(out),
        "--recipe", str(night.parent / "toy.yaml"), "--plugin", str(TOY), "--using", "serial", "--quiet", *more,
    ]  # fmt: skip


@pytest.mark.parametrize("jump_s", [-86_400.0, 86_400.0])
def test_a_clock_that_is_set_meanwhile_makes_no_difference(tmp_path, monkeypatch, jump_s):
    path = tmp_path / "a.npy"
    path.write_bytes(b"half")
    found = Found(path, "a.npy", "toy-source")
    settling = Settling(0.3)
    assert not settling.ready(found)
    real = time.time
    monkeypatch.setattr(time, "time", lambda: real() + jump_s)
    assert not settling.ready(found)
    assert settling.held == {"a.npy"}
    path.write_bytes(b"whole")
    os.utime(path, (real() - jump_s, real() - jump_s))
    assert not settling.ready(found)
    time.sleep(0.35)
    assert settling.ready(found)
    assert settling.held == set()
    path.unlink()
    assert not settling.ready(found)


def test_a_run_lives_through_a_clock_that_is_set(run_toy, toy_night, monkeypatch):
    before = products(run_toy("steady").out)
    real, calls = time.time, []
    monkeypatch.setattr(time, "time", lambda: real() + 86_400.0 * (-1) ** len(calls.append(0) or calls))
    result = run_toy("jumping")
    assert result.exit_code == 0
    assert products(result.out) == before
    assert all(0 <= float(event["seconds"]) < 60 for event in events(result.out, "step done"))


def test_captures_are_taken_as_they_are_finished(tmp_path):
    night = tmp_path / "night"
    night.mkdir()
    recipe = TOY_RECIPE.replace("factor: 3", "together: true")
    (tmp_path / "toy.yaml").write_text(recipe, encoding="utf-8")
    rng = np.random.default_rng(3)
    frames = {f"mars_20250205_20300{k}_R": rng.integers(9, 200, (60, 24, 32)).astype(np.uint8) for k in range(2)}
    names = list(frames)
    np.save(night / f"{names[0]}.npy", frames[names[0]])
    np.save(night / "dark_20250205_100000.npy", rng.integers(0, 5, (50, 24, 32)).astype(np.uint8))
    until = datetime.now(UTC) + timedelta(seconds=25)
    followed = tmp_path / "followed"
    running = subprocess.Popen(
        command(night, followed, "--follow", "--settle", "2s", "--until", until.isoformat()),
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
    )
    deadline = time.monotonic() + 60
    while not (followed / "night.json").exists() or not events(followed, "published"):
        assert time.monotonic() < deadline and running.poll() is None
        time.sleep(0.2)
    # The second one grows before its eyes: half a file must not be taken for a capture.
    whole = tmp_path / "whole.npy"
    np.save(whole, frames[names[1]])
    data = whole.read_bytes()
    with (night / f"{names[1]}.npy").open("wb") as stream:
        for part in range(4):
            stream.write(data[part * len(data) // 4 : (part + 1) * len(data) // 4])
            stream.flush()
            time.sleep(0.8)
    assert running.wait(timeout=120) == 0, running.stderr.read().decode()
    running.stderr.close()
    after = subprocess.run(command(night, tmp_path / "after"), capture_output=True, timeout=120, check=False)
    assert after.returncode == 0, after.stderr.decode()
    assert products(followed) == products(tmp_path / "after")
    assert len(list((followed / "masters").glob("dark_*.fits"))) == 1
    summary = json.loads((followed / "night.json").read_text(encoding="utf-8"))
    assert summary["state"] == "finished"
    assert [one["status"] for one in summary["captures"]] == ["done", "done"]
    assert not events(followed, "step failed")
