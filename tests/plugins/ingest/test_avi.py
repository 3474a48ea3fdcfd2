"""Raw AVI: pixel layouts, against OpenCV's reader, long files in segments, and recordings that broke off."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from nightmill.errors import CaptureError
from nightmill_stages.ingest import Ingest

from .makers import chunk, dib_rows, scene, write_avi

GREY_PALETTE = np.repeat(np.arange(256, dtype=np.uint8), 4).tobytes()


def read_all(path, **parameters):
    source = Ingest(Ingest.Parameters(**parameters))
    capture = source.open(path)
    data = source.read(capture, 0, capture.frames)
    source.close()
    return capture, data


def opencv_frames(path):
    video = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG)
    frames = []
    while (got := video.read())[0]:
        frames.append(got[1][..., ::-1])
    video.release()
    return np.array(frames)


def colour_scene(n, height, width):
    frames = scene(n, height, width, top=255, planes=3).astype(np.uint8)
    frames[:, 2, 3] = (250, 10, 30)
    return frames


@pytest.mark.parametrize("width", [24, 23, 22, 21])
def test_bgr24_as_opencv_reads_it(tmp_path, width):
    frames = colour_scene(5, 18, width)
    path = write_avi(tmp_path / "a.avi", [dib_rows(f) for f in frames], width=width, height=18, bits=24)
    capture, data = read_all(path)
    np.testing.assert_array_equal(data, frames)
    # Top down only: OpenCV 5.0 crashes on BGR24 that stands bottom up.
    path = write_avi(tmp_path / "b.avi", [dib_rows(f[::-1]) for f in frames], width=width, height=-18, bits=24)
    np.testing.assert_array_equal(opencv_frames(path), frames)
    assert (capture.planes, capture.filter, capture.frame_interval_s) == (3, "RGB", 0.02)
    assert capture.details["reader"] == "avi"


@pytest.mark.parametrize("width", [24, 23])
@pytest.mark.parametrize("palette", [GREY_PALETTE, b""], ids=["palette", "none"])
def test_eight_bit_grey(tmp_path, width, palette):
    frames = scene(5, 18, width, top=255).astype(np.uint8)
    payloads = [dib_rows(f) for f in frames]
    path = write_avi(tmp_path / "a.avi", payloads, width=width, height=18, bits=8, palette=palette)
    capture, data = read_all(path)
    np.testing.assert_array_equal(data, frames)
    assert (capture.planes, capture.filter, capture.full_scale) == (1, None, 255)
    if palette:
        np.testing.assert_array_equal(opencv_frames(path)[..., 1], frames)


def test_coloured_palette(tmp_path):
    table = np.zeros((256, 4), np.uint8)
    table[:, 0], table[:, 1], table[:, 2] = np.arange(256), 255 - np.arange(256), np.arange(256) // 2
    frames = scene(4, 18, 20, top=255).astype(np.uint8)
    payloads = [dib_rows(f) for f in frames]
    path = write_avi(tmp_path / "a.avi", payloads, width=20, height=18, bits=8, palette=table.tobytes())
    capture, data = read_all(path)
    assert capture.planes == 3
    np.testing.assert_array_equal(data, table[frames][..., 2::-1])
    np.testing.assert_array_equal(opencv_frames(path), data)


def test_inverted_grey_palette_becomes_one_plane(tmp_path):
    table = np.repeat(255 - np.arange(256, dtype=np.uint8), 4).tobytes()
    frames = scene(4, 18, 20, top=255).astype(np.uint8)
    path = write_avi(tmp_path / "a.avi", [dib_rows(f) for f in frames], width=20, height=18, bits=8, palette=table)
    capture, data = read_all(path)
    assert capture.planes == 1
    np.testing.assert_array_equal(data, 255 - frames)


def test_equal_planes_become_one(tmp_path):
    grey = scene(4, 18, 20, top=255).astype(np.uint8)
    payloads = [dib_rows(np.repeat(f[..., None], 3, axis=2)) for f in grey]
    capture, data = read_all(write_avi(tmp_path / "a.avi", payloads, width=20, height=18, bits=24))
    assert (capture.planes, capture.filter) == (1, None)
    np.testing.assert_array_equal(data, grey)


@pytest.mark.parametrize("code", [b"Y800", b"GREY", b"Y8  "])
@pytest.mark.parametrize("height", [18, -18])
def test_grey_codes_stand_top_down_whatever_the_sign(tmp_path, code, height):
    frames = scene(5, 18, 21, top=255).astype(np.uint8)
    path = write_avi(tmp_path / "a.avi", [f.tobytes() for f in frames], width=21, height=height, bits=8, code=code)
    np.testing.assert_array_equal(read_all(path)[1], frames)


def test_negative_height_of_plain_rgb_is_top_down(tmp_path):
    frames = colour_scene(3, 18, 20)
    path = write_avi(tmp_path / "a.avi", [dib_rows(f[::-1]) for f in frames], width=20, height=-18, bits=24)
    np.testing.assert_array_equal(read_all(path)[1], frames)


def test_bgr32_drops_the_fourth_byte(tmp_path):
    frames = colour_scene(3, 18, 20)
    four = np.concatenate([frames[..., ::-1], np.full((3, 18, 20, 1), 77, np.uint8)], axis=3)
    path = write_avi(tmp_path / "a.avi", [f[::-1].tobytes() for f in four], width=20, height=18, bits=32)
    np.testing.assert_array_equal(read_all(path)[1], frames)


@pytest.mark.parametrize(("code", "cfa"), [(b"BA81", "BGGR"), (b"GBRG", "GBRG"), (b"GRBG", "GRBG"), (b"RGGB", "RGGB")])
def test_raw_bayer(tmp_path, code, cfa):
    frames = scene(3, 18, 20, top=255).astype(np.uint8)
    path = write_avi(tmp_path / "a.avi", [f.tobytes() for f in frames], width=20, height=18, bits=8, code=code)
    capture, data = read_all(path)
    assert (capture.cfa, capture.filter, capture.planes) == (cfa, "RGB", 1)
    np.testing.assert_array_equal(data, frames)


def test_sixteen_bit_grey_is_right_aligned(tmp_path):
    frames = scene(3, 18, 20, top=4095)
    payloads = [(f << 4).astype("<u2").tobytes() for f in frames]
    capture, data = read_all(write_avi(tmp_path / "a.avi", payloads, width=20, height=18, bits=16, code=b"Y16 "))
    assert (capture.dtype, capture.full_scale) == ("uint16", 4095)
    np.testing.assert_array_equal(data, frames)


@pytest.mark.parametrize("between", [b"", chunk(b"JUNK", b"xx")], ids=["regular", "with other chunks"])
@pytest.mark.parametrize("pad", [True, False])
@pytest.mark.parametrize("segments", [1, 3])
def test_long_files_and_odd_sizes(tmp_path, segments, pad, between):
    frames = scene(40, 7, 9, top=255).astype(np.uint8)  # 63 bytes: odd
    payloads = [f.tobytes() for f in frames]
    path = write_avi(
        tmp_path / "a.avi", payloads, width=9, height=7, bits=8, code=b"Y800", segments=segments, pad=pad,
        between=between,
    )  # fmt: skip
    source = Ingest()
    capture = source.open(path)
    assert capture.frames == 40 and capture.frames_missing == 0
    parts = [source.read(capture, a, min(a + 7, 40)) for a in range(0, 40, 7)]
    np.testing.assert_array_equal(np.concatenate(parts), frames)
    source.close()


def test_empty_chunks_repeat_the_frame_before(tmp_path):
    frames = scene(5, 8, 8, top=255).astype(np.uint8)
    payloads = [f.tobytes() for f in frames]
    order = [0, 1, None, None, 2, None, 3, 4]
    path = write_avi(
        tmp_path / "a.avi", [b"" if i is None else payloads[i] for i in order], width=8, height=8, bits=8, code=b"Y800"
    )
    capture, data = read_all(path)
    np.testing.assert_array_equal(data, frames[[0, 1, 1, 1, 2, 2, 3, 4]])
    assert "3 frames are marked as lost" in capture.cautions[0]


@pytest.mark.parametrize("claimed", [30, 0])
def test_a_recording_that_broke_off(tmp_path, claimed):
    frames = scene(30, 8, 8, top=255).astype(np.uint8)
    path = write_avi(
        tmp_path / "a.avi", [f.tobytes() for f in frames], width=8, height=8, bits=8, code=b"Y800", claimed=claimed,
        cut=72 * 4 + 10,
    )  # fmt: skip
    capture, data = read_all(path)
    assert (capture.frames, capture.frames_missing) == (25, 5 if claimed else 0)
    np.testing.assert_array_equal(data, frames[:25])


def test_frames_that_vanish_after_opening_are_said(tmp_path):
    frames = scene(64, 8, 8, top=255).astype(np.uint8)
    path = write_avi(tmp_path / "a.avi", [f.tobytes() for f in frames], width=8, height=8, bits=8, code=b"Y800")
    source = Ingest()
    capture = source.open(path)
    raw = bytearray(path.read_bytes())
    raw[capture.details["runs"][0][0] + 10 * 72 - 4] ^= 1
    path.write_bytes(raw)
    with pytest.raises(CaptureError, match="damaged"):
        source.read(capture, 0, 64)
    source.close()


@pytest.mark.parametrize(
    ("content", "words"),
    [(b"", "does not begin"), (b"RIFF\x10\0\0\0AVI LIST\4\0\0\0hdrl", "no video stream")],
)
def test_what_is_no_avi_is_said(tmp_path, content, words):
    (tmp_path / "a.avi").write_bytes(content)
    with pytest.raises(CaptureError, match=words):
        Ingest().open(tmp_path / "a.avi")
