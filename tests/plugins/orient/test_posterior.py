"""Weighing ways of lying: known, half known, and what the user says."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightmill_stages.orient.posterior import Way, apart_deg, known, weigh_user

ANGLES = st.floats(0.0, 359.0)


def four(pole: float, less: float) -> list[Way]:
    """What belts and a dark limb tell: planet's east, whichever the end."""
    other = (pole + 180.0) % 360.0
    return [Way(pole, False, 1.0), Way(other, False, less), Way(other, True, 1.0), Way(pole, True, less)]


@given(ANGLES)
def test_belts_alone_show_the_axis(pole):
    ways = four(pole, 1.0)
    axis = known(ways, lambda way: way.pole_angle_deg, 180.0)
    assert axis.sure
    assert apart_deg(axis.value, pole, 180.0) < 1e-6
    assert known(ways, lambda way: way.pole_angle_deg).confidence == pytest.approx(0.5)
    assert known(ways, lambda way: way.planet_east_deg).confidence == pytest.approx(0.5)


@given(ANGLES)
def test_a_dark_limb_shows_the_turn_and_a_word_on_mirrors_the_rest(pole):
    ways = four(pole, 0.01)
    east = known(ways, lambda way: way.planet_east_deg)
    assert east.sure
    assert apart_deg(east.value, pole - 90.0) < 1e-6
    assert not known(ways, lambda way: 180.0 * way.mirrored).sure
    for mirrored, expected in ((False, pole), (True, pole + 180.0)):
        left, contradicted = weigh_user(ways, 20.0, None, mirrored)
        assert not contradicted
        end = known(left, lambda way: way.pole_angle_deg)
        assert end.confidence == pytest.approx(1.0 / 1.01)
        assert apart_deg(end.value, expected) < 1e-6


@given(ANGLES)
def test_a_north_angle_tells_a_mirror_when_the_pole_leans(pole):
    # With the pole 20 degrees from north the two senses put north 40 degrees apart.
    ways = [Way(pole, False, 1.0), Way(pole, True, 1.0)]
    left, contradicted = weigh_user(ways, 20.0, (pole - 20.0 + 3.0) % 360.0, None)
    assert not contradicted
    assert [way.mirrored for way in left] == [False]


def test_a_contradicting_word_wins():
    left, contradicted = weigh_user(four(10.0, 0.01), 0.0, 100.0, False)
    assert contradicted
    assert left == [Way(100.0, False, 1.0)]
    left, contradicted = weigh_user([], 30.0, 100.0, None)
    assert not contradicted
    assert left == [Way(130.0, False, 1.0), Way(70.0, True, 1.0)]
