"""A night of a hundred captures of which seven are broken in seven ways; and the memory of the driving process.

    python tests/benchmarks/faults/hundred.py --work DIR [--captures 100]

The toy plugin of the tests stands for the stages, so that what is seen is the engine's own. The night is worked
through without the broken captures and with them, by two workers; the good ones must come out with the same bytes.
While it goes on, the resident memory of the driving process is noted at every finished capture; the slope is fitted to
the second half.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import psutil

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from night.test_faults import BROKEN, make_broken
from toysupport import TOY, TOY_RECIPE, events, products


def run(night: Path, out: Path) -> tuple[int, list[tuple[int, float]]]:
    """Run; return the exit code and (captures finished, MB of the driving process)."""
    command = [sys.executable, "-m", "nightmill", "run", str(night), "--out", str(out), "--recipe"]
    command += [str(night.parent / "toy.yaml"), "--plugin", str(TOY), "--workers", "2", "--memory", "2GB"]
    running = subprocess.Popen([*command, "--patience", "60s", "--quiet"], stdout=subprocess.DEVNULL)
    driver = psutil.Process(running.pid)
    noted: list[tuple[int, float]] = []
    while running.poll() is None:
        time.sleep(0.2)
        stacks = len(list((out / "stacks").glob("[!.]*"))) if (out / "stacks").is_dir() else 0
        if stacks and (not noted or noted[-1][0] != stacks):
            try:
                noted.append((stacks, driver.memory_info().rss / 2**20))
            except psutil.NoSuchProcess:
                break
    return running.wait(), noted


def main() -> None:
    """Run the campaign."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--captures", type=int, default=100)
    arguments = parser.parse_args()
    shutil.rmtree(arguments.work, ignore_errors=True)
    night = arguments.work / "night"
    night.mkdir(parents=True)
    (arguments.work / "toy.yaml").write_text(TOY_RECIPE, encoding="utf-8")
    rng = np.random.default_rng(100)
    for number in range(arguments.captures - len(BROKEN)):
        name = f"mars_20250205_{20 + number // 60:02d}{number % 60:02d}00_R"
        np.save(night / f"{name}.npy", rng.integers(10, 200, (60, 24, 32)).astype(np.uint8))
    code, noted = run(night, arguments.work / "good")
    good = products(arguments.work / "good")
    assert code == 0, code
    half = [one for one in noted if one[0] > len(noted) / 2]
    slope = np.polyfit(*np.array(half).T, 1)[0]
    print(
        f"driving process: {noted[0][1]:.0f} MB at the first capture, "
        f"{noted[-1][1]:.0f} MB at the last of {noted[-1][0]}"
    )
    print(f"slope over the last {len(half)}: {slope:+.3f} MB a capture")
    make_broken(night)
    code, _ = run(night, arguments.work / "bad")
    summary = json.loads((arguments.work / "bad" / "night.json").read_text(encoding="utf-8"))
    aside = {one["file"]: one["reason"] for one in summary["captures"] if one["status"] == "set_aside"}
    same = products(arguments.work / "bad") == good
    done = [str(event["step"]) for event in events(arguments.work / "bad", "step done")]
    print(f"exit {code}; {summary['counts']['done']} of {summary['counts']['captures']} delivered, same bytes: {same}")
    print(f"steps done {len(done)}, done again {len(done) - len(set(done))}")
    for file, reason in aside.items():
        print(f"- {file}: {reason}")
    true = all(reason in aside.get(f"{name}.npy", "") for name, reason in BROKEN.items() if "hang" not in name)
    raise SystemExit(0 if same and code == 1 and true and len(aside) == len(BROKEN) else 1)


if __name__ == "__main__":
    main()
