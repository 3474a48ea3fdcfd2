"""References in night.yaml: how they are read, which recipe they go through, what is said of many recordings."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightmill.errors import UsageError
from nightmill.night import Night, read_night
from nightmill.plugins import load_registry
from nightmill.run.choose import choose_recipe, gather_recipes


def night(folder: Path, text: str) -> Night:
    (folder / "night.yaml").write_text(text, encoding="utf-8")
    return read_night(folder)


def test_sections_come_in_canonical_units(tmp_path):
    read = night(tmp_path, "references: {HD1: {right_ascension: 4.4 hourangle, declination: -3 deg}, other: }\n")
    sections = read.sections(["references", "extinction"])
    place = {"right_ascension_deg": pytest.approx(66.0), "declination_deg": -3.0}
    assert sections == {"references": {"HD1": place, "other": {}}, "extinction": {}}
    assert read.references == {"hd1", "other", "reference"}


def test_half_a_place_is_refused_with_its_place_in_the_file(tmp_path):
    with pytest.raises(UsageError, match=r"night.yaml:1:19: 'references.HD1': right_ascension and declination go"):
        night(tmp_path, "references: {HD1: {declination: 4 deg}}\n")


def test_patterns_say_it_of_many_and_a_name_says_it_last(tmp_path):
    read = night(
        tmp_path,
        "captures:\n  b_1_R.ser: {gain: 3}\n  'b_*': {exposure: 8 ms, gain: 9}\n  'b_*_R.ser': {exposure: 20 ms}\n",
    )
    said = read.known_of("deep/b_1_R.ser")
    assert (said.exposure_s, said.gain) == (0.02, 3)
    assert read.known_of("b_2_G.ser").exposure_s == 0.008
    assert read.known_of("c.ser").exposure_s is None


@pytest.mark.parametrize("given", [None, "filter-set-planet"])
def test_a_reference_has_a_recipe_of_its_own_whatever_is_given_for_the_others(tmp_path, given):
    recipes = gather_recipes(night(tmp_path, "references: {HD1: {}}\n"), given, load_registry())
    chosen = {target: choose_recipe(target, "R", recipes).name for target in ("hd1", "reference", "mars")}
    assert chosen == {"hd1": "reference-star", "reference": "reference-star", "mars": "filter-set-planet"}


def test_the_night_file_may_name_another_recipe_for_it(tmp_path):
    text = "references: {HD1: {}}\nrecipes: {hd1: quick-look, mars: quick-look}\n"
    recipes = gather_recipes(night(tmp_path, text), "filter-set-planet", load_registry())
    assert choose_recipe("hd1", "R", recipes).name == "quick-look"
    # A recipe that is given goes over the night file's for all that is no reference.
    assert choose_recipe("mars", "R", recipes).name == "filter-set-planet"
