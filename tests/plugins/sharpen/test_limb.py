"""The limb as a known edge, on analytic discs: limb-darkened ellipses through a known telescope and blur."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from nightmill_stages.sharpen.apply import sharpen_wiener
from nightmill_stages.sharpen.blur import Blur
from nightmill_stages.sharpen.ellipse import Ellipse, find_ellipse
from nightmill_stages.sharpen.limb import LimbProfile, around, disc_powers, lit
from nightmill_stages.sharpen.optics import Optics
from nightmill_stages.sharpen.signal import measure_signal
from nightmill_stages.sharpen.spectral import apply_transfer, frequencies

SHAPE, CUTOFF = (160, 180), 0.3
TRUE = Ellipse(78.3, 91.6, 52.4, 49.1, 0.4, np.ones(72, bool))
OPTICS = Optics(CUTOFF, 0.3)


def seen(ellipse=TRUE, darkening=0.7):
    """Return a disc, its brightness falling linearly with the cosine of emergence, as the telescope shows it."""
    discs = disc_powers(ellipse, SHAPE)
    return apply_transfer(((1 - darkening) * discs[0] + darkening * discs[2]).astype(np.float32), OPTICS.transfer)


def test_ellipse_and_darkening_are_found_through_blur():
    picture = seen()
    found = find_ellipse(picture, (picture > 0.1).astype(np.float32), CUTOFF)
    assert found.limb.all()
    np.testing.assert_allclose([found.row, found.column], [TRUE.row, TRUE.column], atol=0.05)
    telescope, blur = OPTICS.transfer(frequencies(SHAPE)), Blur(3.0, 0.3, 0.3)
    transfer = blur.transfer(frequencies(SHAPE), CUTOFF)
    stacked = apply_transfer(picture, transfer)
    profile = LimbProfile(stacked, np.ones(SHAPE, bool), found, telescope, CUTOFF)
    left, growth = profile.residual(transfer)
    assert np.abs(left).max() < 0.002
    # The steepest place of a darkened limb lies inside its end; the profile says by how much: to a tenth of a pixel.
    assert np.sqrt(found.a * found.b) * (1 + growth) == pytest.approx(np.sqrt(TRUE.a * TRUE.b), abs=0.1)
    # Weaker and stronger air explain the fall worse.
    for other in (Blur(2.0, 0.3, 0.3), Blur(4.5, 0.3, 0.3)):
        wrong, _ = profile.residual(other.transfer(frequencies(SHAPE), CUTOFF))
        assert np.std(wrong) > 4 * np.std(left)


def test_a_bright_cap_does_not_spoil_the_fall():
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    radius, turn = TRUE.radius(y, x), np.arctan2(y - TRUE.row, x - TRUE.column)
    # Twice as bright in one direction, half as bright in the other, as polar caps and terminators are.
    factor = 1 + np.clip((radius - 0.3) / 0.4, 0, 1) * (0.9 * np.exp(-((turn / 0.5) ** 2)) - 0.3 * np.cos(turn))
    discs = disc_powers(TRUE, SHAPE)
    light = ((0.3 * discs[0] + 0.7 * discs[2]) * factor).astype(np.float32)
    sharp = apply_transfer(light, OPTICS.transfer)
    telescope, blur = OPTICS.transfer(frequencies(SHAPE)), Blur(3.0, 0.3, 0.3)
    transfer = blur.transfer(frequencies(SHAPE), CUTOFF)
    left = {}
    for name, bright in (("even", None), ("around", around(sharp, TRUE))):
        profile = LimbProfile(apply_transfer(sharp, transfer), np.ones(SHAPE, bool), TRUE, telescope, CUTOFF, bright)
        left[name] = float(np.std(profile.residual(transfer)[0]))
    # Smoothing over a sector or two is all that is lost.
    assert left["around"] < 0.004
    assert left["around"] < left["even"] / 3


def test_what_is_no_ellipse_is_refused():
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    half = seen() * np.clip(x - 95.0, 0, 1)  # half lit
    assert find_ellipse(half, (half > 0.1).astype(np.float32), CUTOFF) is None
    ringed = np.maximum(
        seen(Ellipse(78.3, 91.6, 30, 28, 0.0, TRUE.limb)), 0.6 * (np.hypot((x - 91) / 80, (y - 78) / 25) < 1)
    )
    assert find_ellipse(ringed, (ringed > 0.1).astype(np.float32), CUTOFF) is None
    assert find_ellipse(np.zeros(SHAPE), np.zeros(SHAPE), CUTOFF) is None


def test_the_edge_comes_back_where_noise_hides_fine_detail():
    rng, blur, truth = np.random.default_rng(4), Blur(5.0, 0.3, 0.3), seen()
    stacked = apply_transfer(truth, lambda f: blur.transfer(np.minimum(f, CUTOFF), CUTOFF))
    halves = [stacked + 0.01 * rng.standard_normal(SHAPE).astype(np.float32) for _ in range(2)]
    noisy = ((halves[0] + halves[1]) / 2).astype(np.float32)
    signal = measure_signal(noisy, *halves, None, CUTOFF)
    radius = TRUE.radius(*np.mgrid[: SHAPE[0], : SHAPE[1]])
    rings = [(radius > k / 100) & (radius < (k + 2) / 100) for k in range(85, 125, 2)]

    def rim(ellipse):
        done = sharpen_wiener(noisy, blur, OPTICS, signal, 1.0, ellipse)
        return max(abs(float((done.picture - truth)[ring].mean())) for ring in rings) / float(truth[radius < 1].mean())

    plain, tied, known = rim(None), rim(TRUE), rim(replace(TRUE, darkening=(0.3, 0.0, 0.7, 0.0)))
    assert plain > 0.01
    assert tied < 0.01 and tied < plain / 2, (plain, tied)
    # Where the darkening is known nothing but noise is left: 200 pixels a ring, and the brightness around.
    assert known < 0.003 and known < tied, (tied, known)


def test_tolerance_is_what_directions_differ_in():
    rng = np.random.default_rng(5)
    telescope = OPTICS.transfer(frequencies(SHAPE))
    radius = TRUE.radius(*np.mgrid[: SHAPE[0], : SHAPE[1]])
    # Surface of 3 % from place to place, under which the mean of a ring is known to 0.2 %; none outside.
    grain = 0.03 * rng.standard_normal(SHAPE).astype(np.float32) * (radius < 1)
    picture = seen() * (1 + apply_transfer(grain, OPTICS.transfer) / 0.3)
    profile = LimbProfile(picture, np.ones(SHAPE, bool), TRUE, telescope, CUTOFF)
    profile.weigh(np.ones(SHAPE, np.float32))
    left, _ = profile.residual(np.ones(SHAPE, np.float32))
    assert profile.tolerance[:8].mean() > 3 * profile.tolerance[-8:].mean()
    assert profile.tolerance[-8:].mean() < 0.0013
    assert np.sqrt(np.mean((left / profile.tolerance) ** 2)) < 1


def test_a_terminator_is_no_limb():
    x = np.arange(SHAPE[1])
    assert lit(seen(), TRUE).all()
    # Lit from the right: the darkest third, around the left, is left out.
    shaded = seen() * (1 + 0.4 * np.clip((x - TRUE.column) / TRUE.a, -1, 1))
    kept = lit(shaded, TRUE)
    turn = (np.arange(72) + 0.5) * 5
    assert kept[(turn < 110) | (turn > 250)].all()
    assert not kept[(turn > 130) & (turn < 230)].any()
