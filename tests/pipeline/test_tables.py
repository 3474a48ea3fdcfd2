"""Columns of a frame table: what several surveys say of the same thing."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest

from nightmill.artefacts import FrameTable
from nightmill.store import Store
from nightmill.work.tables import RangeWriter, add_concluded, add_measured, spread
from toysupport import TOY, TOY_RECIPE

MARKS = """
import numpy as np
from nightmill import stage
from nightmill.hooks import implementation

nightmill_api = 1


class First(stage.Survey):
    "Mark every frame, and leave the odd ones out."

    name = "toy-first"
    gives = {"marks": "bits", "worth": "a number"}

    def measure(self, frames, rows, context):
        return {"marks": frames.numbers % 8, "worth": frames.numbers / 10}

    def conclude(self, table, context):
        return {"kept": table["number"] % 2 == 0}


class Second(stage.Survey):
    "Add a bit to frames that are left."

    name = "toy-second"
    needs = ("marks", "kept")
    gives = {"marks": "as before, and a bit", "worth": "a number", "late": "a number", "whole": "a number"}
    rows = "kept"

    def measure(self, frames, rows, context):
        return {"marks": rows["marks"] | 64, "worth": -rows["worth"], "late": rows["worth"], "whole": frames.numbers}


@implementation
def nightmill_stages():
    return [First, Second]
"""


def test_a_second_survey_changes_what_it_measures_and_nothing_else(run_toy, toy_night):
    plugin = toy_night.parent / "marks.py"
    plugin.write_text(MARKS, encoding="utf-8")
    recipe = TOY_RECIPE.replace("toy-level: {limit: 1}", "toy-first").replace("toy-rank", "toy-second")
    recipe = recipe.replace("  - toy-mean", "  - toy-level\n  - toy-mean")
    (toy_night.parent / "toy.yaml").write_text(recipe, encoding="utf-8")
    for path in (*toy_night.glob("mars*"), *toy_night.glob("dark*")):
        path.unlink()
    out = run_toy(plugins=(str(TOY), str(plugin))).out
    store = Store(out / ".store")
    folders = [path.parent for path in store.objects.rglob("table.fits")]
    (table,) = [one for one in map(FrameTable.load, folders) if one.rows == 700 and {"late", "level"} <= set(one)]
    number, even = np.arange(700), np.arange(700) % 2 == 0
    assert np.array_equal(table["marks"], np.where(even, (number % 8) | 64, number % 8))
    np.testing.assert_array_equal(table["worth"], np.where(even, -number / 10, number / 10))
    np.testing.assert_array_equal(table["late"], np.where(even, number / 10, np.nan))
    assert np.array_equal(table["whole"], np.where(even, number, 0))


@pytest.mark.parametrize(
    ("values", "before", "expected"),
    [
        (np.array([5, 6], np.int32), np.array([1, 2, 4], np.int32), [5, 2, 6]),
        (np.array([True, True]), np.array([False, True, False]), [True, True, True]),
        (np.array([5.0, 6.0], np.float32), None, [5, np.nan, 6]),
        (np.array([5, 6]), None, [5, 0, 6]),
        # Another shape of entries is another column.
        (np.ones((2, 2), np.float32), np.zeros(3, np.float32), [[1, 1], [np.nan, np.nan], [1, 1]]),
        # Neither side loses digits.
        (np.array([5, 6], np.int32), np.array([0.5, 2.25, 0.5]), [5, 2.25, 6]),
    ],
)
def test_spread(values, before, expected):
    rows = np.array([0, 2])
    kept = None if before is None else before.copy()
    np.testing.assert_array_equal(spread(values, rows, 3, before), expected)
    assert before is None or np.array_equal(before, kept)


def mesh_table(rows: int, seed: int = 3) -> FrameTable:
    rng = np.random.default_rng(seed)
    mesh = rng.normal(size=(rows, 30, 30, 2)).astype(np.float32)
    return FrameTable({"number": np.arange(rows), "kept": rng.random(rows) < 0.7, "mesh": mesh})


def test_wide_columns_stay_on_disk_and_look_like_any_other(tmp_path):
    table = mesh_table(1000)
    table.save(tmp_path)
    assert (tmp_path / "table.fits").stat().st_size < 30_000
    # The file is what NumPy reads.
    assert np.array_equal(np.load(tmp_path / "mesh.npy"), table["mesh"])
    again = FrameTable.load(tmp_path)
    assert set(again) == set(table)
    assert set(again.files) == {"mesh"}
    assert np.array_equal(again["mesh"], table["mesh"])
    assert not again["mesh"].flags.writeable
    for rows in (np.array([5, 6, 7]), np.array([9, 2, 999]), slice(10, 50, 7), table["kept"], np.zeros(0, int)):
        taken = again.take(rows)
        assert not taken.files
        assert np.array_equal(taken["mesh"], table["mesh"][rows])
        assert np.array_equal(taken["number"], table["number"][rows])
    for one in (table, again):
        for mask in (None, table["kept"]):
            rows, values = zip(*one.blocks("mesh", mask), strict=True)
            assert len(rows) > 1
            expected = np.arange(1000) if mask is None else np.flatnonzero(mask)
            assert np.array_equal(np.concatenate(rows), expected)
            assert np.array_equal(np.concatenate(values), table["mesh"][expected])
    # Saved again: replaced, dropped, or copied as they are.
    (tmp_path / "two").mkdir()
    again.with_columns({"mesh": again["mesh"] + 1, "late": np.arange(1000)}).save(tmp_path / "two")
    assert np.array_equal(FrameTable.load(tmp_path / "two")["mesh"], table["mesh"] + 1)
    assert set(again.without(["mesh"])) == {"number", "kept"}


def test_ranges_become_a_column_as_if_it_had_been_in_memory(tmp_path):
    before = mesh_table(1000).with_columns({"kept": np.ones(1000, bool)})
    rows = np.flatnonzero(np.random.default_rng(5).random(1000) < 0.6)
    measured = mesh_table(1000, seed=6).take(rows)["mesh"]
    parts = []
    for number, part in enumerate(np.array_split(np.arange(len(rows)), 3)):
        (tmp_path / str(number)).mkdir()
        with RangeWriter(tmp_path / str(number), len(part)) as written:
            for chunk in np.array_split(part, 5):
                written.add({"number": rows[chunk], "mesh": measured[chunk], "level": rows[chunk] / 2})
            written.close()
        parts.append(FrameTable.load(tmp_path / str(number)))
    for name, table in (("new", before.without(["mesh"])), ("old", before)):
        (tmp_path / name).mkdir()
        whole = add_measured(table, parts, tmp_path / name)
        assert set(whole.files) == {"mesh"}
        np.testing.assert_array_equal(whole["mesh"], spread(measured, rows, 1000, table.get("mesh")))
        np.testing.assert_array_equal(whole["level"], spread(rows / 2, rows, 1000))
        concluded = add_concluded(whole, {"mesh": (2 * part for _, part in whole.blocks("mesh"))}, tmp_path / name)
        np.testing.assert_array_equal(concluded["mesh"], 2 * whole["mesh"])


def test_a_column_in_parts_must_have_every_row(tmp_path):
    with pytest.raises(ValueError, match="990 rows in a column of 1000"):
        add_concluded(mesh_table(1000), {"mesh": iter([np.zeros((990, 30, 30, 2))])}, tmp_path)


@pytest.mark.skipif(sys.platform != "linux", reason="asks for what was in memory at most by /proc")
def test_memory_does_not_grow_with_the_frames(tmp_path):
    code = f"""
