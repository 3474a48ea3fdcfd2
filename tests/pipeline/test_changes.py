"""Parameters that differ by target and by filter: in night.yaml, in recipes, in keys, in pictures, in the schema."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import yaml
from click.testing import CliRunner

from nightmill.cli.check import check
from nightmill.cli.recipe import recipe as command
from nightmill.errors import NightmillError, PluginError, RecipeError
from nightmill.locking import lock_text
from nightmill.plugins import load_registry
from nightmill.recipe import parse_recipe
from nightmill.run.reading import Settled, settle
from nightmill.schema import night_schema, recipe_schema
from toysupport import TOY, TOY_RECIPE, products

CHAIN = "nightmill: 1\nstages: [ingest, grade, align, {stack: {share: 0.2, clip: 6}}, sharpen, compose, annotate]\n"


def night(folder: Path, changes: str, recipe: str = CHAIN, **options: object) -> Settled:
    (folder / "night").mkdir(exist_ok=True)
    (folder / "night" / "night.yaml").write_text(changes, encoding="utf-8")
    (folder / "r.yaml").write_text(recipe, encoding="utf-8")
    return settle(folder / "night", recipe=str(folder / "r.yaml"), **options)  # type: ignore[arg-type]


def stack_of(settled: Settled, target: str | None, filter: str | None) -> tuple[object, object]:
    assert settled.recipes.given is not None
    fitted = settled.fitting.fit(settled.recipes.given, target, filter).recipe
    parameters = next(call for call in fitted.calls if call.name == "stack").parameters
    return parameters.share, parameters.clip


CHANGES = """\
changes:
  - for: {targets: [mars], filters: [ir, CH4]}
    change: {stack: {share: 0.4}}
  - for: {targets: [Mars, saturn]}
    change: {stack: {share: 0.3}}
  - change: {stack: {clip: 7}}
