"""FITS cubes and pictures, written by astropy."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from astropy.io import fits
from astropy.time import Time

from nightmill.artefacts import Stack
from nightmill.errors import CaptureError
from nightmill_stages.ingest import Ingest
from nightmill_stages.ingest.readers.fitsfile import parse_cards

from .makers import scene


def write(path, data, **cards):
    hdu = fits.PrimaryHDU(data)
    hdu.header.update(cards)
    hdu.writeto(path)
    return path


def read_all(path, **parameters):
    source = Ingest(Ingest.Parameters(**parameters))
    capture = source.open(path)
    data = source.read(capture, 0, capture.frames)
    source.close()
    assert data.dtype == np.dtype(capture.dtype) and data.dtype.isnative
    return capture, data


@pytest.mark.parametrize(("top", "dtype"), [(255, "uint8"), (65535, "uint16")])
def test_cubes_of_integers(tmp_path, top, dtype):
    frames = scene(6, 20, 24, top=top).astype(dtype)
    capture, data = read_all(write(tmp_path / "a.fits", frames))
    np.testing.assert_array_equal(data, frames)
    assert (capture.frames, capture.dtype, capture.full_scale) == (6, dtype, top)
    assert capture.details["reader"] == "fits"


@pytest.mark.parametrize("dtype", ["int32", "float32", "float64", "uint32"])
def test_other_types_become_float(tmp_path, dtype):
    frames = scene(4, 20, 24, top=40000).astype(dtype)
    capture, data = read_all(write(tmp_path / "a.fits", frames, SATURATE=60000))
    np.testing.assert_array_equal(data, frames.astype(np.float32))
    assert (capture.dtype, capture.full_scale) == ("float32", 60000)


def test_signed_words_lose_only_what_is_below_zero(tmp_path):
    frames = scene(4, 20, 24, top=4095).astype(np.int16)
    frames[0, 0, 0] = -5
    capture, data = read_all(write(tmp_path / "a.fits", frames))
    np.testing.assert_array_equal(data, np.maximum(frames, 0))
    assert capture.dtype == "uint16"


def test_scaled_integers(tmp_path):
    frames = scene(2, 20, 24, top=1000).astype(np.int16)
    path = write(tmp_path / "a.fits", frames)
    with fits.open(path, mode="update", do_not_scale_image_data=True) as hdus:
        hdus[0].header["BSCALE"], hdus[0].header["BZERO"] = 0.5, 7.0
    _, data = read_all(path)
    np.testing.assert_allclose(data, fits.getdata(path), rtol=1e-6)


def test_not_a_number_becomes_zero(tmp_path):
    frames = np.full((2, 8, 8), 0.5, np.float32)
    frames[0, 1, 1], frames[1, 2, 2] = np.nan, np.inf
    capture, data = read_all(write(tmp_path / "a.fits", frames))
    assert np.isfinite(data).all() and data[0, 1, 1] == 0 and capture.full_scale == 1.0


def test_shapes(tmp_path):
    colour = scene(5, 16, 20, top=255, planes=3).astype(np.uint8)
    one = colour[:1]
    for name, array, wanted in [
        ("one", one[0].transpose(2, 0, 1), one),
        ("last", one[0], one),
        ("four", colour.transpose(0, 3, 1, 2), colour),
        ("four_last", colour, colour),
        ("single", colour[0, :, :, 0], colour[:1, :, :, 0]),
        ("mono", colour[:, None, :, :, 0], colour[..., 0]),
    ]:
        capture, data = read_all(write(tmp_path / f"{name}.fits", np.ascontiguousarray(array)))
        np.testing.assert_array_equal(data, wanted, err_msg=name)
        assert capture.filter == ("RGB" if wanted.ndim == 4 else None)
        assert any("three planes" in text for text in capture.cautions) == (name == "one")


@pytest.mark.parametrize("cards", [{"BAYERPAT": "RGGB"}, {"CTYPE3": "TIME"}, {"HIERARCH FRAMERATE": 50.0}])
def test_three_frames_that_say_so(tmp_path, cards):
    frames = scene(3, 16, 20, top=255).astype(np.uint8)
    capture, data = read_all(write(tmp_path / "a.fits", frames, **cards))
    np.testing.assert_array_equal(data, frames)
    assert capture.planes == 1 and not capture.cautions


def test_what_the_header_says(tmp_path):
    cards = {
        "DATE-OBS": "2026-01-12T22:10:00.250", "EXPTIME": 0.0125, "GAIN": 210, "FILTER": "IR", "OBJECT": "Jupiter",
        "IMAGETYP": "Light Frame", "INSTRUME": "Invented 12", "HIERARCH FRAMERATE": 80.0,
    }  # fmt: skip
    capture, _ = read_all(write(tmp_path / "a.fits", scene(5, 16, 20, top=255).astype(np.uint8), **cards))
    # Reference: astropy.time
    assert capture.utc_start == pytest.approx(Time("2026-01-12T22:10:00.250", scale="utc").unix, abs=1e-6)
    assert (capture.exposure_s, capture.gain, capture.filter, capture.target) == (0.0125, 210, "IR", "jupiter")
    assert (capture.role, capture.camera, capture.frame_interval_s) == ("light", "Invented 12", 0.0125)


@pytest.mark.parametrize(
    ("kind", "role"),
    [("Dark Frame", "dark"), ("BIAS", "dark"), ("Flat Field", "flat"), ("flat dark", "dark"), ("LIGHT", "light")],
)
def test_role(tmp_path, kind, role):
    capture, _ = read_all(write(tmp_path / "a.fits", np.ones((8, 9), np.uint16), IMAGETYP=kind))
    assert capture.role == role


def test_filter_array_with_offsets(tmp_path):
    cube = scene(2, 8, 10, top=255).astype(np.uint8)
    for x, y, wanted in [(0, 0, "RGGB"), (1, 0, "GRBG"), (0, 1, "GBRG"), (1, 1, "BGGR")]:
        path = write(tmp_path / f"{x}{y}.fits", cube, BAYERPAT="RGGB", XBAYROFF=x, YBAYROFF=y)
        capture, _ = read_all(path)
        assert (capture.cfa, capture.filter) == (wanted, "RGB")


@pytest.mark.parametrize(
    "cards",
    [{"DATE-OBS": "2026-01-12"}, {"DATE-OBS": "yesterday"}, {"DATE-OBS": "2026-01-12T22:10:00", "TIMESYS": "TT"}],
)
def test_times_that_are_not_utc_are_not_used(tmp_path, cards):
    capture, _ = read_all(write(tmp_path / "a.fits", np.ones((8, 9), np.uint16), **cards))
    assert capture.utc_start is None and "DATE-OBS" in capture.cautions[0]


def test_modified_julian_date(tmp_path):
    mjd = Time("2026-01-12T22:10:00", scale="utc").mjd
    capture, _ = read_all(write(tmp_path / "a.fits", np.ones((8, 9), np.uint16), **{"MJD-OBS": mjd}))
    assert capture.utc_start == pytest.approx(1_768_255_800, abs=1e-4)


def test_a_picture_in_an_extension(tmp_path):
    frames = scene(3, 16, 20, top=65535)
    primary = fits.PrimaryHDU()
    primary.header["FILTER"] = "R"
    table = fits.BinTableHDU.from_columns([fits.Column("a", "J", array=np.arange(7))])
    fits.HDUList([primary, table, fits.ImageHDU(np.concatenate([frames, frames]))]).writeto(tmp_path / "a.fits")
    capture, data = read_all(tmp_path / "a.fits")
    np.testing.assert_array_equal(data[:3], frames)
    assert capture.filter == "R"


def test_a_master_of_our_own(tmp_path):
    values = np.random.default_rng(1).random((12, 14), np.float32) * 0.1
    Stack(values).write(tmp_path / "m.fits", {"IMAGETYP": ("Master Dark", ""), "EXPTIME": (0.02, "[s]")})
    capture, data = read_all(tmp_path / "m.fits")
    np.testing.assert_array_equal(data[0], values)
    assert (capture.frames, capture.dtype, capture.full_scale, capture.role) == (1, "float32", 1.0, "dark")
    assert capture.exposure_s == 0.02


def test_truncated_cube(tmp_path):
    frames = scene(10, 30, 40, top=65535)
    path = write(tmp_path / "a.fits", frames)
    path.write_bytes(path.read_bytes()[: 2880 + 6 * 2400 + 77])
    capture, data = read_all(path)
    assert (capture.frames, capture.frames_missing) == (6, 4)
    np.testing.assert_array_equal(data, frames[:6])


def test_tables_and_compressed_pictures_are_said(tmp_path):
    fits.BinTableHDU.from_columns([fits.Column("a", "J", array=np.arange(7))]).writeto(tmp_path / "t.fits")
    with pytest.raises(CaptureError, match="no picture"):
        Ingest().open(tmp_path / "t.fits")
    hdu = fits.CompImageHDU(scene(1, 40, 40, top=255)[0])
    fits.HDUList([fits.PrimaryHDU(), hdu]).writeto(tmp_path / "c.fits")
    with pytest.raises(CaptureError, match="compressed"):
        Ingest().open(tmp_path / "c.fits")
    (tmp_path / "x.fits").write_bytes(b"SIMPLE  =" + b" " * 5000)
    with pytest.raises(CaptureError, match="without an end"):
        Ingest().open(tmp_path / "x.fits")


def test_cards_as_astropy_reads_them():
    header = fits.Header()
    values = {
        "A": 1, "B": -2.5, "C": True, "D": False, "E": "it's 'so'", "F": "a / b", "G": "", "H": 1e-300, "I": 2**40,
        "LONGNAME": "x" * 60,
    }  # fmt: skip
    for key, value in values.items():
        header[key] = (value, "a comment / with a slash")
    header["COMMENT"] = "= not a value"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        raw = header.tostring().encode("ascii")
        reference = dict(fits.Header.fromstring(raw.decode("ascii")))
    found = parse_cards(raw)
    assert found == {key: value for key, value in reference.items() if key != "COMMENT"}
    assert parse_cards(b"X       = 1.5D3".ljust(80)) == {"X": 1500.0}
