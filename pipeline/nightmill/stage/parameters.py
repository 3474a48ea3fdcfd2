"""Typed parameters of stages: one definition validates the YAML, documents itself and yields the JSON Schema.

A quantity is a float in the unit that its annotation names; in YAML it is text with a unit, read by astropy.units::

    class Parameters(stage.Parameters):
        width: Annotated[float, stage.Unit("arcsec")] = stage.Field("0.5 arcsec", ge=0, description="Width.")

Here `width: 0.5 arcsec`, `width: 500 mas` are the same, `width: 0.5` and `width: 3 s` are errors.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import PydanticCustomError, core_schema

__all__ = ["Parameters", "Unit", "parse_quantity"]

NUMBER = re.compile(r"\s*[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
"""What a quantity begins with; no letter, sign or space need stand before its unit: 5mm, 47.1°."""


class Parameters(BaseModel):
    """Base of all parameter models: frozen, unknown names are errors, every default is checked."""

    model_config = ConfigDict(extra="forbid", frozen=True, validate_default=True, allow_inf_nan=False)


def parse_quantity(text: object, unit: str) -> float:
    """Convert text with a unit, such as "203 mm", to a float in `unit`.

    Raises
    ------
    ValueError
        Not text, no number, no unit, an unknown unit, or one of another kind; the message says which.
    """
    example = f"for example '1 {unit}'"
    if isinstance(text, (int, float)) and not isinstance(text, bool):
        raise ValueError(f"needs its unit: write '{text} {unit}'")
    if not isinstance(text, str) or len(text) > 100:
        raise ValueError(f"expected a number with a unit, {example}")
    found = NUMBER.match(text)
    if found is None:
        raise ValueError(f"{text!r} does not begin with a number; write it {example}")
    value, rest = float(found[0]), text[found.end() :].strip()
    if not rest:
        raise ValueError(f"needs its unit: write '{text} {unit}'")
    if re.match(r",\d", rest):
        raise ValueError(f"{text!r}: write a point for the comma: '{text.replace(',', '.', 1)}'")
    if rest == unit:
        return value  # as every default is written; saves importing astropy, a fifth of a second
    from astropy import units
    from astropy.units import imperial

    try:
        # Apertures are sold in inches, which astropy.units reads only when told to.
        parsed = imperial.inch if rest in ("in", "inch", "inches") else units.Unit(rest)
    except (ValueError, TypeError):
        raise ValueError(f"{rest!r} is not a unit; write it {example}") from None
    try:
        converted = float((value * parsed).to_value(unit))
    except units.UnitConversionError:
        raise ValueError(f"{rest!r} cannot be converted to {unit}; write it {example}") from None
    # Units convert in binary: 203 mm would come back as 203.00000000000003. Nobody measures 12 digits.
    return float(f"{converted:.12g}")


@dataclass(frozen=True)
class Unit:
    """Marks a float parameter as a quantity in this unit (any name that astropy.units reads)."""

    name: str

    def parse(self, value: object) -> object:
        """Turn what stands in the YAML into the float that the model holds."""
        if value is None or isinstance(value, _Converted):
            return value
        try:
            return _Converted(parse_quantity(value, self.name))
        except ValueError as error:
            raise PydanticCustomError("quantity", "{reason}", {"reason": str(error)}) from None

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> Any:
        """Parse before the range checks; write with the unit when turned into JSON or YAML."""
        return core_schema.no_info_before_validator_function(
            self.parse,
            handler(source),
            serialization=core_schema.plain_serializer_function_ser_schema(
                self.format, return_schema=core_schema.any_schema(), when_used="json"
            ),
        )

    def __get_pydantic_json_schema__(self, schema: Any, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        """Describe the text form for editors, and keep the unit for our own tables."""
        inner = handler(schema)
        limits = {k: inner[k] for k in ("minimum", "maximum", "exclusiveMinimum", "exclusiveMaximum") if k in inner}
        return {
            "type": "string",
            "pattern": r"^\s*[-+]?[0-9.]+([eE][-+]?[0-9]+)?\s*\S+",
            "x-unit": self.name,
            **{f"x-{key}": value for key, value in limits.items()},
        }

    def format(self, value: float | None) -> str | None:
        """Write a value with its unit."""
        return None if value is None else f"{value:.12g} {self.name}"


class _Converted(float):
    """A float that already went through `Unit.parse` (defaults and copies do so twice)."""
