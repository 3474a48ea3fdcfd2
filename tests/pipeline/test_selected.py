"""Which frames a pass reads: those that its surveys want, unless reading all takes no longer."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from nightmill.artefacts import FrameTable
from nightmill.stage import Context
from nightmill.work.actions import WORTH_SKIPPING, _wanted

KEPT = np.array([True, True, True, False])
LARGE, SMALL = SimpleNamespace(frame_bytes=WORTH_SKIPPING), SimpleNamespace(frame_bytes=WORTH_SKIPPING - 1)


def survey(wanted: list[int] | None, rows: str = "all") -> tuple[object, Context]:
    mask = None if wanted is None else np.isin(np.arange(4), wanted)
    return SimpleNamespace(name="any", rows=rows, select=lambda table, context: mask), Context()


@pytest.mark.parametrize(
    ("surveys", "capture", "read"),
    [
        ([survey(None)], LARGE, None),
        ([survey(None, "kept")], LARGE, [0, 1, 2]),
        ([survey([0, 3])], LARGE, [0, 3]),
        ([survey([0, 3], "kept")], LARGE, [0]),
        ([survey([0]), survey([1])], LARGE, [0, 1]),
        ([survey([0]), survey(None)], LARGE, None),
        ([survey([0], "kept")], SMALL, [0, 1, 2]),
        ([survey([0])], SMALL, None),
    ],
)
def test_what_surveys_want_is_read(surveys, capture, read):
    mask = _wanted(surveys, FrameTable({"kept": KEPT}), capture)
    assert mask is None if read is None else np.flatnonzero(mask).tolist() == read


def test_without_a_table_all_are_read():
    assert _wanted([survey([0])], None, LARGE) is None
