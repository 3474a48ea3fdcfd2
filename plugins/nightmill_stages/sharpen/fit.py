"""The search for the blur that explains the sky around an object and the fall of its limb, in all channels at once.

What differs between channels of one capture follows from the wavelength: D/r0 goes with its power -6/5. The light left
in the core is the same share of what the tabled family has in each of them (on tuning captures a share for each channel
does no better). Where nobody told the telescope's obstruction it is looked for too: it moves light from the core to the
rings, as no air does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from nightmill import stage

from .blur import CORE_RANGE, RATIO_RANGE, SHARE_RANGE, Blur
from .sky import Channel

__all__ = ["Found", "Prior", "fit_sky"]

Array = NDArray[np.float64]
EDGES = (0.25, 0.12, 0.08)
"""The object ends where the deconvolved picture falls to this share of its level: on the way, and in the end."""
OBSTRUCTION_RANGE = (0.0, 0.45)
STEP = 0.015
"""For differences, of logarithms and of the obstruction."""
WEIGHT = 0.05
"""Of the squared distance from what was known before, against the mean misfit of the sky and of the limb."""


@dataclass(frozen=True)
class Prior:
    """What is known of the blur before the sky is looked at: mean and spread of ln(D/r0) and ln(share).

    `below` is by what factor the spread is larger towards calm air: what moves frames need not be air.
    `obstruction_spread` is that of the obstruction about the one in `Optics` (of a Cauchy distribution), 0 where it is
    known, and `core_spread` that of the logarithm of the light left in the core (tuning captures: 0.1 on Mars, and -0.5
    in Jupiter's blue).
    """

    ratio: float = 3.0
    ratio_spread: float = 2.0
    share: float = 0.5
    share_spread: float = 1.0
    below: float = 1.0
    obstruction_spread: float = 0.0
    core_spread: float = 0.15


@dataclass(frozen=True)
class Found:
    """A blur found.

    Attributes
    ----------
    ratio : float
        D/r0 at the wavelength of the first channel.
    share : float
        Effective share of frames, see `Blur`.
    ratio_error, share_error : float
        Standard errors of ln(ratio) and ln(share), by the curvature of the fit.
    misfit : float
        Root mean square of the sky's residual over noise and tolerance.
    blurs : tuple of Blur
        Of the channels, pixels as in their pictures.
    """

    ratio: float
    share: float
    ratio_error: float
    share_error: float
    misfit: float
    blurs: tuple[Blur, ...]


class _Search:
    """One fit: ln(D/r0), ln(share) and, when `whole`, the obstruction if unknown, and ln(light left in the core)."""

    def __init__(self, channels: Sequence[Channel], prior: Prior, whole: bool, each: stage.Each) -> None:
        self.channels, self.prior, self.whole, self.each = channels, prior, whole, each
        self.usual = channels[0].optics.obstruction
        self.sought = whole and prior.obstruction_spread > 0
        low, high = [RATIO_RANGE[0], SHARE_RANGE[0]], [RATIO_RANGE[1], SHARE_RANGE[1]]
        obstruction = OBSTRUCTION_RANGE if self.sought else ((), ())
        cores = CORE_RANGE if whole else ((), ())
        self.bounds = tuple(
            np.concatenate([np.log(air), np.atleast_1d(hole), np.log(np.atleast_1d(core))])
            for air, hole, core in zip((low, high), obstruction, cores, strict=True)
        )

    def blurs(self, point: Array) -> list[Blur]:
        """Return the blur of each channel, in pixels of the grid that it is looked for on."""
        ratio, share = np.exp(point[:2])
        obstruction = float(point[2]) if self.sought else self.usual
        # The sky alone, where rings or phases leave no limb, does not tell core and halo apart.
        told = self.whole and any(channel.has_limb for channel in self.channels)
        core = float(np.exp(point[-1])) if told else 1.0
        return [
            Blur(float(ratio * c.stronger), float(share), obstruction, c.optics.drop_px, core) for c in self.channels
        ]

    def parts(self, point: Array) -> Array:
        """Return the residuals of all channels, the mean over channels of sky and limb squared to one each."""

        def of(pair: tuple[Channel, Blur]) -> Array:
            channel, blur = pair
            passed = channel.blur(blur)
            both = [channel.residual(passed), channel.limb_residual(passed)]
            return np.concatenate([part / np.sqrt(max(part.size, 1) * len(self.channels)) for part in both])

        return np.concatenate(self.each(of, list(zip(self.channels, self.blurs(point), strict=True))))

    def away(self, point: Array) -> Array:
        """Return how far a point is from what was known before."""
        prior = self.prior
        air = (point[:2] - np.log([prior.ratio, prior.share])) / [prior.ratio_spread, prior.share_spread]
        if air[0] < 0:
            air[0] /= prior.below
        hole = []
        if self.sought:
            # Most telescopes have nearly the usual one, others none at all: far away none is much less likely.
            apart = (point[2] - self.usual) / prior.obstruction_spread
            hole = [np.sign(apart) * np.sqrt(np.log1p(apart**2))]
        core = [point[-1] / prior.core_spread] if self.whole else []
        return np.sqrt(WEIGHT) * np.concatenate([air, hole, core])

    def residual(self, point: Array) -> Array:
        """Return all residuals."""
        return np.concatenate([self.parts(point), self.away(point)])

    def slopes(self, point: Array) -> Array:
        """Return the derivatives of `residual`, by differences of equal size however near to 0 a number is."""
        here = self.residual(point)
        steps = np.diag(np.where(point + STEP > self.bounds[1], -STEP, STEP))
        return np.stack([(self.residual(point + step) - here) / step.sum() for step in steps], axis=1)

    def run(self, point: Array, edge: float) -> Any:
        """Refine outlines and limbs by the blur at a point, and go on from there."""
        pairs = list(zip(self.channels, self.blurs(point), strict=True))
        self.each(lambda pair: pair[0].refine(pair[0].blur(pair[1]), edge), pairs)
        start = np.clip(point, self.bounds[0] + 1e-3, self.bounds[1] - 1e-3)
        return scipy.optimize.least_squares(
            self.residual, start, jac=self.slopes, bounds=self.bounds, ftol=1e-3, xtol=3e-3, max_nfev=8
        )


def fit_sky(channels: Sequence[Channel], prior: Prior, *, each: stage.Each = stage.in_turn) -> Found:
    """Find the blur that explains sky and limb in all channels.

    Parameters
    ----------
    channels : sequence of Channel
        Channels of one capture; their outlines are refined in place.
    prior : Prior
        What frame statistics say, for the first channel.
    each : function, optional
        Channels go through it.
    """
    best = max(channels, key=lambda channel: channel.level / channel.noise)
    search = _Search([best], prior, False, each)
    point = np.log([prior.ratio, prior.share])
    for edge in EDGES[:-1]:
        point = search.run(point, edge).x
    if not best.has_limb:
        # The sky alone tells the obstruction no better than custom does.
        prior = replace(prior, obstruction_spread=0.0)
    search = _Search([best], prior, True, each)
    point = np.concatenate([point, [search.usual] if search.sought else [], [0.0]])
    for _ in range(2):
        found = search.run(point, EDGES[-1])
        point = found.x
    if len(channels) > 1:
        search = _Search(channels, prior, True, each)
        for _ in range(2):
            found = search.run(point, EDGES[-1])
            point = found.x
    # A rise of the mean misfit by the weight of the prior is taken for one standard error.
    covariance = np.linalg.pinv(found.jac.T @ found.jac) * WEIGHT
    errors = np.sqrt(np.diag(covariance))
    blurs = search.blurs(point)
    left = [channel.residual(channel.blur(blur)) for channel, blur in zip(channels, blurs, strict=True)]
    misfit = float(np.sqrt(np.mean([np.mean(part**2) for part in left])))
    ratio, share = (float(value) for value in np.exp(point[:2]))
    return Found(ratio, share, float(errors[0]), float(errors[1]), misfit, tuple(blurs))
