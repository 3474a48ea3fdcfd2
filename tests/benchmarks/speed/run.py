"""Speed of whole recipes against the floor of the same run, with the peak memory of all processes.

    python tests/benchmarks/speed/run.py --work DIR [--only disc-24k,mosaic-5k,surface-2k] [--workers 1,2]

Captures are made once in DIR (some gigabytes, some minutes). Writes DIR/speed.json and prints a Markdown table for
README.md beside this file.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import shutil
import subprocess
import sys
import threading
import time
from dataclasses import replace
from datetime import date
from pathlib import Path

import psutil
from floor import measure_floor, open_capture

from nightmill.testing import PRESETS, Camera, make_capture
from nightmill.work.files import versions

CASES = {
    "disc-24k": ("mars_20250205_203000_R.ser", 200.0),
    "disc-240k": ("mars_20250205_203000_R.ser", 200.0),
    "mosaic-5k": ("jupiter_20250205_201000_RGB.ser", 60.0),
    "surface-2k": ("moon_20250205_191500_R.ser", 60.0),
}


def scenario(name: str):
    """Return the capture of a case."""
    if name.startswith("disc"):
        frames = 240_000 if name.endswith("240k") else 24_000
        return PRESETS["mars"](frames=frames, shape=(240, 320), bank=256, fps=200.0)
    if name == "mosaic-5k":
        return PRESETS["jupiter"](frames=5_000, shape=(480, 640), bank=128, fps=60.0)
    camera = Camera(bits=12, full_well_e=10_000.0)
    base = PRESETS["moon"](frames=2_000, shape=(1096, 1936), bank=48, fps=60.0)
    return replace(base, camera=camera)


def watch_memory(process: psutil.Process, peak: dict[str, float]) -> None:
    """Sample the memory of a process and all its children until it ends: resident, and private to them."""
    while True:
        try:
            family = [process, *process.children(recursive=True)]
            resident = sum(one.memory_info().rss for one in family)
        except psutil.NoSuchProcess:
            if not psutil.pid_exists(process.pid):
                return
            continue
        peak["rss_mb"] = max(peak["rss_mb"], resident / 2**20)
        time.sleep(0.05)


def run(night: Path, out: Path, workers: int) -> dict[str, float]:
    """Run a night once from nothing; return seconds and peak memory."""
    shutil.rmtree(out, ignore_errors=True)
    command = [
        sys.executable,
        "-m",
        "nightmill",
        "run",
        str(night),
        "--out",
        str(out),
        "--workers",
        str(workers),
        "--quiet",
    ]
    began = time.perf_counter()
    started = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    peak = {"rss_mb": 0.0}
    watcher = threading.Thread(target=watch_memory, args=(psutil.Process(started.pid), peak), daemon=True)
    watcher.start()
    code = started.wait()
    spent = time.perf_counter() - began
    if code != 0:
        raise SystemExit(f"the run ended with {code}; see {out / 'journal.jsonl'}")
    return {"seconds": spent, **peak, "passes": passes(out)}


def passes(out: Path) -> dict[str, float]:
    """Return the processor seconds of each part, from the journal."""
    spent: dict[str, float] = {}
    for line in (out / "journal.jsonl").read_text(encoding="utf-8").splitlines():
        event = json.loads(line)
        if event["event"] == "step done":
            part = event["title"].rpartition(": ")[2].partition(",")[0]
            spent[part] = spent.get(part, 0.0) + event["seconds"]
    return {name: round(value, 2) for name, value in spent.items()}


def main() -> None:
    """Measure and report."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--only", default="disc-24k,mosaic-5k,surface-2k")
    parser.add_argument("--workers", default="2")
    arguments = parser.parse_args()
    results = []
    for name in arguments.only.split(","):
        file, fps = CASES[name]
        night = arguments.work / name
        path = night / file
        if not path.exists():
            night.mkdir(parents=True, exist_ok=True)
            make_capture(scenario(name), path.with_suffix(".part.ser"))
            path.with_suffix(".part.ser").rename(path)
        capture = open_capture(path)
        for workers in map(int, arguments.workers.split(",")):
            floor = measure_floor(path)
            measured = run(night, arguments.work / "out", workers)
            seconds = measured["seconds"]
            results.append(
                {
                    "case": name,
                    "workers": workers,
                    "frames": capture.frames,
                    "bytes": path.stat().st_size,
                    "floor_s": round(floor, 2),
                    "seconds": round(seconds, 2),
                    "ratio": round(seconds / floor, 2),
                    "frames_s": round(capture.frames / seconds),
                    "mbytes_s": round(path.stat().st_size / seconds / 1e6),
                    "times_real": round(capture.frames / fps / seconds, 1),
                    "peak_rss_mb": round(measured["rss_mb"]),
                    "passes": measured["passes"],
                }
            )
            print(json.dumps(results[-1]), file=sys.stderr)
    about = {"date": date.today().isoformat(), "processor": processor(), "cores": os.cpu_count(), **versions()}
    (arguments.work / "speed.json").write_text(json.dumps({"about": about, "results": results}, indent=1))
    print(
        "| capture | workers | floor s | whole recipe s | times the floor | frames/s | MB/s "
        "| against recording | peak MB |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for one in results:
        print(
            f"| {one['case']} | {one['workers']} | {one['floor_s']} | {one['seconds']} | {one['ratio']} "
            f"| {one['frames_s']} | {one['mbytes_s']} | {one['times_real']}x faster | {one['peak_rss_mb']} |"
        )


def processor() -> str:
    """Name the processor as the system does."""
    cpuinfo = Path("/proc/cpuinfo")
    if cpuinfo.exists():
        for line in cpuinfo.read_text().splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    return platform.processor() or platform.machine()


if __name__ == "__main__":
    main()
