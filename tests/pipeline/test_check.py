"""The plan told before it is run: what is there, what is made again, and the reason in words."""

from __future__ import annotations

import json
import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from nightmill.cli.check import _joined, check
from nightmill.errors import UsageError
from nightmill.run import Options, run_night
from nightmill.run.progress import Progress
from toysupport import TOY, TOY_RECIPE, products


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Run a toy night once; the folder holds "night" and "out"."""
    folder = tmp_path_factory.mktemp("finished")
    night = folder / "night"
    night.mkdir()
    rng = np.random.default_rng(1)
    for name in ("mars_20250205_203000_R", "moon_20250205_213000_R"):
        np.save(night / f"{name}.npy", rng.integers(10, 200, (700, 24, 32)).astype(np.uint8))
    np.save(night / "dark_20250205_100000.npy", rng.integers(0, 5, (50, 24, 32)).astype(np.uint8))
    (folder / "toy.yaml").write_text(TOY_RECIPE, encoding="utf-8")
    options = Options(using="serial", plugins=(str(TOY),), recipe=str(folder / "toy.yaml"))
    assert run_night(night, folder / "out", options, Progress(quiet=True)).exit_code == 0
    return folder


@pytest.fixture
def night(finished: Path, tmp_path: Path) -> Path:
    """Give a copy of the finished night, to be changed; times of change are kept."""
    shutil.copytree(finished, tmp_path / "copy")
    return tmp_path / "copy" / "night"


@pytest.fixture
def look(night: Path) -> Callable[..., dict]:
    """Check the toy night against its output folder."""

    def run(*extra: str, recipe: str = TOY_RECIPE, plugin: Path = TOY, out: str = "out") -> dict:
        path = night.parent / "toy.yaml"
        path.write_text(recipe, encoding="utf-8")
        arguments = [str(night), "--out", str(night.parent / out), "--recipe", str(path)]
        arguments += ["--plugin", str(plugin), "--json", *extra]
        result = CliRunner().invoke(check, arguments, standalone_mode=False)
        if result.exception is not None:
            raise result.exception
        return json.loads(result.stdout)

    return run


Reasons = dict[tuple[str, str], set[str]]


def reasons(report: dict) -> Reasons:
    """Return the reasons of what is not there, by target (or role) and step."""
    found: Reasons = {}
    for one in (*report["captures"], *report["pictures"], *report["masters"]):
        name = (one.get("file") or one["files"][0]).partition("_")[0]
        for step in one["steps"]:
            if step["state"] != "there":
                found.setdefault((name, step["step"]), set()).update(step["reasons"] or {step["state"]})
    return found


def test_before_the_first_run_everything_is_to_be_made_and_nothing_is_written(look, night) -> None:
    before = {path: path.stat().st_mtime_ns for path in night.rglob("*")}
    report = look(out="new")
    steps = [step for one in report["captures"] for step in one["steps"]]
    assert {step["state"] for step in steps} == {"make"}
    assert report["seconds"] is None
    assert report["disk"]["needed_bytes"] > 0
    assert not (night.parent / "new").exists()
    assert {path: path.stat().st_mtime_ns for path in night.rglob("*")} == before


def test_after_a_run_all_is_there(look) -> None:
    report = look()
    assert reasons(report) == {}
    assert report["seconds"] == 0


MOON, DARK = "moon_20250205_213000_R.npy", "dark_20250205_100000.npy"
CHAIN = ("toy-level", "toy-rank", "toy-mean", "sheet", "files", "toy-scale", "preview")
"""Every step of a capture and its picture behind the fingerprint."""
FROM_RANK, PICTURE = CHAIN[1:], ("toy-scale", "files", "preview")


def recipe(old: str, new: str) -> Callable[[Path], dict]:
    """Edit the recipe."""
    assert old in TOY_RECIPE
    return lambda night: {"recipe": TOY_RECIPE.replace(old, new)}


def night_file(text: str) -> Callable[[Path], dict]:
    """Write a night file."""
    return files(lambda night: (night / "night.yaml").write_text(text, encoding="utf-8"))


def plugin(old: str, new: str) -> Callable[[Path], dict]:
    """Edit the plugin's file."""

    def edit(night: Path) -> dict:
        text = TOY.read_text(encoding="utf-8")
        assert old in text
        (night.parent / "toy.py").write_text(text.replace(old, new, 1), encoding="utf-8")
        return {"plugin": night.parent / "toy.py"}

    return edit


