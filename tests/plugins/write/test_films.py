"""Sequences as files: read back by other libraries, the same bytes each time, with their record."""

from __future__ import annotations

import av
import numpy as np
import pytest
from PIL import Image

from nightmill.artefacts import Capture, Picture
from nightmill.errors import UsageError
from nightmill_stages.write import WRITERS
from nightmill_stages.write.films import to_yuv420

FILMS = {writer.suffix: writer for writer in WRITERS if writer.moving}
SECONDS = [0.1, 0.1, 0.1, 0.4]


def frames(*, grey: bool) -> np.ndarray:
    """A soft blob that moves over a ramp; 46 columns, no multiple of 16."""
    y, x = np.mgrid[0:38, 0:46]
    made = np.zeros((4, 38, 46, 3), np.uint8)
    for k in range(4):
        blob = np.exp(-((x - 12 - 6 * k) ** 2 + (y - 19) ** 2) / 60.0)
        for c, tint in enumerate((1.0, 1.0, 1.0) if grey else (1.0, 0.8, 0.5)):
            made[k, ..., c] = np.rint(20 + 200 * tint * blob)
    return made


def picture(*, grey: bool = False, formats: tuple[str, ...] = ("png", "gif", "mp4")) -> Picture:
    one = Capture("a.ser", "", "t", 1, 38, 46, 3, target="mars", filter="RGB", utc_start=1.7e9)
    header = {"film": {"seconds": SECONDS, "formats": list(formats), "utc": [1.7e9, 1.7e9 + 300]}}
    data = np.zeros((3, 38, 46), np.float32)
    record = {"recipe": "é – ok"}
    return Picture(data, captures=(one,), filters=("RGB",), frames=frames(grey=grey), header=header, record=record)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("films")
    for name, grey in (("colour", False), ("grey", True)):
        for suffix, writer in FILMS.items():
            assert writer.write(picture(grey=grey), folder / f"{name}{suffix}")
    return folder


@pytest.mark.parametrize("suffix", sorted(FILMS))
def test_record_and_same_bytes(folder, suffix, tmp_path):
    again = tmp_path / f"again{suffix}"
    FILMS[suffix].write(picture(), again)
    assert again.read_bytes() == (folder / f"colour{suffix}").read_bytes()
    assert FILMS[suffix].read_record(again) == {"recipe": "é – ok"}
    assert FILMS[suffix].read_record(tmp_path / "other.fits") is None
    assert [path.name for path in tmp_path.iterdir()] == [again.name]


@pytest.mark.parametrize("suffix", sorted(FILMS))
def test_only_what_is_wanted_is_written(suffix, tmp_path):
    others = tuple(name for name in ("png", "gif", "mp4") if f".{name}" != suffix)
    assert not FILMS[suffix].write(picture(formats=others), tmp_path / "x")
    assert not FILMS[suffix].write(picture().replace(frames=None), tmp_path / "x")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("name", "grey"), [("colour", False), ("grey", True)])
def test_animated_png_keeps_every_pixel_and_every_time(folder, name, grey):
    with Image.open(folder / f"{name}.png") as image:
        assert image.n_frames == 4
        assert image.info["loop"] == 0
        assert image.info["icc_profile"]
        for k, frame in enumerate(frames(grey=grey)):
            image.seek(k)
            np.testing.assert_array_equal(np.asarray(image.convert("RGB")), frame)
            assert image.info["duration"] == pytest.approx(1000.0 * SECONDS[k])


def test_gif_keeps_every_grey_and_nearly_every_colour(folder):
    for name, grey, most in (("grey", True, 0), ("colour", False, 6)):
        with Image.open(folder / f"{name}.gif") as image:
            assert image.n_frames == 4
            for k, frame in enumerate(frames(grey=grey)):
                image.seek(k)
                off = np.abs(np.asarray(image.convert("RGB")).astype(int) - frame)
                # 256 colours, dithered.
                assert np.percentile(off, 99) <= most
                assert image.info["duration"] == round(1000 * SECONDS[k])


def test_mp4_is_h264_as_browsers_play_it(folder):
    with av.open(folder / "colour.mp4") as container:
        stream = container.streams.video[0]
        assert (stream.codec_context.name, stream.codec_context.format.name) == ("h264", "yuv420p")
        assert stream.average_rate == 10
        assert (stream.codec_context.color_range, stream.codec_context.colorspace) == (1, 1)  # limited range, BT.709
        decoded = [frame.to_ndarray(format="rgb24", src_colorspace=1) for frame in container.decode(stream)]
    assert len(decoded) == 7  # the last is shown four times as long
    head = (folder / "colour.mp4").read_bytes()
    assert head.index(b"moov") < head.index(b"mdat")  # begins to play before all is loaded
    for frame, seen in zip(frames(grey=False), decoded, strict=False):
        assert seen.shape == (48, 48, 3)  # whole blocks of 16
        error = np.sqrt(((frame.astype(float) - seen[:38, :46]) ** 2).mean())
        assert error < 5.0  # lossy, and colours at half the resolution


def test_colours_of_video_are_those_of_bt_709():
    """100 % bars in 8 bits: ITU-R BT.709-6 by its equations, the values in every table of bars (from memory)."""
    bars = {
        (255, 255, 255): (235, 128, 128),
        (0, 0, 0): (16, 128, 128),
        (255, 0, 0): (63, 102, 240),
        (0, 255, 0): (173, 42, 26),
        (0, 0, 255): (32, 240, 118),
        (255, 255, 0): (219, 16, 138),
    }
    for colour, expected in bars.items():
        planes = to_yuv420(np.full((4, 6, 3), colour, np.uint8))
        assert planes.shape == (6, 6)
        flat = planes.ravel()
        np.testing.assert_allclose([flat[0], flat[24], flat[30]], expected, atol=1)


def test_damaged_files_are_refused_in_words(tmp_path):
    for suffix in (".gif", ".mp4"):
        path = tmp_path / f"bad{suffix}"
        path.write_bytes(b"nothing of the kind")
        with pytest.raises(UsageError, match="cannot be read"):
            FILMS[suffix].read_record(path)
