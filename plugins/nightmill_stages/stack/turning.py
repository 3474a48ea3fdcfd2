"""What a frame shows of the reference when the globe turned and the field rotated meanwhile.

A pixel of the stack is a spot on the globe at the middle of the capture. Where that spot lay at a frame's own time
follows from the ellipsoid (`nightmill_sky.derotate`): worked out for some moments, and linear in time between them.
Rings and sky do not turn. At the limb the picture is blurred, and a pixel mixes globe and sky: there it is only moved
along, with a smooth passage. A frame that did not see a spot gives it no weight. Afterwards the whole field is rotated
about the middle of the disc, as it is on an alt-azimuth mount.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill_sky import Disc
from nightmill_sky.derotate import derotation, limb_passage

from .phases import Layout

__all__ = ["Seen", "Turning", "disc_to_json", "globe_fields", "turning_of"]

Float = NDArray[np.float32]


@dataclass(frozen=True)
class Seen:
    """How a frame saw each pixel of the stack.

    Attributes
    ----------
    weight : ndarray of float32, shape (h, w), or float
        How well, 0 to 1.
    gain : ndarray of float32, shape (h, w), or None
        Factor for its light above the sky.
    sky : float
        Brightness of the sky, ADU.
    """

    weight: Float | float = 1.0
    gain: Float | None = None
    sky: float = 0.0

    def lit(self, values: Float, where: tuple[slice, slice] = np.s_[:, :]) -> Float:
        """Return samples (h, w) or (h, w, 3), ADU, of a part of the stack as the stack would have seen them."""
        if self.gain is None:
            return values
        light = self.gain[where] if values.ndim == 2 else self.gain[where][..., None]
        return (values - np.float32(self.sky)) * light + np.float32(self.sky)


@dataclass(frozen=True)
class Turning:
    """How frames of a capture show the part that is stacked.

    Attributes
    ----------
    middle_s : float
        The time that is wanted, POSIX seconds.
    centre_px : (float, float)
        Row and column about which the field rotates, in the part that is stacked.
    rotation_deg_s : float
        Rotation of the field, anticlockwise as displayed.
    offset_px : (float, float)
    drift_px_s : (float, float)
        What registration had wrong: a frame lies so many rows and columns further at the middle, and a second later.
    moments_s : tuple of float
        Seconds from the middle for which the turn is known, increasing; empty when the globe is not turned.
    rows, columns, weight, gain : ndarray of float32, shape (moments, h, w)
        For each moment by how much a pixel's spot lies further down and right than at the middle, camera pixels; how
        well it was seen, 0 to 1; and the factor for its light that makes up for the changed slant of light and view.
    """

    middle_s: float
    centre_px: tuple[float, float]
    rotation_deg_s: float
    offset_px: tuple[float, float]
    drift_px_s: tuple[float, float]
    moments_s: tuple[float, ...] = ()
    rows: Float | None = None
    columns: Float | None = None
    weight: Float | None = None
    gain: Float | None = None

    @property
    def reach_px(self) -> float:
        """The furthest that any spot moves by the turn of the globe."""
        if self.rows is None or self.columns is None:
            return 0.0
        return float(np.sqrt(np.max(self.rows[[0, -1]] ** 2 + self.columns[[0, -1]] ** 2)))

    def shift(self, shift: tuple[float, float], utc_s: float) -> tuple[float, float]:
        """Return the shift of a frame, registration put right."""
        late = utc_s - self.middle_s
        return tuple(  # type: ignore[return-value]
            one + a + b * late for one, a, b in zip(shift, self.offset_px, self.drift_px_s, strict=True)
        )

    def moved(self, field: tuple[Float, Float], utc_s: float) -> tuple[tuple[Float, Float], Seen]:
        """Move a field on to a frame's time.

        Parameters
        ----------
        field : (ndarray, ndarray) of float32, shape (h, w)
            Row and column at which each pixel lies without turn and rotation, camera pixels; or on a finer grid.
        utc_s : float
            Of the frame.

        Returns
        -------
        field : (ndarray, ndarray) of float32
        seen : Seen
        """
        late = utc_s - self.middle_s
        rows, columns = field
        seen = Seen()
        if self.rows is not None and self.columns is not None and self.weight is not None and self.gain is not None:
            place = float(np.interp(late, self.moments_s, np.arange(len(self.moments_s))))
            low = min(int(place), len(self.moments_s) - 2)
            share = np.float32(place - low)

            def between(maps: Float) -> Float:
                one = (1 - share) * maps[low] + share * maps[low + 1]
                if one.shape == rows.shape:
                    return one
                return np.asarray(cv2.resize(one, rows.shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)

            down, across = between(self.rows), between(self.columns)
            rows, columns = rows + down, columns + across
            seen = Seen(between(self.weight), between(self.gain))
        angle = math.radians(self.rotation_deg_s * late)
        if angle:
            y, x = rows - np.float32(self.centre_px[0]), columns - np.float32(self.centre_px[1])
            cosine, sine = np.float32(math.cos(angle)), np.float32(math.sin(angle))
            rows = cosine * y - sine * x + np.float32(self.centre_px[0])
            columns = sine * y + cosine * x + np.float32(self.centre_px[1])
        return (rows, columns), seen

    def to_json(self) -> dict[str, Any]:
        """Return plain values, without the maps."""
        return {
            f.name: getattr(self, f.name) for f in fields(self) if f.name not in ("rows", "columns", "weight", "gain")
        }

    @classmethod
    def from_json(cls, said: dict[str, Any]) -> Turning:
        """Rebuild what `to_json` gave; maps are to be made again."""
        pairs = {name: tuple(said[name]) for name in ("centre_px", "offset_px", "drift_px_s", "moments_s")}
        return cls(middle_s=float(said["middle_s"]), rotation_deg_s=float(said["rotation_deg_s"]), **pairs)  # type: ignore[arg-type]


def globe_fields(
    wanted: Disc, meridians: Sequence[dict[str, Any]], shape: tuple[int, int]
) -> tuple[Float, Float, Float, Float]:
    """Work out where the spots of the globe lay at some moments.

    Parameters
    ----------
    wanted : Disc
        At the middle of the capture, in the pixels of the part that is stacked.
    meridians : sequence of dict
        For each moment "central_meridian_deg" and "central_meridians_deg".
    shape : (int, int)

    Returns
    -------
    rows, columns, weight, gain : ndarray of float32, shape (moments, *shape)
        As in `Turning`.
    """
    row, column = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float64)
    x, y = wanted.to_planet_axes(column, row)
    share = limb_passage(wanted, x, y)
    result = np.zeros((4, len(meridians), *shape), np.float32)
    for index, known in enumerate(meridians):
        turn = derotation(replace(wanted, **known), wanted, shape)
        result[0, index] = share * (turn.row_px - row)
        result[1, index] = share * (turn.column_px - column)
        result[2, index] = 1.0 - share * (1.0 - np.minimum(turn.weight, 1.0))
        result[3, index] = 1.0 + share * (turn.gain - 1.0)
    return result[0], result[1], result[2], result[3]


def disc_to_json(disc: Disc) -> dict[str, Any]:
    """Return the plain values of a disc."""
    return asdict(disc)


def turning_of(movement: dict[str, Any] | None, layout: Layout) -> Turning | None:
    """Rebuild what `movement.find_movement` found, with its maps."""
    if movement is None:
        return None
    turning = Turning.from_json(movement["turning"])
    if "disc" not in movement:
        return turning
    disc = Disc(**{**movement["disc"], "rings_radii": tuple(tuple(pair) for pair in movement["disc"]["rings_radii"])})
    rows, columns, weight, gain = globe_fields(disc, movement["meridians"], (layout.height, layout.width))
    return replace(turning, rows=rows, columns=columns, weight=weight, gain=gain)
