"""What the guides show works: every block of Python, YAML and every command in them is run."""

from __future__ import annotations

import os
import re
import shlex
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
from nightmill.scaffold import KINDS, Kind, write_plugin
from nightmill.testing.conformance import check_stage

ROOT = Path(__file__).parents[2]
GUIDES = ("plugins/README.md", "recipes/README.md")


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


@pytest.mark.parametrize("number", range(len(blocks("recipes/README.md", "yaml"))))
def test_yaml_of_the_guide(number: int) -> None:
    block = blocks("recipes/README.md", "yaml")[number]
    if block.startswith("nightmill:"):
        assert parse_recipe(block, "guide.yaml", load_registry()).calls
    else:
        assert NightFile.model_validate(yaml.safe_load(block)).site.latitude_deg == 47.1


@pytest.mark.parametrize("file", GUIDES)
def test_commands_of_the_guide_exist(file: str) -> None:
    text = (ROOT / file).read_text(encoding="utf-8")
    commands = re.findall(r"(?:^    |`)nightmill ([a-z][^`\n#]*)", text, re.MULTILINE)
    assert len(commands) >= 5
    for line in commands:
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


def test_new_plugins_pass_their_own_tests(tmp_path: Path) -> None:
    """One of each kind, made and tested offline, warnings as errors."""
    tests, places = [], []
    for kind in KINDS:
        files = write_plugin(f"row-{kind}", kind, tmp_path)
        assert {path.name for path in files} >= {"pyproject.toml", "README.md", "__init__.py", f"row-{kind}.yaml"}
        tests += [str(path) for path in files if path.name.startswith("test_")]
        places.append(str(tmp_path / f"row-{kind}"))
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-W", "error", "--import-mode=importlib"]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(places)}
    subprocess.run([*command, *tests], check=True, cwd=tmp_path, env=environment, timeout=280)


@pytest.mark.parametrize("kind", KINDS)
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
