"""Folders of single frames, and multi-page TIFF, written by astropy, tifffile, Pillow and OpenCV."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import tifffile
from astropy.io import fits
from PIL import Image

from nightmill.errors import CaptureError
from nightmill_stages.ingest import Ingest
from nightmill_stages.ingest.readers.folder import natural_key

from .makers import scene


def read_all(path, **parameters):
    source = Ingest(Ingest.Parameters(**parameters))
    assert source.accepts(path)
    capture = source.open(path)
    data = source.read(capture, 0, capture.frames)
    parts = [source.read(capture, a, min(a + 2, capture.frames)) for a in range(0, capture.frames, 2)]
    np.testing.assert_array_equal(np.concatenate(parts), data)
    source.close()
    assert data.dtype == np.dtype(capture.dtype) and data.dtype.isnative
    return capture, data


def save_png_opencv(path, frame):
    cv2.imwrite(str(path), frame[..., ::-1] if frame.ndim == 3 else frame)


def save_png_pillow(path, frame):
    Image.fromarray(frame).save(path)


@pytest.mark.parametrize("planes", [1, 3])
@pytest.mark.parametrize("top", [255, 65535])
@pytest.mark.parametrize("kind", ["tif", "tif-lzw-be", "png", "fits"])
def test_folders(tmp_path, kind, top, planes):
    frames = scene(11, 16, 20, top=top, planes=planes).astype(np.uint8 if top == 255 else np.uint16)
    for number, frame in enumerate(frames):
        path = tmp_path / f"moon_{number + 1}.{kind[:4].removesuffix('-')}"  # 1, 2, ... 11: not in order of letters
        if kind == "tif":
            tifffile.imwrite(path, frame)
        elif kind == "tif-lzw-be":
            tifffile.imwrite(path, frame, byteorder=">", compression="zlib")
        elif kind == "png":
            save_png_opencv(path, frame)
        else:
            fits.PrimaryHDU(frame if planes == 1 else np.moveaxis(frame, -1, 0).copy()).writeto(path)
    capture, data = read_all(tmp_path)
    np.testing.assert_array_equal(data, frames)
    assert (capture.frames, capture.planes, capture.full_scale) == (11, planes, top)
    assert capture.details["reader"] == "folder"
    assert [path.name for path in Ingest().files(capture)][1:3] == [
        f"moon_{n}.{kind[:4].removesuffix('-')}" for n in (2, 3)
    ]


def test_pillow_png_and_transparency(tmp_path):
    frames = scene(3, 16, 20, top=255, planes=4).astype(np.uint8)
    for number, frame in enumerate(frames):
        save_png_pillow(tmp_path / f"a{number}.png", frame)
    capture, data = read_all(tmp_path)
    np.testing.assert_array_equal(data, frames[..., :3])
    assert capture.filter == "RGB"


def test_equal_planes_become_one(tmp_path):
    grey = scene(3, 16, 20, top=255).astype(np.uint8)
    for number, frame in enumerate(grey):
        save_png_opencv(tmp_path / f"a{number}.png", np.repeat(frame[..., None], 3, axis=2))
    capture, data = read_all(tmp_path)
    np.testing.assert_array_equal(data, grey)
    assert (capture.planes, capture.filter) == (1, None)


def test_times_of_fits_frames(tmp_path):
    for number in range(6):
        hdu = fits.PrimaryHDU(scene(1, 8, 9, top=65535, seed=number)[0])
        hdu.header["DATE-OBS"] = f"2026-01-12T22:10:0{number}.500"
        hdu.header["EXPTIME"] = 0.25
        hdu.writeto(tmp_path / f"d{number}.fit")
    source = Ingest()
    capture = source.open(tmp_path)
    assert (capture.utc_start, capture.frame_interval_s, capture.exposure_s) == (1_768_255_800.5, 1.0, 0.25)
    np.testing.assert_allclose(source.times(capture, 2, 5), 1_768_255_800.5 + np.arange(2, 5), atol=1e-6, rtol=0)
    source.close()


def test_left_aligned_frames(tmp_path):
    frames = scene(3, 16, 20, top=4095)
    for number, frame in enumerate(frames):
        save_png_opencv(tmp_path / f"a{number}.png", frame << 4)
    capture, data = read_all(tmp_path)
    np.testing.assert_array_equal(data, frames)
    assert capture.full_scale == 4095


def test_strangers_and_damaged_frames_are_left_out(tmp_path):
    frames = scene(6, 16, 20, top=255).astype(np.uint8)
    for number, frame in enumerate(frames):
        save_png_opencv(tmp_path / f"a{number}.png", frame)
    save_png_opencv(tmp_path / "preview.png", frames[0])
    save_png_opencv(tmp_path / "a7.png", frames[0][:-2])
    whole = (tmp_path / "a3.png").read_bytes()
    (tmp_path / "a3.png").write_bytes(whole[: len(whole) // 2])
    capture, data = read_all(tmp_path)
    np.testing.assert_array_equal(data, frames[[0, 1, 2, 4, 5]])
    assert capture.frames_missing == 1
    assert "2 files" in capture.cautions[0]
    assert capture.cautions[1] == "1 file with another name, preview.png, is not part of the series."


def test_folders_that_are_no_series(tmp_path):
    source = Ingest()
    frame = scene(1, 16, 20, top=255)[0].astype(np.uint8)
    assert not source.accepts(tmp_path)
    save_png_opencv(tmp_path / "a1.png", frame)
    assert not source.accepts(tmp_path)
    save_png_opencv(tmp_path / "a2.png", frame)
    assert source.accepts(tmp_path)
    (tmp_path / "jupiter.ser").write_bytes(b"")  # a night, with two pictures in it
    assert not source.accepts(tmp_path)


def test_a_library_of_masters_is_no_series(tmp_path):
    for number in range(3):
        hdu = fits.PrimaryHDU(np.full((8, 9), 0.02, np.float32))
        hdu.header["BUNIT"] = "fraction"
        hdu.writeto(tmp_path / f"dark_2026010{number}.fits")
    assert not Ingest().accepts(tmp_path)
    for number in range(3):
        hdu = fits.PrimaryHDU(np.full((8, 9), 20, np.uint16))
        hdu.header["EXPTIME"] = 0.01 * (number + 1)
        hdu.writeto(tmp_path / f"dark_{number}0ms.fit")
    assert not Ingest().accepts(tmp_path)


def test_a_folder_that_changes_is_said(tmp_path):
    frames = scene(4, 16, 20, top=255).astype(np.uint8)
    for number, frame in enumerate(frames):
        save_png_opencv(tmp_path / f"a{number}.png", frame)
    capture = Ingest().open(tmp_path)
    (tmp_path / "a1.png").unlink()
    with pytest.raises(CaptureError, match="have changed"):
        Ingest().read(capture, 0, 2)


def test_order_of_names():
    names = ["f10", "f9", "f09", "f1", "g1", "f1a"]
    assert sorted(names, key=natural_key) == ["f1", "f1a", "f09", "f9", "f10", "g1"]


@pytest.mark.parametrize(
    "options", [{}, {"compression": "zlib"}, {"byteorder": ">"}, {"imagej": True}, {"bigtiff": True}]
)
@pytest.mark.parametrize("top", [255, 65535])
def test_multi_page_tiff(tmp_path, options, top):
    frames = scene(6, 16, 20, top=top).astype(np.uint8 if top == 255 else np.uint16)
    tifffile.imwrite(tmp_path / "a.tif", frames, photometric="minisblack", **options)
    capture, data = read_all(tmp_path / "a.tif")
    np.testing.assert_array_equal(data, frames)
    assert capture.details["reader"] == "tiff"


def test_multi_page_tiff_in_colour(tmp_path):
    frames = scene(5, 16, 20, top=65535, planes=3)
    tifffile.imwrite(tmp_path / "a.tif", frames, photometric="rgb")
    capture, data = read_all(tmp_path / "a.tif")
    np.testing.assert_array_equal(data, frames)
    assert capture.planes == 3


def test_a_truncated_multi_page_tiff_gives_its_whole_frames(tmp_path):
    frames = scene(6, 16, 20, top=255).astype(np.uint8)
    with tifffile.TiffWriter(tmp_path / "a.tif") as writer:
        for frame in frames:
            writer.write(frame, contiguous=False, metadata=None)
    raw = (tmp_path / "a.tif").read_bytes()
    (tmp_path / "a.tif").write_bytes(raw[:-100])
    capture, data = read_all(tmp_path / "a.tif")
    assert capture.frames == 5
    np.testing.assert_array_equal(data, frames[:5])


def test_a_single_tiff_or_png_is_no_recording(tmp_path):
    frame = scene(1, 16, 20, top=255)[0].astype(np.uint8)
    tifffile.imwrite(tmp_path / "a.tif", frame)
    save_png_opencv(tmp_path / "b.png", frame)
    assert not Ingest().accepts(tmp_path / "a.tif") and not Ingest().accepts(tmp_path / "b.png")
