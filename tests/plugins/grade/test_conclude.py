"""What the whole table says: gaps, copies, clouds."""

from __future__ import annotations

import numpy as np

from nightmill_stages.grade.conclude import burnt_out, find_gaps, judge, summary
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


def test_a_burnt_out_capture_is_told_and_a_few_burnt_frames_are_not() -> None:
    flags = np.zeros(20, np.int32)
    flags[:10] = Flag.SATURATED
    kept = np.ones(20, bool)
    assert burnt_out(flags, kept) is None
    kept[19] = False
    said = burnt_out(flags, kept)
    assert said is not None
    assert said.startswith("In 10 of 19 usable frames parts of the object are burnt out: there detail is lost")
    assert burnt_out(flags, np.zeros(20, bool)) is None


def test_one_frame_is_not_called_frames() -> None:
    flags = np.array([0, Flag.CUT, Flag.DIMMED, Flag.DIMMED], np.int32)
    words = [text for _, _, text in summary(flags, np.array([True, False, False, False]))]
    assert words[1:] == [
        "1 frame: the object is cut by the edge of the frame",
        "2 frames: dimmed, by cloud most likely",
    ]


def test_frames_that_are_all_cut_stay() -> None:
    flags = np.full(20, int(Flag.CUT), np.int32)
    _, kept = judge(flags, np.full(20, 0.4), np.arange(20), False, 0.6)
    assert kept.all()
