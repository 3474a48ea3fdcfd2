"""Mutated headers and bodies through every reader, in child processes that may use 1 GB of addresses.

    python tests/benchmarks/faults/fuzz.py --count 10000 [--seed 1] [--keep DIR]

Each mutation is opened and its first and last frames are read, in a child of one kind of file. A child that dies, or a
mutation that raises anything but a plain refusal, fails the campaign. Prints a Markdown table: for each kind, how many
were refused and read, the processor time (median, 99 %, most) and the most memory that the child took for one of them.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

TESTS = Path(__file__).resolve().parents[2]

CHILD = """
import json, resource, sys, time
from pathlib import Path
resource.setrlimit(resource.RLIMIT_AS, (10**9, 10**9))
sys.path.insert(0, {tests!r})
from plugins.ingest import hostile
import numpy as np, psutil
path, target, kind, count, seed = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3], int(sys.argv[4]), int(sys.argv[5])
content = path.read_bytes()
me = psutil.Process()
hostile.try_to_read(target)  # loads what is loaded once
slow = []
opened = refused = 0
worst = 0.0
for number, mutation in enumerate(hostile.mutations(content, count, seed)):
    path.write_bytes(mutation)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    verdict = hostile.try_to_read(target)
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    slow.append(verdict.seconds * 1000)
    worst = max(worst, grown / 1024)
    opened += verdict.opened
    refused += not verdict.opened
path.write_bytes(content)
print(json.dumps({{"kind": kind, "opened": opened, "refused": refused, "median_ms": float(np.median(slow)),
    "p99_ms": float(np.percentile(slow, 99)), "most_ms": max(slow), "over_50_ms": sum(one > 50 for one in slow),
    "grown_mb": worst}}))
"""


def main() -> None:
    """Run the campaign."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="")
    arguments = parser.parse_args()
    sys.path.insert(0, str(TESTS))
    from plugins.ingest import hostile
    from plugins.ingest.test_movie import colours, write_movie

    folder = Path(tempfile.mkdtemp(prefix="fuzz-"))
    try:
        good = hostile.samples(folder)
        for name, code in (("m.mp4", "mp4v"), ("n.avi", "FFV1")):
            good[f"movie-{name[2:]}"] = write_movie(folder / name, colours(6), code)
        kinds = [kind for kind in good if arguments.only in kind]
        each = -(-arguments.count // len(kinds))
        print(f"{each} mutations of each of {len(kinds)} kinds, seed {arguments.seed}\n")
        print("| kind | refused | read | ms, median | ms, 99 % | ms, most | over 50 ms | MB, most |")
        print("| --- | --- | --- | --- | --- | --- | --- | --- |")
        failed = 0
        for kind in kinds:
            path = good[kind]
            target = path.parent if kind.startswith("folder") else path
            command = [sys.executable, "-c", CHILD.format(tests=str(TESTS)), str(path), str(target), kind]
            command += [str(each), str(arguments.seed)]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            if done.returncode:
                failed += 1
                print(f"| {kind} | ended with {done.returncode}: {done.stderr.strip().splitlines()[-1:]} |", flush=True)
                continue
            one = json.loads(done.stdout.splitlines()[-1])
            print(
                f"| {kind} | {one['refused']} | {one['opened']} | {one['median_ms']:.1f} | {one['p99_ms']:.1f} "
                f"| {one['most_ms']:.1f} | {one['over_50_ms']} | {one['grown_mb']:.1f} |",
                flush=True,
            )
        raise SystemExit(1 if failed else 0)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
