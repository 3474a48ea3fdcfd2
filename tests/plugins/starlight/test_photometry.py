"""Light in an aperture against analytic stars, the sums of mosaics, and samples that always read wrong."""

from __future__ import annotations

import numpy as np
import pytest

from nightmill_stages.starlight.locate import cell_of, find_star, stands_out
from nightmill_stages.starlight.photometry import measure_star, ring_sky
from nightmill_stages.starlight.sensor import odd_samples
from nightmill_stages.starlight.sums import add_cut, empty_sums, mean_planes


def gauss(side: int, sigma: float, flux: float, at=(0.0, 0.0)) -> np.ndarray:
    """Sample a Gaussian star, `at` from the middle of a square."""
    y, x = np.mgrid[:side, :side] - (side - 1) / 2
    return flux / (2 * np.pi * sigma**2) * np.exp(-((y - at[0]) ** 2 + (x - at[1]) ** 2) / (2 * sigma**2))


@pytest.mark.parametrize("sigma", [1.5, 3.0, 6.0])
def test_light_of_a_gaussian_is_all_of_it(sigma):
    plane = (gauss(121, sigma, 500.0, (0.4, -0.3)) + 7.0).astype(np.float32)
    (light,) = measure_star([plane])
    # Where a larger aperture holds no half of a hundredth more, a Gaussian has less than that outside.
    assert light.flux == pytest.approx(500.0, rel=0.006)
    assert light.sky == pytest.approx(7.0, abs=1e-3)
    assert 0 <= light.growth <= 0.005


def test_light_within_a_given_circle_is_the_integral():
    """1 - exp(-r^2 / 2 s^2): the integral of a Gaussian over a circle."""
    plane = (gauss(121, 4.0, 100.0) + 2.0).astype(np.float32)
    (light,) = measure_star([plane], radius_px=6.0)
    assert light.flux == pytest.approx(100.0 * (1 - np.exp(-(6.0**2) / 32.0)), rel=0.003)


def test_all_channels_share_the_aperture_and_neighbours_do_not_count_as_sky():
    sharp, soft = (gauss(161, sigma, 300.0) + 1.0 for sigma in (2.0, 7.0))
    soft += np.roll(gauss(161, 2.0, 80.0), (70, 5), axis=(0, 1))
    lights = measure_star([one.astype(np.float32) for one in (sharp, soft)])
    assert lights[0].radius_px == lights[1].radius_px > 15
    assert [one.flux for one in lights] == pytest.approx([300.0, 300.0], rel=0.006)


def test_the_sky_is_the_mean_even_between_two_digits():
    """A dark sky of few digits: a median would say 0."""
    rng = np.random.default_rng(1)
    plane = (rng.random((81, 81)) < 0.3).astype(np.float32)
    offsets = np.arange(81) - 40
    level, error = ring_sky(plane, np.hypot(offsets[:, None], offsets[None, :]), 40.0)
    assert level == pytest.approx(0.3, abs=5 * error)
    assert error == pytest.approx(np.sqrt(0.3 * 0.7 / 2000), rel=0.3)


def test_the_sums_of_a_mosaic_are_the_colours_beneath():
    """A star of three colours that wanders over the mosaic: each place sees each colour now and then."""
    rng = np.random.default_rng(2)
    sums = empty_sums(20, 3)
    for _ in range(80):
        y, x = 40 + rng.normal(0, 2.0, 2)
        star = gauss(81, 3.0, 100.0, (y - 40, x - 40))
        frame = np.zeros((81, 81))
        for k, (row, column) in enumerate(((0, 0), (0, 1), (1, 0), (1, 1))):
            frame[row::2, column::2] = (1.0, 2.0, 2.0, 0.5)[k] * star[row::2, column::2]
        add_cut(sums, frame, (y, x), 0, "RGGB")
    lights = measure_star(mean_planes(sums["sum"][0], sums["weight"][0]))
    assert [one.flux for one in lights] == pytest.approx([100.0, 200.0, 50.0], rel=0.012)


def test_places_that_no_sample_fell_on_are_filled_from_around():
    sums = empty_sums(15, 3)
    add_cut(sums, np.full((41, 41), 5.0), (20, 20), 0, "GRBG")
    for plane in mean_planes(sums["sum"][0], sums["weight"][0]):
        assert plane == pytest.approx(np.full((31, 31), 5.0), rel=1e-6)


@pytest.mark.parametrize("cfa", [False, True])
def test_a_star_is_found_and_a_hot_sample_is_not_one(cfa):
    rng = np.random.default_rng(3)
    frame = rng.normal(10.0, 2.0, (200, 240)).astype(np.float32)
    frame[30, 50] = 4000.0
    cell = cell_of(200, 240, cfa)
    assert not stands_out(find_star(frame, cell)[2])
    frame += np.pad(gauss(81, 4.0, 4000.0, (0.3, -0.2)), ((100, 19), (20, 139))).astype(np.float32)
    y, x, above = find_star(frame, cell)
    assert stands_out(above)
    assert (y, x) == pytest.approx((140.3, 59.8), abs=0.8)


@pytest.mark.parametrize("sigma", [1.6, 3.0, 5.0])
def test_odd_samples_are_told_from_the_star_itself(sigma):
    rng = np.random.default_rng(4)
    mean = (gauss(121, sigma, 4000.0) + rng.normal(10.0, 0.2, (121, 121))).astype(np.float32)
    assert len(odd_samples(mean, np.full_like(mean, 0.2), 4095.0, False)) == 0
    places = {(20, 20), (60, 66), (52, 60)}
    for row, column in places:
        mean[row, column] += 150.0
    assert {tuple(one) for one in odd_samples(mean, np.full_like(mean, 0.2), 4095.0, False)} == places