def files(edit: Callable[[Path], object]) -> Callable[[Path], dict]:
    """Do something to the files of the night."""

    def done(night: Path) -> dict:
        edit(night)
        return {}

    return done


def later(path: Path) -> None:
    os.utime(path, (time.time() + 10, time.time() + 10))


def both(*names: str) -> set[tuple[str, str]]:
    return {(target, step) for target in ("mars", "moon") for step in names}


def one(target: str, *names: str) -> set[tuple[str, str]]:
    return {(target, step) for step in names}


EDITS: dict[str, tuple[Callable[[Path], dict], set[tuple[str, str]], dict[tuple[str, str], str]]] = {
    "a parameter of an early stage": (
        recipe("limit: 1", "limit: 1.5"),
        both(*CHAIN),
        {
            ("moon", "toy-level"): "parameter toy-level.limit 1 -> 1.5",
            ("moon", "toy-rank"): "follows from toy-level",
            ("moon", "toy-scale"): "follows from toy-mean",
        },
    ),
    "a parameter of a late stage": (
        recipe("factor: 3", "factor: 4"),
        both(*PICTURE),
        {("moon", "toy-scale"): "parameter toy-scale.factor 3 -> 4"},
    ),
    "a stage taken out": (
        recipe("  - toy-calibrate\n", ""),
        both(*CHAIN),
        {("moon", "toy-level"): "stage toy-calibrate is no longer in the recipe"},
    ),
    "a stage put in": (
        recipe("  - toy-scale", "  - toy-scale: {factor: 2}\n  - toy-scale"),
        both(*PICTURE),
        {("moon", "files"): "stage toy-scale (2) is new in the recipe (written into the files)"},
    ),
    "the title": (
        recipe("title: Toy", "title: Other"),
        both("files"),
        {("moon", "files"): "recipe's 'title' (written into the files) Toy -> Other"},
    ),
    "what is said about it": (
        recipe("stages:", "about: Two words.\nstages:"),
        both("files"),
        {("moon", "files"): "recipe's 'about' (written into the files) none -> Two words."},
    ),
    "what it is for": (
        recipe("stages:", "for: {targets: [moon]}\nstages:"),
        both("files"),
        {("moon", "files"): "recipe's 'for' (written into the files) none -> {targets: [moon]}"},
    ),
    "a parameter for one target": (
        night_file("changes: [{for: {targets: [moon]}, change: {toy-scale: {factor: 7}}}]\n"),
        one("moon", *PICTURE),
        {("moon", "toy-scale"): "parameter toy-scale.factor 3 -> 7"},
    ),
    "a parameter for one target and filter": (
        night_file("changes: [{for: {targets: [moon], filters: [R]}, change: {toy-level: {limit: 2}}}]\n"),
        one("moon", *CHAIN),
        {("moon", "toy-level"): "parameter toy-level.limit 1 -> 2"},
    ),
    "the camera, which one stage reads": (
        night_file("camera: {pixel: 3.75 um}\n"),
        both(*PICTURE),
        {("moon", "toy-scale"): "night file camera.pixel_um none -> 3.75"},
    ),
    "how files are named": (
        night_file("names: '{target}_{date}_{time}_{filter}_x'\n"),
        both(*CHAIN),
        {("moon", "toy-level"): "recording's filter R -> none"},
    ),
    "the filter of a capture": (
        night_file(f"captures: {{{MOON}: {{filter: IR}}}}\n"),
        one("moon", *CHAIN),
        {("moon", "toy-level"): "recording's filter R -> IR"},
    ),
    "the time of a capture": (
        night_file(f"captures: {{{MOON}: {{utc: '2025-02-05T21:31:00'}}}}\n"),
        one("moon", *CHAIN),
        {("moon", "toy-level"): "recording's utc_start 1000000000 -> 1738791060"},
    ),
    "the target of a capture": (
        night_file(f"captures: {{{MOON}: {{target: venus}}}}\n"),
        one("moon", *CHAIN),
        {("moon", "toy-level"): "recording's target moon -> venus"},
    ),
    "a recording made shorter": (
        files(lambda night: np.save(night / MOON, np.load(night / MOON)[:650])),
        one("moon", "fingerprint", *CHAIN),
        {("moon", "toy-level"): "recording's frames 700 -> 650"},
    ),
    "a recording touched": (
        files(lambda night: later(night / MOON)),
        one("moon", "fingerprint", *CHAIN),
        {
            ("moon", "fingerprint"): "its size or time changed; it is read to see whether its content did",
            ("moon", "toy-level"): "decided when the recording has been read",
        },
    ),
    "a dark taken away": (
        files(lambda night: (night / DARK).unlink()),
        both(*CHAIN),
        {("moon", "toy-level"): f"dark {DARK} -> none"},
    ),
    "another dark": (
        files(lambda night: (night / DARK).rename(night / "dark_20250205_110000.npy")),
        {*both(*CHAIN), *one("dark", "fingerprint", "toy-dark", "files")},
        {("moon", "toy-level"): f"dark {DARK} -> dark_20250205_110000.npy"},
    ),
    "the version of a stage": (
        plugin('name = "toy-mean"', 'name = "toy-mean"\n    version = "2"'),
        {*both(*CHAIN), *one("dark", "toy-dark", "files")},
        {("moon", "toy-mean"): "plugin version: toy-mean 1 -> 2"},
    ),
    "a line of the plugin": (
        plugin('"""Average a dark."""', '"""Average a dark, or more."""'),
        {*both(*CHAIN), *one("dark", "toy-dark", "files")},
        {("moon", "toy-scale"): "the plugin file of toy-scale changed"},
    ),
    "a writer more": (
        plugin(
            "return [ToyWriter()]", "return [ToyWriter(), type('Other', (ToyWriter,), {'name': 'o', 'suffix': '.o'})()]"
        ),
        {*both(*CHAIN), *one("dark", "toy-dark", "files")},  # the plugin's file changed, too
        {("moon", "files"): "writer o is new"},
    ),
    "the store emptied": (
        files(lambda night: shutil.rmtree(night.parent / "out" / ".store" / "objects")),
        {*both(*CHAIN), *one("dark", "toy-dark", "files")},
        {("moon", "files"): "its product is no longer in the store"},
    ),
    "a capture more": (
        files(lambda night: shutil.copy(night / MOON, night / "venus_20250205_220000_R.npy")),
        one("venus", "fingerprint", *CHAIN),
        {("venus", "toy-level"): "make"},
    ),
}


