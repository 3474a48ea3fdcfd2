"""A globe under a map, seen from where the planet was seen: each frame a few degrees further. Nothing is made up.

What no picture saw is grey, with lines of longitude and latitude so that it is taken for nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill_sky import Disc

__all__ = ["UNSEEN", "GlobeView"]

UNSEEN = 0.045
"""Linear brightness of unseen parts, as a share of white: a dark grey."""
_STEP_DEG = 30.0
_LINE = 1.5
"""Half the width of a line, in thirds of a pixel."""


class GlobeView:
    """A globe of a given size, ready to be seen from any longitude.

    Parameters
    ----------
    reference : Disc
        Shape and tilt of the globe.
    size_px : int
        Side of the square frames.
    values : ndarray of float32, shape (channels, rows, columns)
        The map, by the angle east of the reference's central meridian (0 to 360 to the right), north up; NaN where
        nothing was seen.
    darkening : sequence of float
        Minnaert's exponent of each channel, of the limb darkening that is put on.
    """

    def __init__(self, reference: Disc, size_px: int, values: NDArray[np.float32], darkening: Sequence[float]) -> None:
        middle = (size_px - 1) / 2.0
        self._disc = replace(
            reference,
            centre_column_px=middle,
            centre_row_px=middle,
            equatorial_radius_px=0.46 * size_px,
            pole_angle_deg=0.0,
            mirrored=False,
            sub_solar_latitude_deg=reference.sub_observer_latitude_deg,
            sun_east_of_meridian_deg=0.0,
            rings_radii=(),
        )
        # Three by three points a pixel: the limb comes out smooth.
        offsets = (np.arange(3 * size_px) - 1.0) / 3.0
        column, row = np.meshgrid(offsets, offsets)
        surface = self._disc.surface(column, row)
        self._on = surface.emission > 0.0
        self._east = np.where(self._on, surface.east_of_meridian_deg, 0.0)
        self._latitude = np.where(self._on, surface.latitude_deg, 0.0)
        slant = np.maximum(surface.emission, 1e-3)
        self._shades = [np.where(self._on, slant ** (2.0 * exponent - 1.0), 0.0) for exponent in darkening]
        # Degrees from one point to the next, for lines of one width everywhere.
        self._steps = [
            np.maximum(np.hypot(*np.gradient(surface_deg)), 1e-3) for surface_deg in (self._east, self._latitude)
        ]
        rows, columns = values.shape[-2:]
        self._cells = columns / 360.0
        # Two columns more on either side let interpolation run across the first meridian.
        wide = np.concatenate([values[..., -2:], values, values[..., :2]], axis=-1)
        self._missing = np.ascontiguousarray(~np.isfinite(wide).all(axis=0), np.float32)
        self._planes = [np.ascontiguousarray(np.nan_to_num(plane), np.float32) for plane in wide]
        self._row = np.clip((90.0 - self._latitude) * self._cells - 0.5, 0.0, rows - 1.0).astype(np.float32)

    def frame(self, east_deg: float, white: float) -> NDArray[np.float32]:
        """Show the globe from a point east of the reference's central meridian.

        Parameters
        ----------
        east_deg : float
        white : float
            Brightness shown as white, for the grey of unseen parts.

        Returns
        -------
        ndarray of float32, shape (channels, size, size)
            Linear light on black.
        """
        turned = np.mod(self._east + east_deg, 360.0)
        place = (turned * self._cells + 1.5).astype(np.float32), self._row
        missing = cv2.remap(self._missing, *place, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) > 0.5
        unseen = np.where(self._lines(turned), 2.2 * UNSEEN, UNSEEN) * white
        size = self._on.shape[0] // 3
        out = np.empty((len(self._planes), size, size), np.float32)
        for channel, (plane, shade) in enumerate(zip(self._planes, self._shades, strict=True)):
            light = cv2.remap(plane, *place, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) * shade
            light = np.where(missing, unseen, light) * self._on
            out[channel] = light.reshape(size, 3, size, 3).mean(axis=(1, 3))
        return out

    def _lines(self, east_deg: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Where lines of longitude and latitude run, about a pixel wide."""
        near = np.full(east_deg.shape, np.inf)
        for angle, step in zip((east_deg, self._latitude), self._steps, strict=True):
            apart = np.abs((angle + _STEP_DEG / 2.0) % _STEP_DEG - _STEP_DEG / 2.0)
            near = np.minimum(near, apart / step)
        return np.asarray((near < _LINE) & (np.abs(self._latitude) < 85.0))
