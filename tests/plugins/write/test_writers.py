"""Files as other libraries see them: Pillow, tifffile, astropy and OpenCV read back what the writers wrote."""

from __future__ import annotations

import io
import json
import struct

import cv2
import numpy as np
import pytest
import tifffile
from astropy.io import fits
from PIL import Image, ImageCms

from nightmill.artefacts import Capture, Picture
from nightmill.errors import UsageError
from nightmill_stages.write import WRITERS, describe, read_description, read_record, render
from nightmill_stages.write import writers as module
from nightmill_stages.write.icc import srgb_profile
from nightmill_stages.write.png import iter_chunks, text_of

STILL = [writer for writer in WRITERS if not writer.moving]
BY_SUFFIX = {writer.suffix: writer for writer in STILL}
DISPLAY_FORMS = [".tif", ".png", ".labelled.png"]


def picture(*, colour: bool = True) -> Picture:
    ramp = np.linspace(-0.1, 0.6, 30 * 40, dtype=np.float32).reshape(30, 40)
    data = np.stack([ramp, 0.8 * ramp, 0.5 * ramp]) if colour else ramp
    source = Capture(
        "/night/jupiter.ser",
        "jupiter.ser",
        "ser",
        100,
        30,
        40,
        target="jupiter",
        filter="RGB" if colour else "IR",
        utc_start=1_768_255_800.0,
        camera="Sensor für Übung",
    )
    return Picture(
        data,
        captures=(source,),
        filters=("RGB",) if colour else ("IR",),
        labelled=np.arange(50 * 60 * 3, dtype=np.uint8).reshape(50, 60, 3),
        geometry={"scale_arcsec": 0.21, "mirrored": False},
        display={"black": 0.0, "white": 0.5, "gamma": 1.0},
        header={"frames_kept": 12},
        record={"recipe": {"steps": [{"stage": "stack"}]}, "note": "Größe 0.5″", "version": "1"},
    )


@pytest.fixture(params=[True, False], ids=["colour", "grey"])
def made(request, tmp_path):
    one = picture(colour=request.param)
    for writer in STILL:
        assert writer.write(one, tmp_path / f"p{writer.suffix}") is True
    return one, tmp_path


def test_names_and_suffixes_are_unique():
    assert len({writer.name for writer in WRITERS}) == len(WRITERS)
    assert [w.suffix for w in WRITERS if not w.moving] == [".fits", ".tif", ".png", ".labelled.png"]
    assert [w.suffix for w in WRITERS if w.moving] == [".png", ".mp4", ".gif"]


def test_nothing_else_is_left_in_the_folder(made):
    assert sorted(path.name for path in made[1].iterdir()) == ["p.fits", "p.labelled.png", "p.png", "p.tif"]


@pytest.mark.parametrize("suffix", [".fits", *DISPLAY_FORMS])
def test_record_comes_back_from_every_format(made, suffix):
    one, folder = made
    assert read_record(folder / f"p{suffix}") == one.record
    assert read_description(folder / f"p{suffix}") == json.loads(json.dumps(describe(one)))


@pytest.mark.parametrize("suffix", [".fits", *DISPLAY_FORMS])
def test_bytes_depend_on_the_picture_alone(made, suffix, tmp_path_factory, monkeypatch):
    one, folder = made
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    again = tmp_path_factory.mktemp("again") / f"other name{suffix}"
    BY_SUFFIX[suffix].write(one, again)
    assert again.read_bytes() == (folder / f"p{suffix}").read_bytes()


def test_fits_is_linear_and_stands_astropys_strict_check(made):
    one, folder = made
    with fits.open(folder / "p.fits", checksum=True) as hdus:
        hdus.verify("exception")
        np.testing.assert_array_equal(hdus[0].data, one.data)
        assert hdus[0].data.dtype == np.dtype(">f4")
        assert hdus[0].header["OBJECT"] == "jupiter"
        assert hdus[0].header["PIXSCALE"] == 0.21
        assert hdus[0].header["DATE-AVG"].startswith("2026-01-12T22:10:00")


def test_tiff_read_by_tifffile(made):
    one, folder = made
    with tifffile.TiffFile(folder / "p.tif") as tiff:
        page = tiff.pages.first
        np.testing.assert_array_equal(page.asarray(), render(one.data, one.display))
        assert page.dtype == np.uint16
        assert page.photometric == (tifffile.PHOTOMETRIC.RGB if one.data.ndim == 3 else tifffile.PHOTOMETRIC.MINISBLACK)
        assert page.tags["XResolution"].value == (300, 1)
        assert page.tags["InterColorProfile"].value == srgb_profile(colour=one.data.ndim == 3)
        assert "DateTime" not in page.tags
        assert json.loads(page.description)["nightmill"]["record"] == one.record


def test_png_read_by_opencv_with_all_sixteen_bits(made):
    one, folder = made
    seen = cv2.imdecode(np.fromfile(folder / "p.png", np.uint8), cv2.IMREAD_UNCHANGED)
    assert seen.dtype == np.uint16
    shown = render(one.data, one.display)
    np.testing.assert_array_equal(seen[..., ::-1] if seen.ndim == 3 else seen, shown)


