"""Finds the blur of an object on a dark sky, from the halo around it and its edge.

A perfect telescope shows the sky dark but for the faint wings of diffraction, and those follow from what is seen of the
object. So for a supposed blur the picture is deconvolved, the object cut out along its edge, sent through telescope and
blur again, and compared with the sky of the stack. Of the supposed blurs the one that explains the sky is taken. All
channels of one capture saw the same air: they are fitted together, D/r0 going with wavelength^(-6/5).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.ndimage
import scipy.optimize
from numpy.typing import NDArray

from .blur import RATIO_RANGE, SHARE_RANGE, Blur
from .optics import Optics
from .signal import Signal
from .spectral import cosine, frequencies, uncosine

__all__ = ["Channel", "Found", "Prior", "fit_sky", "has_sky"]

Float = NDArray[np.floating]
EDGE = 0.04
"""The object ends where the deconvolved picture falls to this share of its level."""
TOLERANCE = 0.0005
"""What the model cannot explain of the sky, as a share of the object's level."""
CYCLES = 4


@dataclass(frozen=True)
class Prior:
    """What is known of the blur before the sky is looked at: mean and spread of ln(D/r0) and ln(share)."""

    ratio: float = 3.0
    ratio_spread: float = 2.0
    share: float = 0.5
    share_spread: float = 1.0

    def penalty(self, ratio: float, share: float) -> float:
        """Return the squared distance in standard deviations."""
        first = np.log(ratio / self.ratio) / self.ratio_spread
        second = np.log(share / self.share) / self.share_spread
        return float(first**2 + second**2)


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
    """

    ratio: float
    share: float
    ratio_error: float
    share_error: float
    misfit: float


class Channel:
    """One channel of a stack, prepared for fitting.

    Parameters
    ----------
    picture : ndarray of float32, shape (h, w)
        Finite.
    optics : Optics
        The telescope for this channel.
    signal : Signal
        Its signal and noise.
    noise : float
        Root mean square noise of a pixel.
    stronger : float
        D/r0 here over D/r0 in the first channel.
    """

    def __init__(self, picture: Float, optics: Optics, signal: Signal, noise: float, stronger: float = 1.0) -> None:
        self.optics, self.noise, self.stronger = optics, noise, stronger
        self.background = sky_level(picture)
        self.picture = np.asarray(picture - self.background, np.float32)
        bright = self.picture[self.picture > 0.3 * np.percentile(self.picture, 99.5)]
        self.level = float(np.median(bright)) if bright.size else 0.0
        self.frequency = frequencies(self.picture.shape)
        self._telescope = optics.transfer(self.frequency).astype(np.float32)
        self._weighted = cosine(self.picture) * signal.weight(self.frequency, optics.cutoff).astype(np.float32)
        self.outline(self.picture, 0.25)

    def outline(self, sharp: Float, edge: float) -> None:
        """Take the object's outline, and the sky around it, from a sharpened picture."""
        inside = scipy.ndimage.binary_opening(sharp > edge * self.level)
        inside = scipy.ndimage.binary_fill_holes(inside)
        self.inside = inside.astype(np.float32)
        distance = scipy.ndimage.distance_transform_edt(~inside)
        radius = np.sqrt(max(inside.sum(), 1) / np.pi)
        self.sky = (distance > 0.5 / self.optics.cutoff) & (distance < max(1.2 * radius, 20))

    def blur(self, ratio: float, share: float) -> NDArray[np.float32]:
        """Return the transfer of the blur on this channel's frequencies; `ratio` is the first channel's."""
        blur = Blur(ratio * self.stronger, share, self.optics.obstruction)
        return blur.transfer(self.frequency, self.optics.cutoff).astype(np.float32)

    def sharpened(self, blur: Float) -> Float:
        """Return the Wiener estimate for a blur."""
        return uncosine(self._weighted / np.maximum(blur, np.float32(1e-3)))

    def misfit(self, ratio: float, share: float) -> float:
        """Return the mean square of the sky's residual, in units of noise and tolerance."""
        blur = self.blur(ratio, share)
        sharp = self.sharpened(blur)
        source = self.inside * sharp
        for _ in range(CYCLES):
            # Van Cittert: the light within the outline that makes what the telescope shows there.
            source = self.inside * (source + sharp - uncosine(cosine(source) * self._telescope))
        left = (self.picture - uncosine(cosine(source) * (self._telescope * blur)))[self.sky]
        # The level of the sky itself is not known.
        return float(np.var(left, dtype=np.float64) / (self.noise**2 + (TOLERANCE * self.level) ** 2))


