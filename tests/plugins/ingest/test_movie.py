"""Compressed movies: lossless codings give back what OpenCV wrote; any order of reading gives the same pixels."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from nightmill.errors import CaptureError
from nightmill_stages.ingest import Ingest

from .makers import scene


def write_movie(path, frames, code):
    height, width = frames.shape[1:3]
    writer = cv2.VideoWriter(str(path), cv2.CAP_FFMPEG, cv2.VideoWriter_fourcc(*code), 25.0, (width, height))
    if not writer.isOpened():
        pytest.skip(f"OpenCV cannot write {code} here")
    for frame in frames:
        writer.write(np.ascontiguousarray(frame[..., ::-1]))
    writer.release()
    return path


def colours(n=30):
    return scene(n, 48, 64, top=255, planes=3).astype(np.uint8)


@pytest.mark.parametrize(("code", "suffix"), [("FFV1", ".avi"), ("HFYU", ".avi"), ("png ", ".mov"), ("FFV1", ".mkv")])
def test_lossless_codings_are_exact(tmp_path, code, suffix):
    frames = colours()
    source = Ingest()
    capture = source.open(write_movie(tmp_path / f"a{suffix}", frames, code))
    assert (capture.frames, capture.planes, capture.filter) == (30, 3, "RGB")
    assert capture.frame_interval_s == pytest.approx(0.04)
    assert capture.details["reader"] == "movie" and not capture.cautions
    np.testing.assert_array_equal(source.read(capture, 0, 30), frames)
    source.close()


def test_any_order_of_reading_gives_the_same_pixels(tmp_path):
    source = Ingest()
    capture = source.open(write_movie(tmp_path / "a.mp4", colours(), "mp4v"))
    assert "compressed with loss" in capture.cautions[0]
    whole = source.read(capture, 0, capture.frames)
    for start, stop in [(20, 25), (3, 9), (9, 12), (25, 30), (0, 1)]:
        np.testing.assert_array_equal(source.read(capture, start, stop), whole[start:stop])
    source.close()


def test_grey_becomes_one_plane(tmp_path):
    grey = scene(6, 48, 64, top=255).astype(np.uint8)
    source = Ingest()
    capture = source.open(write_movie(tmp_path / "a.avi", np.repeat(grey[..., None], 3, axis=3), "FFV1"))
    assert (capture.planes, capture.filter) == (1, None)
    np.testing.assert_array_equal(source.read(capture, 0, 6), grey)
    source.close()


def test_a_cut_avi_gives_what_can_be_decoded(tmp_path):
    frames = colours()
    path = write_movie(tmp_path / "a.avi", frames, "FFV1")
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 6 // 10])
    source = Ingest()
    capture = source.open(path)
    assert 10 <= capture.frames <= 20 and capture.frames + capture.frames_missing >= 25
    np.testing.assert_array_equal(source.read(capture, 0, capture.frames - 1), frames[: capture.frames - 1])
    source.close()


def test_a_cut_mp4_without_its_index_is_said(tmp_path):
    path = write_movie(tmp_path / "a.mp4", colours(), "mp4v")
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(CaptureError, match="index is missing"):
        Ingest().open(path)


def test_a_play_list_in_disguise_is_refused(tmp_path):
    (tmp_path / "a.mp4").write_bytes(b"ffconcat version 1.0\nfile other.mp4\n")
    with pytest.raises(CaptureError, match="does not begin like a movie"):
        Ingest().open(tmp_path / "a.mp4")
