"""Whole runs of the toy night: what is made, what is made again, what a fault costs."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from nightmill.artefacts import Stack
from nightmill.errors import LockedError, MachineError, UsageError
from nightmill.plan import Step
from nightmill.run import Options, driver, run_night
from nightmill.run.lock import hold
from nightmill.run.progress import Progress
from nightmill.run.session import out_of
from toysupport import TOY_RECIPE, events, products


def test_a_night_becomes_stacks_pictures_and_a_summary(run_toy, toy_night):
    result = run_toy()
    assert result.exit_code == 0
    summary = json.loads((result.out / "night.json").read_text(encoding="utf-8"))
    assert summary == result.summary
    assert summary["state"] == "finished"
    assert [one["status"] for one in summary["captures"]] == ["done"] * 3
    assert [one["file"] for one in summary["masters"]] == ["dark_20250205_100000.npy"]
    for one in summary["captures"]:
        assert one["frames"] == one["frames_kept"] == 700
        assert (result.out / one["stack"]).is_file()
        assert one["masters"] == {"dark": "dark_20250205_100000.npy"}
    for picture in summary["pictures"]:
        assert all((result.out / file).is_file() for file in picture["files"])


def test_the_arithmetic_is_the_stages_own(run_toy, toy_night):
    out = run_toy().out
    frames = np.load(toy_night / "moon_20250205_213000_R.npy").astype(np.float32)
    dark = np.load(toy_night / "dark_20250205_100000.npy").mean(axis=0, dtype=np.float64).astype(np.float32)
    expected = (frames - dark).sum(axis=0, dtype=np.float64) / 700
    stack = Stack.read(next((out / "stacks").glob("moon*")))
    # The mean of 700 float32 values, summed in float64 by chunks: one rounding to float32 at the end.
    np.testing.assert_allclose(stack.data, expected, rtol=2e-6)
    assert stack.record["recipe"].startswith("nightmill: 1")
    assert stack.record["sources"][0]["file"] == "moon_20250205_213000_R.npy"
    assert [note["name"] for note in stack.record["notes"]] == ["limit"]


def test_the_fingerprint_is_what_sha256sum_prints(run_toy, toy_night):
    import hashlib

    out = run_toy().out
    stack = Stack.read(next((out / "stacks").glob("moon*")))
    expected = hashlib.sha256((toy_night / "moon_20250205_213000_R.npy").read_bytes()).hexdigest()
    assert stack.record["sources"][0]["sha256"] == expected


def test_nothing_is_done_twice(run_toy):
    first = run_toy()
    before = products(first.out)
    steps = len(events(first.out, "step done"))
    again = run_toy()
    assert len(events(again.out, "step done")) == steps
    assert products(again.out) == before
    assert again.summary == first.summary


def test_a_changed_number_makes_only_what_follows_from_it(run_toy, toy_night):
    out = run_toy().out
    done = len(events(out, "step done"))
    (toy_night.parent / "toy.yaml").write_text(TOY_RECIPE.replace("factor: 3", "factor: 4"), encoding="utf-8")
    run_toy()
    titles = [str(event["step"]) for event in events(out, "step done")[done:]]
    # The picture stage and the files; stacks are written again because they carry the recipe.
    assert titles
    assert all("toy-scale" in title or title.endswith("/files") for title in titles)


def test_what_is_noted_on_one_of_several_pictures_stands_on_it_alone(run_toy, toy_night):
    recipe = TOY_RECIPE.replace("factor: 3", "together: true, singles: true")
    (toy_night.parent / "toy.yaml").write_text(recipe, encoding="utf-8")
    result = run_toy()
    told = [
        (picture["captures"], picture["notes"]) for picture in result.summary["pictures"] if picture["target"] == "mars"
    ]
    assert len(told) == 3
    for files, notes in told:
        own = {note["name"]: note["value"] for note in notes if note["stage"] == "toy-scale"}
        # What is said of all stands on each, and what is said of one on that one.
        assert own == {"factor": 2.0} | ({"members": 2} if len(files) == 2 else {"own": files[0]})
        assert all("about" not in note for note in notes)


def test_what_another_recipe_left_is_told_and_stays(run_toy, toy_night):
    first = run_toy()
    assert first.summary["earlier"] == []
    singles = {file for one in first.summary["pictures"] for file in one["files"]}
    (toy_night.parent / "toy.yaml").write_text(TOY_RECIPE.replace("factor: 3", "together: true"), encoding="utf-8")
    joined = run_toy()
    shown = {file for one in joined.summary["pictures"] for file in one["files"]}
    assert set(joined.summary["earlier"]) == singles - shown != set()
    assert all((joined.out / file).is_file() for file in singles)
    page = (joined.out / "report" / "index.html").read_text(encoding="utf-8")
    assert "of earlier recipes still lie" in page
    # A file that the user worked on is the user's, and not ours to speak of.
    changed = joined.summary["earlier"][0]
    (joined.out / changed).write_bytes(b"painted over")
    assert changed not in run_toy().summary["earlier"]


def test_comments_order_and_a_touched_file_change_nothing(run_toy, toy_night):
    out = run_toy().out
    done = len(events(out, "step done"))
    (toy_night.parent / "toy.yaml").write_text("# a comment\n" + TOY_RECIPE + "\n", encoding="utf-8")
    for path in toy_night.iterdir():
        path.touch()
    run_toy()
    assert {str(e["step"]).rpartition("/")[2] for e in events(out, "step done")[done:]} == {"fingerprint"}


def test_a_night_that_was_moved_is_still_the_same(run_toy, toy_night):
    first = run_toy()
    before = products(first.out)
    moved = toy_night.with_name("elsewhere")
    shutil.copytree(toy_night, moved)
    shutil.rmtree(toy_night)
    moved.rename(toy_night)
    done = len(events(first.out, "step done"))
    run_toy()
    assert {str(e["step"]).rpartition("/")[2] for e in events(first.out, "step done")[done:]} <= {"fingerprint"}
    assert products(first.out) == before


def test_a_recording_that_is_there_twice_or_by_another_name_is_worked_through(run_toy, toy_night):
    first = run_toy()
    shutil.copy(toy_night / "moon_20250205_213000_R.npy", toy_night / "moon_20250205_213000_R_02.npy")
    (toy_night / "later").mkdir()
    (toy_night / "mars_20250205_203000_R.npy").rename(toy_night / "later" / "mars_20250205_203000_R.npy")
    again = run_toy()
    assert again.exit_code == 0
    assert again.summary["counts"]["done"] == first.summary["counts"]["done"] + 1
    named = {one["captures"][0] for one in again.summary["pictures"]}
    assert {"later/mars_20250205_203000_R.npy", "moon_20250205_213000_R_02.npy"} <= named


def test_one_changed_byte_makes_its_descendants_and_nothing_else(run_toy, toy_night):
    out = run_toy().out
    before = products(out)
    data = np.load(toy_night / "moon_20250205_213000_R.npy")
    data[3, 4, 5] += 1
    np.save(toy_night / "moon_20250205_213000_R.npy", data)
    run_toy()
    after = products(out)
    changed = {name for name in after if after[name] != before[name]}
    assert changed and all("moon" in name for name in changed)
    assert {name for name in after if "moon" in name} == changed


@pytest.mark.parametrize("using", ["threads", "processes"])
@pytest.mark.parametrize("workers", [1, 2])
def test_same_bits_wherever_it_is_done(run_toy, using, workers):
    here = run_toy("serial")
    there = run_toy("other", using=using, workers=workers)
    assert there.exit_code == 0
    assert products(there.out) == products(here.out)


def test_one_bad_capture_costs_itself_alone(run_toy, toy_night):
    good = products(run_toy("good").out)
    rng = np.random.default_rng(2)
    np.save(toy_night / "venus_20250205_180000_raise.npy", rng.integers(0, 9, (50, 24, 32)).astype(np.uint8))
    (toy_night / "mars_20250205_204000_B.npy").write_text("not an array", encoding="utf-8")
    np.save(toy_night / "io_20250205_190000_dim.npy", np.zeros((50, 24, 32), np.uint8))
    result = run_toy("bad")
    assert result.exit_code == 1
    found = {name: data for name, data in products(result.out).items() if name in good}
    assert found == good
    reasons = {one["file"]: one["reason"] for one in result.summary["captures"] if one["status"] == "set_aside"}
    assert reasons["mars_20250205_204000_B.npy"] == "not a .npy file; make it again"
    assert "made to fail" in reasons["venus_20250205_180000_raise.npy"]
    assert "toy-level" in reasons["venus_20250205_180000_raise.npy"]
    assert reasons["io_20250205_190000_dim.npy"] == "no frame can be used"
    failed = events(result.out, "step failed")
    assert any("RuntimeError" in str(event["trace"]) for event in failed)


def test_a_stage_that_fails_for_every_capture_stops_the_night(run_toy, toy_night):
    for path in toy_night.glob("m*.npy"):
        path.unlink()
    for number in range(7):
        np.save(toy_night / f"mars_20250205_20300{number}_raise.npy", np.ones((10, 24, 32), np.uint8))
    with pytest.raises(MachineError, match=r"toy-level.*each of the first 5 captures"):
        run_toy()
    assert json.loads((toy_night.parent / "out" / "night.json").read_text(encoding="utf-8"))["state"] == "failed"


def test_a_few_bad_captures_at_the_beginning_do_not_stop_a_long_night(monkeypatch):
    monkeypatch.setattr(driver, "capture_outcome", lambda index, plan, board: ("waiting", None))
    night = SimpleNamespace(plan=SimpleNamespace(chains=[None] * 100), board=None, faults={}, passed=set())

    def fail(index, kind="stage", action="survey"):
        step = Step(f"{index}", action, "", (index,), content={"stages": [{"stage": "toy-level"}]})
        driver.Driver._check_same_fault(night, step, {"kind": kind, "reason": "why"})

    for index in range(9):
        fail(index)
        fail(index, action="conclude")
        fail(index)
        fail(index + 50, kind="capture")
    with pytest.raises(MachineError, match="'toy-level' failed for each of the first 10 captures"):
        fail(9, kind="died")
    night.passed.add(("toy-level", "survey"))
    fail(10)


def test_a_spoilt_dark_is_told_and_gone_without(run_toy, toy_night):
    (toy_night / "dark_20250205_100000.npy").write_bytes(b"junk")
    result = run_toy()
    assert result.exit_code == 1
    assert [one["status"] for one in result.summary["captures"]] == ["done"] * 3
    assert result.summary["masters"][0]["reason"] == "not a .npy file; make it again"
    assert any(note["text"] == "No dark fits." for note in result.summary["captures"][0]["notes"])


def test_members_of_a_group_that_were_set_aside_are_gone_without(run_toy, toy_night):
    recipe = TOY_RECIPE.replace("factor: 3", "together: true")
    (toy_night.parent / "toy.yaml").write_text(recipe, encoding="utf-8")
    np.save(toy_night / "mars_20250205_203100_raise.npy", np.ones((50, 24, 32), np.uint8))
    result = run_toy()
    assert result.exit_code == 1
    members = {tuple(one["captures"]) for one in result.summary["pictures"]}
    assert ("mars_20250205_203000_R.npy", "mars_20250205_203200_G.npy") in members
    assert len(members) == 2


def test_damaged_products_are_found_and_made_again(run_toy):
    first = run_toy()
    before = products(first.out)
    shutil.rmtree(first.out / "pictures")
    # Every kind of damage to every file of the store: emptied, cut short, one bit flipped.
    store = first.out / ".store" / "objects"
    for number, path in enumerate(sorted(p for p in store.rglob("*") if p.is_file())):
        data = bytearray(path.read_bytes())
        if number % 3 == 0:
            data = bytearray()
        elif number % 3 == 1:
            data = data[: len(data) // 2]
        elif data:
            data[len(data) // 2] ^= 1
        path.write_bytes(bytes(data))
    again = run_toy()
    assert again.exit_code == 0
    assert products(again.out) == before


@pytest.mark.parametrize("content", [b"", b"{", b'{"format": 2, "recordings": 3}', b"\xff\xfe\x00", b"[]"])
@pytest.mark.parametrize("name", ["index.json", "published.json"])
def test_damaged_state_files_are_made_again(run_toy, name, content):
    first = run_toy()
    before = products(first.out)
    (first.out / ".store" / name).write_bytes(content)
    assert run_toy().exit_code == 0
    assert products(first.out) == before


def test_a_published_file_that_was_changed_or_removed_is_put_back(run_toy):
    out = run_toy().out
    before = products(out)
    for number, path in enumerate(sorted((out / "pictures").iterdir())):
        path.unlink() if number == 0 else path.write_bytes(b"scribble")
    run_toy()
    assert products(out) == before


def test_the_night_is_not_written_to(run_toy, toy_night):
    before = {path.name: (path.stat().st_mtime_ns, path.read_bytes()) for path in toy_night.iterdir()}
    run_toy()
    assert {path.name: (path.stat().st_mtime_ns, path.read_bytes()) for path in toy_night.iterdir()} == before


def test_a_second_run_is_refused_while_the_first_lives(run_toy, toy_night):
    with (
        hold(toy_night.parent / "out" / ".store"),
        pytest.raises(LockedError, match=r"another run holds this output folder \(process \d+ on .*UTC"),
    ):
        run_toy()
    assert run_toy().exit_code == 0


def test_an_empty_night_and_a_missing_one_are_said(run_toy, toy_night):
    for path in toy_night.iterdir():
        if not path.name.startswith("dark"):
            path.unlink()
    with pytest.raises(UsageError, match=r"are darks and flats alone \(1\)"):
        run_toy("other")
    for path in toy_night.iterdir():
        path.unlink()
    with pytest.raises(UsageError, match="there is no recording in"):
        run_toy()
    # Nothing was started, so nothing is left behind.
    assert not (toy_night.parent / "out").exists()
    toy_night.rmdir()
    with pytest.raises(UsageError, match="does not exist"):
        run_toy()


def test_an_output_folder_around_the_night_is_refused(run_toy):
    with pytest.raises(UsageError, match="holds the night itself"):
        run_toy("")


def test_the_night_by_another_name_is_refused_too(run_toy, toy_night):
    """Products between the recordings would be written into a folder that is never written to."""
    before = sorted(toy_night.iterdir())
    names = ["night", "night/../night", "elsewhere/../night"]
    (toy_night.parent / "elsewhere").mkdir()
    try:
        (toy_night.parent / "link").symlink_to(toy_night, target_is_directory=True)
        (toy_night.parent / "around").symlink_to(toy_night.parent, target_is_directory=True)
        names += ["link", "around", "around/night"]
    except OSError:
        pass  # links cannot be made here
    for name in names:
        with pytest.raises(UsageError, match="holds the night itself"):
            run_toy(name)
    assert sorted(toy_night.iterdir()) == before


def test_a_night_at_the_top_of_a_disk_needs_a_place_for_its_products(tmp_path):
    top = Path(tmp_path.anchor)
    with pytest.raises(UsageError, match="is the top of a disk, and nothing lies beside it; give --out"):
        out_of(top, None)
    assert out_of(top, tmp_path / "a" / ".." / "out") == tmp_path.resolve() / "out"


def test_products_of_other_runs_are_no_recordings(run_toy, toy_night):
    """An output folder may lie in the night; what is in it is never taken for captures, whatever --out is given."""
    first = run_toy("night/deep/out")
    assert first.exit_code == 0
    stray = np.load(toy_night / "mars_20250205_203000_R.npy")
    np.save(toy_night / "deep" / "out" / "pictures" / "mars_20250205_205900_B.npy", stray)
    again = run_toy("other")
    assert [one["file"] for one in again.summary["captures"]] == [one["file"] for one in first.summary["captures"]]
    with pytest.raises(UsageError, match="holds what nightmill made of a night, not its recordings"):
        run_night(toy_night / "deep" / "out", toy_night.parent / "third", Options(using="serial"), Progress(quiet=True))


def test_too_small_a_disk_is_said_before_anything_starts(run_toy, monkeypatch):
    usage = shutil._ntuple_diskusage(10**12, 10**12, 1000)  # type: ignore[attr-defined]
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage)
    with pytest.raises(MachineError, match="free some, give another --out, or go on all the same with --ignore-space"):
        run_toy()
    assert run_toy(ignore_space=True).exit_code == 0


def test_pictures_carry_their_whole_record(run_toy, toy_night):
    out = run_toy().out
    path = next((out / "pictures").glob("mars*"))
    from nightmill.artefacts.fitsio import read_record

    record = read_record(path)["record"]
    assert {"nightmill", "recipe", "versions", "plugins", "night", "sources", "masters", "notes"} <= set(record)
    assert "factor: 3.0" in record["recipe"]
    assert len(record["plugins"]["toy-scale"].split()[-1]) == 64
    assert str(toy_night) not in path.read_bytes().decode("latin-1")


def test_a_stack_says_what_it_shows_and_when(run_toy, toy_night):
    """Other programs read the header, not the record: FITS standard 4.0, sections 4.4.2 and 9.5."""
    from astropy.io import fits

    (toy_night / "night.yaml").write_text("captures: {'mars_*_R.npy': {exposure: 8 ms}}\n", encoding="utf-8")
    assert run_toy().exit_code == 0
    (stack,) = (toy_night.parent / "out" / "stacks").glob("mars*_R.fits")
    header = fits.getheader(stack)
    assert (header["OBJECT"], header["FILTER"], header["EXPTIME"]) == ("mars", "R", 0.008)
    # By the toy source all recordings begin at 1e9 s, 700 frames of 10 ms.
    assert header["DATE-OBS"] == "2001-09-09T01:46:40.000"
    assert header["DATE-AVG"] == "2001-09-09T01:46:43.500"
    assert (header["TIMESYS"], header["NFRAMES"] <= header["NTOTAL"]) == ("UTC", True)
    assert "GAIN" not in header


def test_what_the_data_refuse_is_not_tried_again_until_they_change(run_toy, toy_night):
    np.save(toy_night / "io_20250205_190000_dim.npy", np.zeros((50, 24, 32), np.uint8))
    first = run_toy()
    assert len(events(first.out, "step failed")) == 1
    again = run_toy()
    assert len(events(again.out, "step failed")) == 1
    assert again.exit_code == 1
    assert again.summary == first.summary
    np.save(toy_night / "io_20250205_190000_dim.npy", np.full((50, 24, 32), 9, np.uint8))
    assert run_toy().exit_code == 0
