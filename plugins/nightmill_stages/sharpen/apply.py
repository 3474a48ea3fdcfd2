"""Sharpening of one channel, by each method: pure functions on arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .blur import Blur
from .edge import canvas_frequencies, edge_of
from .ellipse import Ellipse
from .lucy import richardson_lucy
from .optics import Optics
from .signal import Signal
from .spectral import apply_transfer, cosine, frequencies, uncosine
from .wavelet import decompose, layer_transfer, most_layers, recompose, shrink
from .wiener import wiener_gain

__all__ = ["Sharpened", "layer_gains", "sharpen_lucy", "sharpen_wavelet", "sharpen_wiener"]

Float = NDArray[np.floating]


@dataclass(frozen=True)
class Sharpened:
    """A sharpened channel.

    Attributes
    ----------
    picture : ndarray of float32, shape (h, w)
        The result.
    gain : ndarray of shape (h, w) or None
        Linear gain on `frequencies`, for methods that have one.
    noise_gain : float
        Standard deviation of the noise after over before.
    iterations : int
        For iterating methods; 0 otherwise.
    added : ndarray of float32, shape (h, w), or None
        Of the picture, what does not come from the gain: the edge of a disc.
    """

    picture: NDArray[np.float32]
    gain: Float | None
    noise_gain: float
    iterations: int = 0
    added: NDArray[np.float32] | None = None


def _noise_gain(gain: Float, signal: Signal) -> float:
    """Return by what factor a linear gain changes the standard deviation of the stack's own noise."""
    noise = np.interp(frequencies(gain.shape), signal.frequency, signal.noise)
    total = float(np.sum(noise))
    return float(np.sqrt(np.sum(noise * np.asarray(gain, np.float64) ** 2) / total)) if total > 0 else 0.0


def sharpen_wiener(
    picture: Float,
    blur: Blur,
    optics: Optics,
    signal: Signal,
    strength: float,
    ellipse: Ellipse | None = None,
    background: float = 0.0,
) -> Sharpened:
    """Sharpen by the Wiener filter; a disc above `background` that ends along `ellipse` gets its edge back."""
    gain = wiener_gain(
        frequencies(picture.shape), lambda f: blur.transfer(f, optics.cutoff), signal, optics.cutoff, strength=strength
    ).astype(np.float32)
    sharp = apply_transfer(np.asarray(picture, np.float32), gain)
    if ellipse is None:
        return Sharpened(sharp, gain, _noise_gain(gain, signal))
    f, level = canvas_frequencies(picture.shape), np.float32(background)
    telescope = optics.transfer(f).astype(np.float32)
    transfer = (blur.transfer(np.minimum(f, optics.cutoff), optics.cutoff) ** strength).astype(np.float32)
    edge = edge_of(picture - level, sharp - level, ellipse, telescope, transfer, gain)
    return Sharpened(sharp + edge, gain, _noise_gain(gain, signal), added=edge)


def sharpen_lucy(
    picture: Float,
    noise: Float | float,
    blur: Blur,
    optics: Optics,
    signal: Signal,
    strength: float,
    background: float,
    iterations: int | None,
) -> Sharpened:
    """Sharpen by Richardson-Lucy above `background`, within the band where there is signal."""
    f = frequencies(picture.shape)
    transfer = (blur.transfer(np.minimum(f, optics.cutoff), optics.cutoff) ** strength).astype(np.float32)
    above = np.asarray(picture - background, np.float32)
    limit = np.broadcast_to(np.asarray(noise, np.float32), above.shape)
    done = richardson_lucy(above, transfer, noise=limit if iterations is None else None, iterations=iterations or 60)
    band = signal.weight(f, optics.cutoff)
    # Where there is no signal the iteration has made some: only what the optics and the noise allow is kept.
    kept = np.sqrt(np.clip(band, 0, 1)).astype(np.float32)
    sharp = uncosine(cosine(done.picture) * kept) + np.float32(background)
    passed = (kept / np.maximum(transfer, 0.05)).astype(np.float32)
    return Sharpened(sharp, None, _noise_gain(passed, signal), done.iterations)


def layer_gains(layers: int, blur: Blur, optics: Optics, signal: Signal, strength: float) -> list[float]:
    """Return gains of wavelet layers that come closest to the Wiener filter.

    Least squares over the spectrum of the picture: of the layers' transfers along an axis, summed with their gains,
    against the Wiener gain.
    """
    f = np.linspace(0, 0.5, 251)
    wanted = wiener_gain(f, lambda q: blur.transfer(q, optics.cutoff), signal, optics.cutoff, strength=strength)
    basis = np.stack([layer_transfer(f, level) for level in range(layers)], axis=1)
    rest = 1 - basis.sum(axis=1)
    power = np.sqrt(np.maximum(np.interp(f, signal.frequency, signal.power), 1e-300) * np.maximum(f, 0.002))
    gains, *_ = np.linalg.lstsq(basis * power[:, None], (wanted - rest) * power, rcond=None)
    return [float(value) for value in np.clip(gains, 0, 50)]


def sharpen_wavelet(
    picture: Float, noise: Float | float, gains: Sequence[float], halves: tuple[Float, Float] | None, threshold: float
) -> Sharpened:
    """Sharpen by wavelet layers, each freed from noise and multiplied by its gain.

    Parameters
    ----------
    picture : ndarray of float32, shape (h, w)
        Finite.
    noise : ndarray of shape (h, w), or float
        Standard deviation of a pixel.
    gains : sequence of float
        Gain of each layer, finest first.
    halves : tuple of ndarray, or None
        The half-sets: tell how much of the noise each layer holds; white noise is assumed without them.
    threshold : float
        In standard deviations, see `wavelet.shrink`; 0 keeps all.
    """
    from .wavelet import white_noise_factors

    layers = min(len(gains), most_layers(picture.shape))
    picture = np.asarray(picture, np.float32)
    details, rest = decompose(picture, layers)
    level = float(np.sqrt(np.mean(np.square(noise, dtype=np.float64))))
    factors = white_noise_factors(layers)
    if halves is not None and level > 0:
        difference, _ = decompose(((halves[0] - halves[1]) / 2).astype(np.float32), layers)
        factors = difference.std(axis=(1, 2), dtype=np.float64) / level
    if threshold > 0:
        details = np.stack([shrink(d, k * np.asarray(noise), threshold) for d, k in zip(details, factors, strict=True)])
    sharp = recompose(details, rest, list(gains)[:layers])
    spent = float(np.sqrt(np.sum((np.asarray(list(gains)[:layers]) * factors) ** 2)))
    return Sharpened(sharp, None, spent)