"""


@pytest.mark.parametrize(
    ("target", "filter", "stack"),
    [
        ("mars", "R", (0.3, 7)),
        ("mars", "IR", (0.4, 7)),
        ("saturn", "IR", (0.3, 7)),
        ("jupiter", "IR", (0.2, 7)),
        (None, None, (0.2, 7)),
    ],
)
def test_the_nearest_change_counts(target: str | None, filter: str | None, stack: tuple, tmp_path: Path) -> None:
    """What names the filter goes over what names the target alone, and that over what is for all."""
    assert stack_of(night(tmp_path, CHANGES), target, filter) == stack


def test_equal_captures_share_their_recipe_so_that_they_can_be_joined(tmp_path: Path) -> None:
    settled = night(tmp_path, CHANGES)
    recipe = settled.recipes.given
    red, infrared, other = (settled.fitting.fit(recipe, "mars", name) for name in ("R", "IR", "G"))
    assert red.common is infrared.common
    assert red.recipe is other.recipe
    assert infrared.recipe is not red.recipe
    assert settled.fitting.fit(recipe, "saturn", "R").common is not red.common
    # A change that changes nothing leaves the recipe itself.
    same = night(tmp_path, "changes: [{for: {targets: [mars]}, change: {stack: {share: 0.20}}}]\n")
    assert same.fitting.fit(same.recipes.given, "mars", "R").common is same.recipes.given


def test_a_recipe_has_changes_too_and_the_night_goes_over_them(tmp_path: Path) -> None:
    recipe = CHAIN + "changes: [{for: {filters: [IR]}, change: {stack: {share: 0.5, clip: 8}, sharpen: }}]\n"
    settled = night(tmp_path, "changes: [{for: {filters: [IR]}, change: {stack: {share: 0.6}}}]\n", recipe)
    assert stack_of(settled, "mars", "IR") == (0.6, 8)
    assert stack_of(settled, "mars", "R") == (0.2, 6)
    (tmp_path / "top.yaml").write_text("nightmill: 1\nextends: r.yaml\nchange: {stack: {clip: 9}}\n", encoding="utf-8")
    top = settle(tmp_path / "night", recipe=str(tmp_path / "top.yaml"))
    assert stack_of(top, "mars", "R") == (0.2, 9)
    assert stack_of(top, "mars", "IR") == (0.6, 8)


def test_all_problems_of_a_night_file_at_once_with_their_places(tmp_path: Path) -> None:
    text = (
        "telescope: {apperture: 203 mm}\nrecipes: {mars: no-such.yaml}\nplugins: [nowhere.py]\nchanges:\n"
        "  - for: {target: [mars]}\n    change: {stak: {share: 1}, stack: {share: 20, clips: 5}}\n"
        "  - for: {filters: [R]}\n    chnge: {}\n  - stack\n"
    )
    with pytest.raises(RecipeError) as caught:
        night(tmp_path, text)
    said = str(caught.value)
    found = [line.partition("night.yaml:")[2] for line in said.splitlines() if "night.yaml:" in line]
    assert [line.partition(": ")[0] for line in found] == [
        "1:13", "2:17", "3:11", "5:11", "6:14", "6:47", "6:51", "7:5", "8:5", "9:5",
    ]  # fmt: skip
    for part in ("did you mean 'aperture'", "did you mean 'targets'", "did you mean 'stack'", "at most 1 or 'auto'"):
        assert part in said
    assert said.count("^") == len(found)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ("{for: {targets: [mars]}, change: {orient: {}}}", "1:45: no recipe of mars has the stage 'orient'"),
        ("{change: {qqq-xyzzy: {}}}", "1:21: there is no stage 'qqq-xyzzy'"),
        (
            "{for: {filters: [IR]}, change: {annotate: {label: false}}}",
            "1:43: stage 'annotate' stands behind 'compose', which joins captures of several filters",
        ),
        (
            "{for: {filters: [IR]}, change: {compose: {window: 3 min}}}",
            "1:43: stage 'compose' joins captures of several filters, so its parameters cannot differ by filter",
        ),
    ],
)
def test_what_cannot_be_is_told_before_anything_starts(changes: str, message: str, tmp_path: Path) -> None:
    kind = PluginError if "qqq" in changes else RecipeError
    with pytest.raises(kind) as caught:
        night(tmp_path, f"changes: [{changes}]\n")
    assert f"night.yaml:{message}" in str(caught.value)


def test_a_frozen_recipe_takes_no_other_parameters(tmp_path: Path) -> None:
    registry = load_registry()
    frozen = lock_text(parse_recipe(CHAIN, "r", registry), registry)
    with pytest.raises(RecipeError, match=r"2:39: --locked takes the recipe 'r' as it was frozen, and this changes st"):
        night(tmp_path, "changes:\n  - {for: {targets: [mars]}, change: {stack: {share: 0.3}}}\n", frozen, locked=True)
    assert night(tmp_path, "changes: [{change: {stack: {share: 0.2}}}]\n", frozen, locked=True).recipes.given


NIGHT = """\
changes:
  - {for: {targets: [mars]}, change: {toy-scale: {factor: 7, together: true}}}
  - {for: {targets: [mars], filters: [G]}, change: {toy-level: {limit: 2}}}
