"""Small plots: round ticks, true places, whole SVG."""

from __future__ import annotations

import itertools
import math
import re
import xml.etree.ElementTree as ET

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from nightmill.report.figures import clock_ticks
from nightmill.report.plots import Plot, _Path, nice_ticks

NUMBER = re.compile(r"-?(?:\d+\.?\d*|\.\d+)")


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e6), st.integers(3, 10))
def test_ticks_are_round_even_and_inside(low, span, most):
    high = low + span
    # Ranges narrower than a millionth of their place are beyond what floats, and plots, can tell apart.
    assume(span > 1e-6 * abs(low))
    ticks = nice_ticks(low, high, most)
    assert 1 <= len(ticks) <= 2 * most + 1
    room = 1e-6 * span + 1e-9 * abs(low)
    assert all(low - room <= one <= high + room for one in ticks)
    if len(ticks) > 2:
        step = ticks[1] - ticks[0]
        assert all(b - a == pytest.approx(step, rel=1e-3) for a, b in itertools.pairwise(ticks))
        first = round(step / 10 ** math.floor(math.log10(step) + 1e-9), 2)
        assert first in (1.0, 2.0, 5.0, 10.0)


def test_places_follow_the_axes():
    plot = Plot("t", "a", (0.0, 10.0), (0.0, 1.0))
    assert plot.px(5.0) == pytest.approx((plot.px(0.0) + plot.px(10.0)) / 2)
    assert plot.py(1.0) < plot.py(0.0)
    assert Plot("t", "a", (3.0, 3.0), (1.0, 1.0)).px(3.0) > 0


def test_a_square_plot_keeps_shapes():
    plot = Plot("t", "a", (0.0, 1.0), (0.0, 30.0), square=True)
    assert plot.px(1.0) - plot.px(0.0) == pytest.approx(plot.py(0.0) - plot.py(1.0))


def test_the_svg_is_well_formed_and_says_what_it_shows():
    plot = Plot("Sharpness <&>", "rises", (0.0, 4e-5), (-1.0, 1.0), "x", "y")
    plot.line([0.0, 1e-5, None, 3e-5], [0.0, 0.5, 0.1, -0.5]).band([0.0, 4e-5], [-0.1, None], [0.1, 0.2])
    plot.bars(0.0, 4e-5, [1, 0, 2], "bar").dot(1e-5, 0.0, "point", "a<b").cross(2e-5, 0.0, "bad").upright(
        3e-5, "rule", "w"
    )
    root = ET.fromstring(plot.svg())
    assert root.get("aria-label") == "Sharpness <&>: rises"
    assert root.get("role") == "img"
    words = [one.text for one in root.iter("text")]
    # The power of ten is taken out of the ticks and stands with the label.
    assert "x × 10⁻⁶" in words
    assert {"0", "10", "20", "30", "40"} <= set(words)
    assert "M" in root.find("path[@class='line']").get("d")[1:]


def test_clock_ticks_fall_on_full_hours():
    start = 1_768_255_260.0
    ticks = clock_ticks(start, start + 5 * 3600, 6)
    assert [one[0] % 3600 for one in ticks] == [0.0] * len(ticks)
    assert 4 <= len(ticks) <= 6
    assert ticks[0][1].endswith(":00")


@given(st.lists(st.tuples(st.floats(-500, 500), st.floats(-500, 500)), min_size=1, max_size=60))
def test_a_path_of_steps_ends_where_its_points_are(points):
    path = _Path()
    for x, y in points:
        path.to(x, y)
    # Read back as SVG 1.1, section 8.3, has it: pairs after M are absolute, after l relative.
    start, _, steps = path.text[1:].partition("l")
    x, y = (float(one) for one in NUMBER.findall(start))
    numbers = [float(one) for one in NUMBER.findall(steps)]
    assert len(numbers) == 2 * len(points) - 2
    places = [(x, y)]
    for dx, dy in zip(numbers[::2], numbers[1::2], strict=True):
        x, y = x + dx, y + dy
        places.append((x, y))
    assert all(
        abs(a - b) < 0.06 for one, other in zip(places, points, strict=True) for a, b in zip(one, other, strict=True)
    )
