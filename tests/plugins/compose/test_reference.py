"""White balance by a star: the arithmetic against what filters, exposures and air do, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightmill_stages.compose.balance.by_star import SUN_B_V, Air, Starlit, Target, gains_by_star, gradient

WAVES = (630.0, 530.0, 460.0)
THROUGH = np.array([0.7, 1.0, 0.4])
"""What telescope, filters and camera take of sunlight."""


def recorded(star_s, target_s, star_air=1.0, target_air=1.0, taken=(0.0, 0.0, 0.0), reflected=(0.3, 0.2, 0.1)):
    """Return the star, how the target was recorded, and the target's own light per frame."""
    fading = [10 ** (-0.4 * np.array(taken) * air) for air in (star_air, target_air)]
    star = [
        Starlit(float(f), 0.005, float(s), 100.0, star_air)
        for f, s in zip(8.0 * THROUGH * fading[0] * star_s, star_s, strict=True)
    ]
    target = [Target(float(s), 50.0, target_air) for s in target_s]
    return star, target, 1e3 * np.array(reflected) * THROUGH * fading[1] * target_s


def test_what_is_lit_by_the_sun_shows_what_it_reflects():
    """Other exposures for every filter, and twice the air for the star."""
    taken = (0.10, 0.16, 0.28)
    star, target, seen = recorded(
        np.array([0.03, 0.04, 0.08]), np.array([0.005, 0.008, 0.02]), 2.2, 1.1, taken, (0.3, 0.2, 0.1)
    )
    gains, errors = gains_by_star(star, target, one_capture=False, air=[Air(a, 0.0) for a in taken], waves_nm=WAVES)
    shown = np.array(gains) * seen
    assert shown / shown[1] == pytest.approx([1.5, 1.0, 0.5], rel=1e-5)
    assert gains[1] == 1.0
    assert errors[1] == 0.0


@given(
    st.lists(st.floats(0.01, 100.0), min_size=3, max_size=3),
    st.lists(st.floats(0.6, 1.6), min_size=3, max_size=3),
)
def test_exposing_longer_changes_no_gain(star_times, target_times):
    """Flux and exposure of the star together, and exposure and light of the target together, cancel."""
    star, target, seen = recorded(np.array([0.03, 0.04, 0.08]), np.array([0.005, 0.008, 0.02]))
    longer = [
        Starlit(one.flux * k, one.error, (one.exposure_s or 0) * k, one.gain, one.airmass)
        for one, k in zip(star, star_times, strict=True)
    ]
    before, _ = gains_by_star(star, target, one_capture=False)
    assert gains_by_star(longer, target, one_capture=False)[0] == pytest.approx(before, rel=1e-4)
    exposed = [Target((one.exposure_s or 0) * k, one.gain, 1.0) for one, k in zip(target, target_times, strict=True)]
    after = np.array(gains_by_star(star, exposed, one_capture=False)[0]) * seen * target_times
    assert after / after[1] == pytest.approx(before * seen / seen[1], rel=1e-4)


def test_one_capture_in_colour_needs_neither_exposure_nor_gain():
    star = [Starlit(f, 0.01) for f in (2.0, 4.0, 1.0)]
    gains, errors = gains_by_star(star, [Target()] * 3, one_capture=True)
    assert gains == (2.0, 1.0, 4.0)
    assert errors == pytest.approx((np.sqrt(2) * 0.01, 0.0, np.sqrt(2) * 0.01))


def test_the_error_holds_for_the_haze_and_the_colour_of_the_star():
    """What the gains become with half the haze more, or a star 0.04 mag redder, is the error that is stated."""
    star, target, _ = recorded(np.full(3, 0.03), np.full(3, 0.01), 2.5, 1.0)
    star = [Starlit(one.flux, 0.0, one.exposure_s, one.gain, one.airmass) for one in star]
    haze = np.array([0.09, 0.11, 0.14])
    usual, errors = gains_by_star(star, target, one_capture=False, air=[Air(h, 0.5 * h) for h in haze])
    more, _ = gains_by_star(star, target, one_capture=False, air=[Air(1.5 * h, 0.0) for h in haze])
    assert np.abs(np.log(more) - np.log(usual)) == pytest.approx(errors, abs=1e-5)
    plain, errors = gains_by_star(star, target, one_capture=False, waves_nm=WAVES)
    redder, _ = gains_by_star(star, target, one_capture=False, waves_nm=WAVES, b_minus_v=SUN_B_V + 0.04)
    assert np.abs(np.log(redder) - np.log(plain)) == pytest.approx(errors, abs=1e-5)


def test_a_redder_star_is_fainter_in_blue():
    assert gradient(545.0, 0.75) == pytest.approx(0.0)
    # B-V itself, by definition.
    assert gradient(436.0, 0.753) - gradient(545.0, 0.753) == pytest.approx(0.10)
    assert gradient(630.0, 0.75) < 0
    star = [Starlit(1.0, 0.0)] * 3
    gains, _ = gains_by_star(star, [Target()] * 3, one_capture=True, waves_nm=WAVES, b_minus_v=SUN_B_V + 0.1)
    # Sunlight would have given more blue than this star did.
    assert gains[2] < 1.0 < gains[0]


def test_a_redder_black_body_is_what_the_gradient_says():
    """Planck's law at the Sun's 5772 K and at 5500 K: magnitudes between 450 and 650 nm, from their own B-V."""

    def light(nm, kelvin):
        return 1.0 / (np.asarray(nm) ** 5 * (np.exp(1.438777e7 / (np.asarray(nm) * kelvin)) - 1.0))

    nm = np.array([450.0, 500.0, 600.0, 650.0])
    fainter = -2.5 * np.log10(light(nm, 5500.0) / light(nm, 5772.0))
    fainter -= -2.5 * np.log10(light(545.0, 5500.0) / light(545.0, 5772.0))
    index = -2.5 * np.log10(light(436.0, 5500.0) / light(436.0, 5772.0) * light(545.0, 5772.0) / light(545.0, 5500.0))
    assert [gradient(w, SUN_B_V + index) for w in nm] == pytest.approx(fainter, abs=0.003)


def test_what_does_not_fit_is_refused():
    star, target, _ = recorded(np.full(3, 0.03), np.full(3, 0.01))
    with pytest.raises(ValueError, match="exposures are not known"):
        gains_by_star([Starlit(1.0, 0.0)] * 3, target, one_capture=False)
    stepped = [Target(0.01, gain, 1.0) for gain in (50.0, 50.0, 80.0)]
    with pytest.raises(ValueError, match="differs otherwise from filter to filter"):
        gains_by_star(star, stepped, one_capture=False)
    # Steps that both took together mean the same for both.
    both = [Starlit(one.flux, 0.0, 0.03, gain, 1.0) for one, gain in zip(star, (50.0, 50.0, 80.0), strict=True)]
    assert gains_by_star(both, stepped, one_capture=False)[0][1] == 1.0
    with pytest.raises(ValueError, match="not that of a star like the Sun"):
        gains_by_star(star, target, one_capture=False, b_minus_v=1.2)
    with pytest.raises(ValueError, match="no light in one of the channels"):
        gains_by_star([Starlit(0.0, 0.0)] * 3, target, one_capture=True)
    with pytest.raises(ValueError, match="would be needed"):
        gains_by_star([Starlit(f, 0.0) for f in (1.0, 1.0, 1e-3)], target, one_capture=True)
