"""What the guides show works: every block of Python, YAML and every command in them is run."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import yaml
from click.testing import CliRunner

from nightmill.cli.main import COMMANDS, _nightmill
from nightmill.errors import UsageError
from nightmill.night import NightFile
from nightmill.plugins import load_registry
from nightmill.recipe import parse_recipe
from nightmill.run.reading import settle
from nightmill.scaffold import KINDS, Kind, write_plugin
from nightmill.testing.conformance import check_stage
from nightmill.testing.conformance.bench import make_bench
from toysupport import write_ser

ROOT = Path(__file__).parents[2]
GUIDES = ("plugins/README.md", "recipes/README.md", "README.md", "DEVELOPERS.md")


def blocks(file: str, language: str) -> list[str]:
    text = (ROOT / file).read_text(encoding="utf-8")
    return re.findall(rf"^```{language}\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)


@pytest.mark.parametrize("number", range(len(blocks("plugins/README.md", "python"))))
def test_python_of_the_guide(number: int, tmp_path: Path) -> None:
    """A block with hooks loads as a plugin, and its stages pass the kit; a block with tests passes them."""
    block = blocks("plugins/README.md", "python")[number]
    path = tmp_path / f"test_guide_{number}.py"
    path.write_text(block, encoding="utf-8")
    if "def test_" in block:
        command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(path)]
        subprocess.run(command, check=True, cwd=tmp_path, timeout=200)
        return
    registry = load_registry.__wrapped__((str(path),))
    assert [one for one in registry.broken if one.name == path.stem] == []
    stages = [cls for name, cls in registry.qualified.items() if name.startswith(f"{path.stem}:")]
    assert stages or any(writer.name == "array" for writer in registry.writers)
    for cls in stages:
        check_stage(cls, registry=registry)


RGGB = 8
"""Number of this mosaic in the head of SER, version 3."""

YAML = [(file, number) for file in ("README.md", "recipes/README.md") for number in range(len(blocks(file, "yaml")))]


@pytest.mark.parametrize(("file", "number"), YAML)
def test_yaml_of_the_guides(file: str, number: int, tmp_path: Path) -> None:
    """A recipe is valid; anything else is a night file that is valid with the recipes that ship."""
    block = blocks(file, "yaml")[number]
    if block.startswith("nightmill:"):
        assert parse_recipe(block, "guide.yaml", load_registry()).calls
        return
    (tmp_path / "night.yaml").write_text(block, encoding="utf-8")
    settled = settle(tmp_path, recipe=None)
    named = set(yaml.safe_load(block))
    assert named <= set(NightFile.model_fields)
    assert settled.night.settings.model_fields_set == named


def commands(file: str) -> list[str]:
    """Return the commands that a guide shows, in their order."""
    text = (ROOT / file).read_text(encoding="utf-8")
    return [one.strip() for one in re.findall(r"(?:^    |`)nightmill ([a-z][^`\n#]*)", text, re.MULTILINE)]


@pytest.mark.parametrize("file", GUIDES)
def test_commands_of_the_guides_exist(file: str) -> None:
    assert len(commands(file)) >= 2
    for line in commands(file):
        words = shlex.split(line)
        assert words[0] in COMMANDS
        names = [words[0]]
        group = _nightmill.get_command(None, words[0])  # type: ignore[arg-type]
        if hasattr(group, "commands") and len(words) > 1 and words[1] in group.commands:
            names.append(words[1])
        shown = CliRunner().invoke(_nightmill, [*names, "--help"])
        assert shown.exit_code == 0
        for option in (word for word in words if word.startswith("-")):
            assert option in shown.output, f"{' '.join(names)} has no {option}"


MENTIONED = ("check", "run", "plugin test", "recipe lock", "recipe from", "recipe schema")
"""Commands that a guide names in passing, without what they need."""

WHERE = {
    "stages row-grade": "--plugin row-grade/row_grade/__init__.py",
    "stages contrast": "--plugin contrast.py",
}
"""What an installed plugin would not need to be told."""


@pytest.fixture
def at_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give a folder to work in, with a small capture of Jupiter in NIGHT and settings of its own."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("NIGHTMILL_CONFIG", str(tmp_path / "config"))
    (tmp_path / "NIGHT").mkdir()
    write_ser(tmp_path / "NIGHT" / "jupiter_20260112_221000_RGB.ser", make_bench("mosaic", 48).data, RGGB)
    return tmp_path


def give(line: str) -> str:
    """Give a command as a guide shows it; runs are kept to this process."""
    words = [*shlex.split(line), *(["--using", "serial", "--quiet"] if line.startswith("run ") else [])]
    result = CliRunner().invoke(_nightmill, words, standalone_mode=False)
    assert result.exception is None, f"nightmill {line}: {result.exception!r}"
    assert result.return_value == 0, f"nightmill {line}: {result.output}"
    return result.output


def test_the_commands_for_recipes_work_in_their_order(at_work: Path) -> None:
    """From the first recipe of the guide to a picture, and from that PNG alone to the same picture, to the bit."""
    recipes = [block for block in blocks("recipes/README.md", "yaml") if block.startswith("nightmill:")]
    Path("jupiter.yaml").write_text(recipes[0], encoding="utf-8")
    Path("mars.yaml").write_text(recipes[1], encoding="utf-8")
    night = next(block for block in blocks("README.md", "yaml") if block.startswith("site:"))
    Path("NIGHT", "night.yaml").write_text(night.partition("recipes:")[0], encoding="utf-8")
    said = {}
    given = commands("recipes/README.md")
    for line in dict.fromkeys(given):
        if line.startswith("recipe from") and len(shlex.split(line)) > 2:
            shutil.copy(Path("NIGHT-finished", "pictures", shlex.split(line)[2]), ".")
        if line not in MENTIONED:
            said[line] = give(line)
    assert len(said) >= 10
    assert "parameter compose.channels.red: R in filter-set-planet, IR in mars" in "".join(said.values())
    made = {path.name: path.read_bytes() for path in Path("NIGHT-finished", "pictures").iterdir()}
    assert len(made) >= 4
    assert {path.name: path.read_bytes() for path in Path("NIGHT-again", "pictures").iterdir()} == made


def test_the_commands_for_plugins_work_in_their_order(at_work: Path) -> None:
    block = next(one for one in blocks("plugins/README.md", "python") if "def contrast" in one)
    for name in ("contrast", "my_grade"):
        Path(f"{name}.py").write_text(block.replace("contrast", name), encoding="utf-8")
    for line in dict.fromkeys(commands("plugins/README.md")):
        # What needs a file of its own, or a broken plugin, is tried elsewhere.
        if line not in (*MENTIONED, "stages row_grade") and "my_reader" not in line:
            give(f"{line} {WHERE.get(line, '')}")


def test_new_plugins_pass_their_own_tests(tmp_path: Path) -> None:
    """One of each kind, and a writer, made and tested offline, warnings as errors, in far less than a minute each."""
    tests, places = [], []
    for kind in KINDS:
        files = write_plugin(f"row-{kind}", kind, tmp_path)
        assert {path.name for path in files} >= {"pyproject.toml", "README.md", "__init__.py"}
        assert (f"row-{kind}.yaml" in {path.name for path in files}) == (kind != "writer")
        tests += [str(path) for path in files if path.name.startswith("test_")]
        places.append(str(tmp_path / f"row-{kind}"))
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-W", "error", "--import-mode=importlib"]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(places)}
    subprocess.run([*command, *tests], check=True, cwd=tmp_path, env=environment, timeout=280)


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "writer"])
def test_the_recipe_of_a_new_plugin_is_valid(kind: Kind, tmp_path: Path) -> None:
    files = write_plugin(f"row-{kind}", kind, tmp_path)
    module = next(path for path in files if path.name == "__init__.py")
    registry = load_registry.__wrapped__((str(module),))
    recipe = next(path for path in files if path.suffix == ".yaml").read_text(encoding="utf-8")
    assert f"row-{kind}" in [call.name for call in parse_recipe(recipe, "row.yaml", registry).calls]
    with pytest.raises(UsageError, match="is there already"):
        write_plugin(f"row-{kind}", kind, tmp_path)


@pytest.mark.parametrize("name", ["Row", "row_grade", "../x", "grade", "nightmill-x", "", "9a"])
def test_names_that_cannot_be_used(name: str, tmp_path: Path) -> None:
    with pytest.raises(UsageError):
        write_plugin(name, "survey", tmp_path)
    assert not any(tmp_path.iterdir())