import resource, numpy as np
from pathlib import Path
from nightmill.artefacts import FrameTable
from nightmill.work.tables import RangeWriter, add_concluded, add_measured
from nightmill_stages.align.straight import mean_bending, straightened
import astropy.table, astropy.io.fits

def peak():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024

def work(rows):
    folder = Path({str(tmp_path)!r}) / str(rows)
    parts = []
    for number in range(4):
        (folder / str(number)).mkdir(parents=True)
        with RangeWriter(folder / str(number), rows) as written:
            for k in range(rows):
                mesh = np.full((1, 45, 80, 2), k + 0.5, np.float32)
                written.add({{"number": np.array([number * rows + k]), "mesh": mesh}})
            written.close()
        parts.append(FrameTable.load(folder / str(number)))
    table = FrameTable({{"number": np.arange(4 * rows), "kept": np.ones(4 * rows, bool)}})
    table = add_measured(table, parts, folder)
    mean, _ = mean_bending(table, table["kept"])
    table = add_concluded(table, {{"mesh": straightened(table, table["kept"], mean)}}, folder)
    table.save(folder)
    table = FrameTable.load(folder)
    assert abs(float(table.take(np.array([rows - 1]))["mesh"].mean()) - (rows - 1) / 2) < 1e-3

work(50)
before = peak()
work(1000)
print(peak() - before)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    # The larger table is 115 MB, once.
    assert float(done.stdout) < 25
