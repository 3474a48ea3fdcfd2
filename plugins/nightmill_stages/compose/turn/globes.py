"""Agrees on how the planet lies on the members of a set, from what was measured on each.

The members were taken with the same camera within minutes. So what one of them shows clearly (which way the planet
turns) holds for all, and a difference in scale or axis is believed only where it stands out from its error; else the
members share the mean, or errors would turn and stretch the channels against one another.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightmill.artefacts import Picture
from nightmill_sky import BODIES, Disc

from ...orient.discs import disc_of
from ...orient.known import sky_at
from ...orient.posterior import SURE, apart_deg
from .carry import still

__all__ = ["Globes", "agree", "turn_px"]

ORIENTATION = ("pole_axis_deg", "pole_angle_deg", "planet_east_deg", "north_angle_deg", "mirrored", "confidence")
LEAST_SCALE = 0.001
"""Difference of scale that is worth a resampling."""
BELIEVED_SCALE = 0.006
"""Difference of scale that a set's discs must show to be believed. Limbs darken differently from filter to filter,
which moves a measured radius by up to 0.4 % on simulated sets, more than the fit's own error says; a channel stretched
by that much has a coloured rim, while optics that magnify colours differently by more than this are rare."""
MOST_SCALE = 0.012
"""Difference of scale beyond which no optics are behind it (common practice, no source): a small, soft or crescent disc
was measured badly."""
LEAST_TURN_PX = 0.05
_MOST_AXIS_DEG = 5.0


@dataclass(frozen=True)
class Globes:
    """The planet on the members and on the picture that is made of them.

    Attributes
    ----------
    sources : tuple of Disc
        On each member, at its time.
    target : Disc
        On the picture wanted, at the mean of the times.
    geometry : dict
        What the members together say of the picture wanted.
    turned_deg : tuple of float or None
        How far the planet turned from the wanted time to each member's; None when its sense is not known, so that
        only scale and place can be made equal.
    """

    sources: tuple[Disc, ...]
    target: Disc
    geometry: dict[str, Any]
    turned_deg: tuple[float, ...] | None
    axis_known: bool = False
    """Whether the axis is known well enough to draw the globe's phase by."""

    @property
    def zooms(self) -> list[float]:
        """Size of each member's pixels over those of the picture wanted."""
        return [self.target.equatorial_radius_px / source.equatorial_radius_px for source in self.sources]


def turn_px(target: str, radius_px: float, seconds: float) -> float:
    """How far the middle of a planet's disc moves in some time, px."""
    return radius_px * math.radians(abs(BODIES[target].rotation_deg_per_day) * seconds / 86400.0)


def agree(members: Sequence[Picture], reference: int, *, derotate: bool) -> Globes | None:
    """Agree on the discs of a set.

    Parameters
    ----------
    members : sequence of Picture
        Single-filter pictures of one planet, with the geometry that `orient` measured.
    reference : int
        The member on whose pixels the set is made.
    derotate : bool
        Whether the turn shall be taken out.

    Returns
    -------
    Globes or None
        None when a shift is all that is needed, or all that is known.
    """
    target = members[0].captures[0].target if members[0].captures else None
    times = [t for member in members if (t := member.utc_mid) is not None]
    discs = [disc for member in members if (disc := member.geometry.get("disc"))]
    if target is None or target not in BODIES or len(times) < len(members) or len(discs) < len(members):
        return None
    middle = math.fsum(times) / len(times)
    radii = _radii(members)
    shared = _orientation(members) if derotate else {}
    leans = _leans(members, shared) if shared else None
    far = turn_px(target, max(radii), max(abs(time - middle) for time in times))
    turns = leans is not None and far > LEAST_TURN_PX
    if not turns and max(radii) / min(radii) - 1.0 <= LEAST_SCALE:
        return None
    if leans is None or not turns:
        # Any orientation will do where nothing turns, as long as it is the same.
        shared, leans = {"planet_east_deg": 0.0}, [0.0] * len(members)
    globes = []
    for i, time in zip([*range(len(members)), reference], [*times, middle], strict=True):
        known = {**_leaning(shared, leans[i]), "disc": {**discs[i], "a_px": radii[i]}}
        globe = disc_of(known, sky_at(target, time), any_end=True)
        if globe is None:
            return None
        globes.append(globe)
    wanted = globes.pop()
    geometry = dict(members[reference].geometry)
    resized = radii[reference] / discs[reference]["a_px"]
    geometry["disc"] = {**discs[reference], **{k: round(discs[reference][k] * resized, 3) for k in ("a_px", "b_px")}}
    if "scale_arcsec" in geometry:
        geometry["scale_arcsec"] = float(f"{geometry['scale_arcsec'] / resized:.6g}")
    if not turns:
        return Globes(tuple(still(globe, wanted) for globe in globes), wanted, geometry, None)
    sure = float(shared.get("confidence", {}).get("planet_east_deg", 1.0)) >= SURE
    if sure:
        geometry |= _leaning(shared, leans[reference])
    else:  # enough to turn by, not to be told
        geometry = {key: value for key, value in geometry.items() if key not in ORIENTATION}
    rate = BODIES[target].rotation_deg_per_day / 86400.0
    return Globes(tuple(globes), wanted, geometry, tuple(rate * (time - middle) for time in times), axis_known=sure)


