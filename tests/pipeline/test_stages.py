"""What `nightmill stages` tells, and the reference that is written from the same declarations."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from nightmill.cli.stages import stages
from nightmill.errors import PluginError, UsageError
from nightmill.plugins import load_registry
from nightmill.reference import describe_stage, to_markdown
from toysupport import TOY

REFERENCE = Path(__file__).parents[2] / "recipes" / "STAGES.md"


def say(*arguments: str) -> str:
    result = CliRunner().invoke(stages, list(arguments), standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return result.stdout


def test_every_stage_is_listed_with_kind_first_line_plugin_and_version() -> None:
    text = say("--plugin", str(TOY))
    for name, cls in load_registry((str(TOY),)).stages.items():
        (line,) = [one for one in text.splitlines() if one.startswith(f"{name} ")]
        assert cls.kind in line
        assert cls.summary() in line
    assert "version 1, from nightmill" in text
    assert "from toy.py (sha256 " in text


def test_broken_plugins_are_listed_with_reason_and_traceback(tmp_path: Path) -> None:
    path = tmp_path / "club.py"
    path.write_text("import no_such_module_here\n", encoding="utf-8")
    said = say("--plugin", str(path))
    assert "broken: club (club.py): " in said
    assert "club.py:1:1: ModuleNotFoundError: No module named" in said
    (broken,) = json.loads(say("--plugin", str(path), "--json"))["broken"]
    assert "Traceback" in broken["trace"]


def test_one_stage_in_full() -> None:
    text = say("compose")
    for part in (
        "window",
        "quantity in min, > 0",
        "15 min",
        "Longest time",
        "channels.red",
        "true or false",
        "filters",
    ):
        assert part in text
    described = json.loads(say("stack", "--json"))
    share = next(row for row in described["parameters"] if row["name"] == "share")
    assert (share["expected"], share["default"]) == ("number, > 0, <= 1 or auto", "auto")
    assert "sharpness" in described["needs"]


def test_a_name_that_is_not_there() -> None:
    with pytest.raises(UsageError, match="did you mean 'stack'"):
        say("stak")
    with pytest.raises(PluginError, match="It may come with a plugin"):
        say("xyzzy")


def test_every_parameter_that_ships_has_a_sentence_and_a_default() -> None:
    registry = load_registry()
    for name, cls in registry.stages.items():
        for row in describe_stage(cls, registry.origins[name])["parameters"]:
            assert len(row["description"]) > 10, (name, row["name"])
            assert "default" in row, (name, row["name"])


def test_the_reference_is_up_to_date() -> None:
    """Set NIGHTMILL_WRITE_TABLES=1 to write it anew after a stage's declaration changed."""
    text = to_markdown(load_registry())
    if os.environ.get("NIGHTMILL_WRITE_TABLES") == "1":
        REFERENCE.write_text(text, encoding="utf-8", newline="\n")
    assert REFERENCE.read_text(encoding="utf-8") == text


def test_the_pytest_plugin_makes_a_test_of_each_promise(tmp_path: Path) -> None:
    (tmp_path / "conftest.py").write_text('pytest_plugins = ["nightmill.testing.pytest_plugin"]\n', encoding="utf-8")
    (tmp_path / "test_mine.py").write_text(
        "import pytest\nfrom nightmill import stage\n\n\n"
        '@stage.picture()\ndef twice(data):\n    "Double."\n    return data * 2\n\n\n'
        "@pytest.mark.nightmill_stage(twice, skip=['memory-bounded'])\n"
        "def test_promises(stage_check):\n    stage_check()\n",
        encoding="utf-8",
    )
    command = [sys.executable, "-m", "pytest", "-v", "-p", "no:cacheprovider", "--strict-markers", str(tmp_path)]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=200, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "test_promises[twice:input-unchanged] PASSED" in done.stdout
    assert "memory-bounded" not in done.stdout
