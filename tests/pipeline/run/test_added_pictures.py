"""Pictures that a stage adds besides those of the captures: how they are named, and what it costs when one fails."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.io import fits

from nightmill.artefacts.fitsio import read_record
from toysupport import TOY_RECIPE, events, products


@pytest.fixture
def joined(run_toy, toy_night):
    """Run the toy night with a stage that adds a picture, and one more stage after it."""

    def run(given="{}", **options):
        (toy_night.parent / "join.yaml").write_text(f"{TOY_RECIPE}  - toy-join: {given}\n", encoding="utf-8")
        return run_toy(recipe="join.yaml", **options)

    return run


def test_the_pictures_of_the_captures_stay_and_one_is_added(joined, run_toy):
    plain = products(run_toy(out="plain").out)
    result = joined()
    assert result.exit_code == 0
    assert result.summary["not_made"] == []
    (added,) = [one for one in result.summary["pictures"] if one.get("kind")]
    own = [one for one in result.summary["pictures"] if not one.get("kind")]
    assert len(own) == len(added["captures"]) == 3
    assert added["name"] == f"{own[0]['name']}_mean"
    made = {name for name in products(result.out) if "_mean" not in name}
    assert made == set(plain)
    means = [fits.getdata(result.out / one["files"][0]) for one in own]
    path = result.out / added["files"][0]
    with fits.open(path) as hdus:
        np.testing.assert_allclose(hdus[0].data, np.mean(means, axis=0), rtol=1e-5)  # float32 sums of three
        assert (hdus["WEIGHT"].data == 3).all()
    said = read_record(path)
    assert said["kind"] == "mean"
    assert len(said["record"]["sources"]) == 3
    assert sum(note["name"] == "limit" for note in said["record"]["notes"]) == 3


def test_nothing_to_add_is_said_and_is_no_failure(joined):
    result = joined("{least: 9}")
    assert result.exit_code == 0
    assert [one["status"] for one in result.summary["captures"]] == ["done"] * 3
    (left,) = result.summary["not_made"]
    assert (left["stage"], left["failed"], left["reason"]) == ("toy-join", False, "There are only 3 pictures.")
    assert len(left["captures"]) == 3
    page = (result.out / "report" / "index.html").read_text(encoding="utf-8")
    assert "There are only 3 pictures." in page
    steps = len(events(result.out, "step done"))
    joined("{least: 9}")
    assert len(events(result.out, "step done")) == steps  # not tried again in vain


def test_a_fault_of_the_adding_stage_costs_no_capture_and_is_told(joined):
    result = joined("{fail: true}")
    assert result.exit_code == 1
    assert [one["status"] for one in result.summary["captures"]] == ["done"] * 3
    assert len(result.summary["pictures"]) == 3
    (left,) = result.summary["not_made"]
    assert left["failed"]
    assert "made to fail" in left["reason"]


def test_a_member_that_was_set_aside_is_gone_without(joined, toy_night):
    np.save(toy_night / "mars_20250205_203100_raise.npy", np.ones((50, 24, 32), np.uint8))
    result = joined()
    (added,) = [one for one in result.summary["pictures"] if one.get("kind")]
    assert len(added["captures"]) == 3
    assert [one["status"] for one in result.summary["captures"]].count("set_aside") == 1
    assert result.summary["not_made"] == []
