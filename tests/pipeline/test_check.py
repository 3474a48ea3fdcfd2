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

from nightmill.cli.check import check
from nightmill.run import Options, run_night
from nightmill.run.progress import Progress
from toysupport import TOY, TOY_RECIPE


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


def reasons(report: dict) -> dict[str, set[str]]:
    """Return the reasons by step of the moon's capture and picture."""
    found: dict[str, set[str]] = {}
    for one in (*report["captures"], *report["pictures"], *report["masters"]):
        name = one.get("file") or one["files"][0]
        if name.startswith(("moon", "dark")):
            for step in one["steps"]:
                if step["state"] != "there":
                    found.setdefault(step["step"], set()).update(step["reasons"] or {step["state"]})
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


def change(look, night: Path, how: str) -> dict[str, set[str]]:
    """Change one thing, and look."""
    moon = night / "moon_20250205_213000_R.npy"
    if how == "recording":
        np.save(moon, np.load(moon)[:650])
    elif how == "dark gone":
        (night / "dark_20250205_100000.npy").unlink()
    elif how == "store":
        shutil.rmtree(night.parent / "out" / ".store" / "objects")
    elif how == "filter":
        (night / "night.yaml").write_text("captures: {moon_20250205_213000_R.npy: {filter: IR}}\n", encoding="utf-8")
    elif how == "touched":
        later = time.time() + 10
        os.utime(moon, (later, later))
    elif how == "plugin":
        plugin = night.parent / "toy.py"
        plugin.write_text(TOY.read_text(encoding="utf-8") + "\n# changed\n", encoding="utf-8")
        return reasons(look(plugin=plugin))
    texts = {
        "early parameter": TOY_RECIPE.replace("limit: 1", "limit: 1.5"),
        "late parameter": TOY_RECIPE.replace("factor: 3", "factor: 4"),
        "stage gone": TOY_RECIPE.replace("  - toy-calibrate\n", ""),
        "title": TOY_RECIPE.replace("title: Toy", "title: Other"),
    }
    return reasons(look(recipe=texts.get(how, TOY_RECIPE)))


@pytest.mark.parametrize(
    ("how", "step", "reason"),
    [
        ("early parameter", "toy-level", "parameter toy-level.limit 1 -> 1.5"),
        ("early parameter", "toy-rank", "follows from toy-level"),
        ("early parameter", "toy-scale", "follows from toy-mean"),
        ("late parameter", "toy-scale", "parameter toy-scale.factor 3 -> 4"),
        ("stage gone", "toy-level", "stage toy-calibrate is no longer in the recipe"),
        ("title", "files", "recipe's 'title' (written into the files) Toy -> Other"),
        ("dark gone", "toy-level", "dark dark_20250205_100000.npy -> none"),
        ("store", "files", "its product is no longer in the store"),
        ("filter", "toy-level", "recording's filter R -> IR"),
        ("touched", "fingerprint", "its size or time changed; it is read to see whether its content did"),
        ("touched", "toy-level", "decided when the recording has been read"),
        ("recording", "toy-level", "recording's frames 700 -> 650"),
    ],
)
def test_the_reason(look, night, how: str, step: str, reason: str) -> None:
    found = change(look, night, how)
    assert reason in found[step], found


def test_a_late_change_leaves_the_early_steps(look, night) -> None:
    found = change(look, night, "late parameter")
    assert set(found) == {"toy-scale", "files", "preview"} or set(found) == {"toy-scale", "files"}


def test_a_changed_plugin_file_is_named_once(look, night) -> None:
    found = change(look, night, "plugin")
    assert "the plugin file of toy-scale changed" in found["toy-scale"]
    assert any(one.startswith("the plugin file of ") and "toy-level" in one for one in found["toy-level"])


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
