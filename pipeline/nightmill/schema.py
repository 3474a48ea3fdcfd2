"""JSON Schemas (draft-07) of recipes and night files, for editors: names, descriptions, choices, units, ranges.

They come from the same declarations that validate, so they cannot say anything else. What a schema cannot say, such as
the order of kinds or columns that one stage needs of another, only `nightmill check` tells.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from .night import NightFile
from .plugins import Registry
from .recipe import FORMAT
from .stage import Parameters

__all__ = ["DRAFT", "night_schema", "parameters_schema", "recipe_schema"]

DRAFT = "http://json-schema.org/draft-07/schema#"
MAX_DEPTH = 12

NAMES = {"type": "array", "items": {"type": "string"}, "minItems": 1}
SELECTION = {
    "type": "object",
    "additionalProperties": False,
    "properties": {
        "targets": {**NAMES, "description": "Targets, such as [jupiter, mars]."},
        "filters": {**NAMES, "description": "Filters, such as [RGB]."},
    },
}


def recipe_schema(registry: Registry) -> dict[str, Any]:
    """Return the schema of recipes with the stages of all plugins that are loaded."""
    calls = _calls(registry)
    plain = [
        {"const": name, "description": call["description"]} for name, call in calls.items() if "required" not in call
    ]
    one_call = {
        "type": "object",
        "properties": calls,
        "additionalProperties": False,
        "minProperties": 1,
        "maxProperties": 1,
    }
    return {
        "$schema": DRAFT,
        "title": "nightmill recipe",
        "type": "object",
        "additionalProperties": False,
        "required": ["nightmill"],
        "oneOf": [{"required": ["stages"]}, {"required": ["extends"]}],
        "properties": {
            "nightmill": {"const": FORMAT, "description": "Format of the recipe."},
            "title": {"type": "string", "description": "What it is, in a few words."},
            "about": {"type": "string", "description": "For whom and what it is."},
            "for": {**SELECTION, "description": "What it is chosen for by itself; left out, it fits anything."},
            "extends": {"type": "string", "description": "Another recipe to begin with: a file beside it, or a name."},
            "change": _change(calls, "Parameters that differ from the recipe it extends, by stage."),
            "stages": {
                "type": "array",
                "description": "The stages in order: source, frame, survey, one fold, picture.",
                "minItems": 1,
                "items": {"anyOf": [*plain, one_call]},
            },
            "changes": _changes(calls),
            "locked": {"type": "object", "description": "Versions that it was frozen with; written by recipe lock."},
        },
    }


def night_schema(registry: Registry) -> dict[str, Any]:
    """Return the schema of night.yaml with the stages of all plugins that are loaded."""
    schema = _resolved(NightFile.model_json_schema(by_alias=True))
    schema["properties"]["changes"] = _changes(_calls(registry))
    return {"$schema": DRAFT, **schema, "title": "nightmill night file"}


def _calls(registry: Registry) -> dict[str, dict[str, Any]]:
    """Return the schema of each stage's parameters, by name."""
    calls = {}
    for name, cls in sorted(registry.stages.items()):
        schema = parameters_schema(cls.Parameters)
        calls[name] = {**schema, "type": ["object", "null"], "description": cls.summary()}
    return calls


def _change(calls: Mapping[str, Mapping[str, Any]], about: str) -> dict[str, Any]:
    # In a change what is required may come from the recipe below.
    properties = {name: {k: v for k, v in call.items() if k != "required"} for name, call in calls.items()}
    return {"type": "object", "description": about, "additionalProperties": False, "properties": properties}


def _changes(calls: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    return {
        "type": ["array", "null"],
        "description": "Parameters that differ for some captures; later entries go over earlier ones.",
        "items": {
            "type": "object",
            "additionalProperties": False,
            "required": ["change"],
            "properties": {
                "for": {**SELECTION, "description": "The captures that it is for; left out, all."},
                "change": _change(calls, "Parameters by stage; what is not named stays."),
            },
        },
    }


def parameters_schema(model: type[Parameters]) -> dict[str, Any]:
    """Return the schema of a stage's parameters, without references."""
    return _resolved(model.model_json_schema())


def _resolved(schema: dict[str, Any]) -> dict[str, Any]:
    """Write references out (draft-07 ignores what stands beside one) and say tuples as draft-07 does."""
    definitions = schema.pop("$defs", {})
    resolved: dict[str, Any] = _walk(schema, definitions, 0)
    return resolved


def _walk(part: Any, definitions: Mapping[str, Any], depth: int) -> Any:
    if depth > MAX_DEPTH:
        return {}
    if isinstance(part, list):
        return [_walk(one, definitions, depth + 1) for one in part]
    if not isinstance(part, dict):
        return part
    if isinstance(part.get("$ref"), str):
        target = definitions[part["$ref"].rpartition("/")[2]]
        part = {**target, **{key: value for key, value in part.items() if key != "$ref"}}
    done = {key: _entry(key, value, definitions, depth) for key, value in part.items()}
    if isinstance(done.get("prefixItems"), list):
        done["items"] = done.pop("prefixItems")
        done["additionalItems"] = False
    if isinstance(done.get("title"), str):
        del done["title"]
    return done


def _entry(key: str, value: Any, definitions: Mapping[str, Any], depth: int) -> Any:
    # What stands under "properties" are names of the author's, not words of JSON Schema.
    if key == "properties":
        return {name: _walk(one, definitions, depth + 1) for name, one in value.items()}
    return value if key in ("default", "const", "enum") else _walk(value, definitions, depth + 1)
