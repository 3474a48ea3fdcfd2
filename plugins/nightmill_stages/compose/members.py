"""What the members of a filter set say together: their counts, and how far the planet turned between them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from nightmill.artefacts import Picture
from nightmill.stage import Context

from .combine import find_object

__all__ = ["joined_header", "say_turned"]


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


def say_turned(members: Sequence[Picture], context: Context) -> None:
    """Caution when the planet turned by more than a pixel from the first capture to the last."""
    from nightmill_sky.bodies import BODIES

    times = [t for member in members if (t := member.utc_mid) is not None]
    target = members[1].captures[0].target if members[1].captures else None
    mask = find_object(members[1].data)
    if len(times) < 2 or mask is None or target is None or target not in BODIES:
        return
    radius = float(np.sqrt(mask.sum() / np.pi))
    turn = abs(BODIES[target].rotation_deg_per_day) * (max(times) - min(times)) / 86400.0
    shift = radius * float(np.radians(turn))
    if shift > 1.0:
        context.caution(
            "rotation",
            f"{target.capitalize()} turned by {turn:.1f} degrees, {shift:.1f} px at the middle of the disc, from the "
            "first capture of the set to the last; details may show coloured edges.",
            round(turn, 2),
        )
