"""Which captures may belong together."""

from __future__ import annotations

from nightmill.artefacts import Capture
from nightmill_stages.mosaic.groups import group_panels, split_times


def shot(minute, target="moon", filter="R", colour=False):
    start = None if minute is None else 1.7e9 + 60 * minute
    return (Capture("", f"{target}{minute}", "ser", 10, 8, 8, target=target, filter=filter, utc_start=start),)


def test_target_and_filter_are_kept_apart():
    units = [shot(0), shot(1, filter="IR"), shot(2), shot(3, target="sun"), shot(4, filter="ir"), shot(5, target="sun")]
    assert group_panels(units, 3600) == [[0, 2], [1, 4], [3, 5]]


def test_one_alone_and_one_without_a_target_make_no_group():
    assert group_panels([shot(0), shot(1, target=None), shot(2, target=None)], 3600) == []


def test_a_long_series_is_cut_at_its_longest_pause():
    units = [shot(minute) for minute in (0, 10, 20, 55, 65, 75)]
    assert group_panels(units, 3600) == [[0, 1, 2], [3, 4, 5]]
    assert group_panels(units, 7200) == [[0, 1, 2, 3, 4, 5]]


def test_captures_without_a_time_are_one_group():
    assert group_panels([shot(None), shot(5), shot(None)], 60) == [[0, 2]]


def test_every_part_fits_into_the_window():
    timed = [(7.0 * k * k, k) for k in range(20)]
    parts = split_times(timed, 300.0)
    assert [one for part in parts for one in part] == timed
    assert all(part[-1][0] - part[0][0] <= 300.0 for part in parts)
