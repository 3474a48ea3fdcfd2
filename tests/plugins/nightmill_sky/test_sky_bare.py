"""A bare globe laid under the limb of a picture: drawings whose place, size and blur are known."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from scipy import ndimage

from nightmill_sky import Disc, disc_from_ephemeris, ephemeris
from nightmill_sky.bare import bare_globes, fit_bare_globe, seen_through
from nightmill_sky.optics import modulation_transfer

SHAPE = (190, 200)
DATE = datetime(2025, 2, 5, 20, 13, tzinfo=UTC)
"""Jupiter's phase is 10 degrees."""


def globe(radius: float = 66.0) -> Disc:
    found = disc_from_ephemeris(
        ephemeris("jupiter", DATE), centre_column_px=101.3, centre_row_px=94.2, scale_arcsec_per_px=1.0
    )
    return replace(found, equatorial_radius_px=radius)


def beside(disc: Disc, down: float, right: float, grown: float) -> Disc:
    there = disc.moved(disc.centre_column_px + right, disc.centre_row_px + down)
    return replace(there, equatorial_radius_px=there.equatorial_radius_px + grown)


@pytest.mark.parametrize(("cutoff", "variance"), [(None, 2.0), (0.3, 0.6), (0.3, 0.0)])
def test_place_size_and_blur_are_found(cutoff, variance):
    # Noise of 0.5 % of the middle of the disc on some 3000 pixels around the limb, whose light falls over 3 px: errors
    # of 0.01 px. A variance of 0 lies at an end of the range, which least squares reach from one side.
    disc = globe()
    plane = seen_through(bare_globes(disc, [0.93], SHAPE)[0], cutoff, 0.33, variance)
    plane += 0.005 * np.random.default_rng(3).standard_normal(SHAPE)
    found = fit_bare_globe(plane, beside(disc, 0.4, -0.5, 0.3), 0.93, cutoff, 0.33)
    assert found is not None
    assert np.hypot(
        found.disc.centre_row_px - disc.centre_row_px, found.disc.centre_column_px - disc.centre_column_px
    ) == pytest.approx(0.0, abs=0.05)
    assert found.disc.equatorial_radius_px == pytest.approx(disc.equatorial_radius_px, abs=0.05)
    assert found.variance_px2 == pytest.approx(variance, abs=0.1)


def test_belts_do_not_move_it():
    # Belts along the parallels, a tenth brighter and darker: each direction has a brightness of its own, so what is
    # left comes from belts within a direction of 10 degrees.
    disc = globe()
    row, column = np.indices(SHAPE, np.float64)
    latitude = np.nan_to_num(disc.surface(column, row).latitude_deg)
    bare = bare_globes(disc, [0.93], SHAPE)[0] * (1.0 + 0.1 * np.sin(np.radians(9.0 * latitude)))
    found = fit_bare_globe(seen_through(bare, 0.3, 0.33, 0.5), disc, 0.93, 0.3, 0.33)
    assert found is not None
    assert np.hypot(
        found.disc.centre_row_px - disc.centre_row_px, found.disc.centre_column_px - disc.centre_column_px
    ) == pytest.approx(0.0, abs=0.1)
    assert found.variance_px2 == pytest.approx(0.5, abs=0.3)


def test_what_is_no_globe_is_refused():
    disc = globe()
    rng = np.random.default_rng(5)
    assert fit_bare_globe(ndimage.gaussian_filter(rng.standard_normal(SHAPE), 4.0), disc, 0.93) is None
    # A square of light of about the same size.
    square = np.zeros(SHAPE)
    square[40:150, 45:158] = 1.0
    assert fit_bare_globe(ndimage.gaussian_filter(square, 1.3), disc, 0.93) is None
    assert fit_bare_globe(np.zeros(SHAPE), disc, 0.93) is None


def test_seen_through_a_telescope():
    # A point becomes the spread whose transfer is the telescope's: Born & Wolf by way of `modulation_transfer`.
    point = np.zeros((64, 64))
    point[0, 0] = 1.0
    spread = seen_through(point, 0.3, 0.25, 0.0)
    transfer = np.fft.rfft2(spread).real
    f = np.hypot(np.fft.fftfreq(64)[:, None], np.fft.rfftfreq(64))
    np.testing.assert_allclose(transfer, modulation_transfer(np.minimum(f / 0.3, 1.0), 0.25), atol=1e-12)
    # And a Gaussian of variance 2 has that second moment; cut off at half a cycle a pixel it lacks 4e-6.
    column = (np.arange(64) + 32) % 64 - 32
    gauss = seen_through(point, None, 0.0, 2.0)
    assert (gauss * column**2).sum() == pytest.approx(2.0, rel=1e-5)
