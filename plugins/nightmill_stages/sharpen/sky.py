"""Finds the blur of an object on a dark sky, from the halo around it and its edge.

A perfect telescope shows the sky dark but for the faint wings of diffraction, and those follow from what is seen of the
object. So for a supposed blur the picture is deconvolved, the object cut out along its edge, sent through telescope and
blur again, and compared with the sky of the stack. Of the supposed blurs the one that explains the sky is taken. All
channels of one capture saw the same air: they are fitted together, D/r0 going with wavelength^(-6/5).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from nightmill import stage

from .blur import RATIO_RANGE, SHARE_RANGE, Blur
from .canvas import around_object, coarser, continued, filled, on_canvas, opened, sky_level
from .limb import Ellipse, LimbProfile, around, find_ellipse
from .optics import Optics
from .signal import Signal
from .spectral import cosine, frequencies, uncosine
from .window import Window, passed

__all__ = ["Channel", "Found", "Prior", "fit_sky"]

Float = NDArray[np.floating]
EDGE = 0.08
"""The object ends where the deconvolved picture falls to this share of its level."""
TOLERANCE = 0.0005
"""What the model cannot explain of the sky, as a share of the object's level."""
CYCLES = 4


@dataclass(frozen=True)
class Prior:
    """What is known of the blur before the sky is looked at: mean and spread of ln(D/r0) and ln(share).

    `below` is by what factor the spread is larger towards calm air: what moves frames need not be air.
    """

    ratio: float = 3.0
    ratio_spread: float = 2.0
    share: float = 0.5
    share_spread: float = 1.0
    below: float = 1.0


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
        window = around_object(np.asarray(picture - sky_level(picture), np.float32))
        above = np.ascontiguousarray(picture[window] - np.float32(sky_level(picture)), np.float32)
        self._data, finer = coarser(above, optics.cutoff)
        self.picture, self._inner = on_canvas(self._data)
        self._window, self._window_shape = window, above.shape
        self._seen = np.zeros(self.picture.shape, bool)
        self._seen[self._inner] = True
        self.noise, self.stronger = noise * finer, stronger
        self.optics = replace(optics, cutoff=optics.cutoff / finer, drop_px=optics.drop_px * finer)
        signal = replace(signal, frequency=signal.frequency / finer)
        bright = self._data[self._data > 0.3 * np.percentile(self._data, 99.5)]
        self.level = float(np.median(bright)) if bright.size else 0.0
        frequency = frequencies(self.picture.shape)
        telescope = self.optics.transfer(frequency).astype(np.float32)
        weight = signal.weight(frequency, self.optics.cutoff).astype(np.float32)
        # Beyond these nothing is seen: there is no need to work anything out.
        rows, columns = np.maximum(passed(telescope), passed(weight)).tolist()
        self._keep = (rows, columns)
        self.frequency, self._telescope, self._weight = (
            np.ascontiguousarray(one[:rows, :columns]) for one in (frequency, telescope, weight)
        )
        self._limb: LimbProfile | None = None
        self._ellipse: Ellipse | None = None
        self._weigh()
        self.outline(self.picture, 0.25)

    def refine(self, ratio: float, share: float, edge: float) -> None:
        """Take outline and what lies beyond the frame from the picture that a blur gives."""
        blur = self.blur(ratio, share)
        for _ in range(2):
            sharp = self.sharpened(blur)
            self.outline(sharp, edge)
            self.picture = continued(self._data, self._model(self._box.cut(sharp), blur), self._inner)
            self._weigh()
        self._take_limb(sharp, blur)

    def _weigh(self) -> None:
        """Take the picture's coefficients by how much of each is signal."""
        self._weighted = cosine(self.picture)[: self._keep[0], : self._keep[1]] * self._weight

    def _take_limb(self, sharp: Float, blur: Float) -> None:
        """Take the ellipse along which the object ends, if it does, and the fall of brightness across it."""
        self._limb = None
        self._ellipse = ellipse = find_ellipse(sharp, self.inside, self.optics.cutoff)
        for _ in range(2 if ellipse is not None else 0):
            assert ellipse is not None
            bright = around(sharp, ellipse)
            self._limb = LimbProfile(self.picture, self._seen, ellipse, self._telescope, self.optics.cutoff, bright)
            _, growth = self._limb.residual(blur)
            growth = 1 + float(np.clip(growth, -0.05, 0.05))
            self._ellipse = ellipse = replace(ellipse, a=ellipse.a * growth, b=ellipse.b * growth)

    def ellipse(self) -> Ellipse | None:
        """Return the ellipse along which the object ends in pixels of the picture; None when it does not."""
        one = self._ellipse
        if one is None:
            return None
        finer = [n / m for n, m in zip(self._window_shape, self._data.shape, strict=True)]
        at = [
            (place - part.start + 0.5) * k - 0.5 + (first.start or 0)
            for place, part, k, first in zip((one.row, one.column), self._inner, finer, self._window, strict=True)
        ]
        size = float(np.sqrt(finer[0] * finer[1]))
        return replace(one, row=at[0], column=at[1], a=one.a * size, b=one.b * size)

    def outline(self, sharp: Float, edge: float) -> None:
        """Take the object's outline, and the sky around it, from a sharpened picture."""
        inside = filled(opened(sharp > edge * self.level))
        self.inside = inside.astype(np.float32)
        self._box = Window.around(inside, self._keep)
        distance = scipy.ndimage.distance_transform_edt(~inside)
        radius = np.sqrt(max(inside.sum(), 1) / np.pi)
        self.sky = (distance > 0.5 / self.optics.cutoff) & (distance < max(1.2 * radius, 20)) & self._seen

    def blur(self, ratio: float, share: float) -> NDArray[np.float32]:
        """Return the transfer of the blur on `frequency`; `ratio` is the first channel's."""
        blur = Blur(ratio * self.stronger, share, self.optics.obstruction, self.optics.drop_px)
        return blur.transfer(self.frequency, self.optics.cutoff).astype(np.float32)

    def sharpened(self, blur: Float) -> Float:
        """Return the Wiener estimate for a blur."""
        return uncosine(self._estimate(blur), self.picture.shape)

    def _estimate(self, blur: Float) -> Float:
        """Return the coefficients of the Wiener estimate."""
        return self._weighted / np.maximum(blur, np.float32(1e-3))

    def residual(self, blur: Float) -> NDArray[np.float64]:
        """Return what a blur leaves unexplained of the sky: its mean square is 1 at noise plus tolerance."""
        sharp = self._box.uncosine(self._estimate(blur))
        left = (self.picture - self._model(sharp, blur))[self.sky].astype(np.float64)
        left = (left - left.mean()) / np.hypot(self.noise, TOLERANCE * self.level)
        return np.asarray(left, np.float64)

    def limb_residual(self, blur: Float) -> NDArray[np.float64]:
        """Return what a blur leaves unexplained of the fall at the limb, over tolerance; empty where there is none."""
        if self._limb is None:
            return np.zeros(0)
        return self._limb.residual(blur)[0] / self._limb.tolerance

    def _model(self, sharp: Float, blur: Float) -> Float:
        """Return what the object, cut out along its outline, looks like through telescope and air.

        `sharp` is what of the sharpened picture lies in the window of the object.
        """
        box = self._box
        inside = box.cut(self.inside)
        source = inside * sharp
        for _ in range(CYCLES):
            # Van Cittert: the light within the outline that makes what the telescope shows there.
            source = inside * (source + sharp - box.uncosine(box.cosine(source) * self._telescope))
        return uncosine(box.cosine(source) * (self._telescope * blur), self.picture.shape)


