"""Hands the shipped stages, writers and recipes over to the engine, by the same hooks as any other plugin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from nightmill.hooks import Writer, implementation
from nightmill.stage import Stage

nightmill_api = 1

FAMILIES = (
    "ingest",
    "calibrate",
    "grade",
    "align",
    "stack",
    "starlight",
    "orient",
    "sharpen",
    "compose",
    "mosaic",
    "brightness",
    "annotate",
    "sequence",
)


@implementation
def nightmill_stages() -> Sequence[type[Stage] | str]:
    """Name the stages of every family: one that cannot be imported costs itself alone."""
    return [f"nightmill_stages.{family}:STAGES" for family in FAMILIES]


@implementation
def nightmill_writers() -> Sequence[Writer | str]:
    """Name the writers of picture files."""
    return ["nightmill_stages.write:WRITERS"]


@implementation
def nightmill_recipes() -> Sequence[Path]:
    """Hand over the recipes: inside the package once installed, beside it in a checkout."""
    here = Path(__file__).resolve().parent
    folders = [here / "recipes", here.parent.parent / "recipes"]
    return [folder for folder in folders if folder.is_dir()][:1]


@implementation
def nightmill_report(night: Mapping[str, Any], captures: Sequence[Mapping[str, Any]]) -> Mapping[str, Any]:
    """Add altitudes, scales, limits and seeing to the report, and say what to change tonight."""
    from nightmill_sky.rig import morning

    return morning(night, captures)
