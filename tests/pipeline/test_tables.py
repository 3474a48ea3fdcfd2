"""Columns of a frame table: what several surveys say of the same thing."""

from __future__ import annotations

import numpy as np
import pytest

from nightmill.artefacts import FrameTable
from nightmill.store import Store
from nightmill.work.tables import spread
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
