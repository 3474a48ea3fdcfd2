"""Damage every file that a run leaves, one at a time, with the stages that ship: it is found, healed, and never used.

    python tests/benchmarks/faults/damage.py --work DIR

One small capture is worked through. Then, for every file of the store, the state files beside it and every published
file: one bit is flipped, or it is cut short, emptied or deleted; what was made from it is removed, so that it is
needed; the same run is given again. It must end with 0, with the same bytes everywhere, and every product must be
whole. State files and published files suffer all four harms, files of products one each in turn.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from nightmill.run import Options, run_night
from nightmill.run.progress import Progress
from nightmill.store import Store
from nightmill.testing import PRESETS, make_capture
from toysupport import products

HARMS = ("bit", "short", "empty", "gone")


def harm(path: Path, how: str) -> None:
    """Damage one file."""
    data = bytearray(path.read_bytes())
    if how == "gone":
        path.unlink()
        return
    if how == "bit" and data:
        data[len(data) // 2] ^= 1
    path.write_bytes({"bit": bytes(data), "short": bytes(data[: len(data) // 2]), "empty": b""}[how])


def remove_later(store: Store, out: Path, key: str) -> None:
    """Remove what was made later than this product, so that it is needed again."""
    made = {one: (store.path(one) / "meta.json").stat().st_mtime_ns for one in list(store.keys())}
    for one, when in made.items():
        if when > made[key]:
            store.discard(one)
    for folder in ("stacks", "pictures"):
        shutil.rmtree(out / folder, ignore_errors=True)


def main() -> None:
    """Run the campaign."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--work", type=Path, required=True)
    arguments = parser.parse_args()
    night, out = arguments.work / "night", arguments.work / "out"
    shutil.rmtree(arguments.work, ignore_errors=True)
    night.mkdir(parents=True)
    make_capture(PRESETS["moon"](frames=40, shape=(96, 120), bank=8), night / "moon_20250205_191500_R.ser")

    def run() -> dict[str, object]:
        result = run_night(night, out, Options(using="serial"), Progress(quiet=True))
        if result.exit_code:
            raise SystemExit(f"the run ended with {result.exit_code}: {result.summary['captures'][0]['reason']}")
        return result.summary

    summary = run()
    good = arguments.work / "good"
    shutil.copytree(out, good)
    expected = products(out)
    store = Store(out / ".store")
    cases = []
    for number, path in enumerate(sorted(one for one in store.objects.rglob("*") if one.is_file())):
        key = path.relative_to(store.objects).parts[1]
        cases.append(("product", path.relative_to(out), HARMS[number % 4], key))
    for name in ("index.json", "published.json", "plan.json", "lock"):
        cases += [("state", Path(".store") / name, how, "") for how in HARMS if (out / ".store" / name).exists()]
    for name in ("night.json", "journal.jsonl", "report/index.html"):
        cases += [("state", Path(name), how, "") for how in HARMS]
    cases += [("published", Path(name), how, "") for name in expected for how in HARMS]
    tally: Counter[str] = Counter()
    for kind, place, how, key in cases:
        shutil.rmtree(out)
        shutil.copytree(good, out)
        if key:
            remove_later(store, out, key)
        harm(out / place, how)
        again = run()
        wrong = []
        if again != summary:
            wrong.append("another summary")
        if products(out) != expected:
            wrong.append("other bytes")
        for one in list(store.keys()):
            store.open(one)
        journal = (out / "journal.jsonl").read_text(encoding="utf-8", errors="replace").splitlines()
        json.loads(journal[-1])
        tally[f"{kind} healed" if not wrong else f"{kind} wrong"] += 1
        if wrong:
            print(f"{place} ({how}): {', '.join(wrong)}", flush=True)
    print(dict(tally))
    raise SystemExit(1 if any("wrong" in name for name in tally) else 0)


if __name__ == "__main__":
    main()
