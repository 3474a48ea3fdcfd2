"""Takes the turn of a planet out of the members of a set, and differences of scale: pure functions on arrays.

Each pixel of the wanted picture looks up where its spot lay on the picture taken (`nightmill_sky.derotate`). Near the
limb that says little: within the blur of the limb a pixel mixes globe and sky, and a spot that has just come into view
was not seen before. There the picture is only moved, not turned, with a smooth passage between the two, so the limb
stays whole and lies at the same place in every channel. In the passage, how bright a spot looks here and there is read
off drawings of the bare globe that are blurred as the picture is: by the law of darkening alone, a limb that is turned
by 1.8 degrees comes out up to 1 % of the disc too bright or too dark.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill_sky import Disc
from nightmill_sky.derotate import Derotation, derotation, limb_passage

from ...matching.register import Offset
from .limbs import Limb

__all__ = ["Carrier", "carrier", "carry", "still"]


@dataclass(frozen=True)
class Carrier:
    """How to take a picture to the wanted place and time.

    Attributes
    ----------
    turned : Derotation
        With the turn.
    column_px, row_px : ndarray of float32, shape (h, w)
        Without it: the same place in the planet's own axes.
    share : ndarray of float32, shape (h, w)
        0 to 1: how much the turned picture counts against the one that is only moved.
    """

    turned: Derotation
    column_px: NDArray[np.float32]
    row_px: NDArray[np.float32]
    share: NDArray[np.float32]


def still(source: Disc, target: Disc) -> Disc:
    """The disc of the source as if the planet had not turned since the target's time."""
    return replace(
        source,
        central_meridian_deg=target.central_meridian_deg,
        central_meridians_deg=dict(target.central_meridians_deg),
    )


def carrier(source: Disc, target: Disc, shape: tuple[int, int], offset: Offset, limb: Limb | None = None) -> Carrier:
    """Work out how to take a picture to the wanted place and time.

    Parameters
    ----------
    source, target : Disc
        The globe on the picture taken and on the picture wanted, each at its time.
    shape : tuple of int
        Rows and columns wanted.
    offset : Offset
        Where a picture that was carried without it still lies against the reference; taken out in the same step, so
        that the picture is interpolated only once.
    limb : Limb, optional
        What was found at the limb of the picture taken.
    """
    limb = limb or Limb()
    wanted = target.moved(target.centre_column_px - offset.dx_px, target.centre_row_px - offset.dy_px)
    source, wanted = limb.placed(source, wanted)
    turned = derotation(source, wanted, shape, darkening=limb.darkening)
    row, column = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float64)
    x, y = wanted.to_planet_axes(column, row)
    from_column, from_row = source.from_planet_axes(x, y)
    turned = replace(turned, gain=limb.gain(wanted, turned))
    share = limb_passage(wanted, x, y) * turned.weight
    return Carrier(turned, from_column.astype(np.float32), from_row.astype(np.float32), share.astype(np.float32))


def carry(plane: NDArray[np.float32], way: Carrier, *, sky: float = 0.0, layer: str = "data") -> NDArray[np.float32]:
    """Resample a picture, or one of its companions.

    Parameters
    ----------
    plane : ndarray of float32, shape (rows, columns)
        NaN where there are no data.
    way : Carrier
    sky : float
        Level of the sky: what lies above it is made up for the changed slant of light and view.
    layer : str
        "data", "half_a", "half_b" (interpolated by Lanczos over 8 x 8 pixels), "noise" or "weight" (linearly).

    Returns
    -------
    ndarray of float32, shape of the carrier
        NaN outside the picture taken. Weights fall where brightness was raised, noise rises with it.
    """
    smooth = cv2.INTER_LINEAR if layer in ("noise", "weight") else cv2.INTER_LANCZOS4
    level = np.float32(0.0 if layer in ("noise", "weight") else sky)
    missing = ~np.isfinite(plane)
    light = np.ascontiguousarray(np.where(missing, 0.0, plane - level), np.float32)
    gain = {"weight": np.minimum(way.turned.gain ** np.float32(-2.0), 1.0) * way.turned.weight}.get(
        layer, way.turned.gain
    )
    turned = gain * cv2.remap(light, way.turned.column_px, way.turned.row_px, smooth, borderMode=cv2.BORDER_REPLICATE)
    moved = cv2.remap(light, way.column_px, way.row_px, smooth, borderMode=cv2.BORDER_REPLICATE)
    out = way.share * turned + (1.0 - way.share) * moved + level
    # What a pixel without data, or the outside, reaches by more than a tenth has no data either.
    gaps = missing.astype(np.float32)
    for column, row in ((way.turned.column_px, way.turned.row_px), (way.column_px, way.row_px)):
        reached = cv2.remap(gaps, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=1.0)
        out[reached > 0.1] = np.nan
    return np.asarray(out, np.float32)