"""


def test_only_those_captures_are_made_again_and_the_picture_gives_the_changes_back(toy_night, run_toy) -> None:
    """Then, from the PNG alone and a night without them, the same bits; the joined picture holds both filters'."""
    file = toy_night / "night.yaml"
    run_toy()
    file.write_text(NIGHT, encoding="utf-8")
    arguments = [str(toy_night), "--out", str(toy_night.parent / "out"), "--plugin", str(TOY), "--json"]
    arguments += ["--recipe", str(toy_night.parent / "toy.yaml")]
    report = json.loads(CliRunner().invoke(check, arguments, standalone_mode=False).stdout)
    told = {one["file"].partition("_")[0] + one["filter"]: one["changes"] for one in report["captures"]}
    assert told["marsR"] == ["toy-scale.factor 3 -> 7", "toy-scale.together false -> true"]
    assert told["marsG"] == ["toy-level.limit 1 -> 2", *told["marsR"]]
    assert told["moonR"] == []
    again = {
        (one["file"].partition("_")[0] + one["filter"], step["step"]): step["reasons"]
        for one in report["captures"]
        for step in one["steps"]
        if step["state"] != "there"
    }
    assert {capture for capture, _ in again} == {"marsR", "marsG"}
    assert {step for capture, step in again if capture == "marsR"} == {"files"}
    assert again["marsG", "toy-level"] == ["parameter toy-level.limit 1 -> 2"]

    first = run_toy("first")
    (png,) = (first.out / "pictures").glob("mars*.png")
    recovered = toy_night.parent / "again.yaml"
    done = CliRunner().invoke(command, ["from", str(png), "--plugin", str(TOY), "-o", str(recovered)])
    assert done.exception is None
    text = recovered.read_text(encoding="utf-8")
    assert yaml.safe_load(text)["changes"] == [{"for": {"filters": ["G"]}, "change": {"toy-level": {"limit": 2.0}}}]
    file.unlink()
    second = run_toy("second", "again.yaml", locked=True)
    made, held = products(second.out), products(first.out)
    mars = [name for name in held if "mars" in name]
    assert len(mars) >= 5
    assert {name: made[name] for name in mars} == {name: held[name] for name in mars}
    # The night's own changes over the recovered recipe change nothing, so they are no other frozen recipe either.
    file.write_text(NIGHT, encoding="utf-8")
    third = run_toy("second", "again.yaml", locked=True)
    assert {name: products(third.out)[name] for name in mars} == {name: held[name] for name in mars}


def test_differences_in_words(tmp_path: Path) -> None:
    for name, share in (("one", 0.3), ("other", 0.4)):
        text = CHAIN + f"changes: [{{for: {{filters: [IR]}}, change: {{stack: {{share: {share}}}}}}}]\n"
        (tmp_path / f"{name}.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "none.yaml").write_text(CHAIN, encoding="utf-8")

    def said(*names: str) -> list[str]:
        arguments = ["diff", *(str(tmp_path / f"{name}.yaml") for name in names)]
        return CliRunner().invoke(command, arguments, standalone_mode=False).output.splitlines()

    assert said("one", "other")[0] == "parameter stack.share for filters [IR]: 0.3 in one, 0.4 in other"
    assert said("none", "other")[0] == "parameter stack.share for filters [IR]: as for others in none, 0.4 in other"


@pytest.mark.parametrize(
    ("text", "good"),
    [
        ("changes: [{for: {targets: [mars], filters: [IR]}, change: {stack: {share: 0.3}}}]", True),
        ("changes: [{change: {compose: {channels: {red: IR}}}}]", True),
        ("changes: [{change: {stak: {}}}]", False),
        ("changes: [{change: {stack: {share: 20}}}]", False),
        ("changes: [{for: {target: [mars]}, change: {}}]", False),
        ("changes: [{for: {targets: [mars]}}]", False),
    ],
)
def test_schemas(text: str, good: bool) -> None:
    jsonschema = pytest.importorskip("jsonschema")
    for schema, head in ((night_schema(load_registry()), ""), (recipe_schema(load_registry()), CHAIN)):
        found = list(jsonschema.Draft7Validator(schema).iter_errors(yaml.safe_load(head + text)))
        assert (not found) == good


def test_the_toy_recipe_with_a_wrong_change(tmp_path: Path) -> None:
    recipe = TOY_RECIPE + "changes: [{for: {filters: [G]}, change: {toy-levl: {}, toy-level: {limit: -1}}}]\n"
    with pytest.raises(NightmillError) as caught:
        parse_recipe(recipe, "toy.yaml", load_registry((str(TOY),)))
    assert "toy.yaml:10:42: the recipe has no stage 'toy-levl'; did you mean 'toy-level'?" in str(caught.value)
    assert "toy.yaml:10:75: stage 'toy-level': parameter 'limit': expected at least 0, got -1" in str(caught.value)
