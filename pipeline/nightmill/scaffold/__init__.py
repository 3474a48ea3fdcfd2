"""Writes a small complete plugin package to begin with: a stage or a writer, its test, project file, recipe."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Literal

from ..errors import UsageError

__all__ = ["KINDS", "Kind", "write_plugin"]

Kind = Literal["source", "frame", "survey", "fold", "picture", "writer"]
KINDS: tuple[Kind, ...] = ("source", "frame", "survey", "fold", "picture", "writer")
TEMPLATES = Path(__file__).parent / "template"

SUMMARIES: dict[str, str] = {
    "source": "Reads recordings of a format of its own.",
    "frame": "Takes uneven rows out of frames.",
    "survey": "Grades frames by how uneven their rows are.",
    "fold": "Averages frames as they lie.",
    "picture": "Makes pictures brighter or fainter.",
    "writer": "Writes pictures as bare samples behind a line of JSON.",
}
SHIPPED = ("ingest", "calibrate", "grade", "align", "stack", "orient", "sharpen", "compose", "annotate")
PLACES = {"source": ("ingest", True), "frame": ("calibrate", False), "survey": ("align", False)}
PLACES |= {"fold": ("stack", True), "picture": ("compose", False)}
"""Where in the chain a stage of a kind stands: instead of a shipped one, or behind it."""


def write_plugin(name: str, kind: Kind, folder: Path) -> list[Path]:
    """Write a new package into `folder / name`.

    Parameters
    ----------
    name : str
        Lower-case words joined by "-"; the names of the package, the module and the stage come from it.
    kind : {"source", "frame", "survey", "fold", "picture", "writer"}
        Of the stage; or a writer of pictures.
    folder : Path
        Must exist.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    UsageError
        A name that cannot be used, or a folder that is there already.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    from .. import __version__
    from ..stage import API

    _check_name(name)
    target = folder / name
    if target.exists():
        raise UsageError(f"{target} is there already; choose another name or folder")
    if not folder.is_dir():
        raise UsageError(f"there is no folder {folder}")
    module = name.replace("-", "_")
    words = {
        "name": name,
        "module": module,
        "kind": kind,
        "summary": SUMMARIES[kind],
        "cls": f"{module}_stage" if kind in ("survey", "frame", "picture") else _camel(name),
        "column": f"{module}_value",
        "suffix": name.replace("-", "")[:8],
        "api": API,
        "nightmill": __version__,
        "chain": _chain(name, kind),
    }
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES), undefined=StrictUndefined, keep_trailing_newline=True, autoescape=False
    )
    parts = {
        "pyproject.toml": ["pyproject.toml.j2"],
        "README.md": ["README.md.j2"],
        f"{module}/__init__.py": ["init_head.j2", f"{kind}.j2", "init_tail.j2"],
        f"tests/test_{module}.py": ["test_head.j2", f"test_{kind}.j2"],
        f"recipes/{name}.yaml": ["recipe.yaml.j2"],
    }
    if kind == "writer":
        # It writes what any recipe makes, so it has none of its own.
        del parts[f"recipes/{name}.yaml"]
        parts[f"{module}/__init__.py"] = ["init_head.j2", "writer.j2"]
    written = []
    for file, templates in parts.items():
        path = target / file
        path.parent.mkdir(parents=True, exist_ok=True)
        text = "".join(environment.get_template(one).render(words) for one in templates)
        path.write_text(text, encoding="utf-8", newline="\n")
        written.append(path)
    return written


def _check_name(name: str) -> None:
    if re.fullmatch(r"[a-z][a-z0-9]*(-[a-z0-9]+)*", name) is None or len(name) > 40:
        raise UsageError(f"the name {name!r} must be lower-case words joined by '-', such as 'row-grade'")
    if name in SHIPPED or name.startswith("nightmill"):
        raise UsageError(f"the name {name!r} is taken by nightmill itself; choose another")


def _chain(name: str, kind: Kind) -> list[str]:
    """Put the new stage into the chain of the stages that ship."""
    if kind == "writer":
        return [*SHIPPED]
    place, instead = PLACES[kind]
    index = SHIPPED.index(place)
    before = [*SHIPPED[:index]] if instead else [*SHIPPED[: index + 1]]
    return [*before, name, *SHIPPED[index + 1 :]]


def _camel(name: str) -> str:
    return "".join(word.capitalize() for word in name.split("-"))
