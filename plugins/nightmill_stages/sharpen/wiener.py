"""Wiener filter: undo a known blur as far as signal stands above noise, and no further than the perfect telescope."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from .signal import Signal

__all__ = ["wiener_gain"]

Float = NDArray[np.floating]


def wiener_gain(
    frequency: Float, blur: Callable[[Float], Float], signal: Signal, cutoff: float, *, strength: float = 1.0
) -> NDArray[np.float64]:
    """Return the gain that turns a stack into the likeliest picture of the perfect telescope.

    Parameters
    ----------
    frequency : ndarray
        Cycles a pixel.
    blur : function
        Transfer h of the stack relative to the perfect telescope, as a function of frequency.
    signal : Signal
        Signal and noise of the stack.
    cutoff : float
        Cut-off of the telescope, cycles a pixel; the gain is 0 from there on.
    strength : float, optional
        1 undoes the blur, 0 leaves it (noise beyond the cut-off still goes), above 1 exaggerates.

    Returns
    -------
    ndarray of float64, shape of `frequency`
        h S / (h^2 S + N) with h^2 S = power - noise, that is weight / h. Never more than 1 / h.

    References
    ----------
    Wiener 1949, Extrapolation, Interpolation, and Smoothing of Stationary Time Series; for pictures Helstrom 1967,
    J. Opt. Soc. Am. 57, 297, doi:10.1364/JOSA.57.000297.
    """
    inside = np.minimum(frequency, cutoff)
    passed = np.maximum(np.asarray(blur(inside), np.float64), 1e-3) ** strength
    return signal.weight(frequency, cutoff) / passed
