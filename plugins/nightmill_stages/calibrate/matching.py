"""Which dark and which flat fits a capture, by what the captures say of themselves alone.

What both state must agree; what one does not state (SER has no field for exposure or gain) counts as fitting, but a
capture that states it is preferred. Among equals the nearest in time wins.
"""

from __future__ import annotations

from collections.abc import Sequence

from nightmill.artefacts import Capture
from nightmill_sky.filters import filter_key

__all__ = ["EXPOSURE_TOLERANCE", "best_dark", "best_flat", "is_master"]

EXPOSURE_TOLERANCE = 0.05
"""Exposures within 5 % are the same: cameras round what they are asked for."""


def is_master(capture: Capture) -> bool:
    """Say whether a capture is a finished master (one float frame) rather than raw frames."""
    return capture.frames == 1 and capture.dtype == "float32"


def best_dark(light: Capture, darks: Sequence[Capture]) -> Capture | None:
    """Return the dark of the same size, colours, exposure and gain that is nearest in time, or None."""
    ranked = []
    for dark in darks:
        exposure = _agree(light.exposure_s, dark.exposure_s, EXPOSURE_TOLERANCE)
        gain = _agree(light.gain, dark.gain, 1e-6)
        if _same_sensor(light, dark) and exposure is not False and gain is not False:
            unknown = (exposure is None) + (gain is None)
            ranked.append((unknown, _seconds_apart(light, dark), dark.file, dark.path, dark))
    return min(ranked, key=lambda entry: entry[:4])[4] if ranked else None


def best_flat(light: Capture, flats: Sequence[Capture]) -> Capture | None:
    """Return the flat of the same size, colours and filter that is nearest in time, or None.

    A flat that names no filter serves when none names the light's.
    """
    ranked = []
    for flat in flats:
        same = filter_key(light.filter) == filter_key(flat.filter)
        if _same_sensor(light, flat) and (same or flat.filter is None):
            ranked.append((not same, _seconds_apart(light, flat), flat.file, flat.path, flat))
    return min(ranked, key=lambda entry: entry[:4])[4] if ranked else None


def _same_sensor(light: Capture, other: Capture) -> bool:
    """Same size and planes; a capture that does not state its filter array may have the light's."""
    size = (light.height, light.width, light.planes) == (other.height, other.width, other.planes)
    return size and (light.cfa == other.cfa or None in (light.cfa, other.cfa))


def _agree(first: float | None, second: float | None, tolerance: float) -> bool | None:
    if first is None or second is None:
        return None
    return abs(first - second) <= tolerance * max(abs(first), abs(second))


def _seconds_apart(first: Capture, second: Capture) -> float:
    if first.utc_mid is None or second.utc_mid is None:
        return float("inf")
    return abs(first.utc_mid - second.utc_mid)
