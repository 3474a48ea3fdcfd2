"""Half of a night is broken, each capture in its own way: the other half comes out as if it were alone."""

from __future__ import annotations

import json

import numpy as np
import pytest

from toysupport import events, products

RNG = np.random.default_rng(12)

BROKEN = {
    "venus_20250205_180000_cut": "not a .npy file; make it again",
    "venus_20250205_180100_raise": "stage 'toy-level' failed in measure: RuntimeError: made to fail",
    "venus_20250205_180200_hang": "it showed no end after 20 seconds and was stopped",
    "venus_20250205_180300_hog": "MB of memory, and a worker may use 800 MB, so it was stopped; give more",
    "venus_20250205_180310_giant": "it needs more memory than there is (stage 'toy-level': Unable to allocate 7.28 TiB",
    "venus_20250205_180400_segfault": "the process that worked on it died, twice",
    "venus_20250205_180500_nan": "no frame can be used",
    "venus_20250205_180600_narrow": "the reader gave an array of 50x23x32 for frames of 50x24x32",
}


def make_broken(night):
    """Add the broken captures to a night."""
    for name in BROKEN:
        np.save(night / f"{name}.npy", RNG.integers(0, 9, (50, 24, 32)).astype(np.uint8))
    path = night / "venus_20250205_180000_cut.npy"
    path.write_bytes(path.read_bytes()[:70])
    np.save(night / "venus_20250205_180500_nan.npy", np.full((50, 24, 32), np.nan, np.float32))


@pytest.mark.timeout(300)
def test_broken_captures_cost_themselves_alone_and_say_why(run_toy, toy_night):
    for number in range(3):
        data = RNG.integers(10, 200, (100, 24, 32)).astype(np.uint8)
        np.save(toy_night / f"saturn_20250205_22000{number}_R.npy", data)
    good = products(run_toy("good").out)
    make_broken(toy_night)
    result = run_toy("bad", using="processes", workers=2, memory_bytes=1_600_000_000, patience_s=20.0)
    assert result.exit_code == 1
    assert {name: data for name, data in products(result.out).items() if name in good} == good
    assert len(products(result.out)) == len(good)
    aside = {one["file"]: one["reason"] for one in result.summary["captures"] if one["status"] == "set_aside"}
    assert sorted(aside) == sorted(f"{name}.npy" for name in BROKEN)
    for name, reason in BROKEN.items():
        assert reason in aside[f"{name}.npy"], aside[f"{name}.npy"]
    told = json.loads((result.out / "night.json").read_text(encoding="utf-8"))
    assert told == result.summary
    # What a person needs who wants to go on: how much it took, what it may take, and what to do.
    giant = aside["venus_20250205_180310_giant.npy"]
    assert "of the 800 MB that it may use; give more with --memory, or fewer --workers" in giant
    failed = {str(event["title"]).partition(".npy")[0]: event for event in events(result.out, "step failed")}
    assert "RuntimeError" in str(failed["venus_20250205_180100_raise"]["trace"])
    # Nothing that was done is done again for a neighbour's fault.
    done = [str(event["step"]) for event in events(result.out, "step done")]
    assert len(done) == len(set(done))
