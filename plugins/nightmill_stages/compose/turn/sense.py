"""Finds out which way a planet turns from the members of a set: features must move the right way between captures.

Both senses are tried: the members are turned to one time in each, and the features of the sense that is right come to
lie on one another. Belts are taken out first, for they look the same in both. A feature may be dark through one filter
and bright through another, so it is the size of the correlation that counts, not its sign. The method is our own.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
import scipy
from numpy.typing import NDArray

from nightmill.artefacts import Picture

from ...matching.register import Offset
from ...orient.posterior import SURE, apart_deg
from .carry import carrier, carry
from .globes import Globes, agree, turn_px

__all__ = ["find_sense"]

_LEAST_TURN_PX = 1.5
"""Below, features of the width of the blur hardly tell the senses apart."""
_FEATURE_PX = 4.0
_STAY = Offset(0.0, 0.0, 1.0)


def find_sense(
    members: Sequence[Picture], reference: int, said: tuple[float, float] | None = None
) -> tuple[float, float] | None:
    """Find the planet's east on the members.

    Parameters
    ----------
    members : sequence of Picture
        Single-filter pictures of one planet whose axis is known on the reference.
    reference : int
        The member on whose pixels the set is made.
    said : (float, float), optional
        What single members show: planet_east_deg and confidence, below 1. It is weighed with what the features say.

    Returns
    -------
    planet_east_deg, confidence : float or None
        None when the axis is not known, the planet turned too little, or the features do not tell.
    """
    axis = members[reference].geometry.get("pole_axis_deg")
    times = [t for member in members if (t := member.utc_mid) is not None]
    target = members[0].captures[0].target if members[0].captures else None
    disc = members[reference].geometry.get("disc")
    if axis is None or disc is None or target is None or len(times) < len(members):
        return None
    if turn_px(target, float(disc["a_px"]), max(times) - min(times)) < _LEAST_TURN_PX:
        return None
    scores, count = [], 0
    easts = [(float(axis) + 270.0) % 360.0, (float(axis) + 90.0) % 360.0]
    for east in easts:
        known = {"planet_east_deg": east, "confidence": {"planet_east_deg": SURE}}
        turned = [m.replace(geometry={**_without_sense(m.geometry), **known}) for m in members]
        globes = agree(turned, reference, derotate=True)
        if globes is None or globes.turned_deg is None:
            return None
        score, count = _likeness(members, globes, members[reference].data.shape)
        scores.append(score)
    # Fisher's z of the two correlations; features are as wide as the filter that brings them out.
    independent = count / _FEATURE_PX**2
    odds = 1.7 * (scores[0] - scores[1]) * math.sqrt(max(independent - 3.0, 0.0) / 2.0)
    if said is not None:
        nearer = 1.0 if apart_deg(said[0], easts[0]) < apart_deg(said[0], easts[1]) else -1.0
        odds += nearer * math.log(said[1] / (1.0 - said[1]))
    confidence = 1.0 / (1.0 + math.exp(-min(abs(odds), 50.0)))
    return (easts[0] if odds > 0.0 else easts[1], confidence) if confidence >= SURE else None


def _without_sense(geometry: dict[str, object]) -> dict[str, object]:
    return {key: value for key, value in geometry.items() if key not in ("pole_angle_deg", "mirrored")}


def _likeness(members: Sequence[Picture], globes: Globes, shape: tuple[int, ...]) -> tuple[float, int]:
    """Mean size (Fisher's z) of the correlation of the members' features, and on how many pixels."""
    row, column = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float64)
    x, y = globes.target.to_planet_axes(column, row)
    inside = np.hypot(x, y / (globes.target.semi_axes_px[1] / globes.target.equatorial_radius_px)) < 0.75
    band = np.floor((y + 1.0) * globes.target.equatorial_radius_px / 2.0).astype(np.int64)[inside]
    seen = []
    for member, source in zip(members, globes.sources, strict=True):
        plane = carry(member.data, carrier(source, globes.target, (shape[0], shape[1]), _STAY))
        seen.append(_features(plane, inside, band))
    sizes = []
    for one, other in itertools.combinations(seen, 2):
        scale = math.sqrt(float(one @ one) * float(other @ other))
        sizes.append(math.atanh(min(abs(float(one @ other)) / scale, 0.999)) if scale > 0.0 else 0.0)
    return float(np.mean(sizes)), int(inside.sum())


def _features(plane: NDArray[np.float32], inside: NDArray[np.bool_], band: NDArray[np.int64]) -> NDArray[np.float64]:
    """What is left of the disc's middle without shading and belts."""
    light = np.nan_to_num(np.asarray(plane, np.float64))
    high = scipy.ndimage.gaussian_filter(light, 1.0) - scipy.ndimage.gaussian_filter(light, 2.0 * _FEATURE_PX)
    values = high[inside]
    counts = np.maximum(np.bincount(band), 1)
    left: NDArray[np.float64] = values - (np.bincount(band, values) / counts)[band]
    return left
