"""Names of recordings and of products."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightmill.naming import Named, Words, format_name, parse_name, parse_utc

PATTERN = "{target}_{date}_{time}_{filter}"
START = datetime(2026, 1, 12, 22, 10, tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("file", "expected"),
    [
        ("jupiter_20260112_221000_RGB.ser", Named(None, "jupiter", "RGB", START)),
        ("deep/er/Jupiter_20260112_221000_RGB.avi", Named(None, "jupiter", "RGB", START)),
        ("jupiter_20260112_221000_RGB_02.ser", Named(None, "jupiter", "RGB", START)),
        ("jupiter_2026-01-12_22-10-00_R", Named(None, "jupiter", "R", START)),
        ("dark_20260112_221000.ser", Named("dark", None, None, START)),
        ("flat_R_20260112_221000.ser", Named("flat", None, "R", START)),
        ("Dark 12.ser", Named("dark", None, None, None)),
        ("Jupiter 20260112_221000 R.avi", Named(None, "jupiter", "R", START)),
        ("jupiter 20260112 2210  IR 003.ser", Named(None, "jupiter", "IR", START)),
        ("flat R 20260112_221000.ser", Named("flat", None, "R", START)),
        ("my holiday clip.mp4", Named()),
        ("jupiter_20260112_2210_R.ser", Named(None, "jupiter", "R", START)),
        ("jupiter_20261399_221000_R.ser", Named()),
        ("whatever.ser", Named()),
        ("darkness_20260112_221000_R.ser", Named(None, "darkness", "R", START)),
    ],
)
def test_what_a_name_says(file, expected):
    assert parse_name(file, PATTERN, Words(("dark", "flat"))) == expected


@pytest.mark.parametrize(
    ("file", "expected"),
    [
        ("Jupiter_R.ser", Named(None, "jupiter", "R")),
        ("jupiter.avi", Named(None, "jupiter")),
        ("jupiter-003.ser", Named(None, "jupiter")),
        ("jupiter_CH4_02.ser", Named(None, "jupiter", "CH4")),
        ("jupiter_20261399_221000_R.ser", Named()),
        ("holiday_clip.ser", Named()),
        ("jupiter R.ser", Named(None, "jupiter", "R")),
        ("moonlit walk.mp4", Named()),
        ("flat_R.ser", Named("flat", None, "R")),
        ("flat_evening.ser", Named("flat")),
        ("flat_R_03.ser", Named("flat", None, "R")),
    ],
)
def test_a_known_target_needs_no_time(file, expected):
    assert parse_name(file, PATTERN, Words(("dark", "flat"), {"jupiter", "mars"}, {"r"})) == expected


def test_a_pattern_of_the_users_own():
    named = parse_name("2026-01-12 2210 Mars (G).ser", "{date} {time} {target} ({filter})", Words())
    assert named == Named(None, "mars", "G", START)


@given(st.text(max_size=40), st.text(max_size=20) | st.none(), st.floats(0, 4e9) | st.none())
def test_no_name_leaves_the_folder(target, filter, utc):
    name = format_name(PATTERN, target, filter, utc)
    assert name and not set(name) & set('/\\:*?"<>|\0\n')
    assert name not in (".", "..") and not name.startswith((".", "-")) and not name.endswith(".")
    assert len(name) <= 121


@pytest.mark.parametrize("pattern", [PATTERN, "{date}_{time}_{target}_{filter}", "{target}_{filter} {date}"])
def test_without_a_time_a_name_has_none(pattern):
    assert format_name(pattern, "jupiter", "R", None) == "jupiter_R"


@given(
    st.sampled_from(["jupiter", "mars", "moon"]),
    st.sampled_from(["R", "IR", "CH4"]),
    st.integers(0, 4_000_000_000),
)
def test_names_that_we_write_we_read(target, filter, utc):
    assert parse_name(format_name(PATTERN, target, filter, utc), PATTERN, Words()) == Named(
        None, target, filter, float(utc)
    )


@pytest.mark.parametrize("name", ["con", "NUL", "com1", "aux.ser"])
def test_device_names_are_not_used(name):
    assert format_name("{target}", name, None, None).startswith("_")


def test_times_are_utc_unless_they_say_otherwise():
    assert parse_utc("2026-01-12T22:10:00") == START
    assert parse_utc("2026-01-12T23:10:00+01:00") == START
    with pytest.raises(ValueError, match="Invalid isoformat"):
        parse_utc("yesterday")
