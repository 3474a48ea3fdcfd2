"""What a second worker buys, against what a second process buys on this machine at all.

    python tests/benchmarks/speed/scaling.py --work DIR [--repeat 3]

Four captures of 6,000 frames, cut from the 24,000 of `run.py`. One run works on all four with one worker and with two;
then one run works on two of them with one worker, alone and beside an independent one that works on the other two. Two
processes that know nothing of each other do at best twice the work of one; what they really do is the limit for any
two workers. Of several rounds the fastest of each counts.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import time
from pathlib import Path

from run import make

FRAMES, HEADER = 6000, 178


def cut(work: Path) -> list[Path]:
    """Cut four captures from the long one; return the folders with all of them, the first two and the last two."""
    source = make("disc-24k", work)
    size = 320 * 240 * FRAMES
    folders = [work / "four", work / "first-two", work / "last-two"]
    for folder, which in zip(folders, ((0, 1, 2, 3), (0, 1), (2, 3)), strict=True):
        folder.mkdir(exist_ok=True)
        for index in which:
            path = folder / f"mars_20250205_{18 + index}0000_R.ser"
            if path.exists():
                continue
            with source.open("rb") as stream, path.open("wb") as out:
                header = bytearray(stream.read(HEADER))
                header[38:42] = FRAMES.to_bytes(4, "little")
                stream.seek(HEADER + index * size)
                out.write(header + stream.read(size))
    return folders


def seconds(nights: list[Path], work: Path, workers: int) -> float:
    """Return how long runs take, one a night, all at the same time."""
    outs = [work / f"out-{night.name}" for night in nights]
    for out in outs:
        shutil.rmtree(out, ignore_errors=True)
    began = time.perf_counter()
    options = ["--quiet", "--workers", str(workers)]
    commands = [
        [sys.executable, "-m", "nightmill", "run", str(night), "--out", str(out), *options]
        for night, out in zip(nights, outs, strict=True)
    ]
    running = [subprocess.Popen(command, stdout=subprocess.DEVNULL) for command in commands]
    codes = [one.wait() for one in running]
    if set(codes) - {0, 1}:
        raise SystemExit(f"runs ended with {codes}")
    return time.perf_counter() - began


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--repeat", type=int, default=3)
    given = parser.parse_args()
    four, first, last = cut(given.work)
    cases = {
        "four captures, one worker": ([four], 1),
        "four captures, two workers": ([four], 2),
        "two captures, one worker": ([first], 1),
        "two captures, one worker, beside the same with two others": ([first, last], 1),
    }
    best = dict.fromkeys(cases, float("inf"))
    for _ in range(given.repeat):
        for name, (nights, workers) in cases.items():
            best[name] = min(best[name], seconds(nights, given.work, workers))
    one, two, alone, both = best.values()
    print("| | s |\n| --- | --- |")
    print("\n".join(f"| {name} | {value:.2f} |" for name, value in best.items()))
    print(f"\nA second worker: {one / two:.2f} times as fast.")
    print(f"A second process: {2 * alone / both:.2f} times as much work in the same time.")


if __name__ == "__main__":
    main()
