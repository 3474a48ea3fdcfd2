"""Every fault of a recipe, night file or plugin has its message; the guides show all of them."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from nightmill.errors import NightmillError
from nightmill.plugins import load_registry
from nightmill.recipe import read_recipe
from nightmill.run.reading import settle
from wrong_documents import NIGHTS, PLUGINS, RECIPES, RIGHT

ROOT = Path(__file__).parents[2]
BEGIN, END = "<!-- messages: begin -->", "<!-- messages: end -->"


def recipe_message(text: str, folder: Path) -> str:
    path = folder / "recipe.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(NightmillError) as caught:
        read_recipe(path, load_registry())
    said = str(caught.value).replace(str(path), "recipe.yaml")
    # The list of all stages there are is cut: it grows with every stage.
    return re.sub(r"(there is no stage '[^']*'; there is \w+), .*", r"\1, ...", said)


def night_message(text: str, folder: Path) -> str:
    path = folder / "night.yaml"
    path.write_text(text, encoding="utf-8")
    (folder / "edge.py").write_text("raise SystemExit(9)\n", encoding="utf-8")
    with pytest.raises(NightmillError) as caught:
        settle(folder, recipe=None)
    return str(caught.value).replace(str(path.resolve()), "night.yaml").replace(str(folder.resolve()), "NIGHT")


def plugin_message(text: str, folder: Path) -> str:
    path = folder / "plugin.py"
    path.write_text(text, encoding="utf-8")
    registry = load_registry.__wrapped__((str(path),), installed=False)
    assert not registry.stages
    assert not registry.writers
    (broken,) = registry.broken
    assert broken.name == "plugin"
    assert broken.origin == "plugin.py"
    return broken.reason.replace(str(path), "plugin.py")


def table(cases: dict[str, str], message: Callable[[str, Path], str], folder: Path) -> list[str]:
    rows = ["| what is wrong | what nightmill says |", "|---|---|"]
    for name, text in cases.items():
        said = message(text, folder).splitlines()[0].replace("|", "\\|").replace("<", "&lt;")
        rows.append(f"| {name} | `{said}` |")
    return rows


def check_caret(said: str, first: str, text: str) -> None:
    """The first problem has file, line and column, and the line with a caret at that column; no traceback."""
    _, line, column, _ = first.split(":", 3)
    lines = text.splitlines()
    assert 1 <= int(line) <= len(lines) + 1
    if int(line) <= len(lines) and lines[int(line) - 1].strip():
        shown = said.splitlines()
        caret = next(one for one in shown if one.strip() == "^")
        assert caret.index("^") == 4 + int(column) - 1
        assert shown[shown.index(caret) - 1][4:] == lines[int(line) - 1].replace("\t", " ")
    assert "Traceback" not in said


@pytest.mark.parametrize("name", RECIPES)
def test_recipe(name: str, tmp_path: Path) -> None:
    said = recipe_message(RECIPES[name], tmp_path)
    first = said.splitlines()[0]
    check_caret(said, first, RECIPES[name])
    assert f"`{first}`" in shown_in("recipes/README.md")


@pytest.mark.parametrize("name", NIGHTS)
def test_night(name: str, tmp_path: Path) -> None:
    said = night_message(NIGHTS[name], tmp_path)
    first = said.splitlines()[0]
    assert first.startswith("night.yaml:1:")
    check_caret(said, first, NIGHTS[name])
    assert f"`{first}`" in shown_in("recipes/README.md")


@pytest.mark.parametrize("name", PLUGINS)
def test_plugin(name: str, tmp_path: Path) -> None:
    said = plugin_message(PLUGINS[name], tmp_path)
    first = said.splitlines()[0]
    check_caret(said, first, PLUGINS[name])
    assert f"`{first.replace('<', '&lt;')}`" in shown_in("plugins/README.md")


def test_there_are_at_least_fifty() -> None:
    assert len(RECIPES) + len(NIGHTS) + len(PLUGINS) >= 50
    assert len({*RECIPES, *NIGHTS, *PLUGINS}) == len(RECIPES) + len(NIGHTS) + len(PLUGINS)


CASES = [
    *((name, RECIPES[name], recipe_message) for name in RECIPES),
    *((name, NIGHTS[name], night_message) for name in NIGHTS),
    *((name, PLUGINS[name], plugin_message) for name in PLUGINS),
]


def test_what_would_be_right_is_said(tmp_path: Path) -> None:
    """In all but a few, of which nobody can know what was meant."""
    assert set(RIGHT) <= {name for name, _, _ in CASES}
    assert len(RIGHT) >= 0.9 * len(CASES)
    for name, text, message in CASES:
        assert RIGHT.get(name, "") in message(text, tmp_path), name


def test_all_problems_of_a_plugin_at_once(tmp_path: Path) -> None:
    text = PLUGINS["a version that is a number"].replace(
        "class Grade", "def nightmill_event():\n    pass\n\nclass Grade"
    )
    text = text.replace("    'Grade.'\n", "").replace("gives = {'mine'", "gives = {'utc'")
    said = plugin_message(text, tmp_path)
    assert [line.split(":")[1:3] for line in said.splitlines() if line.startswith("plugin.py:")] == [
        ["5", "5"],
        ["8", "7"],
        ["10", "13"],
        ["11", "15"],
    ]
    assert said.count("^") == 4


def test_all_problems_of_a_file_at_once(tmp_path: Path) -> None:
    text = "nightmill: 3\ntitel: x\nstages:\n  - ingest\n  - grade\n  - align\n  - stak\n"
    text += "  - compose: {window: 3, singles: 7}\n"
    said = recipe_message(text, tmp_path)
    places = [line.split(":")[1] for line in said.splitlines() if line.startswith("recipe.yaml:")]
    assert places == ["1", "2", "7", "8", "8"]


def test_whose_fault_it_is(tmp_path: Path) -> None:
    """A stage that nothing resembles is a plugin that is missing (4); a name misspelt is a wrong recipe (2)."""
    codes = {}
    for name in ("a stage misspelt", "a stage of a plugin that is not here"):
        path = tmp_path / "recipe.yaml"
        path.write_text(RECIPES[name], encoding="utf-8")
        with pytest.raises(NightmillError) as caught:
            read_recipe(path, load_registry())
        codes[name] = caught.value.exit_code
    assert list(codes.values()) == [2, 4]


def shown_in(file: str) -> str:
    """Return the table of messages in a guide; with NIGHTMILL_WRITE_TABLES=1 it is written anew."""
    path = ROOT / file
    text = path.read_text(encoding="utf-8")
    return text[text.index(BEGIN) : text.index(END)]


def test_write_tables(tmp_path: Path) -> None:
    if os.environ.get("NIGHTMILL_WRITE_TABLES") != "1":
        pytest.skip("writes the tables of the guides; set NIGHTMILL_WRITE_TABLES=1 after a message was changed")
    recipe_rows = table(RECIPES, recipe_message, tmp_path) + table(NIGHTS, night_message, tmp_path)[2:]
    for file, rows in (
        ("recipes/README.md", recipe_rows),
        ("plugins/README.md", table(PLUGINS, plugin_message, tmp_path)),
    ):
        path = ROOT / file
        text = path.read_text(encoding="utf-8")
        head, rest = text.split(BEGIN)
        tail = rest.split(END)[1]
        path.write_text(f"{head}{BEGIN}\n\n" + "\n".join(rows) + f"\n\n{END}{tail}", encoding="utf-8", newline="\n")
