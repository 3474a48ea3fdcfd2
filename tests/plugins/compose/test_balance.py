"""White balance against published colours, and the luminance of a set."""

from __future__ import annotations

import numpy as np
import pytest

from nightmill.artefacts import Picture
from nightmill_stages.compose.balance.published import ALBEDOS, albedo, disc_colour, gains_for, surface_colour
from nightmill_stages.compose.luminance import apply_luminance
from nightmill_stages.compose.members import moved
from nightmill_stages.matching.outline import find_object
from nightmill_stages.matching.register import Offset

from ..matching.planets import planet

# B-V of the planets from the Astronomical Almanac's table "Planets: magnitudes and colours" as reprinted in handbooks,
# from memory; of the Sun: Ramirez et al. 2012, ApJ 752, 5 (0.653).
COLOUR_INDEX = {"mercury": 0.93, "mars": 1.36, "jupiter": 0.83, "saturn": 1.04, "uranus": 0.56, "neptune": 0.41}
SUN_B_V = 0.653


@pytest.mark.parametrize("planet_name", COLOUR_INDEX)
def test_albedos_agree_with_colour_indices(planet_name):
    # The ratio of albedos is the planet's colour against the Sun's. Phase, rings and season move B-V by up to 0.1.
    ratio = albedo(planet_name, 436.0) / albedo(planet_name, 545.0)
    index = SUN_B_V - 2.5 * np.log10(ratio)
    assert index == pytest.approx(COLOUR_INDEX[planet_name], abs=0.1)


def test_albedo_between_and_beyond_the_bands():
    assert albedo("mars", 545.0) == ALBEDOS["mars"][2]
    assert albedo("mars", 593.0) == pytest.approx((0.170 + 0.250) / 2)
    assert albedo("mars", 1000.0) == 0.285
    with pytest.raises(KeyError):
        albedo("pluto", 545.0)


def test_disc_gets_its_published_colour_within_two_per_cent():
    # Three channels of very different gain and blur: after balance the disc's light stands as the albedos do.
    waves = (630.0, 530.0, 460.0)
    data = np.stack(
        [
            planet(112, (56.0, 56.0), 36.0, gain=g, blur=b, noise=0.002, seed=i, sky=0.0)
            for i, (g, b) in enumerate([(0.7, 1.0), (0.5, 1.5), (0.15, 2.0)])
        ]
    )
    mask = find_object(data)
    assert mask is not None
    gains = gains_for(disc_colour(data, mask), "mars", waves)
    assert gains[1] == 1.0
    balanced = (data * np.array(gains)[:, None, None])[:, mask].sum(axis=1)
    wanted = np.array([albedo("mars", w) for w in waves])
    np.testing.assert_allclose(balanced / balanced[1], wanted / wanted[1], rtol=0.02)


def test_surface_is_made_neutral_by_what_is_neither_shadow_nor_glare():
    rng = np.random.default_rng(0)
    ground = rng.uniform(0.2, 0.4, (60, 80))
    ground[:, :10] = 0.0
    data = np.stack([ground * 0.9, ground * 0.7, ground * 0.5]).astype(np.float32)
    data[0, 20:23, 30:33] = 1.0
    data[:, 0, 0] = np.nan
    assert gains_for(surface_colour(data), "moon", (0, 0, 0)) == pytest.approx((7 / 9, 1.0, 7 / 5), rel=0.01)


def test_impossible_colours_are_refused_in_words():
    with pytest.raises(ValueError, match="no light"):
        gains_for(np.array([1.0, 1.0, -0.1]), "mars", (630.0, 530.0, 460.0))
    with pytest.raises(ValueError, match="gains of"):
        gains_for(np.array([1.0, 1.0, 0.001]), None, (630.0, 530.0, 460.0))


def test_luminance_lends_brightness_and_keeps_hue():
    shape = planet(80, (40.0, 40.0), 28.0, sky=0.0).astype(np.float64)
    colour = np.stack([0.8 * shape, 0.5 * shape, 0.3 * shape]).astype(np.float32)
    sharper = planet(80, (40.0, 40.0), 28.0, sky=0.0, blur=0.8, belts=0.4, gain=0.9)
    lit = apply_luminance(colour, sharper)
    disc = shape > 0.2
    assert lit.dtype == np.float32
    np.testing.assert_allclose(lit[0][disc] / lit[1][disc], 1.6, rtol=1e-5)
    luma = np.tensordot([0.2126, 0.7152, 0.0722], lit, axes=1)
    # Exactly the luminance's course but for the pedestal of 5 %.
    assert np.corrcoef(luma[disc], sharper[disc])[0, 1] > 0.995
    own = np.tensordot([0.2126, 0.7152, 0.0722], colour, axes=1)
    assert luma[disc].mean() == pytest.approx(own[disc].mean(), rel=0.02)


def test_only_what_all_channels_cover_has_data():
    members = [Picture(np.full((10, 12), v, np.float32)) for v in (1.0, 2.0)]
    both = moved(members, [Offset(2.0, 0.0, 1.0), Offset(0.0, 0.0, 1.0)])["data"]
    assert np.isnan(both[:, 8:]).all()
    np.testing.assert_array_equal(both[:, :8, 0], [[1.0] * 8, [2.0] * 8])


def test_object_is_found_with_sky_around_and_not_on_a_surface():
    mask = find_object(planet(100, (48.0, 52.0), 30.0, noise=0.003))
    assert mask is not None
    rows, columns = np.nonzero(mask)
    assert (rows.mean(), columns.mean()) == pytest.approx((48.0, 52.0), abs=0.5)
    assert find_object(np.random.default_rng(0).uniform(0.3, 0.6, (50, 60)).astype(np.float32)) is None
    assert find_object(planet(100, (50.0, 110.0), 60.0)) is None
    assert find_object(np.full((3, 20, 20), np.nan, np.float32)) is None
