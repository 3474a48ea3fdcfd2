"""Says how each picture of a night must be moved, turned and enlarged so that all of them lie alike."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .steady import steady, steady_angles

__all__ = ["Place", "Seen", "place_all"]

WORDS = {
    "north": "celestial north up",
    "east": "the planet's axis upright; which end is north is not known",
    "axis": "the planet's axis upright; which end is north is not known",
    "camera": "as the camera saw it",
}


@dataclass(frozen=True)
class Seen:
    """What is known of one picture before it is moved.

    Attributes
    ----------
    time_s : float
        POSIX seconds of the middle of its captures.
    shape : tuple of int
        Rows and columns.
    geometry : mapping
        Of the picture.
    finer : float
        Picture pixels per camera pixel.
    centroid : tuple of (float, float, float) or None
        Column, row and radius (of a circle of equal area) of the object by its light, px, when sky surrounds it.
    """

    time_s: float
    shape: tuple[int, int]
    geometry: Mapping[str, Any]
    finer: float
    centroid: tuple[float, float, float] | None


@dataclass(frozen=True)
class Place:
    """Where the object lies on one picture.

    Attributes
    ----------
    column_px, row_px : float
        Its middle.
    unit_px : float
        A length that is the same on the sky for all pictures of a night: the radius of the disc.
    up_deg : float
        What shall be up, counter-clockwise from the picture's own up.
    mirrored : bool
        Left and right are to be exchanged.
    """

    column_px: float
    row_px: float
    unit_px: float
    up_deg: float
    mirrored: bool

    def matrix(self, centre_px: tuple[float, float], unit_px: float) -> NDArray[np.float64]:
        """Map from wanted pixels to the picture's own.

        Parameters
        ----------
        centre_px : tuple of float
            Column and row of the object's middle on the wanted picture.
        unit_px : float
            The radius there.

        Returns
        -------
        ndarray of float64, shape (2, 3)
            For ``cv2.warpAffine`` with ``WARP_INVERSE_MAP``.
        """
        angle, size = np.radians(self.up_deg), self.unit_px / unit_px
        side = -1.0 if self.mirrored else 1.0
        right = side * size * np.array([np.cos(angle), -np.sin(angle)])
        down = size * np.array([np.sin(angle), np.cos(angle)])
        linear = np.stack([right, down], axis=1)
        offset = np.array([self.column_px, self.row_px]) - linear @ np.array(centre_px)
        return np.concatenate([linear, offset[:, None]], axis=1)


def place_all(seen: Sequence[Seen]) -> tuple[list[Place], str, int] | None:
    """Place all pictures of a night.

    Parameters
    ----------
    seen : sequence of Seen

    Returns
    -------
    places : list of Place
    orientation : str
        How they lie then, in words.
    guessed : int
        On how many the orientation was not known and is that of the others.
        None instead of all three when some picture shows no object surrounded by sky.
    """
    spots = _spots(seen)
    if spots is None:
        return None
    times = [one.time_s for one in seen]
    finer = np.array([one.finer for one in seen])
    errors = np.array([float(one.geometry.get("disc_sigma", 0.01)) for one in seen]) * spots[:, 2] / finer
    radii = steady(spots[:, 2] / finer, errors, times, floor=0.002 * float(np.median(spots[:, 2] / finer))) * finer
    mode, angles, mirrored = _orientation(seen)
    sigmas = [float(one.geometry.get("pole_sigma_deg", 1.0)) for one in seen]
    guessed = 0 if mode == "camera" else int(np.isnan(angles).sum())
    turns = steady_angles(angles, sigmas, times, period_deg=180.0 if mode == "axis" else 360.0)
    if mode == "axis":
        # The end that lies nearer to the camera's up is up.
        turns = turns - 180.0 * round(float(np.median(turns)) / 180.0)
    places = [
        Place(float(x), float(y), float(r), float(turn), mirrored)
        for (x, y, _), r, turn in zip(spots, radii, turns, strict=True)
    ]
    return places, WORDS[mode], guessed


def _spots(seen: Sequence[Seen]) -> NDArray[np.float64] | None:
    """Column, row and radius of the object; by the disc where all have one, else by the light of all."""
    discs = [one.geometry.get("disc") for one in seen]
    if all(discs):
        return np.array([[d["x_px"], d["y_px"], d["a_px"]] for d in discs if d], np.float64)
    if any(one.centroid is None for one in seen):
        return None
    return np.array([one.centroid for one in seen], np.float64)


def _orientation(seen: Sequence[Seen]) -> tuple[str, NDArray[np.float64], bool]:
    """What can be made to point up: by name, its direction on each picture (NaN: not known), mirrored or not."""
    told = [one.geometry for one in seen]
    norths = np.array([float(g.get("north_angle_deg", np.nan)) for g in told])
    if not np.isnan(norths).all():
        sure = [float(g.get("confidence", {}).get("mirrored", 1.0)) - 0.5 for g in told]
        flips = [g.get("mirrored") if "north_angle_deg" in g else None for g in told]
        vote = sum(s if flip else -s for s, flip in zip(sure, flips, strict=True) if flip is not None)
        # One night, one set of mirrors: who says otherwise is in error.
        wrong = [flip is not None and flip is not (vote > 0.0) for flip in flips]
        return "north", np.where(wrong, np.nan, norths), vote > 0.0
    for mode, key, turn in (("east", "planet_east_deg", 90.0), ("axis", "pole_axis_deg", 0.0)):
        angles = [float(g[key]) + turn if key in g else np.nan for g in told]
        if not np.isnan(angles).all():
            return mode, np.array(angles), False
    return "camera", np.zeros(len(seen)), False