@pytest.mark.parametrize("name", EDITS)
def test_each_single_edit_is_named_and_touches_what_it_must(look, night, name: str) -> None:
    edit, touched, why = EDITS[name]
    found = reasons(look(**edit(night)))
    for step, reason in why.items():
        assert reason in found[step], found
    assert set(found) == touched


def test_there_are_twenty_edits() -> None:
    assert len(EDITS) >= 20


REFORMATTED = """# A comment
stages:
- toy-source:
- {toy-calibrate: {}}
-   toy-level:
        limit: 1.0       # as before
- toy-rank
- toy-mean
- "toy-scale": {together: false, 'factor': 3e0}

title: "Toy"
nightmill: 1
"""


@pytest.mark.parametrize(
    "edit",
    [
        pytest.param(lambda night: {"recipe": REFORMATTED}, id="the recipe reformatted"),
        pytest.param(night_file("# nothing\n"), id="an empty night file"),
        pytest.param(night_file("site: {latitude: 47 deg}\n"), id="a section that no stage reads"),
        pytest.param(night_file("camera: {sensor: 1936x1096}\n"), id="what only plans the evening"),
        pytest.param(night_file("changes: [{change: {toy-scale: {factor: 3.0}}}]\n"), id="a change to the same"),
        pytest.param(night_file(f"captures: {{{MOON}: {{filter: R}}}}\n"), id="what the name says too"),
        pytest.param(files(lambda night: later(night.parent / "toy.yaml")), id="the recipe touched"),
        pytest.param(files(lambda night: (night / "notes.txt").write_text("x")), id="another file in the night"),
    ],
)
def test_what_means_the_same_makes_nothing_again(look, night, edit) -> None:
    assert reasons(look(**edit(night))) == {}


