"""What can be said about a stage, from its declaration alone: for `nightmill stages`, and for the reference as text."""

from __future__ import annotations

import inspect
from collections.abc import Iterator
from typing import Any

from .differences import in_words
from .plugins import Registry
from .schema import parameters_schema
from .stage import Stage

__all__ = ["describe_stage", "parameter_rows", "to_markdown"]


def describe_stage(cls: type[Stage], origin: str) -> dict[str, Any]:
    """Return everything a stage declares, as JSON values.

    Returns
    -------
    dict
        "name", "kind", "summary", "about" (the rest of the docstring), "version", "plugin", "uses", "aids", "needs",
        "gives", "rows" (where the kind has them) and "parameters": a list of dicts with "name", "unit", "expected"
        (type and range in words), "default" (as it may stand in YAML; absent when required), "required" and
        "description".
    """
    text = inspect.cleandoc(cls.__doc__ or "")
    return {
        "name": cls.name,
        "kind": cls.kind,
        "summary": cls.summary(),
        "about": text.partition("\n")[2].strip(),
        "version": cls.version,
        "plugin": origin,
        "uses": list(cls.uses),
        "aids": dict(cls.aids),
        "needs": list(getattr(cls, "needs", ())),
        "gives": dict(getattr(cls, "gives", {})),
        "rows": getattr(cls, "rows", None),
        "parameters": list(parameter_rows(parameters_schema(cls.Parameters))),
    }


def parameter_rows(schema: dict[str, Any], prefix: str = "") -> Iterator[dict[str, Any]]:
    """Iterate over the parameters in a schema, those of nested groups by their dotted names."""
    required = schema.get("required", [])
    for name, one in schema.get("properties", {}).items():
        if one.get("type") == "object" and "properties" in one:
            yield from parameter_rows({**one, "properties": _with_defaults(one)}, f"{prefix}{name}.")
            continue
        row = {
            "name": f"{prefix}{name}",
            "unit": _unit(one),
            "expected": _expected(one),
            "required": name in required,
            "description": one.get("description", ""),
        }
        if "default" in one:
            row["default"] = one["default"]
        yield row


def _with_defaults(group: dict[str, Any]) -> dict[str, Any]:
    """Let the defaults of a group as a whole stand with its members."""
    whole = group.get("default")
    given = whole if isinstance(whole, dict) else {}
    return {n: {**one, "default": given[n]} if n in given else one for n, one in group["properties"].items()}


def _unit(schema: dict[str, Any]) -> str | None:
    if "x-unit" in schema:
        return str(schema["x-unit"])
    return next((unit for one in schema.get("anyOf", []) if (unit := _unit(one))), None)


def _expected(schema: dict[str, Any]) -> str:
    """Say type and range in words."""
    if "anyOf" in schema:
        return " or ".join(_expected(one) for one in schema["anyOf"])
    if "const" in schema:
        return in_words(schema["const"])
    if "enum" in schema:
        return " or ".join(in_words(one) for one in schema["enum"])
    kind = schema.get("type")
    if kind == "array":
        items = schema.get("items", {})
        if isinstance(items, list):
            alike = items and all(one == items[0] for one in items)
            inner = f"{len(items)} times: {_expected(items[0])}" if alike else "; ".join(map(_expected, items))
            return f"list, {inner}"
        return f"list of {_expected(items)}" if items else "list"
    words = {
        "number": "number",
        "integer": "whole number",
        "boolean": "true or false",
        "string": "text",
        "null": "null",
    }
    name = f"quantity in {schema['x-unit']}" if "x-unit" in schema else words.get(str(kind), str(kind or "anything"))
    return ", ".join([name, *_limits(schema)])


def _limits(schema: dict[str, Any]) -> Iterator[str]:
    signs = {"minimum": ">=", "exclusiveMinimum": ">", "maximum": "<=", "exclusiveMaximum": "<"}
    for key, sign in signs.items():
        limit = schema.get(key, schema.get(f"x-{key}"))
        if limit is not None:
            yield f"{sign} {limit:g}"


def to_markdown(registry: Registry) -> str:
    """Write the reference of all stages as Markdown."""
    lines = ["# Stages", "", "Written by `nightmill stages --markdown` from the stages' own declarations.", ""]
    kinds = ("source", "frame", "survey", "fold", "picture")
    known = [describe_stage(cls, registry.origins[name]) for name, cls in registry.stages.items()]
    for one in sorted(known, key=lambda one: (kinds.index(one["kind"]), one["name"])):
        lines += [f"## {one['name']} ({one['kind']})", "", one["summary"], ""]
        lines += [one["about"], ""] if one["about"] else []
        lines += [f"- Needs the columns {_ticked(one['needs'])}."] if one["needs"] else []
        lines += [f"- Reads {_ticked(one['uses'])} of night.yaml."] if one["uses"] else []
        lines += [f"- Uses a {role} when one fits (`{fold}`)." for role, fold in one["aids"].items()]
        lines += [""] if lines[-1] else []
        if one["gives"]:
            lines += ["| column | what |", "|---|---|"]
            lines += [f"| `{name}` | {_cell(what)} |" for name, what in one["gives"].items()] + [""]
        if one["parameters"]:
            lines += ["| parameter | expected | default | what |", "|---|---|---|---|"]
            lines += [_row(row) for row in one["parameters"]] + [""]
    return "\n".join(lines).rstrip() + "\n"


def _row(row: dict[str, Any]) -> str:
    default = f"`{in_words(row['default'])}`" if "default" in row else "required"
    return f"| `{row['name']}` | {_cell(row['expected'])} | {default} | {_cell(row['description'])} |"


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")


def _ticked(names: list[str]) -> str:
    return ", ".join(f"`{name}`" for name in names)