def fit_sky(
    channels: Sequence[Channel], prior: Prior, *, weight: float = 0.05, each: stage.Each = stage.in_turn
) -> Found:
    """Find the blur that explains the sky in all channels.

    Parameters
    ----------
    channels : sequence of Channel
        Channels of one capture; their outlines are refined in place.
    prior : Prior
        What frame statistics say, for the first channel.
    weight : float, optional
        Weight of the prior's squared distance against the mean misfit of the sky.
    each : function, optional
        Channels go through it.
    """

    bounds = np.log([[RATIO_RANGE[0], SHARE_RANGE[0]], [RATIO_RANGE[1], SHARE_RANGE[1]]])
    middle = np.log([prior.ratio, prior.share])
    spread = np.array([prior.ratio_spread, prior.share_spread])

    def residual(point: NDArray[np.float64], used: Sequence[Channel]) -> NDArray[np.float64]:
        ratio, share = np.exp(point)

        def of(channel: Channel) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
            blur = channel.blur(ratio, share)
            return channel.residual(blur), channel.limb_residual(blur)

        found = each(of, used)
        parts = [sky for sky, _ in found] + [limb for _, limb in found]
        scaled = [part / np.sqrt(max(part.size, 1) * len(used)) for part in parts]
        away = (point - middle) / spread
        if away[0] < 0:
            away[0] /= prior.below
        return np.concatenate([*scaled, np.sqrt(weight) * away])

    def search(start: NDArray[np.float64], used: Sequence[Channel], edge: float) -> Any:
        ratio, share = np.exp(start)
        each(lambda channel: channel.refine(ratio, share, edge), used)
        return scipy.optimize.least_squares(
            residual, start, bounds=bounds, args=(used,), diff_step=0.02, ftol=1e-3, xtol=3e-3, max_nfev=8
        )

    best = max(channels, key=lambda channel: channel.level / channel.noise)
    point = np.clip(middle, bounds[0] + 0.01, bounds[1] - 0.01)
    for edge in (0.25, 0.12, EDGE, EDGE):
        found = search(point, [best], edge)
        point = found.x
    if len(channels) > 1:
        for _ in range(2):
            found = search(point, channels, EDGE)
            point = found.x
    # A rise of the mean misfit by the weight of the prior is taken for one standard error.
    covariance = np.linalg.pinv(found.jac.T @ found.jac) * weight
    ratio, share = (float(value) for value in np.exp(point))
    ratio_error, share_error = (float(value) for value in np.sqrt(np.diag(covariance)))
    misfit = float(
        np.sqrt(np.mean([np.mean(channel.residual(channel.blur(ratio, share)) ** 2) for channel in channels]))
    )
    return Found(ratio, share, ratio_error, share_error, misfit)
