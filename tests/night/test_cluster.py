"""An existing cluster: workers are checked first, a lost worker is survived, and the bits are the same."""

from __future__ import annotations

import os
import subprocess
import sys
import time

import psutil
import pytest

from nightmill.errors import MachineError
from nightmill.run.preflight import check_workers, probe
from toysupport import TOY, events, products


@pytest.fixture
def cluster(tmp_path):
    """Start a scheduler and two workers as processes of their own; give the address and the workers."""
    scheduler_file = tmp_path / "scheduler.json"
    environment = {**os.environ, "TOY_SLEEP": "0.2", "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "0"}
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "env": environment}
    base = [sys.executable, "-m", "distributed.cli.dask_scheduler"]
    started = [
        subprocess.Popen(
            [*base, "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", str(scheduler_file)],
            **quiet,
        )
    ]
    try:
        deadline = time.monotonic() + 60
        while not scheduler_file.exists():
            assert time.monotonic() < deadline
            time.sleep(0.1)
        worker = [
            sys.executable,
            "-m",
            "distributed.cli.dask_worker",
            "--scheduler-file",
            str(scheduler_file),
            "--nthreads",
            "1",
            "--no-nanny",
            "--no-dashboard",
            "--local-directory",
            str(tmp_path),
        ]
        workers = [subprocess.Popen(worker, **quiet) for _ in range(2)]
        started += workers
        import json

        address = json.loads(scheduler_file.read_text())["address"]
        _wait_for_workers(address, 2)
        yield address, workers
    finally:
        for process in started:
            for one in _tree(process):
                one.kill()
            process.wait()


def _tree(process):
    try:
        parent = psutil.Process(process.pid)
        return [*parent.children(recursive=True), parent]
    except psutil.NoSuchProcess:
        return []


def _wait_for_workers(address, count):
    from distributed import Client

    with Client(address, timeout="30s", set_as_default=False) as client:
        client.wait_for_workers(count, timeout=60)


@pytest.mark.timeout(300)
def test_a_lost_worker_is_survived_with_the_same_bits(run_toy, toy_night, cluster):
    address, workers = cluster
    for path in sorted(toy_night.glob("m*.npy")):
        path.rename(path.with_name(path.name.replace(".npy", "_slow.npy")))
    here = run_toy("here")
    command = [
        sys.executable, "-m", "nightmill", "run", str(toy_night), "--out", str(toy_night.parent / "there"),
        "--recipe", str(toy_night.parent / "toy.yaml"), "--plugin", str(TOY), "--scheduler", address, "--quiet",
    ]  # fmt: skip
    running = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    out = toy_night.parent / "there"
    deadline = time.monotonic() + 90
    while not (out / "journal.jsonl").exists() or not events(out, "step done"):
        assert time.monotonic() < deadline and running.poll() is None, running.stderr.read().decode()
        time.sleep(0.05)
    for one in _tree(workers[0]):
        one.kill()
    assert running.wait(timeout=180) == 0, running.stderr.read().decode()
    running.stderr.close()
    assert products(out) == products(here.out)


def test_workers_that_differ_are_refused_with_every_difference(tmp_path):
    night, store = tmp_path / "night", tmp_path / "store"
    night.mkdir()
    store.mkdir()
    (night / "x").write_text("x")
    (store / "holder.json").write_text("this run")
    here = probe(str(night), str(store), ())
    good = {"tcp://a": here}
    check_workers(lambda *args: good, night, store, ())
    other = {
        "tcp://b": {
            **here,
            "versions": {**here["versions"], "numpy": "1.0"},
            "night": False,
            "store": "another",
            "plugins": {},
        },
        "tcp://c": ModuleNotFoundError("No module named 'nightmill'"),
        "tcp://d": {"error": "Permission denied: /x", "versions": {}},
    }
    with pytest.raises(MachineError) as caught:
        check_workers(lambda *args: other, night, store, ())
    text = str(caught.value)
    for part in (
        "tcp://b: numpy 1.0 there", "the night's folder is not there", "output folder is another one",
        "tcp://c: nightmill cannot be used there", "tcp://d: cannot use the folders", "same versions everywhere",
    ):  # fmt: skip
        assert part in text
