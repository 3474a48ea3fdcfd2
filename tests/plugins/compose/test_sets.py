"""Grouping of captures into filter sets."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from nightmill_stages.compose.sets import Shot, find_sets


def sets(text: str, minutes: float = 1.0, **options) -> list[str]:
    """Sets of captures one after the other, "R G B", as words in the order of their members' times."""
    names = text.split()
    shots = [Shot(i, name, 60.0 * minutes * i) for i, name in enumerate(names)]
    groups = find_sets(shots, ["R", "G", "B"], **options)
    return ["".join(f"{names[i]}{i}" for i in group) for group in groups]


def test_one_set_after_the_other():
    assert sets("R G B R G B") == ["R0G1B2", "R3G4B5"]


def test_any_order_within_a_set():
    assert sets("R G B B G R") == ["R0G1B2", "R5G4B3"]


def test_a_repeated_capture_leaves_the_one_that_is_nearer():
    assert sets("R R G B") == ["R0", "R1G2B3"]
    assert sets("R G G B") == ["R0G1B3", "G2"]


def test_blocks_of_one_filter_give_as_many_sets_as_there_are():
    assert sets("R R G G B B") == ["R0G2B4", "R1G3B5"]


def test_window_counts_from_first_to_last_start():
    assert sets("R G B", minutes=7.5) == ["R0G1B2"]
    assert sets("R G B", minutes=7.6) == ["R0G1", "B2"]
    assert sets("R G B R G B", minutes=7.6) == ["R0G1", "R3B2", "G4B5"]


def test_a_missing_filter_leaves_a_part():
    assert sets("R G R G") == ["R0G1", "R2G3"]


def test_luminance_joins_the_nearest_full_set_once():
    assert sets("L R G B L R G B", also=["L"]) == ["R1G2B3L0", "R5G6B7L4"]
    assert sets("L L R G", also=["L"]) == ["L0", "L1", "R2G3"]


def test_other_filters_stay_alone():
    assert sets("R IR G B CH4") == ["R0G2B3", "IR1", "CH44"]


@given(
    st.lists(st.tuples(st.sampled_from("RGBLI"), st.integers(0, 4000)), max_size=25),
    st.sampled_from([60.0, 900.0]),
)
def test_every_capture_appears_once_and_sets_keep_their_promises(found, window):
    shots = [Shot(i, name, float(time)) for i, (name, time) in enumerate(found)]
    groups = find_sets(shots, ["R", "G", "B"], also=["L"], window_s=window)
    assert sorted(i for group in groups for i in group) == list(range(len(shots)))
    for group in groups:
        members = [shots[i] for i in group]
        times = [s.time_s for s in members]
        assert max(times) - min(times) <= window
        assert len({s.filter for s in members}) == len(members)
        assert "I" not in {s.filter for s in members} or len(members) == 1
    # No full set is left among the captures that are in none.
    loose = [shots[i] for group in groups if not {"R", "G", "B"} <= {shots[i].filter for i in group} for i in group]
    for red in (s for s in loose if s.filter == "R"):
        for green in (s for s in loose if s.filter == "G"):
            for blue in (s for s in loose if s.filter == "B"):
                times = [red.time_s, green.time_s, blue.time_s]
                assert max(times) - min(times) > window
