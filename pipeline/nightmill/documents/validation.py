"""Puts what pydantic finds into sentences: what was expected, what stands there, once for each value."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Iterator
from typing import Any

__all__ = ["gather"]

Place = tuple[str | int, ...]


def gather(
    errors: Iterable[Any], depth_of: Callable[[Place], int], value_of: Callable[[Place], Any]
) -> Iterator[tuple[Place, str]]:
    """Join errors by the value that they are about.

    A value that may be of several types gives an error for each; pydantic writes the type into the place, behind the
    part that exists in the document.

    Parameters
    ----------
    errors : iterable
        As from `ValidationError.errors()`.
    depth_of : callable
        Says how many parts of a place exist in the document.
    value_of : callable
        Returns what stands at a place.

    Yields
    ------
    place, sentence
    """
    by_place: dict[Place, list[Any]] = {}
    for error in errors:
        place = tuple(error["loc"])
        by_place.setdefault(place[: depth_of(place)], []).append(error)
    for place, found in by_place.items():
        yield place, _sentence(found, value_of(place))


def _sentence(errors: list[Any], given: Any) -> str:
    """Say what was expected by all of the errors of one value."""
    reasons = [_reason(error) for error in errors if error["type"] in ("quantity", "value_error", "assertion_error")]
    expected = list(dict.fromkeys(_expected(error) for error in errors if error["type"] not in OWN_WORDS))
    if reasons:
        return "; or ".join([reasons[0], *(f"write {one}" for one in expected[:1])])
    words = " or ".join(expected)
    return f"expected {words}, got {_given(given)}{_near(given, errors)}"


OWN_WORDS = ("quantity", "value_error", "assertion_error")


def _reason(error: Any) -> str:
    context = error.get("ctx", {})
    return str(context.get("reason", context.get("error", error["msg"])))


def _expected(error: Any) -> str:
    kind, context = error["type"], error.get("ctx", {})
    limits = {
        "greater_than_equal": ("ge", "at least"),
        "greater_than": ("gt", "more than"),
        "less_than_equal": ("le", "at most"),
        "less_than": ("lt", "less than"),
        "multiple_of": ("multiple_of", "a multiple of"),
    }
    if kind in limits:
        name, words = limits[kind]
        return f"{words} {context[name]:g}"
    if kind in ("literal_error", "enum"):
        return str(context["expected"])
    if kind in ("string_too_short", "string_too_long", "too_short", "too_long"):
        many = context.get("min_length", context.get("max_length"))
        what = "characters" if kind.startswith("string") else "values"
        return f"{'at least' if kind.endswith('short') else 'at most'} {many} {what}"
    if kind == "string_pattern_mismatch":
        return f"text like {context['pattern']}"
    return WORDS.get(kind) or str(error["msg"])[:1].lower() + str(error["msg"])[1:]


WORDS = {
    **dict.fromkeys(("bool_type", "bool_parsing"), "true or false"),
    **dict.fromkeys(("float_parsing", "float_type", "finite_number"), "a number"),
    **dict.fromkeys(("int_parsing", "int_from_float", "int_type"), "a whole number"),
    "string_type": "text",
    **dict.fromkeys(("list_type", "tuple_type"), "a list"),
    **dict.fromkeys(("dict_type", "model_type", "model_attributes_type"), "names with values"),
    "none_required": "nothing",
}


def _given(value: Any) -> str:
    """Show a value as it stands in YAML."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "names with values"
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _near(given: Any, errors: list[Any]) -> str:
    """Suggest the choice that a text may have meant."""
    if not isinstance(given, str):
        return ""
    share = re.fullmatch(r"(\d{1,4}(?:\.\d{1,4})?)\s*%", given)
    if share and any(_expected(one) == "a number" for one in errors):
        return f"; write {float(share[1]) / 100:g}"
    choices = [
        one for error in errors for one in re.findall(r"'([^']*)'", str(error.get("ctx", {}).get("expected", "")))
    ]
    close = difflib.get_close_matches(given.lower(), choices, n=1, cutoff=0.6)
    return f"; did you mean {close[0]!r}?" if close else ""