def test_touched_and_copied_recordings_are_read_and_nothing_is_made_again(night, tmp_path) -> None:
    """Copied to another place without their times: a run reads them once, and makes nothing."""
    copy = tmp_path / "elsewhere"
    copy.mkdir()
    for path in night.iterdir():
        (copy / path.name).write_bytes(path.read_bytes())
    for folder in (night, copy):
        for path in folder.iterdir():
            later(path)
        before = products(night.parent / "out")
        options = Options(using="serial", plugins=(str(TOY),), recipe=str(night.parent / "toy.yaml"))
        log = night.parent / "out" / "journal.jsonl"
        done = len(log.read_text(encoding="utf-8").splitlines())
        assert run_night(folder, night.parent / "out", options, Progress(quiet=True)).exit_code == 0
        new = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()[done:]]
        steps = {event["step"].rpartition("/")[2] for event in new if event["event"] == "step done"}
        assert steps <= {"fingerprint"}
        assert products(night.parent / "out") == before


def test_words_for_people(night) -> None:
    (night.parent / "other.yaml").write_text(TOY_RECIPE.replace("factor: 3", "factor: 5"), encoding="utf-8")
    arguments = [str(night), "--out", str(night.parent / "out"), "--plugin", str(TOY)]
    arguments += ["--recipe", str(night.parent / "other.yaml")]
    text = CliRunner().invoke(check, arguments, standalone_mode=False).stdout
    assert "toy-scale: made again: parameter toy-scale.factor 3 -> 5" in text
    assert "dark_20250205_100000.npy  (dark): all there" in text
    assert "as the last runs went" in text
    why = CliRunner().invoke(check, [*arguments, "--why", "moon"], standalone_mode=False).stdout
    assert "moon_20250205_213000_R.npy" in why
    assert "mars" not in why
    assert "toy-rank: there" in why


