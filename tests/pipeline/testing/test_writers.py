"""Files are what their formats say: SER byte by byte, the others read back by other people's libraries."""

from __future__ import annotations

import struct
from datetime import UTC, datetime

import cv2
import numpy as np
import pytest
import tifffile
from astropy.io import fits

from nightmill.testing import open_writer

START = np.datetime64("2026-01-12T22:10:00.5", "ns")
UTC_OF = START + np.arange(5) * np.timedelta64(10_000_000, "ns")


def some_frames(colour: str, bits: int, shape: tuple[int, int] = (18, 22)) -> np.ndarray:
    rng = np.random.default_rng(3)
    size = (5, *shape, 3) if colour in {"RGB", "BGR"} else (5, *shape)
    return rng.integers(0, 2**bits, size).astype(np.uint8 if bits == 8 else np.uint16)


def written(path, colour, bits, shape=(18, 22), **options):
    frames = some_frames(colour, bits, shape)
    with open_writer(path, shape=shape, colour=colour, bits=bits, fps=100.0, start=START, **options) as writer:
        writer.write(frames[:3], UTC_OF[:3])
        writer.write(frames[3:], UTC_OF[3:])
    return frames


# Offsets and codes: "SER format description version 3" (Grischa Hahn, 2014), the public description of the format.
@pytest.mark.parametrize(
    ("colour", "code"), [("mono", 0), ("RGGB", 8), ("GRBG", 9), ("GBRG", 10), ("BGGR", 11), ("RGB", 100), ("BGR", 101)]
)
@pytest.mark.parametrize("bits", [8, 12, 16])
@pytest.mark.parametrize("big_endian", [False, True])
def test_ser_field_by_field(tmp_path, colour, code, bits, big_endian):
    path = tmp_path / "x.ser"
    frames = written(path, colour, bits, big_endian=big_endian, observer="Somebody", utc_offset_s=7200)
    data = path.read_bytes()
    assert len(data[:14]) == 14
    for offset, value in [
        (14, 0),
        (18, code),
        (22, int(not big_endian)),
        (26, 22),
        (30, 18),
        (34, bits),
        (38, 5),
    ]:
        assert struct.unpack_from("<i", data, offset)[0] == value, offset
    assert data[42:82] == b"Somebody".ljust(40, b"\0")
    assert data[82:122].rstrip(b"\0") == b"Demo camera"
    assert data[122:162].rstrip(b"\0") == b"Demo telescope"
    local, utc = struct.unpack_from("<2q", data, 162)
    # Ticks of 100 ns since 0001-01-01, by Python's own calendar.
    since = datetime(2026, 1, 12, 22, 10, 0, 500_000, UTC) - datetime(1, 1, 1, tzinfo=UTC)
    ticks = (since.days * 86400 + since.seconds) * 10_000_000 + since.microseconds * 10
    assert utc == ticks
    assert local - utc == 7200 * 10_000_000
    kind = np.dtype("u1") if bits == 8 else np.dtype(">u2" if big_endian else "<u2")
    stored = np.frombuffer(data, kind, frames.size, 178).reshape(frames.shape)
    assert np.array_equal(stored, frames[..., ::-1] if colour == "BGR" else frames)
    stamps = np.frombuffer(data, "<i8", offset=178 + frames.size * kind.itemsize)
    assert np.array_equal(stamps, ticks + np.arange(5) * 100_000)


def test_ser_without_trailer_and_with_the_inverted_flag(tmp_path):
    path = tmp_path / "x.ser"
    written(path, "mono", 12, trailer=False, inverted_flag=True)
    data = path.read_bytes()
    assert len(data) == 178 + 5 * 18 * 22 * 2
    assert struct.unpack_from("<i", data, 22)[0] == 0


def read_avi(path, grey):
    reader = cv2.VideoCapture(str(path))
    assert reader.isOpened()
    frames = []
    while True:
        ok, frame = reader.read()
        if not ok:
            break
        frames.append(frame[..., 0] if grey else frame[..., ::-1])
    fps = reader.get(cv2.CAP_PROP_FPS)
    reader.release()
    return np.array(frames), fps


