"""What the whole table says: gaps, copies, clouds."""

from __future__ import annotations

import numpy as np

from nightmill_stages.grade.conclude import find_gaps, judge, summary
from nightmill_stages.grade.flags import Flag


def test_gaps_are_found_and_unknown_times_are_not() -> None:
    utc = 1.7e9 + np.array([0, 0.01, 0.02, 0.05, 0.06, 0.07])
    assert np.flatnonzero(find_gaps(utc) & Flag.DROPPED).tolist() == [3]
    assert not find_gaps(np.full(5, np.nan)).any()


def test_clouds_copies_and_lost_frames_are_not_kept() -> None:
    level = np.full(50, 0.5)
    level[10:15] = 0.2
    flags = np.zeros(50, np.int32)
    flags[20] = Flag.LOST
    flags[21] = Flag.DROPPED
    level[20] = 0.0
    checksum = np.arange(50)
    checksum[31] = checksum[30]
    flags, kept = judge(flags, level, checksum, False, 0.6)
    assert np.flatnonzero(~kept).tolist() == [10, 11, 12, 13, 14, 20, 31]
    assert kept[21]
    words = " ".join(text for _, _, text in summary(flags, kept))
    assert "43 of 50 frames are usable" in words
    assert "cloud" in words


def test_frames_that_are_all_cut_stay() -> None:
    flags = np.full(20, int(Flag.CUT), np.int32)
    _, kept = judge(flags, np.full(20, 0.4), np.arange(20), False, 0.6)
    assert kept.all()
