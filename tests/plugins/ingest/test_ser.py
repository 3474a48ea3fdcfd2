"""SER recordings: every colour and depth, both byte orders, times, and files that are cut or claim too much."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from nightmill.errors import CaptureError
from nightmill_stages.ingest import Ingest

from .makers import scene, write_ser

START = 1_768_255_800.0  # 2026-01-12T22:10:00Z


def read_all(path: Path, **parameters):
    source = Ingest(Ingest.Parameters(**parameters))
    capture = source.open(path)
    data = source.read(capture, 0, capture.frames)
    source.close()
    assert data.dtype == np.dtype(capture.dtype) and data.dtype.isnative
    return capture, data


@pytest.mark.parametrize("bits", [8, 9, 10, 12, 14, 16])
@pytest.mark.parametrize("colour", [0, 8, 9, 10, 11, 100, 101])
def test_every_colour_and_depth(tmp_path, bits, colour):
    planes = 3 if colour >= 100 else 1
    frames = scene(4, 20, 24, top=2**bits - 1, planes=planes)
    capture, data = read_all(write_ser(tmp_path / "a.ser", frames, colour=colour, bits=bits))
    expected = frames[..., ::-1] if colour == 101 else frames
    np.testing.assert_array_equal(data, expected)
    assert capture.full_scale == 2**bits - 1
    assert capture.planes == planes
    assert capture.cfa == {8: "RGGB", 9: "GRBG", 10: "GBRG", 11: "BGGR"}.get(colour)
    assert capture.filter == ("RGB" if colour else None)
    assert capture.utc_start == START
    assert capture.camera == "Invented Cam 12"
    assert capture.frames_missing == 0 and not capture.cautions


@pytest.mark.parametrize("bits", [10, 12, 16])
@pytest.mark.parametrize("flag", [0, 1])
@pytest.mark.parametrize("big", [False, True])
@pytest.mark.parametrize("level", [1.0, 0.05, 0.01])
def test_the_pixels_decide_the_byte_order(tmp_path, bits, flag, big, level):
    # `level` 0.05 and 0.01 are underexposed frames and darks: most high bytes are zero.
    frames = (scene(3, 32, 40, top=2**bits - 1) * level).astype(np.uint16) + 3
    _, data = read_all(write_ser(tmp_path / "a.ser", frames, bits=bits, big_endian=big, flag=flag))
    np.testing.assert_array_equal(data, frames)


def test_recipe_overrules_byte_order_and_bits(tmp_path):
    frames = scene(2, 16, 16, top=4095)
    path = write_ser(tmp_path / "a.ser", frames, bits=16)
    capture, data = read_all(path, bits=12)
    assert capture.full_scale == 4095
    _, swapped = read_all(path, byte_order="big")
    np.testing.assert_array_equal(swapped, data.byteswap())


@pytest.mark.parametrize("stated", [12, 16])
@pytest.mark.parametrize("big", [False, True])
def test_left_aligned_samples_are_moved_right(tmp_path, stated, big):
    frames = scene(3, 32, 32, top=4095)
    capture, data = read_all(write_ser(tmp_path / "a.ser", frames << 4, bits=stated, big_endian=big))
    np.testing.assert_array_equal(data, frames)
    assert capture.full_scale == 4095


def test_a_depth_that_the_data_contradict_is_overruled_and_said(tmp_path):
    frames = scene(3, 32, 32, top=65535)
    capture, data = read_all(write_ser(tmp_path / "a.ser", frames, bits=12))
    np.testing.assert_array_equal(data, frames)
    assert capture.full_scale == 65535
    assert "states 12 bits" in capture.cautions[0]


def test_times_come_from_the_trailer(tmp_path):
    times = START + 0.5 + 0.0125 * np.arange(9)
    path = write_ser(tmp_path / "a.ser", scene(9, 8, 8, top=255), times=times)
    source = Ingest()
    capture = source.open(path)
    assert capture.utc_start == pytest.approx(times[0], abs=1e-6)
    assert capture.frame_interval_s == pytest.approx(0.0125, abs=1e-7)
    # 100 ns ticks, then float64 POSIX seconds (2.4e-7 s spacing at this date)
    np.testing.assert_allclose(source.times(capture, 2, 7), times[2:7], atol=5e-7, rtol=0)
    source.close()


def test_trailer_in_local_time_is_set_right(tmp_path):
    times = START + 7200 + 0.02 * np.arange(5)
    path = write_ser(tmp_path / "a.ser", scene(5, 8, 8, top=255), times=times, local=START + 7200)
    source = Ingest()
    capture = source.open(path)
    assert capture.utc_start == pytest.approx(START, abs=1e-6)
    np.testing.assert_allclose(source.times(capture, 0, 5), times - 7200, atol=5e-7, rtol=0)
    assert "local time" in capture.cautions[0]
    source.close()


@pytest.mark.parametrize(
    "times",
    [np.zeros(6), START + np.array([0, 9, 2, 7, 4, 5.0]), np.full(6, START + 4), START + 1e10 * np.arange(6)],
    ids=["unset", "shuffled", "all equal", "far future"],
)
def test_times_that_cannot_be_believed_are_not_used(tmp_path, times):
    source = Ingest()
    capture = source.open(write_ser(tmp_path / "a.ser", scene(6, 8, 8, top=255), times=np.clip(times, 0, 9e9)))
    assert capture.utc_start == START
    assert len(capture.cautions) == 1
    found = source.times(capture, 0, 6)
    assert found.shape == (6,) and (capture.frame_interval_s is None) == bool(np.isnan(found).any())
    source.close()


def test_without_any_time_nothing_is_invented(tmp_path):
    source = Ingest()
    capture = source.open(write_ser(tmp_path / "a.ser", scene(3, 8, 8, top=255), utc=None))
    assert capture.utc_start is None
    assert np.isnan(source.times(capture, 0, 3)).all()
    source.close()


def test_a_truncated_file_gives_its_whole_frames(tmp_path):
    frames = scene(10, 16, 20, top=255)
    path = write_ser(tmp_path / "a.ser", frames, times=START + np.arange(10.0), cut=80 + 2 * 320 + 11)
    capture, data = read_all(path)
    assert (capture.frames, capture.frames_missing) == (7, 3)
    np.testing.assert_array_equal(data, frames[:7])


def test_an_unfinished_header_gives_the_frames_by_size(tmp_path):
    frames = scene(5, 16, 20, top=255)
    capture, data = read_all(write_ser(tmp_path / "a.ser", frames, claimed=0))
    np.testing.assert_array_equal(data, frames)
    assert "broken off" in capture.cautions[0]


def test_a_cut_trailer_is_said(tmp_path):
    capture, _ = read_all(write_ser(tmp_path / "a.ser", scene(5, 8, 8, top=255), times=START + np.arange(5.0), cut=3))
    assert "cut off" in capture.cautions[0]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"colour": 16}, "complementary"),
        ({"colour": 7}, "colour code"),
        ({"bits": 32}, "32 bits"),
        ({"cut": 16 * 20 * 5 + 100}, "bytes long"),
        ({"cut": 16 * 20 * 5 - 100}, "no whole frame"),
    ],
)
def test_what_cannot_be_used_is_said_in_words(tmp_path, change, words):
    path = write_ser(tmp_path / "jupiter.ser", scene(5, 16, 20, top=255), **change)
    with pytest.raises(CaptureError, match=words) as error:
        Ingest().open(path)
    assert "jupiter.ser" in str(error.value)


def test_a_file_cut_after_opening_is_said(tmp_path):
    path = write_ser(tmp_path / "a.ser", scene(5, 16, 20, top=255))
    source = Ingest()
    capture = source.open(path)
    path.write_bytes(path.read_bytes()[:-50])
    with pytest.raises(CaptureError, match="shorter"):
        source.read(capture, 0, 5)
    source.close()


def test_any_chunking_reads_the_same(tmp_path):
    frames = scene(11, 16, 20, top=4095)
    source = Ingest()
    capture = source.open(write_ser(tmp_path / "a.ser", frames, bits=12, big_endian=True))
    parts = [source.read(capture, a, min(a + 4, 11)) for a in range(0, 11, 4)]
    np.testing.assert_array_equal(np.concatenate(parts), frames)
    assert source.read(capture, 3, 3).shape == (0, 16, 20)
    source.close()


def test_colour_filter_array_from_the_recipe(tmp_path):
    capture, _ = read_all(write_ser(tmp_path / "a.ser", scene(2, 8, 8, top=255)), cfa="GBRG")
    assert (capture.cfa, capture.filter) == ("GBRG", "RGB")
    capture, _ = read_all(write_ser(tmp_path / "b.ser", scene(2, 8, 8, top=255), colour=8), cfa="none")
    assert (capture.cfa, capture.filter) == (None, None)


def test_a_missing_file_is_a_plain_sentence(tmp_path):
    source = Ingest()
    assert not source.accepts(tmp_path / "gone.ser")
    with pytest.raises(CaptureError, match=r"gone\.ser cannot be read"):
        source.open(tmp_path / "gone.ser")
