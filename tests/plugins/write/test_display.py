"""The display transform against the standard's values, and levels that clip nothing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightmill.artefacts.srgb import srgb_decode, srgb_encode
from nightmill_stages.write.display import levels, render, sky_level


def disc(size: int = 120, radius: float = 30.0, level: float = 0.4, noise: float = 0.0, seed: int = 0):
    y, x = np.mgrid[:size, :size] - (size - 1) / 2.0
    edge = np.clip(radius - np.hypot(y, x) + 0.5, 0.0, 1.0)
    shade = level * (1.0 - 0.3 * np.hypot(y, x) / radius)
    return (0.02 + edge * shade + noise * np.random.default_rng(seed).standard_normal(y.shape)).astype(np.float32)


def test_srgb_against_the_values_of_the_standard():
    # IEC 61966-2-1 defines the curve; 0.0031308 and 0.04045 are its own break points. The decoded 8-bit values are
    # those of the standard's formula as tabulated by CSS Color 4 and many others: 128 -> 0.21586, 188 -> 0.50289.
    assert srgb_encode(np.array([0.0, 1.0])) == pytest.approx([0.0, 1.0], abs=1e-12)
    assert float(srgb_encode(np.array(0.0031308))) == pytest.approx(0.04045, abs=2e-6)
    assert float(srgb_encode(np.array(0.18))) == pytest.approx(0.46135613, abs=1e-6)
    assert srgb_decode(np.array([128, 188]) / 255.0) == pytest.approx([0.215861, 0.502886], abs=1e-6)


def test_srgb_against_little_cms():
    # Pillow carries littleCMS: linear grey through its sRGB profile, by way of L* = 100 (116 f(Y) - 16), CIE 1976.
    cms = pytest.importorskip("PIL.ImageCms")
    from PIL import Image

    to_lab = cms.buildTransform(cms.createProfile("sRGB"), cms.createProfile("LAB"), "RGB", "LAB")
    greys = np.arange(0, 256, 5, dtype=np.uint8)
    lightness = np.asarray(cms.applyTransform(Image.fromarray(np.repeat(greys[None, :, None], 3, axis=2)), to_lab))
    light = srgb_decode(greys / 255.0)
    expected = np.where(light > 216 / 24389, 116 * np.cbrt(light) - 16, light * 24389 / 27)
    # LAB is stored with 8 bits: a step is 0.4 in L*.
    np.testing.assert_allclose(lightness[0, :, 0] / 2.55, expected, atol=0.41)


@given(st.floats(0.0, 1.0))
def test_encoding_turns_back(value):
    assert float(srgb_decode(srgb_encode(np.array(value)))) == pytest.approx(value, abs=3e-6)


@given(st.floats(-2.0, 2.0), st.floats(-2.0, 2.0))
def test_brighter_never_looks_darker(first, second):
    shown = srgb_encode(np.array([min(first, second), max(first, second)]))
    assert shown[0] <= shown[1]


def test_nothing_of_the_disc_clips():
    picture = disc(noise=0.004)
    black, white = levels(picture)
    assert white > picture.max()
    assert render(picture, {"black": black, "white": white}).max() < 65535
    # Most of the range is used: white is at most 10 % above the brightest part.
    assert white - black < 1.1 * (picture.max() - 0.02)
    assert black == pytest.approx(0.02, abs=0.01)


def test_hot_pixels_do_not_decide():
    picture = disc(noise=0.004)
    _, white = levels(picture)
    spoilt = picture.copy()
    for row, column in ((5, 5), (60, 60), (61, 80), (110, 3)):
        spoilt[row, column] = 3.0
    assert levels(spoilt)[1] == pytest.approx(white, rel=0.02)


def test_small_disc_in_a_large_frame():
    picture = disc(size=400, radius=8.0, noise=0.002)
    black, white = levels(picture)
    assert picture[190:210, 190:210].max() < white < 1.15 * picture.max()
    assert black == pytest.approx(0.02, abs=0.01)


def test_colour_has_common_levels():
    picture = np.stack([disc(level=0.5), disc(level=0.3), disc(level=0.2)])
    assert levels(picture)[1] == pytest.approx(levels(picture[0])[1], rel=0.01)


def test_surface_has_black_at_zero_and_no_sky():
    ground = np.random.default_rng(0).uniform(0.3, 0.5, (60, 80)).astype(np.float32)
    assert sky_level(ground) is None
    assert levels(ground)[0] == 0.0


def test_sky_is_measured_to_a_tenth_of_its_noise():
    # 100 x 100 border pixels and more: the median's standard error is 1.25 sigma / sqrt(6000) = 0.016 sigma.
    assert sky_level(disc(noise=0.01)) == pytest.approx(0.02, abs=0.001)


@pytest.mark.parametrize(
    "data",
    [np.full((8, 9), np.nan), np.zeros((8, 9)), np.full((3, 8, 9), 0.25), np.array([[0.5]])],
    ids=["no data", "black", "constant colour", "one pixel"],
)
def test_odd_pictures_are_shown_all_the_same(data):
    black, white = levels(data)
    assert white > black
    shown = render(data.astype(np.float32))
    assert shown.dtype == np.uint16
    assert shown.shape == (*data.shape[-2:], *([3] if data.ndim == 3 else []))


def test_gamma_lifts_the_dark_and_leaves_the_ends():
    ramp = np.linspace(0.0, 1.0, 11, dtype=np.float32)[None]
    plain = render(ramp, {"black": 0.0, "white": 1.0})
    lifted = render(ramp, {"black": 0.0, "white": 1.0, "gamma": 1.5})
    assert (lifted[0, 1:-1] > plain[0, 1:-1]).all()
    assert (lifted[0, 0], lifted[0, -1]) == (0, 65535)


def test_wrong_levels_are_refused_in_words():
    with pytest.raises(ValueError, match="must lie above black"):
        render(np.zeros((4, 4)), {"black": 0.5, "white": 0.5})
    with pytest.raises(ValueError, match="gamma"):
        render(np.zeros((4, 4)), {"black": 0.0, "white": 0.5, "gamma": -1})


def test_strips_do_not_show():
    tall = np.random.default_rng(0).random((600, 5)).astype(np.float32)
    whole = np.rint(srgb_encode(tall) * 65535).astype(np.uint16)
    np.testing.assert_array_equal(render(tall, {"black": 0.0, "white": 1.0}), whole)
