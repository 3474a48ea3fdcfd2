"""Getting a recipe back from a picture, through whichever writer's format it is in."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import yaml

from .errors import NightmillError, UsageError
from .plugins import Registry

__all__ = ["read_record", "recovered_text"]


def read_record(path: Path, registry: Registry) -> dict[str, Any]:
    """Read how a picture or stack came about from its file.

    Raises
    ------
    UsageError
        No such file, or none of the writers that are loaded can read it, with their reasons.
    """
    if not path.is_file():
        what = "is a folder; name a picture in it" if path.is_dir() else "does not exist"
        raise UsageError(f"the picture {path} {what}")
    # The writer of this suffix first: its reason is the one that tells.
    writers = sorted(registry.writers, key=lambda one: not path.name.lower().endswith(one.suffix.lower()))
    reasons = []
    for writer in writers:
        try:
            record = writer.read_record(path)
        except NightmillError as error:
            reasons.append(str(error))
            continue
        if record is not None:
            return record
    raise UsageError(reasons[0] if reasons else f"{path} carries no record that a writer here can read")


def recovered_text(record: dict[str, Any], name: str) -> str:
    """Write the recipe that a record holds, with what else is needed for the same picture as comments.

    The `locked` part states the versions that the picture was made with.
    """
    recipe = record.get("recipe")
    if not isinstance(recipe, str):
        raise UsageError(f"the record of {name} holds no recipe")
    head = [f"# Recovered from {name}."]
    head += _comments("of these recordings (SHA-256)", _sources(record))
    head += _comments("with this in night.yaml", _night(record.get("night", {})))
    stages = {stage: {"plugin": plugin} for stage, plugin in record.get("plugins", {}).items()}
    for stage, version in record.get("stage_versions", {}).items():
        stages.setdefault(stage, {})["version"] = version
    locked = {"locked": {"packages": record.get("versions", {}), "stages": stages}}
    return "\n".join(head) + "\n" + recipe + yaml.safe_dump(locked, sort_keys=False, width=110)


def _sources(record: dict[str, Any]) -> Iterator[str]:
    for one in record.get("sources", []):
        yield f"{one.get('file')}: {one.get('sha256')}"


def _night(sections: dict[str, Any]) -> Iterator[str]:
    """Write sections as they would stand in night.yaml: quantities as text with their unit."""
    for section, values in sections.items():
        shown: dict[str, Any] = {}
        if section == "filters":
            shown = {key: f"{value:g} nm" for key, value in values.items()}
        elif section == "references":
            shown = {key: _quantities(entry) for key, entry in values.items()}
        elif section == "extinction":
            shown = dict(values)
        else:
            shown = _quantities(values)
        if shown:
            text = yaml.safe_dump(
                {section: shown}, default_flow_style=None, sort_keys=False, allow_unicode=True, width=10_000
            )
            yield from text.rstrip().splitlines()


def _quantities(values: dict[str, Any]) -> dict[str, Any]:
    """Write values as they would be typed."""
    units = {"deg": "deg", "m": "m", "mm": "mm", "um": "um", "hpa": "hPa", "c": "deg_C", "e": "electron"}
    shown = {}
    for key, value in values.items():
        stem, _, unit = key.rpartition("_")
        if unit in units and stem:
            shown[stem] = f"{value:.12g} {units[unit]}"
        else:
            shown[key] = value
    return shown


def _comments(title: str, lines: Iterator[str]) -> list[str]:
    listed = [f"#   {line}" for line in lines]
    return [f"# {title}:", *listed] if listed else []
