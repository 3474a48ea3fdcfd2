"""What a supposed blur leaves unexplained of the sky around an object, and of the fall at its limb.

A perfect telescope shows the sky dark but for the faint wings of diffraction, and those follow from what is seen of the
object. So for a supposed blur the picture is deconvolved, the object cut out along its edge, sent through telescope and
blur again, and compared with the sky of the stack. Of the supposed blurs the one that explains the sky is taken
(`fit.py`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import scipy
from numpy.typing import NDArray

from nightmill_sky.optics import modulation_transfer

from .blur import Blur
from .canvas import around_object, coarser, continued, filled, on_canvas, opened, sky_level
from .ellipse import Ellipse, find_ellipse
from .limb import LimbProfile, around, lit
from .optics import Optics
from .signal import Signal
from .spectral import cosine, frequencies, uncosine
from .window import Window, passed

__all__ = ["Channel"]

Float = NDArray[np.floating]
TOLERANCE = 0.0005
"""What the model cannot explain of the sky, as a share of the object's level."""
CYCLES = 4


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

    def refine(self, blur: Float, edge: float) -> None:
        """Take outline and what lies beyond the frame from the picture that a blur gives."""
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
            ends = replace(ellipse, limb=ellipse.limb & lit(sharp, ellipse))
            self._limb = LimbProfile(self.picture, self._seen, ends, self._telescope, self.optics.cutoff, bright)
            self._limb.weigh(blur)
            _, growth = self._limb.residual(blur)
            growth = 1 + float(np.clip(growth, -0.05, 0.05))
            self._ellipse = ellipse = replace(ellipse, a=ellipse.a * growth, b=ellipse.b * growth)

    def ellipse(self, blur: Float) -> Ellipse | None:
        """Return the ellipse along which the object ends in pixels of the picture, darkened as a blur says.

        None when the object does not end along one.
        """
        one, limb = self._ellipse, self._limb
        if one is None or limb is None:
            return None
        finer = [n / m for n, m in zip(self._window_shape, self._data.shape, strict=True)]
        at = [
            (place - part.start + 0.5) * k - 0.5 + (first.start or 0)
            for place, part, k, first in zip((one.row, one.column), self._inner, finer, self._window, strict=True)
        ]
        size = float(np.sqrt(finer[0] * finer[1]))
        darkening = limb.darkening(blur)
        return replace(one, row=at[0], column=at[1], a=one.a * size, b=one.b * size, darkening=darkening)

    def outline(self, sharp: Float, edge: float) -> None:
        """Take the object's outline, and the sky around it, from a sharpened picture."""
        inside = filled(opened(sharp > edge * self.level))
        self.inside = inside.astype(np.float32)
        self._box = Window.around(inside, self._keep)
        distance = scipy.ndimage.distance_transform_edt(~inside)
        radius = np.sqrt(max(inside.sum(), 1) / np.pi)
        self.sky = (distance > 0.5 / self.optics.cutoff) & (distance < max(1.2 * radius, 20)) & self._seen

    def blur(self, blur: Blur) -> NDArray[np.float32]:
        """Return the transfer of a blur on `frequency`, relative to the telescope of `optics`.

        Where the blur has another obstruction the telescope's transfer changes too: the product of both is seen.
        """
        transfer = blur.transfer(self.frequency, self.optics.cutoff)
        if blur.obstruction != self.optics.obstruction:
            u = np.linspace(0, 1, 201)[:-1]
            other, own = (modulation_transfer(u, one) for one in (blur.obstruction, self.optics.obstruction))
            transfer *= np.interp(self.frequency / self.optics.cutoff, u, other / own)
        return transfer.astype(np.float32)

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

    @property
    def has_limb(self) -> bool:
        """Whether the object ends along an ellipse, as far as is known by now."""
        return self._limb is not None

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
