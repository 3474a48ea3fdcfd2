"""Measurements of one offset from different sources, weighted by what each is worth along each direction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Voice", "agree", "combine_voices"]

FAR = 13.8
"""Chi-square of two values that is passed once in a thousand."""


@dataclass(frozen=True)
class Voice:
    """One measurement of an offset.

    Attributes
    ----------
    offset : ndarray of float64, shape (2,)
        (dy, dx), px: ``moving(y + dy, x + dx) = reference(y, x)``.
    covariance : ndarray of float64, shape (2, 2)
        px^2.
    points : int
        Tiles, or points of an outline, that it rests on.
    """

    offset: NDArray[np.float64]
    covariance: NDArray[np.float64]
    points: int

    @property
    def sigma_px(self) -> float:
        """Standard error along an axis, in the mean over directions."""
        return float(np.sqrt(np.trace(self.covariance) / 2.0))


def agree(one: Voice, other: Voice) -> bool:
    """Whether two measurements can be of the same offset; features that moved, and a limb, are not."""
    apart = one.offset - other.offset
    return float(apart @ np.linalg.solve(one.covariance + other.covariance, apart)) < FAR


def combine_voices(voices: Sequence[Voice]) -> Voice:
    """Weight measurements of the same offset by the inverse of their covariances."""
    worth = [np.linalg.inv(voice.covariance) for voice in voices]
    covariance = np.linalg.inv(np.sum(worth, axis=0))
    offset = covariance @ np.sum([w @ voice.offset for w, voice in zip(worth, voices, strict=True)], axis=0)
    return Voice(offset, covariance, sum(voice.points for voice in voices))
