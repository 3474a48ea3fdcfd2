"""An existing cluster, encrypted: workers are checked first, a lost one is survived, and the bits are the same."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
import warnings

import psutil
import pytest

from nightmill.errors import MachineError, UsageError
from nightmill.run.address import check_address
from nightmill.run.preflight import check_workers, probe
from toysupport import TOY, events, products

from .certificates import make_certificates

OTHER_NUMPY = """\
import importlib.metadata
real = importlib.metadata.version
importlib.metadata.version = lambda name: "1.0" if name == "numpy" else real(name)
"""


class Cluster:
    """A scheduler and workers as processes of their own, with throw-away certificates."""

    def __init__(self, folder):
        self.folder = folder
        self.tls = make_certificates(folder / "tls")
        self.started = []
        self.file = folder / "scheduler.json"
        self.scheduler = self._start(
            "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
            "--protocol", "tls", "--scheduler-file", str(self.file),
        )  # fmt: skip
        deadline = time.monotonic() + 60
        while not self.file.exists():
            assert time.monotonic() < deadline
            time.sleep(0.1)
        self.address = json.loads(self.file.read_text(encoding="utf-8"))["address"]
        assert self.address.startswith("tls://")

    def worker(self, **environment):
        """Start one."""
        return self._start(
            "distributed.cli.dask_worker", self.address, "--nthreads", "1", "--no-nanny", "--no-dashboard",
            "--local-directory", str(self.folder), **environment,
        )  # fmt: skip

    def wait_for(self, count):
        """Wait until there are so many workers."""
        from distributed import Client
        from distributed.security import Security
        from distributed.versions import VersionMismatchWarning

        authority, certificate, key = self.tls
        security = Security(tls_ca_file=authority, tls_client_cert=certificate, tls_client_key=key)
        with warnings.catch_warnings():
            # Dask tells of a worker with other versions, when it is there before this client is.
            warnings.simplefilter("ignore", VersionMismatchWarning)
            with Client(self.address, timeout="30s", set_as_default=False, security=security) as client:
                deadline = time.monotonic() + 90
                while len(client.nthreads()) != count:
                    assert time.monotonic() < deadline
                    time.sleep(0.1)

    def command(self, night, out):
        """Return the command that works on it."""
        return [
            sys.executable, "-m", "nightmill", "run", str(night), "--out", str(out), "--recipe",
            str(night.parent / "toy.yaml"), "--plugin", str(TOY), "--scheduler", self.address, "--tls", *self.tls,
            "--quiet",
        ]  # fmt: skip

    def close(self):
        """End everything that was started."""
        for process in self.started:
            kill(process)

    def _start(self, module, *arguments, **environment):
        files = zip(("--tls-ca-file", "--tls-cert", "--tls-key"), self.tls, strict=True)
        command = [sys.executable, "-m", module, *arguments, *(word for pair in files for word in pair)]
        own = {"TOY_SLEEP": "0.2", "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "0", **environment}
        process = subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env={**os.environ, **own}
        )
        self.started.append(process)
        return process


def kill(process):
    """Kill a process and all its children."""
    try:
        parent = psutil.Process(process.pid)
        for one in [*parent.children(recursive=True), parent]:
            one.kill()
    except psutil.NoSuchProcess:
        pass
    process.wait()


@pytest.fixture
def cluster(tmp_path):
    held = Cluster(tmp_path)
    yield held
    held.close()


def start(cluster, night, out):
    return subprocess.Popen(cluster.command(night, out), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)


def wait_for_work(out, running):
    deadline = time.monotonic() + 120
    while not (out / "journal.jsonl").exists() or not events(out, "step done"):
        assert time.monotonic() < deadline and running.poll() is None, running.stderr.read().decode()
        time.sleep(0.05)


@pytest.mark.timeout(300)
def test_other_versions_are_refused_and_a_lost_worker_and_a_lost_scheduler_cost_no_bits(
    run_toy, toy_night, cluster, tmp_path
):
    for path in sorted(toy_night.glob("m*.npy")):
        path.rename(path.with_name(path.name.replace(".npy", "_slow.npy")))
    here = products(run_toy("here").out)
    out = toy_night.parent / "there"

    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "sitecustomize.py").write_text(OTHER_NUMPY, encoding="utf-8")
    good = cluster.worker()
    odd = cluster.worker(PYTHONPATH=os.pathsep.join([str(tmp_path / "other"), os.environ.get("PYTHONPATH", "")]))
    cluster.wait_for(2)
    refused = subprocess.run(cluster.command(toy_night, out), capture_output=True, text=True, check=False, timeout=120)
    assert refused.returncode == 3, refused.stderr
    assert "the workers do not fit this run" in refused.stderr
    assert refused.stderr.count("numpy 1.0 there") == 1
    assert not events(out, "step done")
    kill(odd)

    second = cluster.worker()
    cluster.wait_for(2)
    running = start(cluster, toy_night, out)
    wait_for_work(out, running)
    kill(good)
    assert running.wait(timeout=180) == 0, running.stderr.read().decode()
    running.stderr.close()
    assert products(out) == here

    assert second.poll() is None
    away = toy_night.parent / "away"
    running = start(cluster, toy_night, away)
    wait_for_work(away, running)
    kill(cluster.scheduler)
    said = running.communicate(timeout=180)[1].decode()
    assert running.returncode == 3, said
    assert "scheduler" in said and "Traceback" not in said
    again = [*cluster.command(toy_night, away)[: -len(["--scheduler", "", "--tls", "", "", "", "--quiet"])], "--quiet"]
    assert subprocess.run([*again, "--using", "serial"], check=False, timeout=120).returncode == 0
    assert products(away) == here


@pytest.mark.parametrize(
    ("address", "tls", "trusted", "words"),
    [
        ("tcp://127.0.0.1:8786", False, False, None),
        ("tcp://localhost:8786", False, False, None),
        ("tcp://[::1]:8786", False, False, None),
        ("tls://10.0.0.5:8786", True, False, None),
        ("tcp://10.0.0.5:8786", False, True, None),
        ("tcp://8.8.4.4:8786", False, True, None),
        ("tcp://8.8.4.4:8786", False, False, "runs code with your rights"),
        ("tcp://[2001:4860::1]:8786", False, False, "runs code with your rights"),
        ("tls://station:8786", False, False, "--tls CA CERT KEY"),
        ("tcp://127.0.0.1:8786", True, False, "begins with tls://"),
        ("127.0.0.1:8786", False, False, "write it like"),
        ("inproc://x/1", False, True, "write it like"),
        ("tcp://127.0.0.1:99999", False, False, "write it like"),
        ("ucx://10.0.0.5:1", False, True, "write it like"),
    ],
)
def test_addresses(address, tls, trusted, words):
    files = ("ca", "cert", "key") if tls else None
    if words is None:
        assert check_address(address, files, trusted=trusted) is None
        return
    with pytest.raises(UsageError, match=words):
        check_address(address, files, trusted=trusted)


@pytest.mark.parametrize("address", ["tcp://10.0.0.5:8786", "tcp://192.168.1.20:8786", "tcp://[fe80::1]:8786"])
def test_a_private_network_without_encryption_is_used_with_a_caution(address):
    """RFC 1918 and RFC 4291: such addresses are not reached from the world."""
    assert "whoever reaches that port" in check_address(address, None, trusted=False)


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