def test_what_was_probably_meant_otherwise_is_said(night) -> None:
    """Nothing of it is wrong, so nothing stops; a run says the same."""
    shutil.copy(night / "moon_20250205_213000_R.npy", night / "mooon_20250205_214000_R.npy")
    np.save(night / "dark_20250205_100100.npy", np.zeros((50, 9, 9), np.uint8))
    entries = "'moon_20250205_213000_G.npy': {gain: 3}, 'mars_*': {gain: 3}, 'moon_20250205_213000_R.npy': {gain: 3}"
    text = f"captures: {{{entries}}}\nrecipes: {{marss: quick-look}}\n"
    (night / "night.yaml").write_text(text, encoding="utf-8")
    said = [
        "night.yaml: captures: 'moon_20250205_213000_G.npy' is the name of no recording here; did you mean "
        "'moon_20250205_213000_R.npy'?",
        "no recipe is made for the target 'mooon' of mooon_20250205_214000_R.npy; did you mean 'moon'?",
        "night.yaml: recipes: no capture here is of the target 'marss'; did you mean 'mars'?",
        "1 dark used for nothing: no capture of that size, exposure, gain and filter, or no recipe here that uses a "
        "dark: dark_20250205_100100.npy (9 x 9)",
    ]
    arguments = [str(night), "--out", str(night.parent / "new"), "--plugin", str(TOY)]
    arguments += ["--recipe", str(night.parent / "toy.yaml")]
    shown = CliRunner().invoke(check, arguments, standalone_mode=False).stdout
    assert [line.removeprefix("note: ") for line in shown.splitlines() if line.startswith("note: ")] == said
    options = Options(using="serial", plugins=(str(TOY),), recipe=str(night.parent / "toy.yaml"))
    assert run_night(night, night.parent / "new", options, Progress(quiet=True)).exit_code == 0
    lines = (night.parent / "new" / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    assert [one["text"] for one in map(json.loads, lines) if one["event"] == "hint"] == said


def test_links_that_are_passed_over_are_told(night, look) -> None:
    """A folder of recordings behind a link is not taken for a part of the night, and nobody has to wonder why."""
    elsewhere = night.parent / "elsewhere"
    elsewhere.mkdir()
    shutil.move(night / "moon_20250205_213000_R.npy", elsewhere)
    try:
        (night / "linked").symlink_to(elsewhere, target_is_directory=True)
        (night / "moon_20250205_214000_R.npy").symlink_to(elsewhere / "moon_20250205_213000_R.npy")
        (night / "lost").symlink_to(elsewhere / "gone")
    except OSError:
        pytest.skip("links cannot be made here")
    found = look()
    assert [one["file"] for one in found["captures"]] == ["mars_20250205_203000_R.npy", "moon_20250205_214000_R.npy"]
    (said,) = found["hints"]
    assert said.startswith("2 links passed over, for links to folders are not followed, and some lead nowhere: linked,")
    for path in night.glob("*.npy"):
        path.unlink()
    with pytest.raises(UsageError, match=r"looked for what these stages read: toy-source; 2 links passed over"):
        look()


def test_what_is_alike_stands_in_one_line(night) -> None:
    arguments = [str(night), "--out", str(night.parent / "new"), "--plugin", str(TOY)]
    arguments += ["--recipe", str(night.parent / "toy.yaml")]
    shown = CliRunner().invoke(check, arguments, standalone_mode=False).stdout.splitlines()
    (moon,) = [line for line in shown if line.startswith("moon_")]
    assert moon.endswith("toy): to be made: fingerprint, toy-level, toy-rank, toy-mean, sheet, files")
    one = {"step": "toy-scale", "label": "", "state": "again", "tasks": 1, "reasons": ["why"]}
    there = {**one, "state": "there", "tasks": 0, "reasons": []}
    joined = _joined([one, there, one, {**one, "reasons": ["other"]}])
    assert [(each["state"], each["tasks"], each["reasons"]) for each in joined] == [
        ("again", 2, ["why"]), ("there", 0, []), ("again", 1, ["other"]),
    ]  # fmt: skip


def test_a_hundred_captures_are_planned_quickly(tmp_path: Path) -> None:
    """A night of 100 captures and ten steps each in 2 s of processor time, imports not counted."""
    night = tmp_path / "night"
    night.mkdir()
    for index in range(100):
        np.save(night / f"mars_20250205_{index // 60:02d}{index % 60:02d}00_R.npy", np.zeros((3, 4, 5), np.uint8))
    (tmp_path / "r.yaml").write_text(TOY_RECIPE, encoding="utf-8")
    arguments = [str(night), "--recipe", str(tmp_path / "r.yaml"), "--plugin", str(TOY), "--json"]
    began = time.process_time()
    report = json.loads(CliRunner().invoke(check, arguments, standalone_mode=False).stdout)
    assert time.process_time() - began < 2.0
    assert len(report["captures"]) == 100


def test_what_the_data_refused_before_is_told_as_set_aside(look, night: Path) -> None:
    shutil.copy(night / "moon_20250205_213000_R.npy", night / "moon_20250205_214000_cloudy.npy")
    options = Options(using="serial", plugins=(str(TOY),), recipe=str(night.parent / "toy.yaml"))
    assert run_night(night, night.parent / "out", options, Progress(quiet=True)).exit_code == 1
    report = look()
    states = {one["filter"]: {step["state"] for step in one["steps"]} for one in report["captures"][1:]}
    assert states == {"R": {"there"}, "cloudy": {"there", "set_aside"}}
    told = {reason for one in report["captures"] for step in one["steps"] for reason in step["reasons"]}
    assert told == {"clouds"}
    assert report["seconds"] == 0
    shown = CliRunner().invoke(
        check,
        [
            str(night),
            "--out",
            str(night.parent / "out"),
            "--recipe",
            str(night.parent / "toy.yaml"),
            "--plugin",
            str(TOY),
        ],
    )
    assert (
        "moon_20250205_214000_cloudy.npy  (moon, cloudy, 700 frames, toy): set aside, as before: clouds" in shown.stdout
    )
    assert shown.stdout.splitlines()[-1].endswith("; 1 set aside: nothing to do")
