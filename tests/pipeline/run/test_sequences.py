"""Sequences in a night: their own folder and list, remade only when a member changed, the same bits for any engine."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from toysupport import TOY_RECIPE, events


@pytest.fixture
def filmed(run_toy, toy_night):
    """Run the toy night with a stage that adds a sequence."""
    recipe = toy_night.parent / "film.yaml"
    recipe.write_text(f"{TOY_RECIPE}  - toy-join: {{moving: true}}\n", encoding="utf-8")
    return lambda **options: run_toy(recipe="film.yaml", **options)


def test_a_sequence_has_its_own_folder_and_list(filmed):
    result = filmed()
    assert result.exit_code == 0
    (one,) = result.summary["sequences"]
    assert one["files"] == [f"sequences/{one['name']}.png"]
    assert one["name"].endswith("_toy-join")
    assert (one["target"], one["kind"], len(one["captures"])) == ("mars", "toy-join", 3)
    assert [time[-1] for time in one["utc"]] == ["Z", "Z"]
    assert all(not listed.get("kind") for listed in result.summary["pictures"])
    with Image.open(result.out / one["files"][0]) as image:
        assert image.n_frames == 3
    # A writer of still pictures is not asked about it.
    assert not list((result.out / "sequences").glob("*.fits"))
    page = (result.out / "report" / "index.html").read_text(encoding="utf-8")
    assert "Through the night" in page
    assert f"../{one['files'][0]}" in page
    assert "image/webp" in page.split('id="sequences"')[1].split("</section>")[0]


def test_it_is_remade_only_when_a_member_changed(filmed, toy_night):
    first = filmed()
    (one,) = first.summary["sequences"]
    steps = len(events(first.out, "step done"))
    before = (first.out / one["files"][0]).read_bytes()
    filmed()
    assert len(events(first.out, "step done")) == steps
    np.save(toy_night / "mars_20250205_204500_L.npy", np.full((60, 24, 32), 50, np.uint8))
    (more,) = filmed().summary["sequences"]
    assert len(more["captures"]) == 4
    assert (first.out / more["files"][0]).read_bytes() != before


def test_same_bits_in_another_folder_and_with_threads(filmed):
    (one,) = filmed().summary["sequences"]
    runs = [filmed(out="a"), filmed(out="b", using="threads", workers=2)]
    assert len({(run.out / one["files"][0]).read_bytes() for run in runs}) == 1
