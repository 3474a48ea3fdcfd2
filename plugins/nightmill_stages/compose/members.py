"""The members of a filter set together: put on common pixels, their counts, and how far the planet turned meanwhile."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import Picture
from nightmill.stage import Context, Each, in_turn

from ..matching.outline import find_object
from ..matching.register import Offset, move
from ..orient.posterior import apart_deg
from ..write.display import sky_level
from .resolution import Sharpness
from .turn.carry import carrier, carry
from .turn.globes import Globes
from .turn.limbs import Limb, limb_of
from .turn.sense import find_sense
from .turn.spin import find_spin

__all__ = [
    "carried",
    "joined_header",
    "limbs_of",
    "moved",
    "resampled",
    "say_derotated",
    "say_turned",
    "sensed",
    "shifted_channels",
    "turned_px",
]

Image = NDArray[np.float32]

LAYERS = {"data": 5, "noise": 1, "weight": 1, "half_a": 5, "half_b": 5}
"""The pictures of a member, and the order of the spline that moves them."""


def resampled(
    members: Sequence[Picture], ways: Sequence[Callable[[Image, str, int], Image]], each: Each = in_turn
) -> dict[str, Any]:
    """Put all layers of the members on common pixels.

    Parameters
    ----------
    members : sequence of Picture
    ways : sequence of callable
        For each member: takes one of its pictures, the layer's name and the order of the spline, returns it resampled.
    each : callable, optional
        What the members go through; see `Context.each`.

    Returns
    -------
    dict of str to ndarray of float32, shape (n, h, w), or None
        NaN in all wherever one of them has no data; None for a layer that one of them lacks.
    """
    layers: dict[str, Any] = {}
    for name, order in LAYERS.items():
        values = [getattr(member, name) for member in members]
        layers[name] = None
        if all(one is not None for one in values):
            planes = each(lambda k, v=values, n=name, o=order: ways[k](v[k], n, o), range(len(members)))
            layers[name] = np.stack(planes)
            layers[name][:, ~np.isfinite(layers[name]).all(axis=0)] = np.nan
    return layers


def moved(members: Sequence[Picture], offsets: Sequence[Offset]) -> dict[str, Any]:
    """Move the members on the second one's pixels; see `resampled`."""
    height, width = members[1].data.shape
    return resampled(members, [lambda v, _, order, o=o: move(v, o, (height, width), order=order) for o in offsets])


def shifted_channels(picture: Picture, offsets: Sequence[Offset], each: Each) -> Picture:
    """Move the channels of a colour picture (3, h, w) on the second one."""
    channels = [
        picture.replace(**{name: None if (v := getattr(picture, name)) is None else v[k] for name in LAYERS})
        for k in range(len(offsets))
    ]
    height, width = picture.data.shape[1:]
    ways = [lambda v, _, order, o=o: move(v, o, (height, width), order=order) for o in offsets]
    return picture.replace(**resampled(channels, ways, each))


def limbs_of(members: Sequence[Picture], globes: Globes, sharpness: Sharpness | None) -> list[Limb]:
    """Look at the limb of each member."""
    found = []
    for k, (member, source) in enumerate(zip(members, globes.sources, strict=True)):
        light = member.data - np.float32(sky_level(member.data) or 0.0)
        if sharpness is None or not globes.axis_known:
            found.append(limb_of(light, source, fitted=globes.axis_known))
        else:
            found.append(limb_of(light, source, sharpness.cutoffs[k] * globes.zooms[k], sharpness.obstruction))
    return found


def carried(
    members: Sequence[Picture], globes: Globes, offsets: Sequence[Offset], limbs: Sequence[Limb]
) -> dict[str, Any]:
    """As `moved`, with turn and scale of each member made equal in the same step."""
    height, width = members[1].data.shape
    ways = []
    for member, source, offset, limb in zip(members, globes.sources, offsets, limbs, strict=True):
        sky = sky_level(member.data) or 0.0
        way = carrier(source, globes.target, (height, width), offset, limb)
        ways.append(lambda v, name, _, way=way, sky=sky: carry(v, way, sky=sky, layer=name))
    return resampled(members, ways)


