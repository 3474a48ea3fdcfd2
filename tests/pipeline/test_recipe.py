"""Recipes: reading, extending, writing out, choosing, freezing, recovering, comparing."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
import yaml
from click.testing import CliRunner

from nightmill.cli.recipe import recipe as command
from nightmill.differences import differences
from nightmill.errors import PluginError, RecipeError, UsageError
from nightmill.locking import check_lock, lock_of, lock_text
from nightmill.night import NightFile, read_night_file
from nightmill.plugins import load_registry
from nightmill.recipe import find_recipe, parse_recipe, read_recipe
from nightmill.recovery import _night
from nightmill.run.choose import Recipes, choose_recipe
from nightmill.schema import DRAFT, night_schema, recipe_schema
from toysupport import TOY, TOY_RECIPE, products

RECIPES = sorted((Path(__file__).parents[2] / "recipes").glob("*.yaml"))
CHAIN = "nightmill: 1\nstages: [ingest, grade, align, stack, compose]\n"


def parse(text: str, name: str = "r.yaml"):
    return parse_recipe(text, name, load_registry())


@pytest.mark.parametrize("path", RECIPES, ids=lambda path: path.stem)
def test_shipped_recipes_are_valid_and_say_what_they_are(path: Path) -> None:
    recipe = read_recipe(path, load_registry())
    assert recipe.title
    assert len(recipe.about) > 40
    assert parse(recipe.to_yaml()).to_yaml() == recipe.to_yaml()


def test_the_sun_comes_with_its_cautions() -> None:
    path = next(path for path in RECIPES if path.stem == "solar-surface")
    assert "CAUTION" in path.read_text(encoding="utf-8").split("nightmill: 1")[0]
    assert "never look at the Sun" in read_recipe(path, load_registry()).about


@pytest.mark.parametrize(
    ("target", "filter", "name"),
    [
        *((planet, "RGB", "one-shot-colour-planet") for planet in ("mercury", "venus", "mars", "jupiter", "uranus")),
        *((planet, "R", "filter-set-planet") for planet in ("mars", "jupiter", "neptune")),
        ("jupiter", "CH4", "filter-set-planet"),
        ("saturn", "RGB", "ringed-planet"),
        ("saturn", "G", "ringed-planet"),
        ("moon", "IR", "lunar-surface"),
        ("moon", "RGB", "lunar-surface"),
        ("sun", "Halpha", "solar-surface"),
        ("vega", "L", "quick-look"),
        (None, None, "quick-look"),
    ],
)
def test_recipes_are_chosen_by_target_and_filter(target: str | None, filter: str | None, name: str) -> None:
    registry = load_registry()
    recipes = Recipes(None, {}, tuple(read_recipe(path, registry) for path in RECIPES))
    chosen = choose_recipe(target, filter, recipes)
    assert chosen is not None
    assert chosen.name == name


def test_change_lays_itself_over_the_recipe_below(tmp_path: Path) -> None:
    (tmp_path / "base.yaml").write_text(
        CHAIN.replace("compose]", "{compose: {channels: {red: IR, blue: G}, window: 30 min}}]"), encoding="utf-8"
    )
    (tmp_path / "top.yaml").write_text(
        "nightmill: 1\nextends: base.yaml\nchange: {compose: {channels: {blue: UV}}, stack: }\n", encoding="utf-8"
    )
    compose = read_recipe(tmp_path / "top.yaml", load_registry()).calls[-1].parameters
    assert compose.channels.model_dump() == {"red": "IR", "green": "G", "blue": "UV"}
    assert compose.window == 30


def test_circles_are_named(tmp_path: Path) -> None:
    for one, other in (("a", "b"), ("b", "a")):
        (tmp_path / f"{one}.yaml").write_text(f"nightmill: 1\nextends: {other}.yaml\n", encoding="utf-8")
    with pytest.raises(RecipeError, match=re.escape("in a circle: a.yaml -> b.yaml -> a.yaml")):
        read_recipe(tmp_path / "a.yaml", load_registry())


def test_problems_below_are_told_with_their_own_place(tmp_path: Path) -> None:
    (tmp_path / "base.yaml").write_text(CHAIN.replace("stack", "stak"), encoding="utf-8")
    (tmp_path / "top.yaml").write_text("nightmill: 1\nextends: base.yaml\n", encoding="utf-8")
    with pytest.raises(RecipeError, match=r"top.yaml:2:10: (?s:.*)base.yaml:2:32: there is no stage 'stak'"):
        read_recipe(tmp_path / "top.yaml", load_registry())


def test_a_lock_refuses_other_versions_and_says_which() -> None:
    registry = load_registry()
    recipe = parse(CHAIN)
    with pytest.raises(UsageError, match="has no 'locked' part"):
        check_lock(recipe, registry)
    text = lock_text(recipe, registry)
    check_lock(parse(text), registry)
    held = lock_of(recipe, registry)
    assert set(held["stages"]) == {"ingest", "grade", "align", "stack", "compose"}
    changed = yaml.safe_load(text)
    changed["locked"]["packages"]["numpy"] = "1.0.0"
    changed["locked"]["stages"]["stack"]["version"] = "99"
    changed["locked"]["stages"]["gone"] = {"version": "1"}
    with pytest.raises(PluginError) as caught:
        check_lock(parse(yaml.safe_dump(changed, sort_keys=False)), registry)
    said = str(caught.value)
    assert f"numpy: frozen with 1.0.0, here it is {held['packages']['numpy']}" in said
    assert f"version of stack: frozen with 99, here it is {held['stages']['stack']['version']}" in said
    assert "stage gone" in said
    assert "grade" not in said


def test_a_recipe_comes_back_from_any_file_and_makes_the_same_bits(run_toy, toy_night) -> None:
    first = run_toy()
    texts = {}
    for number, picture in enumerate(sorted((first.out / "pictures").glob("moon*"))):
        name = toy_night.parent / f"again{number}.yaml"
        arguments = ["from", str(picture), "--plugin", str(TOY), "-o", str(name)]
        assert CliRunner().invoke(command, arguments, standalone_mode=False).exception is None
        texts[picture.suffix] = name.read_text(encoding="utf-8").partition("\n")[2]
        refused = CliRunner().invoke(command, arguments, standalone_mode=False)
        assert "is there already" in str(refused.exception)
    assert {".png", ".tif", ".fits"} <= set(texts)
    assert len(set(texts.values())) == 1
    assert "# of these recordings (SHA-256):\n#   moon_20250205_213000_R.npy: " in texts[".png"]
    held = yaml.safe_load(texts[".png"])["locked"]["stages"]["toy-mean"]
    assert held["version"] == "1"
    assert held["plugin"].startswith("toy.py ")
    second = run_toy("again", "again0.yaml", locked=True)
    assert products(second.out) == products(first.out)


def test_what_carries_no_record_is_refused(tmp_path: Path) -> None:
    (tmp_path / "x.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    (tmp_path / "x.txt").write_text("hello", encoding="utf-8")
    for name in ("x.png", "x.txt", "missing.png"):
        result = CliRunner().invoke(command, ["from", str(tmp_path / name)], standalone_mode=False)
        assert isinstance(result.exception, UsageError)
        assert name in str(result.exception)


def test_a_night_comes_back_as_it_would_be_typed(tmp_path: Path) -> None:
    text = (
        "site: {name: Hügel, latitude: 47.1 deg, temperature: 5 deg_C}\n"
        "camera: {pixel: 3.75 um, bits: 12, full_well: 14500 electron, read_noise: 1.2 electron}\n"
    )
    path = tmp_path / "night.yaml"
    path.write_text(text, encoding="utf-8")
    settings = read_night_file(path)
    lines = list(_night({"site": settings.site.plain(), "camera": settings.camera.plain()}))
    assert "Hügel" in lines[0]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert read_night_file(path) == settings


def test_the_end_of_a_shipped_name_will_do_where_one_alone_has_it() -> None:
    registry = load_registry()
    for name in ("colour-planet", "colour-planet.yaml", "one-shot-colour-planet.yaml"):
        assert find_recipe(name, registry).stem == "one-shot-colour-planet"
    for name in ("planet", "surface.yaml", "lour-planet", "elsewhere/colour-planet.yaml"):
        with pytest.raises(UsageError, match="there is no"):
            find_recipe(name, registry)


def test_what_is_no_recipe_is_not_called_missing(tmp_path: Path) -> None:
    (tmp_path / "moon.ser").write_bytes(b"")
    with pytest.raises(UsageError, match=r"moon.ser is no recipe: a recipe is a text file whose name ends in .yaml"):
        find_recipe(str(tmp_path / "moon.ser"), load_registry())
    (tmp_path / "moon.png").write_bytes(b"")
    with pytest.raises(
        UsageError, match=r"a picture's own is had by 'nightmill recipe from .*moon.png -o recipe.yaml'"
    ):
        find_recipe(str(tmp_path / "moon.png"), load_registry())


def test_differences_in_words(tmp_path: Path) -> None:
    one, other = tmp_path / "one.yaml", tmp_path / "other.yaml"
    one.write_text(CHAIN, encoding="utf-8")
    other.write_text(
        "nightmill: 1\nfor: {targets: [mars]}\n"
        "stages: [ingest, calibrate, grade, align, {stack: {clip: 6}}, compose]\n",
        encoding="utf-8",
    )
    said = CliRunner().invoke(command, ["diff", str(one), str(other)], standalone_mode=False).output.splitlines()
    assert said == [
        "stage calibrate: only in other",
        "parameter stack.clip: 5 in one, 6 in other",
        "made for the targets: any in one, [mars] in other",
        "title: one in one, other in other",
    ]
    # A default that is written out differs from nothing.
    one.write_text(CHAIN.replace("stack", "{stack: {clip: 5.0, share: auto}}"), encoding="utf-8")
    other.write_text(CHAIN, encoding="utf-8")
    said = CliRunner().invoke(command, ["diff", str(one), str(other)], standalone_mode=False).output
    assert "They make the same pictures" in said


def test_differences_of_values() -> None:
    old = {"a": 1, "b": [1, 2], "c": {"d": True}, "e": "x"}
    new = {"a": 1.0, "b": [1, 3], "c": {"d": 1}, "f": None}
    found = {one.path: one.arrow() for one in differences(old, new)}
    assert found == {("b", 1): "2 -> 3", ("c", "d"): "true -> 1", ("e",): "x -> none", ("f",): "none -> none"}


@pytest.fixture(scope="module")
def validator():
    jsonschema = pytest.importorskip("jsonschema")
    schema = json.loads(json.dumps(recipe_schema(load_registry())))
    jsonschema.Draft7Validator.check_schema(schema)
    return jsonschema.Draft7Validator(schema)


def test_schema_says_what_the_stages_declare() -> None:
    schema = recipe_schema(load_registry())
    assert schema["$schema"] == DRAFT
    text = json.dumps(schema)
    # Draft-07 knows neither of these, and ignores what stands beside a reference.
    assert not re.search(r'"(\$ref|\$defs|prefixItems)"', text)
    call = schema["properties"]["stages"]["items"]["anyOf"][-1]["properties"]
    assert call["compose"]["properties"]["window"]["x-unit"] == "min"
    assert call["compose"]["properties"]["channels"]["properties"]["red"]["description"]
    names = {one["const"] for one in schema["properties"]["stages"]["items"]["anyOf"] if "const" in one}
    assert names == set(load_registry().stages)
    for name, cls in load_registry().stages.items():
        assert set(call[name].get("properties", ())) == set(cls.Parameters.model_fields)


@pytest.mark.parametrize("path", RECIPES, ids=lambda path: path.stem)
def test_schema_accepts_what_ships(path: Path, validator) -> None:
    given = yaml.safe_load(path.read_text(encoding="utf-8"))
    assert not list(validator.iter_errors(given))
    resolved = yaml.safe_load(read_recipe(path, load_registry()).to_yaml())
    assert not list(validator.iter_errors(resolved))
    assert not list(
        validator.iter_errors(yaml.safe_load(lock_text(read_recipe(path, load_registry()), load_registry())))
    )


@pytest.mark.parametrize(
    "text",
    [
        CHAIN + "titel: x",
        CHAIN.replace("stack", "stak"),
        CHAIN.replace("stack", "{stack: {share: 20}}"),
        CHAIN.replace("compose", "{compose: {window: 15}}"),
        CHAIN.replace("compose", "{compose: {channels: {rad: R}}}"),
        CHAIN + "extends: quick-look",
        "nightmill: 2\nstages: [ingest]",
    ],
)
def test_schema_refuses_what_is_wrong(text: str, validator) -> None:
    assert list(validator.iter_errors(yaml.safe_load(text)))


def test_night_schema_knows_every_key() -> None:
    schema = night_schema(load_registry())
    assert set(schema["properties"]) == set(NightFile.model_fields)
    assert schema["properties"]["telescope"]["properties"]["aperture"]["anyOf"][0]["x-unit"] == "mm"


def test_toy_recipe_is_what_the_other_tests_take_it_for() -> None:
    registry = load_registry((str(TOY),))
    assert parse_recipe(TOY_RECIPE, "toy", registry).calls[0].name == "toy-source"
