"""The same pixels anywhere: real stages in this process, on threads, on workers, and on a cluster that loses workers.

    python tests/benchmarks/faults/matrix.py --work DIR [--kills 3]

Makes a small night of four captures (once), works it through in every way, and compares the bytes of every published
file with those of the run in this process. The cluster is a scheduler and two workers as processes of their own, spoken
to by TLS; workers are killed one after the other while they hold work, and replaced.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from night.test_cluster import Cluster, kill
from nightmill.testing import PRESETS, make_capture
from toysupport import events

CAPTURES = {
    "jupiter_20250205_201000_RGB": ("jupiter", {"frames": 120, "shape": (200, 200)}),
    "mars_20250205_203000_R": ("mars", {"frames": 150, "shape": (128, 128)}),
    "mars_20250205_203200_G": ("mars", {"frames": 150, "shape": (128, 128), "filter": "G"}),
    "moon_20250205_191500_R": ("moon", {"frames": 60, "shape": (200, 240)}),
}
LOCAL = {
    "this process": ("--using", "serial"),
    "2 threads": ("--using", "threads", "--workers", "2"),
    "1 worker": ("--workers", "1"),
    "2 workers": ("--workers", "2"),
}


def make_night(work: Path) -> Path:
    """Make the small night, once."""
    night = work / "night"
    if not night.exists():
        making = work / "making"
        shutil.rmtree(making, ignore_errors=True)
        making.mkdir(parents=True)
        for name, (preset, changes) in CAPTURES.items():
            make_capture(PRESETS[preset](bank=16, **changes), making / f"{name}.ser")
        making.rename(night)
    return night


def hashes(out: Path) -> dict[str, str]:
    """Return the SHA-256 of every published file."""
    return {
        path.relative_to(out).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for folder in ("stacks", "pictures")
        for path in sorted((out / folder).iterdir())
    }


def command(night: Path, out: Path, *more: str) -> list[str]:
    """Return the command of one cell."""
    return [sys.executable, "-m", "nightmill", "run", str(night), "--out", str(out), "--quiet", *more]


def on_cluster(night: Path, out: Path, folder: Path, kills: int) -> int:
    """Work on a cluster of two workers; return how many were killed with work in hand."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    cluster = Cluster(folder)
    try:
        workers = [cluster.worker(), cluster.worker()]
        cluster.wait_for(2)
        running = subprocess.Popen(command(night, out, "--scheduler", cluster.address, "--tls", *cluster.tls))
        killed, seen = 0, 0
        while running.poll() is None:
            time.sleep(0.2)
            done = len(events(out, "step done")) if (out / "journal.jsonl").exists() else 0
            if killed < kills and done >= seen + 8:
                kill(workers.pop(0))
                workers.append(cluster.worker())
                killed, seen = killed + 1, done
        if running.returncode != 0:
            raise SystemExit(f"the run on the cluster ended with {running.returncode}")
        return killed
    finally:
        cluster.close()


def main() -> None:
    """Fill the matrix."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--kills", type=int, default=3)
    arguments = parser.parse_args()
    night = make_night(arguments.work)
    os.environ["PYTHONHASHSEED"] = "random"
    reference: dict[str, str] = {}
    differ = 0
    targets = sorted({name.partition("_")[0] for name in CAPTURES})
    print("| where | " + " | ".join(targets) + " |")
    print("| --- |" + " --- |" * len(targets))
    for where in (*LOCAL, f"TLS cluster, {arguments.kills} workers killed"):
        out = arguments.work / "out"
        shutil.rmtree(out, ignore_errors=True)
        if where in LOCAL:
            subprocess.run(command(night, out, *LOCAL[where]), check=True, stdout=subprocess.DEVNULL)
        else:
            killed = on_cluster(night, out, arguments.work / "cluster", arguments.kills)
            where = where.replace(str(arguments.kills), str(killed), 1)
        found = hashes(out)
        reference = reference or found
        cells = []
        for name in targets:
            mine = {file: value for file, value in found.items() if Path(file).name.startswith(name)}
            same = mine == {file: value for file, value in reference.items() if Path(file).name.startswith(name)}
            differ += not same
            total = hashlib.sha256("".join(mine.values()).encode()).hexdigest()[:8]
            cells.append(f"{total} ({len(mine)} files)" + ("" if same else " DIFFERS"))
        differ += found.keys() != reference.keys()
        print(f"| {where} | " + " | ".join(cells) + " |", flush=True)
    written = sum(path.stat().st_size for path in out.rglob("*") if path.is_file())
    needed = float(str(events(out, "space")[0]["needed"]))
    print(
        f"\ndisk: {written / 1e6:.1f} MB written, {needed / 1e6:.1f} MB reckoned before ({needed / written - 1:+.0%})"
    )
    raise SystemExit(1 if differ else 0)


if __name__ == "__main__":
    main()
