"""Measures how the channels of a picture lie against one another, keeps what can be trusted, and says so."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from nightmill.stage import Context
from nightmill_sky import Disc

from ..matching.register import NO_OFFSET, Offset, find_offset
from .resolution import Sharpness, softened

__all__ = ["measured_offsets"]

LEAST_FIT = 0.2
LEAST_MOVE_PX = 0.03


def measured_offsets(
    planes: Sequence[NDArray[np.float32]],
    labels: Sequence[str],
    context: Context,
    *,
    sharpness: Sharpness | None = None,
    disc: Disc | None = None,
    features: bool = True,
    most_px: float = np.inf,
) -> list[Offset]:
    """Measure the channels' offsets against the second one, and keep those that can be trusted.

    Parameters
    ----------
    planes : sequence of ndarray of float32, shapes (h_i, w_i)
        Linear light; NaN where there are no data.
    labels : sequence of str
        What messages call them.
    context : Context
        Takes the measure "channel_offsets_px", and a caution for a channel that could not be registered.
    sharpness : Sharpness, optional
        Pairs are compared at the resolution of the softer one: the softer limb of a planet with a phase seems moved.
    disc : Disc, optional
        The globe on the second plane, where its orientation is known.
    features : bool
        Whether features lie at the same place in all planes: not where the planet turned meanwhile.
    most_px : float
        Larger offsets are not believed.
    """

    def against_second(k: int) -> Offset:
        if k == 1:
            return NO_OFFSET
        pair = [planes[1], planes[k]]
        if sharpness is not None:
            pair = softened(pair, sharpness.of(1, k))
        return find_offset(pair[0], pair[1], disc=disc, features=features)

    kept: list[Offset] = []
    for label, found in zip(labels, context.each(against_second, range(len(planes))), strict=True):
        size = float(np.hypot(found.dy_px, found.dx_px))
        if found.fit < LEAST_FIT or size > most_px:
            context.caution(
                "register_channels",
                f"The {label} channel could not be registered on {labels[1]} (fit {found.fit:.2f}, offset "
                f"{size:.1f} px) and stays where it is; colour fringes are likely.",
            )
            found = NO_OFFSET
        kept.append(found if size >= LEAST_MOVE_PX else NO_OFFSET)
    moved = {n: [round(o.dy_px, 3), round(o.dx_px, 3)] for n, o in zip(labels, kept, strict=True)}
    context.measure("channel_offsets_px", moved, f"Offset (down, right) of each channel against {labels[1]}, in px.")
    errors = {n: round(o.sigma_px, 3) for n, o in zip(labels, kept, strict=True) if o.sigma_px is not None}
    if errors:
        context.measure("channel_offsets_sigma_px", errors, "Standard error of these offsets along an axis, in px.")
    return kept
