"""Checks of what a stage declares: names, parameters, documentation."""

from __future__ import annotations

import json
import pickle
from collections.abc import Iterator
from functools import partial
from typing import Any

import yaml
from pydantic import ValidationError

from ...artefacts import Capture
from ...documents import read_text
from ...errors import CaptureError
from ...foreign import attempt
from ...plugins.blame import render
from ...plugins.vetting import stage_faults
from ...reference import describe_stage
from ...schema import parameters_schema
from ...stage import Source
from .registry import FRAMES, NotApplicable, check
from .subject import Subject
from .trial import try_stage

__all__: list[str] = []


@check()
def declaration(subject: Subject) -> None:
    """Name, version, docstring, columns and parameters are declared as the loader demands."""
    faults = list(stage_faults([subject.cls]))
    assert not faults, render(faults)


@check()
def documented(subject: Subject) -> None:
    """Everything that `nightmill stages` shows is there, each parameter and column with a sentence."""
    described = json.loads(json.dumps(describe_stage(subject.cls, "here")))
    for row in described["parameters"]:
        assert row["description"].strip(), f"parameter {row['name']!r} has no description"
        assert row["required"] or "default" in row, f"parameter {row['name']!r} has no default that can be shown"
    for column, what in described["gives"].items():
        assert what.strip(), f"column {column!r} says nothing of what it is"


@check()
def yaml_round_trip(subject: Subject) -> None:
    """Parameters written into a recipe and read again are the same."""
    model = subject.cls.Parameters
    if any(field.is_required() for field in model.model_fields.values()):
        raise NotApplicable("a parameter is required, so there are no defaults to write")
    given = model()
    text = yaml.safe_dump(given.model_dump(mode="json"), allow_unicode=True)
    again = model.model_validate(read_text(text, "parameters")[0].plain())
    assert again == given, f"{given!r} came back from YAML as {again!r}"


@check()
def bounds_refused(subject: Subject) -> None:
    """Values beyond the stated ranges, of another kind or under unknown names are refused."""
    model = subject.cls.Parameters
    for bad in ({"no such parameter": 1}, *_outside(subject)):
        try:
            model.model_validate(bad)
        except ValidationError:
            continue
        raise AssertionError(f"{bad!r} was accepted")


@check(*FRAMES)
def bounds_work(subject: Subject) -> None:
    """The stage runs with each parameter at the ends of its range and at each of its choices."""
    values = list(_at_bounds(subject))
    if not values:
        raise NotApplicable("no parameter has a range or choices")
    for given in values:
        try:
            stage = subject.make(**given)
        except ValidationError as error:
            raise AssertionError(f"{given!r} is within the stated range but refused: {error}") from error
        failure = attempt(partial(try_stage, stage, subject.bench(masters=True))).error
        if failure is None or isinstance(failure, CaptureError):
            continue  # a plain sentence is an answer
        if isinstance(failure, AssertionError):
            raise failure
        raise AssertionError(f"with {given!r}: {type(failure).__name__}: {failure}") from failure


@check()
def pickles(subject: Subject) -> None:
    """The stage can be sent to another process, where a copy with the same parameters works."""
    stage = subject.make()
    again = pickle.loads(pickle.dumps(stage))
    assert type(again) is type(stage), f"came back as {type(again)!r}"
    assert again.parameters == stage.parameters, "came back with other parameters"


@check()
def aids_chosen(subject: Subject) -> None:
    """`choose_aids` chooses from what it is offered, and nothing where nothing is offered."""
    if not subject.cls.aids:
        raise NotApplicable("it declares no aids")
    stage = subject.make()
    light = subject.bench().capture if not issubclass(subject.cls, Source) else None
    if light is None:
        raise NotApplicable("sources have no aids")
    assert not stage.choose_aids(light, {role: [] for role in subject.cls.aids}), "chose an aid where none was offered"
    offered: dict[str, list[Capture]] = {role: [light.replace(role=role, file=role)] for role in subject.cls.aids}
    chosen = stage.choose_aids(light, offered)
    for role, capture in chosen.items():
        assert capture in offered.get(role, []), f"chose {capture.file!r} for {role!r}, which was not offered"


def _properties(subject: Subject) -> Iterator[tuple[str, dict[str, Any]]]:
    for name, schema in parameters_schema(subject.cls.Parameters).get("properties", {}).items():
        for one in schema.get("anyOf", [schema]):
            yield name, one


def _limits(schema: dict[str, Any]) -> Iterator[tuple[str, float, bool]]:
    """Iterate over (end, limit, whether the limit itself is allowed)."""
    for key, end, allowed in (
        ("minimum", "low", True),
        ("exclusiveMinimum", "low", False),
        ("maximum", "high", True),
        ("exclusiveMaximum", "high", False),
    ):
        limit = schema.get(key, schema.get(f"x-{key}"))
        if limit is not None:
            yield end, float(limit), allowed


def _write(value: float, schema: dict[str, Any]) -> Any:
    if "x-unit" in schema:
        return f"{value:.12g} {schema['x-unit']}"
    return round(value) if schema.get("type") == "integer" else value


def _outside(subject: Subject) -> Iterator[dict[str, Any]]:
    for name, schema in _properties(subject):
        step = 1.0
        for end, limit, _ in _limits(schema):
            beyond = limit - step - abs(limit) if end == "low" else limit + step + abs(limit)
            yield {name: _write(beyond, schema)}
        if schema.get("type") in ("number", "integer", "boolean"):
            yield {name: "surely no number"}
        if "x-unit" in schema:
            yield {name: "1 surely-no-unit"}


def _at_bounds(subject: Subject) -> Iterator[dict[str, Any]]:
    for name, schema in _properties(subject):
        limits = list(_limits(schema))
        span = abs(limits[0][1] - limits[1][1]) if len(limits) == 2 else max(1.0, *(abs(v) for _, v, _ in limits), 0.0)
        for end, limit, allowed in limits:
            nudge = 0.0 if allowed else (0.01 * span if end == "low" else -0.01 * span)
            if schema.get("type") == "integer" and not allowed:
                nudge = 1.0 if end == "low" else -1.0
            yield {name: _write(limit + nudge, schema)}
        for choice in schema.get("enum", [schema["const"]] if "const" in schema else []):
            yield {name: choice}
        if schema.get("type") == "boolean":
            yield from ({name: True}, {name: False})
