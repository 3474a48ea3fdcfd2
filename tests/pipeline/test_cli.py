"""The command line: exit codes, messages without tracebacks, a quick --help, nothing but text when not a terminal."""

from __future__ import annotations

import os
import subprocess
import sys
import time

import numpy as np
import pytest

from nightmill.cli.main import main
from nightmill.run.lock import hold
from toysupport import TOY


def nightmill(*arguments, cwd=None):
    command = [sys.executable, "-m", "nightmill", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False, cwd=cwd)


@pytest.fixture
def toy(toy_night):
    """Give the arguments that run the toy night."""
    out = toy_night.parent / "out"
    return [
        "run", toy_night, "--out", out, "--recipe", toy_night.parent / "toy.yaml", "--plugin", TOY, "--using", "serial",
    ]  # fmt: skip


def test_0_when_all_is_done_and_where_to_look(toy, toy_night):
    done = nightmill(*toy)
    assert done.returncode == 0, done.stderr
    assert str(toy_night.parent / "out" / "report" / "index.html") in done.stdout
    assert "3 pictures of 3 captures" in done.stdout
    # Not a terminal: no colours, no carriage returns.
    assert "\x1b" not in done.stdout + done.stderr and "\r" not in done.stdout + done.stderr
    assert done.stderr.count("done") == 3


def test_1_when_some_were_set_aside(toy, toy_night):
    (toy_night / "mars_20250205_204000_B.npy").write_text("junk")
    done = nightmill(*toy)
    assert done.returncode == 1
    assert "set aside: mars_20250205_204000_B.npy: not a .npy file; make it again" in done.stderr
    assert "1 set aside, with reasons in the report" in done.stdout


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["rnu"], "there is no command 'rnu'; did you mean 'run'?"),
        (["run", "nowhere"], "does not exist"),
        (["run", ".", "--recipe", "jupiter-magic"], "there is no recipe 'jupiter-magic'"),
        (["run", ".", "--memory", "lots"], "write it like 4GB or 800MB"),
        (["run", ".", "--memory", "4"], "'4' is not a size; write it like 4GB or 800MB"),
        (["stages", "stakc"], "there is no stage 'stakc'; did you mean 'stack'?"),
        (["run", ".", "--workers", "0"], "0 is not in the range"),
        (["run", ".", "--until", "2026-01-13T05:30"], "--until goes with --follow"),
        (["run", ".", "--follow", "--until", "dawn"], "write it like 2026-01-13T05:30"),
        (["demo", "--targets", "pluto"], "there is no demo target 'pluto'"),
        (["clean", "."], "is not an output folder"),
    ],
)
def test_2_for_wrong_usage(arguments, message, tmp_path):
    done = nightmill(*arguments, cwd=tmp_path)
    assert done.returncode == 2
    assert message in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_names_that_the_terminal_cannot_show_end_nothing(encoding, toy, toy_night, monkeypatch):
    """Windows gives a pipe its old code page, and Linux has names that are no text at all."""
    monkeypatch.setenv("PYTHONIOENCODING", encoding)
    named = toy_night.parent / "nächte 🌙"
    toy_night.rename(named)
    try:
        (named / os.fsdecode(b"mars_20250205_205900_B\xff.npy")).write_bytes(b"junk")
    except (OSError, ValueError):
        pytest.skip("such names cannot be made here")
    arguments = [named if one == toy_night else named.parent / "out 🌙" if one == toy[3] else one for one in toy]
    done = nightmill_bytes(*arguments)
    assert done.returncode == 1, done.stderr
    assert b"Traceback" not in done.stderr
    assert b"3 pictures of 3 captures; 1 set aside" in done.stdout
    shown = nightmill_bytes("check", *arguments[1:-2])
    assert shown.returncode == 0, shown.stderr
    assert b"all there" in shown.stdout


def nightmill_bytes(*arguments):
    command = [sys.executable, "-m", "nightmill", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, timeout=120, check=False)


def test_2_for_an_output_folder_that_cannot_be_one(toy, toy_night):
    """Nothing is started, neither in a file's place nor below one."""
    place = toy_night.parent / "out"
    place.write_text("mine")
    for out, message in ((place, "out is a file;"), (place / "deep" / "er", f"cannot be made, for {place} is a file")):
        done = nightmill(*[out if one == place else one for one in toy])
        assert done.returncode == 2
        assert message in done.stderr
        assert done.stderr.rstrip().endswith("give another --out")
    assert place.read_text() == "mine"


def test_3_for_a_fault_of_our_own(monkeypatch, capsys, tmp_path):
    """Python's own code for it would be 1, which means a night that is done."""
    monkeypatch.setattr("nightmill.run.session.prepare", lambda *args, **words: 1 / 0)
    with pytest.raises(SystemExit) as left:
        main(["check", str(tmp_path)])
    assert left.value.code == 3
    said = capsys.readouterr().err
    assert said.startswith("nightmill: a fault of nightmill itself: ZeroDivisionError: division by zero. Recordings")
    assert "test_cli.py" in said