@pytest.mark.parametrize("columns", [22, 24, 21])
@pytest.mark.parametrize(
    ("colour", "coding"),
    [("mono", "DIB"), ("mono", "DIB-top-down"), ("mono", "Y800"), ("RGGB", "DIB"), ("RGB", "DIB-top-down")],
)
def test_avi_is_read_by_opencv(tmp_path, colour, coding, columns):
    path = tmp_path / "x.avi"
    frames = written(path, colour, 8, (18, columns), coding=coding)
    back, fps = read_avi(path, colour != "RGB")
    assert fps == pytest.approx(100.0)
    assert np.array_equal(back, frames)


@pytest.mark.parametrize("columns", [21, 24])
def test_avi_of_bottom_up_colour_byte_by_byte(tmp_path, columns):
    """Bottom-up BGR24 is checked by hand: OpenCV 5.0.0 corrupts its heap on it (a negative line size, it seems).

    Offsets: BITMAPINFOHEADER and idx1 of the AVI RIFF file reference.
    """
    path = tmp_path / "x.avi"
    frames = written(path, "RGB", 8, (18, columns))
    data = path.read_bytes()
    strf = data.index(b"strf") + 8
    size, width, height, planes, bits, compression = struct.unpack_from("<IiiHHI", data, strf)
    assert (size, width, height, planes, bits, compression) == (40, columns, 18, 1, 24, 0)
    movi, old = data.index(b"movi"), data.index(b"idx1")
    assert struct.unpack_from("<I", data, old + 4)[0] == 5 * 16
    row = -(-columns * 3 // 4) * 4
    for k, frame in enumerate(frames):
        tag, flags, offset, length = struct.unpack_from("<4sIII", data, old + 8 + 16 * k)
        assert (tag, flags, length) == (b"00db", 0x10, 18 * row)
        assert data[movi + offset : movi + offset + 4] == b"00db"
        stored = np.frombuffer(data, np.uint8, length, movi + offset + 8).reshape(18, row)
        assert np.array_equal(stored[::-1, : 3 * columns].reshape(18, columns, 3), frame[..., ::-1])


def test_avi_in_several_segments_is_read_by_opencv(tmp_path):
    path = tmp_path / "x.avi"
    frames = written(path, "mono", 8, segment_bytes=10_700)
    assert path.read_bytes().count(b"AVIX") > 0
    back, _ = read_avi(path, True)
    assert np.array_equal(back, frames)


@pytest.mark.parametrize("colour", ["mono", "RGGB", "RGB"])
@pytest.mark.parametrize("bits", [8, 12, 16])
def test_fits_cube_is_read_by_astropy(tmp_path, colour, bits):
    path = tmp_path / "x.fits"
    frames = written(path, colour, bits)
    with fits.open(path) as file:
        file.verify("exception")
        expected = np.moveaxis(frames, -1, 1) if colour == "RGB" else frames
        assert np.array_equal(file[0].data, expected)
        assert file[0].header["DATE-OBS"] == "2026-01-12T22:10:00.500000"
        assert file[0].header.get("BAYERPAT") == ("RGGB" if colour == "RGGB" else None)


@pytest.mark.parametrize("still", ["tiff", "png", "fits"])
@pytest.mark.parametrize(("colour", "bits"), [("mono", 8), ("mono", 16), ("RGB", 8), ("RGB", 12)])
def test_folders_are_read_back(tmp_path, still, colour, bits):
    folder = tmp_path / "stills"
    frames = written(folder, colour, bits, still=still)
    files = sorted(folder.iterdir())
    assert len(files) == 5
    if still == "tiff":
        back = np.array([tifffile.imread(f) for f in files])
    elif still == "png":
        back = np.array([cv2.imread(str(f), cv2.IMREAD_UNCHANGED) for f in files])
        back = back[..., ::-1] if colour == "RGB" else back
    else:
        back = np.array([fits.getdata(f) for f in files])
        back = np.moveaxis(back, 1, -1) if colour == "RGB" else back
    assert back.dtype.itemsize == frames.dtype.itemsize
    assert np.array_equal(back, frames)


def test_clear_errors(tmp_path):
    with pytest.raises(ValueError, match="ending"):
        written(tmp_path / "x.mkv", "mono", 8)
    with pytest.raises(ValueError, match="8 bits"):
        written(tmp_path / "x.avi", "mono", 12)
