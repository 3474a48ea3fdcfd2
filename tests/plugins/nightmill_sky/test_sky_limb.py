"""Fitting the disc: known globes rendered, blurred and given noise, and their geometry demanded back.

The renderer is independent of the fit: four samples across a pixel, belts and spots as functions of longitude and
latitude, Minnaert's law, a Gaussian blur with a faint wide part, Gaussian noise of 1 %.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest

from nightmill_sky import Disc, disc_from_ephemeris, ephemeris
from nightmill_sky.limb import DiscFit, DiscNotFoundError, fit_disc
from nightmill_sky.limb_rim import fit_rim
from nightmill_sky.outlines import ring_cover, ring_radius

FINE = 4


def belts(lon: Any, lat: Any) -> Any:
    dark = 0.25 * np.exp(-(((lat - 15) / 5) ** 2)) + 0.3 * np.exp(-(((lat + 16) / 6) ** 2))
    dark += 0.15 * np.exp(-(((lat - 35) / 4) ** 2)) + 0.1 * np.exp(-(((lat + 40) / 5) ** 2))
    waves = 0.05 * np.sin(np.radians(5 * lon)) * np.exp(-(((lat - 8) / 5) ** 2))
    return 1.0 - dark + waves + 0.1 * np.exp(-(((lon - 80) / 8) ** 2 + ((lat + 22) / 5) ** 2))


def blotches(lon: Any, lat: Any) -> Any:
    return 0.75 + 0.2 * np.sin(np.radians(2 * lon + 30)) * np.cos(np.radians(lat)) ** 2 + 0.3 * (lat > 75)


def plain(lon: Any, lat: Any) -> Any:
    return np.ones_like(lon)


def render(disc: Disc, size: int, paint: Any, darkening: float, blur_px: float, seed: int) -> Any:
    place = (np.arange(size * FINE) + 0.5) / FINE - 0.5
    column, row = np.meshgrid(place, place)
    seen = disc.surface(column, row)
    on = seen.emission > 0.0
    colour = paint(np.where(on, seen.longitude_deg, 0.0), np.where(on, seen.latitude_deg, 0.0))
    light = np.maximum(seen.incidence, 0.0) ** darkening * np.maximum(seen.emission, 0.03) ** (darkening - 1.0)
    image = np.where(on, colour * light, 0.0)
    if disc.rings_radii:
        radius, _ = ring_radius(disc, column, row)
        bright = np.where(radius < 1.526, 0.1, np.where(radius < 1.96, 0.9, 0.6))
        image = np.where(ring_cover(disc, column, row), bright, image)
    image = image.reshape(size, FINE, size, FINE).mean(axis=(1, 3))
    soft = 0.9 * cv2.GaussianBlur(image, (0, 0), blur_px) + 0.1 * cv2.GaussianBlur(image, (0, 0), 4.0 * blur_px)
    noisy = soft + 0.01 * np.random.default_rng(seed).standard_normal(soft.shape)
    return (1000.0 * noisy + 50.0).astype(np.float32)


def case(
    target: str, when: str, diameter: float, north: float, spread: float, mirrored: bool = False
) -> tuple[Disc, int]:
    found = ephemeris(target, when, satellites=False)
    size = int(diameter * spread)
    disc = disc_from_ephemeris(
        found,
        centre_column_px=size / 2 + 1.37,
        centre_row_px=size / 2 - 2.61,
        scale_arcsec_per_px=found.equatorial_diameter_arcsec / diameter,
        north_angle_deg=north,
        mirrored=mirrored,
    )
    return disc, size


def blank(disc: Disc) -> Disc:
    return replace(disc, centre_column_px=0.0, centre_row_px=0.0, equatorial_radius_px=1.0, pole_angle_deg=0.0)


def pole_error_deg(fit: DiscFit, truth: Disc) -> float:
    return (fit.disc.pole_angle_deg - truth.pole_angle_deg + 180.0) % 360.0 - 180.0


def check(fit: DiscFit, truth: Disc, scale_part: float, centre_px: float, most_sigma: float = 0.01) -> None:
    assert fit.disc.equatorial_radius_px == pytest.approx(truth.equatorial_radius_px, rel=scale_part)
    assert fit.disc.centre_column_px == pytest.approx(truth.centre_column_px, abs=centre_px)
    assert fit.disc.centre_row_px == pytest.approx(truth.centre_row_px, abs=centre_px)
    # The stated errors cover the real ones, and are of use.
    assert abs(fit.disc.equatorial_radius_px - truth.equatorial_radius_px) < 4.0 * fit.radius_sigma_px + 0.02
    assert fit.radius_sigma_px < most_sigma * truth.equatorial_radius_px


def test_belted_planet_of_150_px() -> None:
    """Scale to 0.1 %, centre to 0.1 px, pole angle to 0.3 degrees."""
    truth, size = case("jupiter", "2026-01-12T22:10:00", 150.0, 47.0, 1.5)
    picture = render(truth, size, belts, 0.95, 2.0, seed=1)
    before = picture.copy()
    fit = fit_disc(picture, blank(truth), pole_angle_deg=truth.pole_angle_deg + 20.0)
    check(fit, truth, 0.001, 0.1)
    assert fit.pole_measured and abs(pole_error_deg(fit, truth)) < 0.3
    assert fit.blur_px == pytest.approx(2.0, abs=0.2)
    np.testing.assert_array_equal(picture, before)


def test_without_any_hint_the_pole_is_known_to_half_a_turn() -> None:
    truth, size = case("jupiter", "2026-01-12T22:10:00", 90.0, 200.0, 1.6)
    fit = fit_disc(render(truth, size, belts, 0.95, 1.8, seed=2), blank(truth))
    check(fit, truth, 0.002, 0.15)
    assert fit.pole_measured
    assert (pole_error_deg(fit, truth) + 90.0) % 180.0 - 90.0 == pytest.approx(0.0, abs=0.6)


@pytest.mark.parametrize("north", [20.0, 200.0])
def test_a_small_phase_tells_which_end_is_up(north: float) -> None:
    """Phase 10 degrees: the dark limb is on one side, so the globe upside down fits visibly worse."""
    truth, size = case("jupiter", "2025-02-05T20:10:00", 90.0, north, 1.6)
    fit = fit_disc(render(truth, size, belts, 0.95, 1.6, seed=10), blank(truth))
    assert fit.upside_down > 1.05
    # Belts alone, with waves on them, turn it a little, and the stated error says so.
    assert abs(pole_error_deg(fit, truth)) < min(2.0, 2.0 * fit.pole_sigma_deg)


def spotted(lon: Any, lat: Any) -> Any:
    """Belts with bays and ovals as dark and bright as belts, all around, so that many lie on the limb."""
    bays = 0.15 * np.sin(np.radians(9 * lon)) * np.exp(-(((lat - 9) / 5) ** 2))
    ovals = 0.2 * np.cos(np.radians(12 * lon + 40)) * np.exp(-(((lat + 33) / 4) ** 2))
    return belts(lon, lat) + bays + ovals + 0.1 * np.sin(np.radians(7 * lon + 3 * lat)) * (np.abs(lat) > 40)


def test_the_limb_alone_measures_whatever_lies_inside() -> None:
    """Scale to 0.1 %, centre to 0.15 px, through spots that pull at the fit of the whole globe."""
    truth, size = case("jupiter", "2025-02-05T20:10:00", 150.0, 47.0, 1.5)
    picture = render(truth, size, spotted, 0.95, 1.8, seed=11)
    whole = fit_disc(picture, blank(truth), pole_angle_deg=truth.pole_angle_deg)
    fit = fit_rim(picture, whole, darkening=0.95)
    check(fit, truth, 0.001, 0.15)
    assert abs(pole_error_deg(fit, truth)) < 2.0 * fit.pole_sigma_deg < 2.5
    assert fit.upside_down == whole.upside_down


@pytest.mark.parametrize("mirrored", [False, True])
def test_gibbous_mars(mirrored: bool) -> None:
    """Illuminated 0.90: the dark limb must not draw the centre aside (it would by 0.1 radius)."""
    truth, size = case("mars", "1992-11-09T00:00:00", 80.0, 300.0, 1.7, mirrored)
    fit = fit_disc(render(truth, size, blotches, 0.85, 1.8, seed=3), blank(truth))
    check(fit, truth, 0.003, 0.3)


def test_crescent_venus() -> None:
    """Illuminated 0.2."""
    truth, size = case("venus", "2025-03-01T00:00:00", 120.0, 75.0, 1.7)
    fit = fit_disc(render(truth, size, plain, 0.9, 1.8, seed=4), blank(truth))
    check(fit, truth, 0.004, 0.3, most_sigma=0.015)
    assert abs(pole_error_deg(fit, truth)) < 1.0


def test_full_mars_has_no_pole_to_measure() -> None:
    truth, size = case("mars", "2025-01-16T00:00:00", 80.0, 10.0, 1.7)
    fit = fit_disc(render(truth, size, blotches, 0.7, 1.5, seed=5), blank(truth), pole_angle_deg=123.0)
    check(fit, truth, 0.004, 0.5)  # a bright polar cap at the limb pulls a little
    assert not fit.pole_measured and math.isinf(fit.pole_sigma_deg)
    assert fit.disc.pole_angle_deg == pytest.approx(123.0)


@pytest.mark.parametrize("when", ["2018-06-16T00:00:00", "2024-09-08T00:00:00"], ids=["open", "narrow"])
def test_saturn_in_its_rings(when: str) -> None:
    truth, size = case("saturn", when, 70.0, 20.0, 2.8)
    fit = fit_disc(
        render(truth, size, belts, 0.9, 1.5, seed=6), blank(truth), pole_angle_deg=truth.pole_angle_deg + 10.0
    )
    check(fit, truth, 0.001, 0.1)
    assert fit.pole_measured and abs(pole_error_deg(fit, truth)) < 0.3


def test_kept_pole_angle_is_kept() -> None:
    truth, size = case("jupiter", "2026-01-12T22:10:00", 70.0, 0.0, 1.7)
    picture = render(truth, size, belts, 0.95, 1.5, seed=7)
    fit = fit_disc(picture, blank(truth), pole_angle_deg=truth.pole_angle_deg, keep_pole_angle=True)
    check(fit, truth, 0.004, 0.15)
    assert fit.disc.pole_angle_deg == pytest.approx(truth.pole_angle_deg) and not fit.pole_measured


def test_pictures_without_a_whole_disc() -> None:
    truth, size = case("jupiter", "2026-01-12T22:10:00", 40.0, 0.0, 1.7)
    noise = np.random.default_rng(8).normal(100.0, 1.0, (60, 60)).astype(np.float32)
    with pytest.raises(DiscNotFoundError, match="nothing stands out"):
        fit_disc(noise, truth)
    with pytest.raises(DiscNotFoundError, match="nothing stands out"):
        fit_disc(np.zeros((60, 60), np.float32), truth)
    picture = render(truth, size, belts, 0.95, 1.5, seed=9)
    with pytest.raises(DiscNotFoundError, match="cut by the edge"):
        fit_disc(picture[:, : size // 2], truth)
    with pytest.raises(ValueError, match="two dimensions"):
        fit_disc(np.zeros((5, 5, 3), np.float32), truth)
    with pytest.raises(ValueError, match="not finite"):
        fit_disc(np.full((50, 50), np.nan, np.float32), truth)
    with pytest.raises(ValueError, match="keep_pole_angle needs"):
        fit_disc(picture, truth, keep_pole_angle=True)
