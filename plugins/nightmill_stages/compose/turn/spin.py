"""Finds the direction in which a planet turns whose axis no picture shows: from the way of its features over the disc.

Between two captures a feature at depth z of the globe (1 in the middle of the disc, 0 at the limb) moves by z times the
middle's way; the limb stays. So the ways of features, tile by tile, together with the limb's offset, tell direction and
length of the middle's way; its length is known from the planet's rotation, which tests the finding. All pairs of
captures speak: of three the first and the last most, if they show the same. The method is our own.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
import scipy
from numpy.typing import NDArray

from nightmill.artefacts import Picture
from nightmill_sky import BODIES

from ...matching.features import tile_offsets
from ...matching.outline import object_mask
from ...matching.register import find_offset, levelled
from ...orient.discs import template_of
from ...orient.known import sky_at
from ...orient.posterior import SURE, apart_deg
from .globes import turn_px

__all__ = ["Motion", "direction", "find_spin"]

Float = NDArray[np.float64]

LEAST_TURN_PX = 0.5
"""Way of the middle of the disc, from the first capture to the last, below which features can not tell."""
LIMB_PX = 0.1
"""Error of an offset by the limb besides what it says itself: darkening differs from filter to filter."""
TILE_PX = 0.1
"""Scatter of tiles besides what they say themselves: clouds and albedo differ from filter to filter."""
NEAR_DEG = 60.0
"""A direction serves when nearly all the likelihood lies so near to it: turned by it, less is left than there was."""
FAR = 11.6
"""Chi-square of two values that is passed three times in a thousand."""


class Motion:
    """What pairs of captures say of the way of the middle of the disc: a normal distribution, px a second.

    Unknown are the way (down, right), the turn about the line of sight, and for each pair the limb's offset.
    """

    def __init__(self) -> None:
        self.information = np.zeros((3, 3))
        self.weighted = np.zeros(3)

    def listen(
        self, tiles: tuple[Float, Float, Float], depth: Float, limb: Float, limb_px: float, late_s: float
    ) -> None:
        """Take in a pair of captures.

        Parameters
        ----------
        tiles : tuple
            Offsets (n, 2) and covariances (n, 2, 2), px; places (n, 2) from the middle of the disc, down and right, px.
        depth : ndarray of float64, shape (n,)
            Of the places, 1 in the middle of the disc.
        limb : ndarray of float64, shape (2,)
            Offset of the limb, px.
        limb_px : float
            Its error along an axis, px.
        late_s : float
            By how much the moving picture was taken later, s.
        """
        offsets, covariances, places = tiles
        robust = np.ones(len(offsets))
        design = np.zeros((len(offsets), 2, 5))
        design[:, 0, 0] = design[:, 1, 1] = depth * late_s
        design[:, 0, 2], design[:, 1, 2] = places[:, 1] * late_s, -places[:, 0] * late_s
        design[:, 0, 3] = design[:, 1, 4] = 1.0
        worth = np.linalg.inv(covariances + TILE_PX**2 * np.eye(2))
        prior = np.diag([0.0, 0.0, 1e-9, limb_px**-2.0, limb_px**-2.0])
        for _ in range(8):
            weights = worth * robust[:, None, None]
            normal = np.einsum("nij,nik,nkl->jl", design, weights, design) + prior
            right = np.einsum("nij,nik,nk->j", design, weights, offsets) + prior[:, 3:] @ limb
            solution = np.linalg.solve(normal, right)
            left = offsets - design @ solution
            far = np.einsum("ni,nij,nj->n", left, worth, left)
            robust = np.minimum(1.0, 2.0 / np.sqrt(np.maximum(far, 1e-12)))
        # Tiles that scatter more than they should count less, all of them.
        excess = max(1.0, float((far * robust).sum()) / max(2.0 * len(offsets) - 3.0, 1.0))
        normal = (normal - prior) / excess + prior
        right = (right - prior[:, 3:] @ limb) / excess + prior[:, 3:] @ limb
        # The limb's offset belongs to the pair: it is averaged over here.
        between = normal[:3, 3:] @ np.linalg.inv(normal[3:, 3:])
        self.information += normal[:3, :3] - between @ normal[3:, :3]
        self.weighted += right[:3] - between @ right[3:]

    def middle(self) -> tuple[Float, Float]:
        """Way of the middle (2,), px a second, and its covariance (2, 2)."""
        covariance = np.linalg.inv(self.information + 1e-12 * np.eye(3))
        return (covariance @ self.weighted)[:2], covariance[:2, :2]


def direction(way: Float, covariance: Float, expected: float) -> tuple[float, float] | None:
    """Tell a direction from a way whose length is known.

    Parameters
    ----------
    way : ndarray of float64, shape (2,)
        Down and right.
    covariance : ndarray of float64, shape (2, 2)
    expected : float
        Length of the way, same unit.

    Returns
    -------
    direction_deg, confidence : float or None
        Counter-clockwise from up; likelihood within 60 degrees of it. None when no way of that length fits.
    """
    angles = np.arange(0.0, 360.0, 1.0)
    ways = expected * np.stack([-np.cos(np.radians(angles)), -np.sin(np.radians(angles))], axis=1)
    off = ways - way
    misfit = np.einsum("ni,ij,nj->n", off, np.linalg.inv(covariance), off)
    if float(misfit.min()) > FAR:
        return None
    likely = np.exp(-0.5 * (misfit - misfit.min()))
    best = float(angles[int(misfit.argmin())])
    near = np.array([apart_deg(float(angle), best) <= NEAR_DEG for angle in angles])
    return best, float(likely[near].sum() / likely.sum())


def find_spin(members: Sequence[Picture]) -> tuple[float, float] | None:
    """Find the planet's east on the members of a set.

    Parameters
    ----------
    members : sequence of Picture
        Single-filter pictures of one planet with their discs measured.

    Returns
    -------
    planet_east_deg, confidence : float or None
        None when the planet turned too little, or the features do not tell.
    """
    target = members[0].captures[0].target if members[0].captures else None
    times = [t for member in members if (t := member.utc_mid) is not None]
    discs = [disc for member in members if (disc := member.geometry.get("disc"))]
    if target not in BODIES or len(times) < len(members) or len(discs) < len(members):
        return None
    radius = float(np.median([float(disc["a_px"]) for disc in discs]))
    if turn_px(str(target), radius, max(times) - min(times)) < LEAST_TURN_PX:
        return None
    lean = math.cos(math.radians(template_of(sky_at(str(target), times[0])).sub_observer_latitude_deg))
    rate = radius * math.radians(BODIES[str(target)].rotation_deg_per_day) / 86400.0 * lean
    motion = Motion()
    heard = 0
    for one, other in itertools.combinations(range(len(members)), 2):
        pair = [levelled(members[k].data) for k in (one, other)]
        offset = find_offset(members[one].data, members[other].data, features=False)
        mask = object_mask(scipy.ndimage.gaussian_filter(pair[0], 1.0))
        if offset.sigma_px is None or mask is None:
            continue
        tiles = tile_offsets(pair[0], pair[1], mask, (offset.dy_px, offset.dx_px))
        if tiles is None or len(tiles[0]) < 3:
            continue
        places = tiles[2] - np.array([float(discs[one]["y_px"]), float(discs[one]["x_px"])])
        depth = np.sqrt(np.maximum(1.0 - (places**2).sum(axis=1) / radius**2, 0.0))
        limb = np.array([offset.dy_px, offset.dx_px])
        error = math.hypot(offset.sigma_px, LIMB_PX)
        motion.listen((tiles[0], tiles[1], places), depth, limb, error, times[other] - times[one])
        heard += len(tiles[0])
    if heard < 6:
        return None
    found = direction(*motion.middle(), abs(rate))
    if found is None or found[1] < SURE:
        return None
    east = found[0] if rate > 0.0 else found[0] + 180.0
    return east % 360.0, found[1]