def _radii(members: Sequence[Picture]) -> list[float]:
    """Radius of the disc on each member, px: the common one unless its own stands out as much as optics can make it."""
    finer = [float(member.header.get("scale", 1.0)) for member in members]
    own = np.array([m.geometry["disc"]["a_px"] / f for m, f in zip(members, finer, strict=True)])
    errors = np.array([float(member.geometry.get("disc_sigma", 0.01)) for member in members])
    off = np.abs(own / np.median(own) - 1.0)
    apart = off > np.maximum(BELIEVED_SCALE, 3.0 * errors)
    mean = float(np.average(own[~apart], weights=errors[~apart] ** -2.0)) if not apart.all() else float(np.median(own))
    believed = apart & (off < MOST_SCALE)
    return [float(r) * f for r, f in zip(np.where(believed, own, mean), finer, strict=True)]


def _orientation(members: Sequence[Picture]) -> dict[str, Any]:
    """What the member knows that knows most of pole and turn; empty when none knows which way the planet turns."""

    def rank(member: Picture) -> tuple[bool, float]:
        sure = member.geometry.get("confidence", {})
        whole = "pole_angle_deg" in member.geometry and "mirrored" in member.geometry
        return whole, float(sure.get("planet_east_deg", 0.0))

    able = [m for m in members if "planet_east_deg" in m.geometry]
    if not able:
        return {}
    easts = [float(m.geometry["planet_east_deg"]) for m in able]
    if any(apart_deg(east, easts[0]) > 90.0 for east in easts):
        return {}  # they contradict one another
    best = max(able, key=rank).geometry
    return {key: best[key] for key in ORIENTATION if key in best}


def _leans(members: Sequence[Picture], shared: Mapping[str, Any]) -> list[float] | None:
    """How far the axis of each member leans from the shared one, degrees; None when they have little in common."""
    axis = float(shared["planet_east_deg"]) + 90.0
    known = [m.geometry.get("pole_axis_deg") for m in members]
    errors = np.array([float(m.geometry.get("pole_sigma_deg", 3.0)) for m in members])
    off = np.array([0.0 if a is None else (float(a) - axis + 90.0) % 180.0 - 90.0 for a in known])
    errors[[a is None for a in known]] = 1e3
    if np.abs(off).max() > _MOST_AXIS_DEG:
        return None
    mean = float(np.average(off, weights=errors**-2.0))
    return [float(lean) for lean in np.where(np.abs(off - mean) > np.maximum(0.5, 3.0 * errors), off, mean)]


def _leaning(shared: Mapping[str, Any], lean_deg: float) -> dict[str, Any]:
    """The orientation turned by a few degrees."""
    out = dict(shared)
    for key, turn in (("pole_axis_deg", 180.0), ("pole_angle_deg", 360.0), ("planet_east_deg", 360.0)):
        if key in out:
            out[key] = round((float(out[key]) + lean_deg) % turn, 3)
    return out
