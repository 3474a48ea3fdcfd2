"""Colour at one resolution: against discs blurred by the transfer of a known telescope."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from nightmill.artefacts import Picture
from nightmill.stage import Context
from nightmill_sky.optics import modulation_transfer
from nightmill_stages.compose import Compose
from nightmill_stages.compose.luminance import LUMA
from nightmill_stages.compose.resolution import Sharpness, sharpness_of, softened, with_common_detail
from nightmill_stages.sharpen.spectral import apply_transfer

from ..matching.planets import planet

CUTOFFS = (0.30, 0.355, 0.41)
"""Of 203 mm at 0.19 arcsec a pixel in red, green and blue."""
SHARPNESS = Sharpness(CUTOFFS, 0.33)
LEVELS = (0.5, 0.4, 0.25)


def seen(plane, cutoff):
    return apply_transfer(plane, lambda f: np.maximum(modulation_transfer(np.minimum(f / cutoff, 1.0), 0.33), 0.0))


@pytest.fixture(scope="module")
def grey():
    """A planet without colour through three filters of a perfect telescope."""
    scene = planet(200, (100.0, 100.0), 60.0, blur=0.3, gain=1.0, sky=0.0, phase=0.2).astype(np.float64)
    return np.stack([level * seen(scene, cutoff) for level, cutoff in zip(LEVELS, CUTOFFS, strict=True)])


def test_a_grey_planet_has_no_coloured_rim(grey):
    # What the softened channels are is known exactly, so only float32 and the mirrored borders are left: 0.1 % of the
    # disc, a tenth of the 1 % allowed at the limb. As they come the channels differ by several per cent there.
    colour = grey.astype(np.float32)
    made = with_common_detail(colour, SHARPNESS, LEVELS) / np.array(LEVELS)[:, None, None]
    before = colour / np.array(LEVELS)[:, None, None]
    assert np.abs(before[0] - before[2]).max() > 0.03
    assert np.abs(made[0] - made[1]).max() < 1e-3
    assert np.abs(made[2] - made[1]).max() < 1e-3


def test_blur_that_sharpening_left_is_made_alike_too(grey):
    # The blue channel is softer than its telescope by a Gaussian of 0.6 px^2: known, it leaves no more colour at the
    # limb than float32 does; not known, 3 % of the disc.
    left = np.stack([*grey[:2], ndimage.gaussian_filter(grey[2], np.sqrt(0.6), truncate=8.0)]).astype(np.float32)
    for sharpness, least, most in (
        (SHARPNESS.with_blurs([0.0, 0.0, 0.6]), 0.0, 2e-3),
        (SHARPNESS, 0.01, 1.0),
    ):
        made = with_common_detail(left, sharpness, LEVELS) / np.array(LEVELS)[:, None, None]
        assert least <= np.abs(made[2] - made[1]).max() < most


def test_brightness_keeps_its_detail(grey):
    made = with_common_detail(grey.astype(np.float32), SHARPNESS, LEVELS)
    luma = np.array(LUMA)[:, None, None] / np.array(LEVELS)[:, None, None]
    # Linear arithmetic: only float32 is left.
    np.testing.assert_allclose((made * luma).sum(axis=0), (grey * luma).sum(axis=0), atol=2e-6)


def test_sums_of_light_stay_and_gaps_stay_gaps(grey):
    colour = grey.astype(np.float32)
    # The transfer at frequency 0 is 1: the sum stays to float32.
    for plane, own in zip(softened(list(colour), SHARPNESS), colour, strict=True):
        assert plane.sum() == pytest.approx(own.sum(), rel=1e-5)
    colour[:, :4] = np.nan
    soft = softened(list(colour), SHARPNESS)
    np.testing.assert_array_equal(soft[0], colour[0])
    assert np.isnan(soft[2][:4]).all()
    assert np.isfinite(soft[2][4:]).all()


def test_nothing_undershoots_the_sky(grey):
    # Detail given from one channel to another must not ring: the sky beside the limb stays as dark as it was, to a
    # thousandth of the disc.
    made = with_common_detail(grey.astype(np.float32), SHARPNESS, LEVELS)
    away = ~ndimage.binary_dilation(grey[1] > 0.02, iterations=2)
    for k in range(3):
        assert made[k][away].min() > grey[k][away].min() - 1e-3 * LEVELS[k]


def test_one_shot_colour_on_request(grey):
    header = {"sharpen": {"method": "wiener", "cutoff_cycles_px": list(CUTOFFS)}}
    picture = Picture(grey.astype(np.float32), captures=(), filters=("RGB",), header=header)

    def made(way):
        recipe = Compose(Compose.Parameters(one_resolution=way, balance="none", register_channels=False))
        context = Context(night={"telescope": {"obstruction": 0.33}})
        (result,) = recipe.develop([picture], context)
        levels = np.array([plane.max() for plane in result.data])[:, None, None]
        return result.data / levels, [note.name for note in context.notes]

    plain, without = made("sets")
    alike, said = made("all")
    assert "resolution" not in without
    assert "resolution" in said
    assert np.abs(plain[0] - plain[2]).max() > 0.03
    # The sky's level is measured on each channel: a few tenths of a per cent.
    assert np.abs(alike[0] - alike[2]).max() < 0.005


def test_the_obstruction_is_that_of_sharpening_where_it_is_recorded():
    def member(**found):
        header = {"sharpen": {"method": "wiener", "cutoff_cycles_px": [0.3], **found}}
        return Picture(np.zeros((4, 4), np.float32), filters=("R",), header=header)

    context = Context(night={"telescope": {"obstruction": 0.2}})
    found = sharpness_of([member(obstruction=0.25), member(obstruction=0.35)], [1.0, 1.0], context)
    assert found is not None and found.obstruction == pytest.approx(0.3)
    found = sharpness_of([member()], [1.0], context)
    assert found is not None and found.obstruction == 0.2
