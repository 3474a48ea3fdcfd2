"""Filters by their names."""

from __future__ import annotations

import pytest

from nightmill_sky.filters import filter_key, wavelength_nm


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("R", "r"), ("Red", "r"), (" GREEN ", "g"), ("blue", "b"), ("Lum", "l"), ("Luminance", "l"), ("H-alpha", "ha"),
        ("Methane", "ch4"), ("IR685", "ir685"), ("Redder", "redder"), ("", ""), (None, ""),
    ],
)  # fmt: skip
def test_words_are_their_usual_letters(name, key):
    assert filter_key(name) == key


def test_a_word_has_the_wavelength_of_its_letter():
    """What the night file says goes first, by whichever of the two names."""
    assert wavelength_nm("Red", {}) == wavelength_nm("R", {}) == 630.0
    assert wavelength_nm("Red", {"R": 640.0}) == wavelength_nm("r", {"red": 640.0}) == 640.0
    assert wavelength_nm("Foo", {}) is None
