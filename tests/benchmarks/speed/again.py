"""What a second run costs: with nothing to do, and with one number of the sharpening changed.

    python tests/benchmarks/speed/again.py --work DIR [--captures 100] [--repeat 3]

The night is one of small captures through R, G and B, made once in DIR with its first run. The sharpening is changed
for the 24,000-frame capture of run.py. Prints the fastest of the repetitions as JSON.
"""

from __future__ import annotations

import argparse
import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

from measure import measure_run
from run import make

from nightmill.testing import PRESETS, make_capture

RECIPE = Path(__file__).parents[3] / "recipes" / "filter-set-planet.yaml"


def make_night(folder: Path, captures: int) -> None:
    """Make sets of three captures, six minutes apart."""
    folder.mkdir(parents=True, exist_ok=True)
    for k in range(captures):
        when = datetime(2025, 2, 5, 19, tzinfo=UTC) + timedelta(minutes=6 * (k // 3) + 1.5 * (k % 3))
        path = folder / f"mars_{when:%Y%m%d_%H%M%S}_{'RGB'[k % 3]}.ser"
        if not path.exists():
            changes = {"frames": 80, "shape": (128, 128), "bank": 8, "seed": k, "start": when, "filter": "RGB"[k % 3]}
            make_capture(PRESETS["mars"](**changes), path.with_suffix(".part"))
            path.with_suffix(".part").rename(path)


def main() -> None:
    """Measure and report."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--captures", type=int, default=100)
    parser.add_argument("--repeat", type=int, default=3)
    given = parser.parse_args()
    night, out = given.work / f"night-{given.captures}", given.work / f"night-{given.captures}-finished"
    make_night(night, given.captures)
    first = measure_run(night, out)
    found = {"captures": given.captures, "first_run_s": first.seconds}
    again = [measure_run(night, out) for _ in range(given.repeat)]
    if any(one.parts for one in again):
        raise SystemExit("there was something to do in a second run")
    found |= {"nothing_to_do_s": min(one.seconds for one in again)}
    found |= {"nothing_to_do_processor_s": min(one.processor_s for one in again)}
    disc, out = make("disc-24k", given.work).parent, given.work / "disc-24k-finished"
    measure_run(disc, out)
    changed = []
    for k in range(given.repeat):
        recipe = given.work / "changed.yaml"
        text = f"  - sharpen:\n      strength: {0.9 - 0.01 * k:g}"
        recipe.write_text(re.sub(r"^  - sharpen.*$", text, RECIPE.read_text(encoding="utf-8"), flags=re.M), "utf-8")
        changed.append(measure_run(disc, out, "--recipe", str(recipe)))
    if any("sharpen" not in {part.name for part in one.parts} for one in changed):
        raise SystemExit("the changed sharpening was not made again")
    found |= {"sharpening_changed_s": min(one.seconds for one in changed)}
    print(json.dumps({name: round(value, 2) for name, value in found.items()}))


if __name__ == "__main__":
    main()