def sensed(members: Sequence[Picture], context: Context) -> list[Picture]:
    """Find from the features which way the planet turns, where no member says it of itself for certain."""
    said = [
        (float(member.geometry["planet_east_deg"]), float(member.geometry["confidence"]["planet_east_deg"]))
        for member in members
        if "planet_east_deg" in member.geometry
    ]
    surest = max(said, key=lambda one: one[1], default=None)
    if surest is not None and surest[1] >= 1.0:
        return list(members)  # the user's word, or as good as that
    found = find_sense(members, 1, surest)
    if found is None and not said and not any("pole_axis_deg" in member.geometry for member in members):
        return _spun(members, context)
    if found is None:
        return list(members)
    east, confidence = round(found[0], 3), round(found[1], 3)
    if said and all(apart_deg(found[0], east) < 90.0 for east, _ in said):
        return list(members)
    if surest is not None and apart_deg(found[0], surest[0]) > 90.0:
        context.caution(
            "planet_east",
            f"Features come together when the planet is turned the other way than its shading says (confidence "
            f"{surest[1]:.1%}); the features are believed. Check the time of the captures.",
            east,
        )
    context.choose(
        "planet_east",
        east,
        f"Direction in which the middle of the disc moves, counter-clockwise from up: features come together when "
        f"turned this way and not the other; confidence {confidence:.1%}.",
    )
    told = []
    for member in members:
        known: dict[str, Any] = {"planet_east_deg": east}
        known["confidence"] = {**member.geometry.get("confidence", {}), "planet_east_deg": confidence}
        if "mirrored" in member.geometry:
            known["pole_angle_deg"] = round((east + (-90.0 if member.geometry["mirrored"] else 90.0)) % 360.0, 3)
            known["confidence"]["pole_angle_deg"] = confidence
        told.append(member.replace(geometry={**member.geometry, **known}))
    return told


def _spun(members: Sequence[Picture], context: Context) -> list[Picture]:
    """Find from the way of features over the disc where it turns to, roughly: enough to turn by."""
    found = find_spin(members)
    if found is None:
        return list(members)
    east = round(found[0], 1)
    context.choose(
        "planet_east",
        east,
        "Direction in which the middle of the disc moves, counter-clockwise from up, by the way of features over the "
        f"disc: good to turn by (within 60 degrees with {found[1]:.1%}), too rough for an axis.",
    )
    known = {"planet_east_deg": east, "confidence": {"planet_east_deg": 0.5}}
    return [member.replace(geometry={**member.geometry, **known}) for member in members]


def say_derotated(members: Sequence[Picture], labels: Sequence[str], globes: Globes, context: Context) -> None:
    """Record to which time the members were turned, and how far."""
    times = [t for member in members if (t := member.utc_mid) is not None]
    middle = datetime.fromtimestamp(sum(times) / len(times), UTC).strftime("%H:%M:%S")
    turned = globes.turned_deg or ()
    span = max(turned) - min(turned)
    shift = globes.target.equatorial_radius_px * float(np.radians(span))
    context.choose(
        "derotate",
        {label: round(degrees, 3) for label, degrees in zip(labels, turned, strict=True)},
        f"All filters were turned to {middle} UTC: from the first to the last capture the planet turned by "
        f"{span:.2f} degrees, {shift:.1f} px at the middle of the disc.",
    )


def joined_header(members: Sequence[Picture], labels: Sequence[str]) -> dict[str, Any]:
    """What the stacks knew, the frames counted together, each one's own under its filter."""
    header = dict(members[1].header)
    for key in ("frames_kept", "frames_total"):
        counts = [member.header.get(key) for member in members]
        if all(isinstance(count, int) for count in counts):
            header[key] = sum(c for c in counts if c is not None)
    header.pop("share_kept", None)
    header["members"] = {label: member.header for label, member in zip(labels, members, strict=True)}
    return header


def turned_px(members: Sequence[Picture]) -> float:
    """How far the middle of the planet's disc moved from the first member to the last; 0 where that is not known."""
    from nightmill_sky.bodies import BODIES

    times = [t for member in members if (t := member.utc_mid) is not None]
    target = members[1].captures[0].target if members[1].captures else None
    mask = find_object(members[1].data)
    if len(times) < 2 or mask is None or target is None or target not in BODIES:
        return 0.0
    turn = abs(BODIES[target].rotation_deg_per_day) * (max(times) - min(times)) / 86400.0
    return float(np.sqrt(mask.sum() / np.pi)) * float(np.radians(turn))


def say_turned(members: Sequence[Picture], context: Context) -> None:
    """Caution when the planet turned by more than a pixel from the first capture to the last."""
    from nightmill_sky.bodies import BODIES

    shift = turned_px(members)
    if shift > 1.0:
        times = [t for member in members if (t := member.utc_mid) is not None]
        target = str(members[1].captures[0].target)
        turn = abs(BODIES[target].rotation_deg_per_day) * (max(times) - min(times)) / 86400.0
        context.caution(
            "rotation",
            f"{target.capitalize()} turned by {turn:.1f} degrees, {shift:.1f} px at the middle of the disc, from the "
            "first capture of the set to the last; details may show coloured edges. Tell the stage orient whether the "
            "picture is mirrored, and the turn can be taken out.",
            round(turn, 2),
        )
