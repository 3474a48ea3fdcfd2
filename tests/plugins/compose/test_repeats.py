"""Which of several captures through one filter joins a set."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from nightmill_stages.compose.repeats import with_repeats
from nightmill_stages.compose.sets import Shot, find_sets

from .test_stage import capture, develop, group, make, names, rgb


def resolved(picture, share):
    sharp = {"method": "wiener", "cutoff_cycles_px": [0.35], "resolution_share": [share]}
    return picture.replace(header={**picture.header, "sharpen": sharp})


def repeated(first, second):
    """R, G, B and a second R six minutes later, with the share of the cut-off that each R resolves."""
    red, green, blue = rgb()
    again = make("R", 10, (56.4, 55.2), gain=0.7)
    return [resolved(red, first), resolved(green, 0.9), resolved(blue, 0.8), resolved(again, second)]


def members(made):
    return [c.utc_start for c in made.captures]


def test_a_set_takes_along_what_could_step_in():
    shots = [capture(f, t) for f, t in (("R", 0), ("G", 2), ("B", 4), ("R", 10), ("R", 40))]
    assert group(*shots) == [[0, 1, 2, 3], [4]]
    # Out of the window of the others of the set.
    assert group(*shots, window="7 min") == [[0, 1, 2], [3], [4]]


def test_the_sharper_repeat_joins_the_set_and_the_other_is_shown_alone():
    pictures = repeated(0.6, 0.9)
    made, context = develop(pictures)
    assert members(made[0]) == [pictures[i].captures[0].utc_start for i in (3, 1, 2)]
    assert [picture.captures for picture in made[1:]] == [pictures[0].captures]
    note = next(n for n in context.notes if n.name == "repeats")
    assert note.value["R"] == pictures[3].captures[0].file
    # 1 / (0.35 * 0.9) and 1 / (0.35 * 0.6) px.
    assert "R 3.17 px (others 4.76)" in note.text


def test_time_decides_between_repeats_that_are_alike():
    pictures = repeated(0.88, 0.9)
    made, _ = develop(pictures)
    assert members(made[0]) == [pictures[i].captures[0].utc_start for i in (0, 1, 2)]


def test_the_window_holds_for_what_steps_in():
    pictures = repeated(0.6, 0.9)
    made, _ = develop(pictures, window="7 min")
    assert members(made[0]) == [pictures[i].captures[0].utc_start for i in (0, 1, 2)]


def test_a_repeat_steps_in_for_a_member_that_was_set_aside():
    pictures = repeated(0.9, 0.6)[1:]
    made, context = develop(pictures)
    assert made[0].filters == ("R", "G", "B")
    assert "repeats" not in names(context, "choice")


def test_the_sharper_luminance_joins_the_set():
    shots = [capture(f, t) for f, t in (("R", 0), ("L", 1), ("G", 2), ("B", 4), ("L", 8), ("L", 40))]
    assert group(*shots) == [[0, 2, 3, 1, 4], [5]]
    soft, sharp = (resolved(make("L", t, (56.0, 56.0)), share) for t, share in ((2, 0.6), (8, 0.9)))
    made, context = develop([*repeated(0.9, 0.9)[:3], soft, sharp])
    note = next(n for n in context.notes if n.name == "repeats")
    assert note.value["L"] == sharp.captures[0].file
    assert sharp.captures[0] in made[0].captures
    assert [picture.captures for picture in made[1:]] == [soft.captures]


@given(st.lists(st.tuples(st.sampled_from("RGB"), st.integers(0, 40)), max_size=14))
def test_every_capture_stays_in_exactly_one_group_and_no_set_is_lost(shots):
    known = [Shot(i, name, 60.0 * minute) for i, (name, minute) in enumerate(shots)]
    before = find_sets(known, ["R", "G", "B"])
    after = with_repeats(before, known, ["R", "G", "B"], 900.0)
    assert sorted(i for g in after for i in g) == list(range(len(known)))

    def full(groups):
        return [g[:3] for g in groups if {known[i].filter for i in g} == {"R", "G", "B"}]

    assert sorted(full(after)) == sorted(full(before))
