"""The members of a filter set of the Moon or the Sun: each registered on the second one and resampled once."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import Picture
from nightmill.stage import Context

from ..matching.outline import find_object
from ..matching.register import Offset, find_offset, move
from ..matching.surface import LITTLE_PX, Way, carry_way, find_way
from .offsets import LEAST_FIT, LEAST_MOVE_PX

__all__ = ["SURFACES", "is_surface", "surface_ways"]

Image = NDArray[np.float32]

SURFACES = ("moon", "sun")
MOST_SHIFT = 0.25
"""Shifts beyond this share of the picture's shorter side are not believed where only a shift was found."""
LEAST_OVERLAP = 0.5
"""Members that share less of their field are panels of a mosaic, put together wrongly: a set is recorded without moving
the telescope, which drifts by a tenth of a field (common practice, no source)."""


def is_surface(member: Picture) -> bool:
    """Whether features that stay where they are lie all over the picture: the Moon, the Sun, or no sky around it."""
    target = member.captures[0].target if member.captures else None
    return target in SURFACES or (target is None and find_object(member.data) is None)


def surface_ways(
    members: Sequence[Picture], labels: Sequence[str], context: Context
) -> list[Callable[[Image, str, int], Image]] | None:
    """Register the members on the second one, say how they lay, and return how to resample each; see `resampled`.

    None, and a caution, where a member shows another field than the second one.
    """
    shape = (members[1].data.shape[0], members[1].data.shape[1])
    found = context.each(lambda k: Way(np.eye(3)) if k == 1 else find_way(members[1], members[k]), range(len(members)))
    ways = [
        _simplest(way, shape) if way is not None else _shifted(members[1], member, label, labels[1], context)
        for way, member, label in zip(found, members, labels, strict=True)
    ]
    shares = {label: _overlap(way, shape) for label, way in zip(labels, ways, strict=True)}
    if min(shares.values()) < LEAST_OVERLAP:
        _say_apart(members, labels, shares, context)
        return None
    _say(ways, labels, shape, context)
    return [lambda plane, _, order, way=way: _carried(plane, way, shape, order) for way in ways]


def _overlap(way: Way, shape: tuple[int, int]) -> float:
    """Share of the reference's field that a member shows."""
    dy, dx = (abs(one) for one in way.shift_px(shape))
    return max(1.0 - dy / shape[0], 0.0) * max(1.0 - dx / shape[1], 0.0)


def _say_apart(members: Sequence[Picture], labels: Sequence[str], shares: dict[str, float], context: Context) -> None:
    files = {label: member.captures[0].file for label, member in zip(labels, members, strict=True) if member.captures}
    told = ", ".join(f"{label} {share:.0%}" for label, share in shares.items() if share < LEAST_OVERLAP)
    context.caution(
        "fields",
        f"No colour picture: the captures of this set ({', '.join(files.values())}) show different fields; of what "
        f"{labels[1]} shows, there is in {told}. Panels of a mosaic can only be told from the order of the captures: "
        "record all filters of a panel before the next one, or all panels in the same order through each filter. The "
        "pictures through the single filters are given instead.",
        {label: round(share, 3) for label, share in shares.items()},
    )


def _simplest(way: Way, shape: tuple[int, int]) -> Way:
    """A shift alone where turn and scale move nothing, and nothing where the shift is nothing either."""
    if way.mesh is not None:
        return way
    dy, dx = way.shift_px(shape)
    half = np.hypot(*shape) / 2
    if half * np.hypot(way.matrix[0, 0] - 1.0, way.matrix[1, 0]) >= LITTLE_PX:
        return way
    little = np.hypot(dy, dx) < LEAST_MOVE_PX
    return _with_matrix(way, np.eye(3) if little else np.array([[1, 0, dx], [0, 1, dy], [0, 0, 1.0]]))


def _with_matrix(way: Way, matrix: NDArray[np.float64]) -> Way:
    return Way(matrix, None, way.patches, way.fit, way.before_px, way.after_px)


def _shifted(reference: Picture, member: Picture, label: str, fixed: str, context: Context) -> Way:
    """A shift alone, from all of the picture at once, where patches do not agree."""
    offset = find_offset(reference.data, member.data)
    size = float(np.hypot(offset.dy_px, offset.dx_px))
    if offset.fit < LEAST_FIT or size > MOST_SHIFT * min(reference.data.shape):
        context.caution(
            "register_channels",
            f"The {label} channel could not be registered on {fixed}: no patches of the two agree (fit of a shift "
            f"{offset.fit:.2f}). It stays where it is; colour fringes are likely.",
        )
        return Way(np.eye(3))
    context.caution(
        "register_channels",
        f"Too few patches of the {label} channel agree with {fixed}: it was moved by a shift alone (fit "
        f"{offset.fit:.2f}); turn, scale and bending stay, and colour fringes are possible.",
    )
    return Way(np.array([[1, 0, offset.dx_px], [0, 1, offset.dy_px], [0, 0, 1.0]]), fit=offset.fit)


def _carried(plane: NDArray[np.float32], way: Way, shape: tuple[int, int], order: int) -> NDArray[np.float32]:
    if way.mesh is None and np.array_equal(way.matrix[:2, :2], np.eye(2)):
        return move(plane, Offset(float(way.matrix[1, 2]), float(way.matrix[0, 2]), 1.0), shape, order=order)
    return carry_way(plane, way, shape, order=order)


def _say(ways: Sequence[Way], labels: Sequence[str], shape: tuple[int, int], context: Context) -> None:
    others = [(label, way) for k, (label, way) in enumerate(zip(labels, ways, strict=True)) if k != 1]
    fixed = labels[1]
    shifts = {n: [round(one, 3) for one in way.shift_px(shape)] for n, way in zip(labels, ways, strict=True)}
    context.measure(
        "channel_offsets_px", shifts, f"Offset (down, right) of each channel against {fixed} at the middle, in px."
    )
    context.measure(
        "channel_scales",
        {n: round(way.scale, 6) for n, way in others},
        f"Size of what each channel shows against {fixed}.",
    )
    context.measure(
        "channel_turns_deg",
        {n: round(way.turn_deg, 4) for n, way in others},
        f"Turn of each channel against {fixed}, clockwise as displayed, in degrees.",
    )
    context.measure(
        "channel_patches",
        {n: way.patches for n, way in others},
        f"Patches of each channel that agree with {fixed} on how it lies.",
    )
    matched = [(n, way) for n, way in others if way.patches]
    if not matched:
        return
    context.measure(
        "channel_patches_rms_px",
        {n: [round(way.before_px, 3), round(way.after_px, 3)] for n, way in matched},
        "What single patches are off by after shift, turn and scale, and after bending, rms along an axis, in px; "
        "much of it is their own noise.",
    )
    bent = {n: round(way.bend_px, 3) for n, way in matched if way.mesh is not None}
    context.choose(
        "bend_channels",
        bent,
        f"The air left {', '.join(f'{n} {v:.2f} px' for n, v in bent.items())} (rms along an axis) of bending against "
        f"{fixed}: patches that were left out of the fit lie better with it, so it was taken out with shift, turn and "
        "scale in one step."
        if bent
        else f"Nothing was bent: after shift, turn and scale no bending makes patches that were left out of its fit "
        f"lie better on {fixed}.",
    )
