"""Where the planets, the Moon and the Sun are, how they are turned, and what a telescope can show of them.

A library of its own: it needs NumPy and astropy's ERFA, knows nothing of the pipeline, and never opens a network
connection. Importing it is cheap; each part is loaded when first used.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

_WHERE = {
    "Disc": "geometry",
    "disc_from_ephemeris": "placing",
    "disc_from_geometry": "placing",
    "BODIES": "bodies",
    "TARGETS": "bodies",
    "Body": "bodies",
    "Ephemeris": "records",
    "KernelError": "spk",
    "Satellite": "records",
    "Site": "site",
    "UnknownTargetError": "bodies",
    "body": "bodies",
    "ephemerides": "physical",
    "ephemeris": "physical",
    "parse_site": "site",
    "parse_utc": "timescales",
}

__all__ = [
    "BODIES",
    "TARGETS",
    "Body",
    "Disc",
    "Ephemeris",
    "KernelError",
    "Satellite",
    "Site",
    "UnknownTargetError",
    "body",
    "disc_from_ephemeris",
    "disc_from_geometry",
    "ephemerides",
    "ephemeris",
    "parse_site",
    "parse_utc",
]

if TYPE_CHECKING:
    from nightmill_sky.bodies import BODIES, TARGETS, Body, UnknownTargetError, body
    from nightmill_sky.geometry import Disc
    from nightmill_sky.physical import ephemerides, ephemeris
    from nightmill_sky.placing import disc_from_ephemeris, disc_from_geometry
    from nightmill_sky.records import Ephemeris, Satellite
    from nightmill_sky.site import Site, parse_site
    from nightmill_sky.spk import KernelError
    from nightmill_sky.timescales import parse_utc


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        return getattr(importlib.import_module(f"{__name__}.{_WHERE[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
