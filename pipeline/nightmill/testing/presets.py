"""Scenarios to start from, by name: what an amateur records on a usual night, with an invented telescope.

The site is 47.10 N, 8.50 E, 540 m. Diameters, tilts, central meridians, illumination, altitude and the direction of the
zenith are those of the captures' dates there (IAU rotation models and the project's own ephemeris; diameters checked in
the tests against an independent one).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from .scenario import Camera, Mount, Scenario

__all__ = ["PRESETS"]


def _jupiter(**changes: Any) -> Scenario:
    """One-shot colour through a filter array, 8 bits."""
    base = Scenario(
        scene="jupiter",
        filter="RGB",
        shape=(320, 320),
        frames=1000,
        fps=60.0,
        camera=Camera(colour="RGGB", full_well_e=5000.0),
        start=datetime(2025, 2, 5, 20, 10, tzinfo=UTC),
        altitude_deg=60.9,
        zenith_deg=44.6,
    )
    return replace(base, **changes)


def _mars(**changes: Any) -> Scenario:
    """One filter of a set, 8 bits."""
    base = Scenario(
        scene="mars",
        filter="R",
        shape=(192, 192),
        frames=600,
        fps=100.0,
        camera=Camera(full_well_e=4000.0, exposure_s=0.006, serial=8),
        mount=Mount(drift_px_s=(-0.2, 0.3)),
        start=datetime(2025, 2, 5, 20, 30, tzinfo=UTC),
        scene_seed=2,
        altitude_deg=64.2,
        zenith_deg=-3.2,
    )
    return replace(base, **changes)


def _saturn(**changes: Any) -> Scenario:
    """One-shot colour, 8 bits, faint."""
    base = Scenario(
        scene="saturn",
        filter="RGB",
        shape=(240, 320),
        frames=1000,
        fps=30.0,
        camera=Camera(colour="RGGB", full_well_e=2500.0, exposure_s=0.025),
        start=datetime(2028, 11, 5, 22, 30, tzinfo=UTC),
        scene_seed=3,
        altitude_deg=54.1,
        zenith_deg=6.4,
    )
    return replace(base, **changes)


def _moon(**changes: Any) -> Scenario:
    """A lunar field in red light, 12 bits."""
    base = Scenario(
        scene="moon",
        filter="R",
        shape=(480, 640),
        frames=300,
        fps=40.0,
        camera=Camera(bits=12, full_well_e=9000.0, offset_adu=40.0, exposure_s=0.004, serial=8),
        mount=Mount(drift_px_s=(0.5, -0.7)),
        start=datetime(2025, 2, 5, 19, 15, tzinfo=UTC),
        scene_seed=4,
        altitude_deg=58.6,
    )
    return replace(base, **changes)


def _sun(**changes: Any) -> Scenario:
    """The Sun's surface in white light (full-aperture filter), 8 bits."""
    base = Scenario(
        scene="sun",
        filter="W",
        shape=(480, 640),
        frames=300,
        fps=60.0,
        camera=Camera(full_well_e=9000.0, exposure_s=0.002, serial=8),
        mount=Mount(drift_px_s=(0.3, 0.6)),
        start=datetime(2025, 6, 14, 9, 40, tzinfo=UTC),
        scene_seed=5,
        altitude_deg=58.1,
    )
    return replace(base, **changes)


PRESETS: Mapping[str, Callable[..., Scenario]] = {
    "jupiter": _jupiter,
    "mars": _mars,
    "saturn": _saturn,
    "moon": _moon,
    "sun": _sun,
}
"""Makers of scenarios; keyword arguments replace fields of `Scenario`."""
