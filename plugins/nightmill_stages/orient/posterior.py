"""Weighs the ways in which a planet may lie on a picture: which end of its axis is north, and whether it is mirrored.

Belts show the axis, but look the same upside down and in a mirror. What tells more (the dark side of the limb, rings
before and behind the globe, the user's word) makes some ways more likely than others; a quantity is known when nearly
all the likelihood agrees on it, whichever way it comes about. Pure arithmetic.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

__all__ = ["SURE", "Known", "Way", "apart_deg", "known", "weigh_user"]

SURE = 0.95
"""Least confidence with which a quantity counts as known."""

_ALIKE_DEG = 3.0
_USER_DEG = 5.0
"""How well a person states a direction (common practice, no source)."""
_CONTRADICTED_DEG = 15.0


@dataclass(frozen=True)
class Way:
    """One way in which the planet may lie.

    Attributes
    ----------
    pole_angle_deg : float
        Direction of the projected north pole, counter-clockwise from up.
    mirrored : bool
        East is clockwise of north.
    weight : float
        Likelihood, above 0, in any unit.
    """

    pole_angle_deg: float
    mirrored: bool
    weight: float

    @property
    def planet_east_deg(self) -> float:
        """Direction of the planet's east, into which the middle of a forward-turning planet's disc moves."""
        return (self.pole_angle_deg + (90.0 if self.mirrored else -90.0)) % 360.0

    def north_deg(self, pole_position_angle_deg: float) -> float:
        """Direction of celestial north."""
        angle = pole_position_angle_deg if self.mirrored else -pole_position_angle_deg
        return (self.pole_angle_deg + angle) % 360.0


@dataclass(frozen=True)
class Known:
    """The most likely value of a quantity, and the share of the likelihood that agrees with it, 0 to 1."""

    value: float
    confidence: float

    @property
    def sure(self) -> bool:
        """Whether the quantity counts as known."""
        return self.confidence >= SURE


def apart_deg(one: float, other: float, turn: float = 360.0) -> float:
    """How far two directions are apart, 0 to half a `turn`, degrees."""
    return abs((one - other + turn / 2.0) % turn - turn / 2.0)


def known(ways: Sequence[Way], quantity: Callable[[Way], float], turn: float = 360.0) -> Known:
    """Say what is known of a quantity.

    Parameters
    ----------
    ways : sequence of Way
        At least one.
    quantity : callable
        Gives the quantity, degrees, of a way.
    turn : float
        Values that differ by this are the same: 360 for a direction, 180 for an axis.
    """
    total = math.fsum(way.weight for way in ways)
    best = Known(0.0, -1.0)
    for way in ways:
        value = quantity(way) % turn
        agreed = math.fsum(w.weight for w in ways if apart_deg(quantity(w), value, turn) <= _ALIKE_DEG)
        if agreed / total > best.confidence + 1e-9:
            best = Known(value, agreed / total)
    return best


def weigh_user(
    ways: Sequence[Way], pole_position_angle_deg: float, north_deg: float | None, mirrored: bool | None
) -> tuple[list[Way], bool]:
    """Let the user's word weigh in; it wins over the picture.

    Parameters
    ----------
    ways : sequence of Way
        By the picture; may be empty when it does not show the axis.
    pole_position_angle_deg : float
        Of the planet's north pole on the sky.
    north_deg, mirrored
        The user's, or None.

    Returns
    -------
    ways : list of Way
    contradicted : bool
        The picture shows another axis, by more than 15 degrees; the ways are then the user's alone.
    """
    left = [way for way in ways if mirrored is None or way.mirrored == mirrored]
    if north_deg is None:
        return left, False
    near = []
    for way in left:
        off = apart_deg(way.north_deg(pole_position_angle_deg), north_deg)
        if off <= _CONTRADICTED_DEG:
            near.append(Way(way.pole_angle_deg, way.mirrored, way.weight * math.exp(-0.5 * (off / _USER_DEG) ** 2)))
    if near:
        return near, False
    own = [
        Way((north_deg + (-1.0 if m else 1.0) * pole_position_angle_deg) % 360.0, m, 1.0)
        for m in ((False, True) if mirrored is None else (mirrored,))
    ]
    return own, bool(left)
