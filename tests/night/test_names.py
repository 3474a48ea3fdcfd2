"""Hostile names: whatever a header, a night file or a file's own name says, nothing is written outside the output."""

from __future__ import annotations

import os
import sys
import unicodedata

import numpy as np
import pytest

from nightmill.artefacts import Capture
from nightmill.errors import MachineError, UsageError
from nightmill.naming import format_name
from nightmill.night import read_night
from nightmill.plan.build import _names

LONG = "x" * 300
NAMES = [
    "..", ".", "../..", "../../etc/passwd", "/etc/passwd", "//server/share", "\\\\server\\share", "C:\\Windows", "C:",
    "c:/x", "D:..\\x", "a/b", "a\\b", "a/../../b", "~", "~root/x", "$HOME", "%TEMP%", "${x}", "`id`", "$(id)", "x;rm",
    "a\0b", "a\nb", "a\rb", "a\tb", "\x1b[31m", "\x7f", "CON", "con.fits", "NUL", "AUX", "PRN", "COM1", "LPT9.tif",
    "com\u00b9", "trailing.", "trailing ", " leading", ".hidden", "-rf", "--out", "a:b", "a*b", "a?b", 'a"b', "a<b>c",
    "a|b", LONG, "\u6728" * 200, "\u00e9" * 300, "e\u0301" * 300, "{x.__class__}", "{target}", "{0}", "%s%n",
    "\u202eexe.gpj", "\ufeff", "\ud800", "\U0001f4a3", "", " ", "con\u0301",
]  # fmt: skip
PATTERN = "{target}_{date}_{time}_{filter}"


def capture(target, filter="R"):
    return Capture("", "a.ser", "toy", 1, 8, 8, target=target, filter=filter, utc_start=1.7e9)


@pytest.mark.parametrize("pattern", [PATTERN, "{target}", "{filter}", "{target}/{filter}", "../{target}"])
def test_sixty_hostile_names_stay_in_their_folder(tmp_path, pattern):
    assert len(NAMES) >= 60
    out = tmp_path / "deep" / "out"
    out.mkdir(parents=True)
    names = _names(pattern, [capture(one, one) for one in NAMES])
    assert len({unicodedata.normalize("NFD", one).casefold() for one in names}) == len(NAMES)
    for name in names:
        path = out / f"{name}.labelled.png"
        path.write_bytes(b"")
        assert path.resolve().parent == out.resolve()
        assert name.isprintable() and not set(name) & set('/\\:*?"<>|')
        assert not name.startswith((".", "-")) and not name.endswith((".", " "))
    assert len(list(out.iterdir())) == len(NAMES)
    assert [path.name for path in tmp_path.rglob("*") if out not in (path, *path.parents)] == ["deep"]


def test_names_that_a_file_system_takes_for_one_get_a_number():
    twins = ["\u00e9toile", "e\u0301toile", "\u00c9TOILE", "Stra\u00dfe", "STRASSE", "mars", "Mars"]
    names = _names("{target}", [capture(one) for one in twins])
    assert len({unicodedata.normalize("NFC", one).casefold() for one in names}) == len(twins)
    assert format_name("{target}", twins[0], None, None) == format_name("{target}", twins[1], None, None)


def test_a_night_full_of_them_is_worked_through(run_toy, toy_night):
    for path in toy_night.iterdir():
        path.unlink()
    worst = ["../../escape", "CON", "a\nb", LONG, "e\u0301" * 100, "{x.__class__}", "C:\\x", ""]
    lines = ["captures:"]
    for number, name in enumerate(worst):
        np.save(toy_night / f"r{number}.npy", np.full((3, 8, 8), 9, np.uint8))
        text, short = ("".join(f"\\u{ord(letter):04x}" for letter in name[:most]) for most in (80, 40))
        lines.append(f'  r{number}.npy: {{target: "{text}", filter: "{short}"}}')
    if sys.platform == "linux":  # elsewhere names are Unicode
        worst.append("not UTF-8")
        with open(os.fsencode(toy_night) + b"/mars_20250205_203000_\xff.npy", "wb") as stream:  # noqa: PTH123
            np.save(stream, np.full((3, 8, 8), 9, np.uint8))
    np.save(toy_night / "%2f..%2f..%2fescape_20250205_203000_R.npy", np.full((3, 8, 8), 9, np.uint8))
    (toy_night / "night.yaml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    around = {path.name for path in toy_night.parent.iterdir()}
    result = run_toy()
    assert result.exit_code == 0
    assert {path.name for path in toy_night.parent.iterdir()} == around | {"out"}
    assert len(list((result.out / "stacks").iterdir())) == len(worst) + 1
    assert all(path.resolve().is_relative_to(result.out.resolve()) for path in result.out.rglob("*"))


@pytest.mark.parametrize(
    "pattern", ["{x.__class__}_{target}", "{target.__init__}", "{0}", "{target!r}", "{target:>99}"]
)
def test_patterns_that_would_format_objects_are_refused(tmp_path, pattern):
    (tmp_path / "night.yaml").write_text(f"names: '{pattern}'\n", encoding="utf-8")
    with pytest.raises(UsageError, match="there is target, date, time, filter"):
        read_night(tmp_path)


@pytest.mark.skipif(os.name == "nt", reason="links need a privilege on Windows")
@pytest.mark.parametrize(
    "name", ["pictures", "stacks", "journal.jsonl", ".store", ".store/objects", ".store/index.json"]
)
def test_nothing_is_written_through_links(run_toy, toy_night, tmp_path, name):
    elsewhere = tmp_path / "elsewhere"
    if name.endswith("json"):
        elsewhere.write_text("{}", encoding="utf-8")
    elif name.endswith("jsonl"):
        elsewhere.write_text("mine", encoding="utf-8")
    else:
        elsewhere.mkdir()
    place = toy_night.parent / "out" / name
    place.parent.mkdir(parents=True, exist_ok=True)
    place.symlink_to(elsewhere)
    before = elsewhere.read_bytes() if elsewhere.is_file() else sorted(elsewhere.rglob("*"))
    with pytest.raises(MachineError, match="is a link, and nothing is written through links; remove it"):
        run_toy()
    assert (elsewhere.read_bytes() if elsewhere.is_file() else sorted(elsewhere.rglob("*"))) == before


@pytest.mark.skipif(os.name == "nt", reason="links need a privilege on Windows")
def test_a_folder_swapped_for_a_link_while_the_run_goes_on_is_not_followed(run_toy, toy_night, tmp_path, monkeypatch):
    from nightmill.run import publish

    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    whole = publish.copy_whole

    def swap(source, target):
        whole(source, target)
        if target.parent.name == "stacks" and not target.parent.is_symlink():
            target.parent.rename(tmp_path / "moved")
            target.parent.symlink_to(elsewhere)

    monkeypatch.setattr(publish, "copy_whole", swap)
    with pytest.raises((MachineError, FileNotFoundError)):
        run_toy()
    assert not list(elsewhere.iterdir())