def sky_level(picture: Float) -> float:
    """Return the background: the darkest quarter of the frame's border strips, by their medians."""
    h, w = picture.shape
    strip = max(min(h, w) // 40, 2)
    sides = [picture[:strip], picture[-strip:], picture[:, :strip], picture[:, -strip:]]
    parts = [np.median(piece) for side in sides for piece in np.array_split(side, 4, axis=int(side.shape[1] > strip))]
    return float(np.mean(np.sort(parts)[:4]))


def has_sky(picture: Float) -> bool:
    """Say whether an object lies on a dark sky: most of the border is dark, and a good part of the frame is."""
    background = sky_level(picture)
    top = float(np.percentile(picture, 99.5)) - background
    strip = max(min(picture.shape) // 40, 2)
    border = np.concatenate(
        [picture[:strip].ravel(), picture[-strip:].ravel(), picture[:, :strip].ravel(), picture[:, -strip:].ravel()]
    )
    dark = (picture - background) < 0.12 * top
    return bool(top > 0 and np.mean(border - background < 0.12 * top) > 0.75 and dark.mean() > 0.2)


def fit_sky(channels: Sequence[Channel], prior: Prior, *, weight: float = 0.05) -> Found:
    """Find the blur that explains the sky in all channels.

    Parameters
    ----------
    channels : sequence of Channel
        Channels of one capture; their outlines are refined in place.
    prior : Prior
        What frame statistics say, for the first channel.
    weight : float, optional
        Weight of the prior's squared distance against the mean misfit of the sky.
    """

    def cost(point: NDArray[np.float64], used: Sequence[Channel]) -> float:
        inside = np.clip(point, *np.log([[RATIO_RANGE[0], SHARE_RANGE[0]], [RATIO_RANGE[1], SHARE_RANGE[1]]]))
        ratio, share = np.exp(inside)
        misfit = np.mean([channel.misfit(ratio, share) for channel in used])
        return float(misfit + weight * prior.penalty(ratio, share) + 10 * np.sum((point - inside) ** 2))

    def search(start: NDArray[np.float64], used: Sequence[Channel], step: float, most: int) -> NDArray[np.float64]:
        simplex = start + np.array([[0, 0], [step, 0], [0, -2 * step]])
        options = {"xatol": 0.01, "fatol": 1e-3, "maxfev": most, "initial_simplex": simplex}
        found = scipy.optimize.minimize(cost, start, args=(used,), method="Nelder-Mead", options=options)
        return np.asarray(found.x)

    best = max(channels, key=lambda channel: channel.level / channel.noise)
    point = np.log([np.clip(prior.ratio, *RATIO_RANGE), np.clip(prior.share, *SHARE_RANGE)])
    for edge, step, most in ((0.12, 0.3, 40), (EDGE, 0.15, 30), (EDGE, 0.1, 30)):
        point = search(point, [best], step, most)
        ratio, share = np.exp(point)
        for channel in channels:
            channel.outline(channel.sharpened(channel.blur(ratio, share)), edge)
    if len(channels) > 1:
        point = search(point, channels, 0.1, 40)
        ratio, share = np.exp(point)
        for channel in channels:
            channel.outline(channel.sharpened(channel.blur(ratio, share)), EDGE)
        point = search(point, channels, 0.07, 30)
    ratio, share = (float(value) for value in np.exp(point))
    base = cost(point, channels)
    errors = []
    for axis in range(2):
        move = np.zeros(2)
        move[axis] = 0.15
        rise = max((cost(point + move, channels) + cost(point - move, channels)) / 2 - base, 1e-4)
        # A rise by the prior's weight is one standard error.
        errors.append(0.15 * np.sqrt(weight / rise))
    misfit = float(np.sqrt(np.mean([channel.misfit(ratio, share) for channel in channels])))
    return Found(ratio, share, float(errors[0]), float(errors[1]), misfit)
