"""Pictures for which other captures of the night are looked at: what a change of those costs, and what a loss."""

from __future__ import annotations

import numpy as np
import pytest

from nightmill.artefacts.fitsio import read_record
from nightmill.run.outlook import look_ahead
from nightmill.run.session import prepare
from toysupport import TOY, TOY_RECIPE, events

MOON = "moon_20250205_213000_R.npy"


@pytest.fixture
def looking(toy_night):
    """Let the pictures of Mars look at the capture of the Moon."""

    def write(target: str = "moon") -> None:
        recipe = (
            TOY_RECIPE + f"changes:\n  - {{for: {{targets: [mars]}}, change: {{toy-scale: {{beside: {target}}}}}}}\n"
        )
        (toy_night.parent / "toy.yaml").write_text(recipe, encoding="utf-8")

    write()
    return write


def seen(result, target="mars"):
    """Return what the pictures of a target looked at."""
    notes = [note for one in result.summary["pictures"] if one["target"] == target for note in one["notes"]]
    return [note["value"] for note in notes if note["name"] == "beside"]


def done_since(out, count):
    return {str(event["step"]) for event in events(out, "step done")[count:]}


def test_a_picture_looks_at_the_stack_of_another_capture(run_toy, toy_night, looking):
    result = run_toy()
    assert result.exit_code == 0
    dark = np.load(toy_night / "dark_20250205_100000.npy").mean(axis=0)
    level = (np.load(toy_night / MOON).astype(float) - dark).mean()
    # Each picture looks for itself, at a capture of another recipe and a later place in the night.
    assert [list(one) for one in seen(result)] == [[MOON], [MOON]]
    assert [one[MOON] for one in seen(result)] == pytest.approx([level, level], rel=1e-5)
    assert seen(result, "moon") == []
    first = next(one for one in result.summary["pictures"] if one["captures"] == ["mars_20250205_203000_R.npy"])
    record = read_record(result.out / next(file for file in first["files"] if file.endswith(".toy.fits")))["record"]
    assert [one["file"] for one in record["sources"]] == ["mars_20250205_203000_R.npy"]
    assert [one["file"] for one in record["consulted"]] == [MOON]


def test_a_change_of_what_is_looked_at_makes_the_picture_anew(run_toy, toy_night, looking):
    out = run_toy().out
    count = len(events(out, "step done"))
    run_toy()
    assert done_since(out, count) == set()
    frames = np.load(toy_night / MOON)
    np.save(toy_night / MOON, np.minimum(frames, 100))
    result = run_toy()
    again = {
        name for name in done_since(out, count) if "toy-scale" in name and not name.endswith(("/files", "/preview"))
    }
    assert len(again) == 3
    assert seen(result)[0][MOON] < 100


def test_one_that_is_set_aside_costs_no_picture(run_toy, toy_night, looking):
    (toy_night / MOON).rename(toy_night / "moon_20250205_213000_cloudy.npy")
    result = run_toy()
    assert result.exit_code == 1
    assert [one["status"] for one in result.summary["captures"]] == ["done", "done", "set_aside"]
    assert seen(result) == [{"moon_20250205_213000_cloudy.npy": None}] * 2


def test_check_tells_that_another_one_is_looked_at(run_toy, toy_night, looking):
    looking("nothing")
    out = run_toy().out
    looking()
    session = prepare(toy_night, out=out, recipe=str(toy_night.parent / "toy.yaml"), plugins=(str(TOY),))
    steps = [one for picture in look_ahead(session, 1)["pictures"] for one in picture["steps"]]
    reasons = [reason for one in steps if one["step"] == "toy-scale" for reason in one["reasons"]]
    assert f"{MOON} is now looked at" in reasons
    pictures = look_ahead(session, 1)["pictures"]
    assert [one["consulted"] for one in pictures] == [[MOON], [MOON], []]
    said = check(toy_night, "--out", str(out), "--recipe", str(toy_night.parent / "toy.yaml"), "--plugin", str(TOY))
    assert said.count(f"looks at {MOON}") == 2


def test_check_names_references_that_were_not_recorded(toy_night):
    (toy_night / "night.yaml").write_text("references: {Moon: {}, HD1: {altitude: 30 deg}}\n", encoding="utf-8")
    said = check(toy_night, "--recipe", str(toy_night.parent / "toy.yaml"), "--plugin", str(TOY))
    assert "no capture of HD1, which night.yaml names under 'references'" in said
    assert "no capture of Moon" not in said


def check(*arguments):
    from click.testing import CliRunner

    from nightmill.cli.check import check as command

    result = CliRunner().invoke(command, [str(one) for one in arguments], standalone_mode=False)
    assert result.exception is None
    return result.output
