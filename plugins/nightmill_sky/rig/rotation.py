"""How fast a target turns under the telescope, and how long a capture may last before that smears it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

__all__ = ["rotation_budget_s", "rotation_speed_arcsec_per_s"]


def rotation_speed_arcsec_per_s(first: Any, second: Any, seconds: float) -> float:
    """Return the speed of details in the middle of the disc.

    Parameters
    ----------
    first, second : Ephemeris
        Of one target, `seconds` apart.
    seconds : float
        Above 0; so short that the target turns by less than half a turn.

    Returns
    -------
    float
        Arcseconds a second: half the equatorial diameter times the rate of the sub-observer longitude, of the fastest
        system of longitude, times the cosine of the sub-observer latitude.
    """
    pairs: Sequence[tuple[float | None, float | None]]
    if first.central_meridian_deg:
        pairs = [(first.central_meridian_deg[k], second.central_meridian_deg[k]) for k in first.central_meridian_deg]
    elif first.libration_longitude_deg is not None:
        pairs = [(first.libration_longitude_deg, second.libration_longitude_deg)]
    else:
        pairs = [(first.sun_l0_deg, second.sun_l0_deg)]
    turns = [(float(b) - float(a) + 180.0) % 360.0 - 180.0 for a, b in pairs if a is not None and b is not None]
    rate = max(abs(turn) for turn in turns) / seconds
    lean = np.cos(np.radians(first.sub_observer_latitude_planetocentric_deg))
    return float(0.5 * first.equatorial_diameter_arcsec * np.radians(rate) * lean)


def rotation_budget_s(speed_arcsec_per_s: float, element_arcsec: float) -> float:
    """Return the longest capture in which details in the middle of the disc move by one element, in seconds."""
    return element_arcsec / speed_arcsec_per_s