def test_2_for_a_wrong_recipe_with_its_place(toy, toy_night):
    recipe = toy_night.parent / "toy.yaml"
    recipe.write_text(recipe.read_text().replace("factor: 3", "factr: 3"))
    done = nightmill(*toy)
    assert done.returncode == 2
    assert "toy.yaml:9:17: " in done.stderr
    assert "'factr'" in done.stderr
    assert "did you mean 'factor'?" in done.stderr
    assert "                ^" in done.stderr


def test_3_when_the_scheduler_is_not_there(toy):
    arguments = [one for one in toy if one not in ("--using", "serial")]
    done = nightmill(*arguments, "--scheduler", "tcp://127.0.0.1:9")
    assert done.returncode == 3
    assert "cannot reach the scheduler at tcp://127.0.0.1:9" in done.stderr
    assert "Traceback" not in done.stderr


def test_4_for_a_broken_plugin(toy, tmp_path):
    broken = tmp_path / "broken.py"
    broken.write_text("import no_such_module\n@stage.survey(gives={'mine': 'mine, 0 to 1'})\ndef my_grade(data): ...\n")
    recipe = toy[5].with_name("mine.yaml")
    recipe.write_text(toy[5].read_text().replace("  - toy-mean", "  - my-grade\n  - toy-mean"))
    done = nightmill(*toy[:5], recipe, *toy[6:], "--plugin", broken)
    assert done.returncode == 4
    assert "stage 'my-grade' is in broken (broken.py), which cannot be loaded" in done.stderr
    assert "broken.py:1:1: ModuleNotFoundError: No module named 'no_such_module'" in done.stderr
    assert "Traceback" in done.stderr  # of the plugin's own code alone
    assert "importlib" not in done.stderr


def test_a_broken_plugin_stops_no_run_that_does_not_use_it(toy, tmp_path):
    broken = tmp_path / "broken.py"
    broken.write_text("import no_such_module\n")
    done = nightmill(*toy, "--plugin", broken)
    assert done.returncode == 0, done.stderr
    assert "not loaded, and not needed here: plugin broken: " in done.stderr
    assert "broken.py:1:1: ModuleNotFoundError" in done.stderr


def test_75_while_another_run_holds_the_folder(toy, toy_night):
    with hold(toy_night.parent / "out" / ".store"):
        done = nightmill(*toy)
    assert done.returncode == 75
    assert "another run holds this output folder (process" in done.stderr


def test_help_is_quick():
    nightmill("--help")
    spent = []
    for _ in range(3):
        began = time.perf_counter()
        assert nightmill("--help").returncode == 0
        spent.append(time.perf_counter() - began)
    bare = []
    for _ in range(3):
        began = time.perf_counter()
        subprocess.run([sys.executable, "-c", "import click"], check=True)
        bare.append(time.perf_counter() - began)
    # Compared with Python and click alone in the same run, since machines differ: no heavy import may creep in.
    assert min(spent) < min(bare) + 0.3


def test_clean_frees_the_store_and_leaves_the_products(toy, toy_night):
    assert nightmill(*toy).returncode == 0
    out = toy_night.parent / "out"
    dry = nightmill("clean", out, "--dry-run")
    assert dry.returncode == 0 and "products that can be made again" in dry.stdout
    assert list((out / ".store" / "objects").glob("*/*"))
    assert nightmill("clean", out).returncode == 0
    assert not list((out / ".store" / "objects").glob("*/*"))
    assert list((out / "pictures").iterdir()) and list((out / "stacks").iterdir())
    assert nightmill(*toy).returncode == 0


def test_doctor_tells_and_hides_what_is_private(tmp_path):
    done = nightmill("doctor", "--out", tmp_path, "--share")
    assert done.returncode == 0, done.stdout + done.stderr
    for part in ("Python", "plugins", "memory", "disk", "locks and renames: work here"):
        assert part in done.stdout
    import getpass
    from pathlib import Path

    assert str(Path.home()) + "/" not in done.stdout
    assert getpass.getuser() not in done.stdout.replace("(user)", "")


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("60 GB free at /srv/astro/jane", "60 GB free at (path)"),
        ("x.py (/data/x.py): no", "x.py ((path)): no"),
        (r"60 GB free at C:\Users\jane\night", "60 GB free at (path)"),
        (r'"text": "free at D:\\night"', '"text": "free at (path)"'),
        (r"at \\server\share\x", "at (path)"),
        ("numpy 2.4.6 on x86_64 and/or 3/4 of 5 GB", "numpy 2.4.6 on x86_64 and/or 3/4 of 5 GB"),
    ],
)
def test_what_is_shared_holds_no_path(text, shown):
    from nightmill.cli.doctor import _hide

    assert _hide(text) == shown


def test_a_frame_that_is_brighter_than_any_is_no_reason_to_stop(toy, toy_night):
    np.save(toy_night / "mars_20250205_204500_R.npy", np.full((20, 24, 32), 255, np.uint8))
    assert nightmill(*toy).returncode == 0
