"""Which part may import which, held by reading the imports of every module."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ENGINE = ROOT / "pipeline" / "nightmill"
STAGES = ROOT / "plugins" / "nightmill_stages"
SKY = ROOT / "plugins" / "nightmill_sky"

FORBIDDEN = {
    "artefacts": {"stage", "plan", "work", "run", "cli", "plugins", "recipe", "night"},
    "stage": {"plan", "work", "run", "cli", "plugins", "recipe", "night"},
    "documents": {"stage", "plan", "work", "run", "cli", "plugins", "recipe", "night", "artefacts"},
    "plan": {"work", "run", "cli"},
    "work": {"run", "cli", "report"},
    "run": {"cli"},
}
"""Parts of the engine, and the parts that they must not know."""


def imports(path: Path, package: str) -> set[str]:
    """Return the absolute names of everything a module imports, at any depth of it."""
    found = set()
    parts = package.split(".")
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(parts[: len(parts) - node.level + 1]) if node.level else ""
            name = ".".join(filter(None, (base, node.module or "")))
            found |= {name, *(f"{name}.{alias.name}" for alias in node.names)}
    return found


def modules(folder: Path, package: str) -> list[tuple[Path, str]]:
    return [
        (path, ".".join((package, *path.relative_to(folder).parent.parts)))
        for path in sorted(folder.rglob("*.py"))
        if "recipes" not in path.parts and "scaffold" not in path.parts
    ]


@pytest.mark.parametrize("part", sorted(FORBIDDEN))
def test_the_engine_points_one_way(part):
    for path, package in modules(ENGINE / part, f"nightmill.{part}"):
        for name in imports(path, package):
            pieces = name.split(".")
            if pieces[0] == "nightmill" and len(pieces) > 1:
                assert pieces[1] not in FORBIDDEN[part], f"{path} imports {name}"


def test_the_engine_knows_no_stage_and_no_astronomy():
    for path, package in modules(ENGINE, "nightmill"):
        for name in imports(path, package):
            assert not name.startswith("nightmill_stages"), f"{path} imports {name}"
            if name.startswith("nightmill_sky"):
                # The commands `sky`, `map` and `rig` are the sky library's own face.
                part = path.relative_to(ENGINE).with_suffix("").parts[:2]
                assert part in {("cli", "sky"), ("cli", "map"), ("cli", "rig")}, f"{path} imports {name}"
            if "testing" not in path.parts:
                assert not name.startswith(("astropy.coordinates", "astropy.time")) or "cli" in path.parts, path


def test_stages_know_the_contract_alone():
    allowed = {"stage", "artefacts", "hooks", "errors"}
    for path, package in modules(STAGES, "nightmill_stages"):
        for name in imports(path, package):
            pieces = name.split(".")
            if pieces[0] == "nightmill" and len(pieces) > 1:
                assert pieces[1] in allowed, f"{path} imports {name}"
            assert pieces[0] not in ("dask", "distributed", "structlog", "click", "rich"), f"{path} imports {name}"


def test_the_sky_is_a_library_of_its_own():
    for path, package in modules(SKY, "nightmill_sky"):
        for name in imports(path, package):
            assert not name.startswith(("nightmill.", "nightmill_stages")), f"{path} imports {name}"


def test_the_top_level_is_as_it_should_be():
    import subprocess

    listed = subprocess.run(
        ["git", "-C", str(ROOT), "ls-tree", "--name-only", "HEAD"], capture_output=True, text=True, check=False
    )
    names = {name for name in listed.stdout.split() if not name.startswith(".")}
    known = {"README.md", "DEVELOPERS.md", "pyproject.toml", "pipeline", "plugins", "recipes", "tests", "LICENSE"}
    assert names <= known
