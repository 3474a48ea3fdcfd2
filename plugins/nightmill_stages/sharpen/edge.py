"""A disc's edge beyond what the noise lets through: a planet ends sharply, and beyond its limb there is nothing.

Where frequencies are lost in noise the Wiener filter leaves them out, and a sharp limb without its high frequencies
overshoots: a bright rim outside, a dark one inside. What is missing there is told by the disc: darkened towards its
limb as that was measured, as bright in each direction as inside its limb there. Where the darkening is not known, that
the light comes from within the outline still says much (Papoulis 1975, doi:10.1109/TCS.1975.1084118, Gerchberg 1974,
doi:10.1080/713818946); of that one step is taken, which fills in the edge and hardly amplifies noise. Either way the
data keep their say where they have one.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .canvas import on_canvas
from .ellipse import Ellipse
from .limb import around, disc_powers
from .spectral import cosine, frequencies, uncosine

__all__ = ["edge_of"]

Float = NDArray[np.floating]
CYCLES = 4


def edge_of(
    picture: NDArray[np.float32],
    sharp: NDArray[np.float32],
    ellipse: Ellipse,
    telescope: NDArray[np.float32],
    blur: NDArray[np.float32],
    gain: NDArray[np.float32],
) -> NDArray[np.float32]:
    """Return what has to be added to a sharpened picture so that its disc ends where it ends.

    Parameters
    ----------
    picture, sharp : ndarray of float32, shape (h, w)
        Stack and sharpened stack, sky at 0.
    ellipse : Ellipse
        Outline.
    telescope, blur : ndarray of float32
        Transfer of the perfect telescope, and of the blur relative to it, on `canvas_frequencies(picture.shape)`.
    gain : ndarray of float32, shape (h, w)
        What made `sharp` of `picture`.

    Returns
    -------
    ndarray of float32, shape (h, w)
    """
    wide, inner = on_canvas(sharp)
    first = inner[0].start, inner[1].start
    placed = replace(ellipse, row=ellipse.row + first[0], column=ellipse.column + first[1])
    discs = disc_powers(placed, wide.shape)
    if ellipse.darkening:
        source = np.tensordot(np.float32(ellipse.darkening), discs, 1) * around(wide, placed)
    else:
        source = discs[0] * wide
        for _ in range(CYCLES):
            # Van Cittert: the light within the outline that makes what the telescope shows there.
            source = discs[0] * (source + wide - uncosine(cosine(source) * telescope))
    light = cosine(source) * telescope
    shown, stacked = uncosine(light)[inner], uncosine(light * blur)[inner]
    # Of what the disc shows, the data have their say already.
    return np.asarray(shown - uncosine(cosine(np.ascontiguousarray(stacked)) * gain), np.float32)


def canvas_frequencies(shape: tuple[int, int]) -> NDArray[np.float32]:
    """Return the frequencies of the canvas on which `edge_of` works for pictures of a shape."""
    return frequencies(on_canvas(np.zeros(shape, np.float32))[0].shape)
