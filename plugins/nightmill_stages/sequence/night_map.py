"""The map of a night: pictures of a turning planet laid on longitude and latitude, joined by how well each saw a place.

Longitudes are those of the middle of the night. A planet whose bands turn at different rates (Jupiter) is turned to
that moment band by band, as `nightmill_sky.derotate` does for a single picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill_sky import Disc
from nightmill_sky.derotate import turn_deg
from nightmill_sky.shading import shading, visibility

__all__ = ["NightMap", "grid"]


def grid(cells_per_degree: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Angle east of the first meridian (0 to 360, growing to the right) and latitude of each cell, north up."""
    columns, rows = round(360 * cells_per_degree), round(180 * cells_per_degree)
    east = (np.arange(columns) + 0.5) * 360.0 / columns
    latitude = 90.0 - (np.arange(rows) + 0.5) * 180.0 / rows
    first, second = np.meshgrid(east, latitude)
    return first, second


@dataclass
class NightMap:
    """Joins pictures one by one; nothing but the sums is kept.

    Parameters
    ----------
    reference : Disc
        The globe at the moment for which longitudes hold.
    cells_per_degree : float
    darkening : sequence of float
        Minnaert's exponent of each channel (1 or 3 of them), of the limb darkening that is taken off.

    Attributes
    ----------
    light : ndarray of float64, shape (channels, rows, columns)
        Sum of weight times brightness, limb darkening taken off.
    weight : ndarray of float64, shape (rows, columns)
        Sum of weights.
    best : ndarray of float32, shape (rows, columns)
        Largest weight of a single picture, 0 (not seen) to 1 (seen from straight above).
    """

    reference: Disc
    cells_per_degree: float
    darkening: Sequence[float]
    light: NDArray[np.float64] = field(init=False)
    weight: NDArray[np.float64] = field(init=False)
    best: NDArray[np.float32] = field(init=False)

    def __post_init__(self) -> None:
        self._east, self._latitude = grid(self.cells_per_degree)
        shape = self._east.shape
        self.light, self.weight = np.zeros((len(self.darkening), *shape)), np.zeros(shape)
        self.best = np.zeros(shape, np.float32)

    def add(self, data: NDArray[np.float32], disc: Disc, gain: float) -> None:
        """Add a picture.

        Parameters
        ----------
        data : ndarray of float32, shape (h, w) or (3, h, w)
            Linear light, sky at zero.
        disc : Disc
            The globe on it, at its time.
        gain : float
            Factor on its brightness.

        Notes
        -----
        The weight of a place is the square of its visibility: of two pictures the one that saw it from above decides.
        """
        turned = turn_deg(self.reference, disc, self._latitude)
        column, row, emission, incidence = disc.picture_from_east(self._east + turned, self._latitude)
        weight = visibility(disc, column, row, emission, incidence, data.shape[-2:])
        place = column.astype(np.float32), row.astype(np.float32)
        planes = data if data.ndim == 3 else data[None]
        gaps = cv2.remap((~np.isfinite(planes).all(axis=0)).astype(np.float32), *place, cv2.INTER_LINEAR)
        weight = np.where(gaps > 0.1, 0.0, weight)
        for channel, (plane, exponent) in enumerate(zip(planes, self.darkening, strict=True)):
            flat = gain / shading(emission, incidence, exponent)
            light = np.ascontiguousarray(np.nan_to_num(plane), np.float32)
            values = cv2.remap(light, *place, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
            self.light[channel] += weight**2 * flat * values
        self.weight += weight**2
        self.best = np.maximum(self.best, weight.astype(np.float32))

    @property
    def values(self) -> NDArray[np.float32]:
        """The map: weighted mean, shape (channels, rows, columns); NaN where nothing was seen."""
        mean = self.light / np.where(self.weight > 0.0, self.weight, 1.0)
        return np.where(self.weight > 0.0, mean, np.nan).astype(np.float32)

    @property
    def seen(self) -> float:
        """Share of the longitudes, at the latitude under the observer, that some picture saw."""
        centre = self.reference.sub_observer_latitude_deg
        row = int(np.clip(np.abs(self._latitude[:, 0] - centre).argmin(), 0, len(self._latitude) - 1))
        return float((self.weight[row] > 0.0).mean())
