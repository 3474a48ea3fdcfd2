"""Speed of whole recipes, and of each of their passes, against the floor of the same run.

    python tests/benchmarks/speed/run.py --work DIR [--only disc-24k,mosaic-5k,surface-2k] [--workers 2,1] [--repeat 3]

Captures are made once in DIR (some gigabytes, some minutes). The floor is measured before every run. Writes
DIR/speed.json and DIR/speed.md, the tables of README.md one folder up. `again.py` measures second runs, `schedule.py`
simulates larger nights and machines.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import shutil
import sys
from collections.abc import Iterable
from dataclasses import asdict, replace
from datetime import date
from pathlib import Path
from typing import Any

from floor import measure_floor, open_capture
from measure import measure_run

from nightmill.testing import PRESETS, Camera, Scenario, make_capture
from nightmill.work.files import versions

CASES = {
    "disc-24k": ("24,000 frames 320x240, 8 bits", "mars_20250205_203000_R.ser", 200.0),
    "disc-240k": ("240,000 frames 320x240, 8 bits", "mars_20250205_203000_R.ser", 200.0),
    "mosaic-5k": ("5,000 frames 640x480, 8 bits, RGGB", "jupiter_20250205_201000_RGB.ser", 60.0),
    "surface-2k": ("2,000 frames 1936x1096, 12 bits in 16", "moon_20250205_191500_R.ser", 60.0),
}


def scenario(name: str) -> Scenario:
    """Return the capture of a case."""
    if name.startswith("disc"):
        return PRESETS["mars"](frames=24_000, shape=(240, 320), bank=256, fps=200.0)
    if name == "mosaic-5k":
        return PRESETS["jupiter"](frames=5_000, shape=(480, 640), bank=128, fps=60.0)
    camera = Camera(bits=12, full_well_e=10_000.0)
    base = PRESETS["moon"](frames=2_000, shape=(1096, 1936), bank=48, fps=60.0)
    return replace(base, camera=camera)


def make(name: str, work: Path) -> Path:
    """Make the recording of a case, once; the longest is the 24,000 frames ten times over."""
    path = work / name / CASES[name][1]
    if path.exists():
        return path
    path.parent.mkdir(parents=True, exist_ok=True)
    making = path.with_suffix(".part.ser")
    if name == "disc-240k":
        _repeat(make("disc-24k", work), making, 10)
    else:
        make_capture(scenario(name), making)
    making.rename(path)
    return path


def _repeat(source: Path, target: Path, times: int) -> None:
    """Write the frames of a SER file several times over, without a trailer of frame times."""
    header = bytearray(source.read_bytes()[:178])
    frames = int.from_bytes(header[38:42], "little")
    header[38:42] = (frames * times).to_bytes(4, "little")
    size = frames * open_capture(source).frame_bytes
    with target.open("wb") as out:
        out.write(header)
        for _ in range(times):
            left = size
            with source.open("rb") as stream:
                stream.seek(178)
                while left:
                    block = stream.read(min(left, 2**24))
                    out.write(block)
                    left -= len(block)


def measure(name: str, work: Path, workers: int) -> dict[str, Any]:
    """Measure one case once: floor, then the whole recipe from nothing."""
    words, _, fps = CASES[name]
    path = make(name, work)
    capture = open_capture(path)
    floors = {threads: measure_floor(path, threads) for threads in (1, 2)}
    out = work / "out"
    shutil.rmtree(out, ignore_errors=True)
    measured = measure_run(path.parent, out, "--workers", str(workers))
    size = path.stat().st_size
    return {
        "case": name,
        "capture": words,
        "workers": workers,
        "frames": capture.frames,
        "bytes": size,
        "floor_s": floors[2],
        "floor_one_thread_s": floors[1],
        "ratio": measured.seconds / floors[2],
        "frames_s": capture.frames / measured.seconds,
        "mbytes_s": size / measured.seconds / 1e6,
        "times_recording": capture.frames / fps / measured.seconds,
        **asdict(measured),
    }


def tables(results: Iterable[dict[str, Any]]) -> str:
    """Return the results as Markdown."""
    rows = [
        "| capture | workers | floor s | recipe s | times the floor | processor s | frames/s | MB/s "
        "| times the recording's speed | peak MB | first frame s |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    passes = [
        "| capture | part | tasks | s of tasks | s from first to last | frames/s | MB/s | times the floor |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for one in results:
        rows.append(
            f"| {one['capture']} | {one['workers']} | {one['floor_s']:.2f} | {one['seconds']:.1f} | {one['ratio']:.1f} "
            f"| {one['processor_s']:.1f} | {one['frames_s']:.0f} | {one['mbytes_s']:.0f} "
            f"| {one['times_recording']:.1f} | {one['pss_mb'] or one['rss_mb']:.0f} "
            f"| {one['first_frame_s']:.1f} |"
        )
        for part in one["parts"]:
            if part["tasks"] == 1 and part["name"] != "fingerprint":
                speed = "| |"
            else:
                speed = f"{one['frames'] / part['wall_s']:.0f} | {one['bytes'] / part['wall_s'] / 1e6:.0f} "
                speed += f"| {part['wall_s'] / one['floor_s']:.2f}"
            passes.append(
                f"| {one['case']}, {one['workers']} | {part['name']} | {part['tasks']} | {part['summed_s']:.2f} "
                f"| {part['wall_s']:.2f} | {speed} |"
            )
    return "\n".join([*rows, "", *passes, ""])


def main() -> None:
    """Measure and report; of several repetitions the fastest counts."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--only", default="disc-24k,mosaic-5k,surface-2k")
    parser.add_argument("--workers", default="2")
    parser.add_argument("--repeat", type=int, default=1)
    given = parser.parse_args()
    best = []
    for name in given.only.split(","):
        for workers in map(int, given.workers.split(",")):
            tried = [measure(name, given.work, workers) for _ in range(given.repeat)]
            best.append(min(tried, key=lambda one: one["seconds"]))
            print(json.dumps({k: v for k, v in best[-1].items() if k != "parts"}), file=sys.stderr)
    about = {"date": date.today().isoformat(), "processor": processor(), "cores": os.cpu_count(), **versions()}
    (given.work / "speed.json").write_text(json.dumps({"about": about, "results": best}, indent=1), encoding="utf-8")
    text = ", ".join(f"{name} {value}" for name, value in about.items()) + "\n\n" + tables(best)
    (given.work / "speed.md").write_text(text, encoding="utf-8")
    print(text)


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