@pytest.mark.parametrize("suffix", DISPLAY_FORMS)
def test_profile_and_text_read_by_pillow(made, suffix):
    one, folder = made
    with Image.open(folder / f"p{suffix}") as image:
        image.load()
        profile = ImageCms.ImageCmsProfile(io.BytesIO(image.info["icc_profile"]))
        colour = one.data.ndim == 3 or "labelled" in suffix
        assert profile.profile.xcolor_space.strip() == ("RGB" if colour else "GRAY")
        if suffix != ".tif":
            assert image.info["gamma"] == pytest.approx(1 / 2.2, abs=1e-5)
            assert json.loads(image.info["nightmill"])["record"] == one.record
            assert image.info["Creation Time"] == "2026-01-12T22:10:00Z"
        if "labelled" in suffix:
            np.testing.assert_array_equal(np.asarray(image), one.labelled)


def test_chunks_stand_in_the_order_of_the_specification(made):
    # PNG third edition, 5.6: cHRM, gAMA and iCCP before the first IDAT; IHDR first, IEND last; all IDAT together.
    kinds = [kind for kind, _ in iter_chunks((made[1] / "p.png").read_bytes())]
    assert kinds[0] == b"IHDR"
    assert kinds[-1] == b"IEND"
    first = kinds.index(b"IDAT")
    assert {b"iCCP", b"gAMA", b"iTXt"} <= set(kinds[:first])
    assert set(kinds[first:-1]) == {b"IDAT"}
    assert b"tIME" not in kinds


def test_profile_is_srgb_to_little_cms():
    # littleCMS makes an sRGB profile of its own: through both, every 8-bit colour comes back the same.
    rng = np.random.default_rng(0)
    colours = Image.fromarray(rng.integers(0, 256, (64, 64, 3), dtype=np.uint8))
    ours = ImageCms.ImageCmsProfile(io.BytesIO(srgb_profile(colour=True)))
    through = ImageCms.profileToProfile(colours, ours, ImageCms.createProfile("sRGB"))
    np.testing.assert_array_equal(np.asarray(through), np.asarray(colours))
    greys = Image.fromarray(np.arange(256, dtype=np.uint8).reshape(16, 16))
    grey = ImageCms.ImageCmsProfile(io.BytesIO(srgb_profile(colour=False)))
    through = ImageCms.profileToProfile(greys, grey, ImageCms.createProfile("sRGB"), outputMode="RGB")
    np.testing.assert_array_equal(np.asarray(through), np.repeat(np.asarray(greys)[..., None], 3, axis=2))


def test_colorants_are_those_published():
    # The sRGB primaries adapted to D50, as printed by Lindbloom, "RGB/XYZ matrices" (sRGB, D50). His white points have
    # one digit more than the standards' (x, y), which moves the last row by 3e-4.
    published = ((0.4361, 0.2225, 0.0139), (0.3851, 0.7169, 0.0971), (0.1431, 0.0606, 0.7142))
    profile = ImageCms.ImageCmsProfile(io.BytesIO(srgb_profile(colour=True))).profile
    found = [profile.red_colorant[0], profile.green_colorant[0], profile.blue_colorant[0]]
    np.testing.assert_allclose(found, published, atol=4e-4)
    assert len(srgb_profile(colour=True)) == struct.unpack(">I", srgb_profile(colour=True)[:4])[0]


def test_picture_without_label_writes_no_labelled_file(tmp_path):
    assert BY_SUFFIX[".labelled.png"].write(picture().replace(labelled=None), tmp_path / "p.labelled.png") is False
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("suffix", [".fits", *DISPLAY_FORMS])
def test_full_disk_leaves_an_error_and_the_old_file(tmp_path, monkeypatch, suffix):
    path = tmp_path / f"p{suffix}"
    path.write_bytes(b"old")

    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(module.os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        BY_SUFFIX[suffix].write(picture(), path)
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_files_without_record_are_refused_in_words(tmp_path):
    Image.new("L", (4, 4)).save(tmp_path / "plain.png")
    Image.new("L", (4, 4)).save(tmp_path / "plain.tif")
    fits.PrimaryHDU(np.zeros((4, 4))).writeto(tmp_path / "plain.fits")
    (tmp_path / "text.png").write_text("not a picture")
    for name in ("plain.png", "plain.tif", "plain.fits", "text.png", "missing.png"):
        with pytest.raises(UsageError, match=name.replace(".", r"\.")):
            read_record(tmp_path / name)


def test_damaged_png_is_refused_in_words(tmp_path):
    path = tmp_path / "p.png"
    BY_SUFFIX[".png"].write(picture(), path)
    content = bytearray(path.read_bytes())
    content[content.index(b"nightmill\0") + 40] ^= 1
    path.write_bytes(content)
    with pytest.raises(UsageError, match="damaged"):
        read_record(path)
    path.write_bytes(content[:200])
    with pytest.raises(UsageError, match="damaged"):
        read_record(path)


def test_plain_international_text_is_read_too():
    # The specification allows the text uncompressed; another program may rewrite it so.
    from nightmill_stages.write.png import SIGNATURE, _chunk

    body = b"nightmill\0\0\0de\0titel\0" + '{"größe":1}'.encode()
    assert text_of(SIGNATURE + _chunk(b"iTXt", body) + _chunk(b"IEND", b""), "nightmill") == '{"größe":1}'
