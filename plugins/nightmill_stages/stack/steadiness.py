"""How much frames of one surface differ from each other: what tells the air where there is no sky around an object.

The square of the mean transfer of short exposures over the mean of its square depends on the air alone, whatever the
scene (the spectral ratio of von der Luehe 1984, J. Opt. Soc. Am. A 1, 510, doi:10.1364/JOSAA.1.000510). Here only the
powers are collected, over windows of frames that were registered and unbent as for the stack, and of the stack itself
over the same windows; what follows from them is left to those who know the telescope.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import scipy
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import FrameTable, Stack

from ..align.correlate import taper
from ..align.mesh import field_of
from ..grade.luminance import grey
from .hot import repaired
from .phases import Layout

__all__ = ["add_stack", "grain", "steadiness"]

Float = NDArray[np.float32]

FRAMES = 400
"""Looked at, evenly by rank: by 120 the error was some 5 % of D/r0, changing air adds more."""

AT_ONCE = 8
"""Frames held in memory together."""

FAR = 1.5
"""Windows are compared with others at least so many sides away, where there are any: nearer ones share their air."""

SIDE = 128
"""Cells along a window: fine enough in frequency for the halo, small enough to see one air."""

WINDOWS = (3, 4)
"""At most so many down and across."""

MARGIN = 24
"""Camera pixels left at the border of the frame: what lies there is missing in frames that moved."""

LUMA = (0.299, 0.587, 0.114)
"""Weights of R, G, B in a grey frame (ITU-R BT.601)."""

CUBIC = -0.75
"""Parameter of the bicubic kernel by which frames are resampled (OpenCV; Keys 1981, doi:10.1109/TASSP.1981.1163711)."""


def steadiness(
    table: FrameTable,
    usable: NDArray[np.bool_],
    context: stage.Context,
    layout: Layout,
    hot: NDArray[np.int32],
    registered: float,
) -> dict[str, Any] | None:
    """Collect powers of some frames, and of their mean, by frequency.

    Parameters
    ----------
    table : FrameTable
        With shifts and meshes.
    usable : ndarray of bool, shape (rows,)
        Registered frames.
    context : Context
        Frames are read through it.
    layout : Layout
        Of whole frames.
    hot : ndarray of int32, shape (n, 2)
        Pixels of the sensor to be repaired.
    registered : float
        Share of all usable frames that these are, sharpest first.

    Returns
    -------
    dict or None
        "frequency": cycles a camera pixel; "mean": power of the frames' mean, freed from what single frames scatter;
        "square": mean power of the frames, noise included; "share": `registered`; "frames": how many were looked at;
        "common": what differs from frame to frame alike in windows far apart, as a share of the power of the mean,
        empty for a single window; "noise": behind a colour filter array, how much of "square" is noise, else empty;
        "places": windows, and "cell": camera pixels a cell. None for frames too small or too few.
    """
    cell = 2 if layout.cfa else 1
    places = _places(layout.height // cell, layout.width // cell, MARGIN // cell)
    order = np.lexsort((table["number"], np.where(usable, -table["sharpness"], np.inf)))[: int(usable.sum())]
    if not places or len(order) < 20:
        return None
    rows = np.sort(order[np.unique(np.linspace(0, len(order) - 1, min(len(order), FRAMES)).round().astype(int))])
    total: NDArray[np.complex64] | None = None
    square, alike = np.zeros(len(_rings()[1])), np.zeros(len(_rings()[1]))
    pairs = _far(places)
    products = np.zeros((len(pairs), SIDE, SIDE // 2 + 1), np.complex128)

    def of(seen: tuple[int, NDArray[Any]]) -> list[NDArray[np.complex64]]:
        planes = _planes(repaired(seen[1], hot, layout.cfa is not None), layout.cfa)
        return [_spectra(_straight(*part, table, seen[0], cell, places)) for part in planes]

    for some in np.array_split(rows, -(-len(rows) // AT_ONCE)):
        frames = [(int(row), context.read(table["number"][row : row + 1]).data[0]) for row in some]
        for each in context.each(of, frames):
            spectra = sum(each[1:], each[0]) / np.float32(len(each))
            for product, (one, other) in zip(products, pairs, strict=True):
                product += spectra[one] * np.conj(spectra[other])
            total = spectra if total is None else total + spectra
            square += _power(spectra)
            # Of two samples of the same light, what is not alike is noise.
            alike += _averaged((each[0] * np.conj(each[-1])).real.sum(axis=0, dtype=np.float64))
    assert total is not None
    count = len(rows)
    square, alike = square / count, alike / count
    mean = _power(total / np.float32(count))
    # Of the power of the mean of n frames, their scatter adds its n-th part.
    mean = (count * mean - square) / (count - 1)
    frequency = np.arange(len(square)) / SIDE / cell
    return {
        "frequency": frequency.tolist(),
        "mean": mean.tolist(),
        "square": square.tolist(),
        "common": _common(products / count, total / np.float32(count), pairs).tolist() if len(pairs) else [],
        "noise": (square - alike).tolist() if layout.cfa else [],
        "share": registered,
        "frames": count,
        "places": [list(place) for place in places],
        "cell": cell,
    }


def add_stack(facts: dict[str, Any], stack: Stack) -> dict[str, Any]:
    """Return what goes into the header: `facts` and the power of the stack over the same windows.

    "stack" is its power, freed from its noise by the half-sets; "grain" is how the power of white noise falls by
    resampling, and "passed" the transfer of resampling. All by "frequency". Empty when the stack has gaps there.
    """
    cell, places, scale = int(facts["cell"]), [tuple(place) for place in facts["places"]], int(stack.header["scale"])

    def spectra(picture: NDArray[Any]) -> NDArray[np.complex64]:
        if picture.ndim == 3:
            picture = picture[1] if cell == 2 else np.tensordot(np.array(LUMA, np.float32), picture, 1)
        finer = scale * cell
        side = round(SIDE * finer)
        corners = [(round(row * finer), round(column * finer)) for row, column in places]
        parts = [picture[row : row + side, column : column + side] for row, column in corners]
        return _spectra(np.asarray(np.stack(parts), np.float32))

    power = _power(spectra(stack.data))
    assert stack.half_a is not None and stack.half_b is not None
    # Halves differ by the noise of both: the stack's is a quarter of it.
    power -= _power(spectra(stack.half_a) - spectra(stack.half_b)) / 4
    if not np.all(np.isfinite(power)):
        return {}
    passed, grain_ = grain()
    kept = {name: facts[name] for name in ("frequency", "mean", "square", "common", "noise")}
    kept |= {"stack": power.tolist(), "passed": passed.tolist(), "grain": grain_.tolist()}
    return {
        **{name: [float(f"{value:.5g}") for value in values] for name, values in kept.items()},
        "share": round(float(facts["share"]), 4),
        "frames": int(facts["frames"]),
    }


def _far(places: list[tuple[int, int]]) -> NDArray[np.int64]:
    """Return pairs (n, 2) of windows far apart."""
    corners = np.array(places, np.float64)
    apart = np.hypot(*(corners[:, None] - corners[None]).transpose(2, 0, 1))
    return np.argwhere(np.triu(apart >= max(min(FAR * SIDE, float(apart.max())), 1.0)))


def _common(
    products: NDArray[np.complex128], mean: NDArray[np.complex64], pairs: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Return by ring how much windows far apart differ alike from their means, as a share of the power of these.

    A frame's spectrum over the mean of all is the transfer of its air over the mean air's, whatever the scene. It is
    multiplied by the power of the mean here, which may be nearly zero. `products` are means over the frames of the
    spectrum of one window times the conjugate of the other's.
    """
    one, other = (mean[pairs[:, axis]].astype(np.complex128) for axis in (0, 1))
    turned = np.conj(one) * other
    alike = _averaged((turned * (products - one * np.conj(other))).real.sum(axis=0))
    return alike / np.maximum(_averaged((np.abs(turned) ** 2).sum(axis=0)), 1e-300)


def _planes(frame: NDArray[Any], cfa: str | None) -> list[tuple[Float, tuple[float, float]]]:
    """Return a frame in cells, with the place of each plane's first sample, in cells: greens of a mosaic one by one."""
    if cfa is None:
        return [(grey(frame).astype(np.float32), (0.0, 0.0))]
    height, width = frame.shape[0] & ~1, frame.shape[1] & ~1
    sites = [divmod(site, 2) for site in range(4) if cfa[site] == "G"]
    return [
        (np.ascontiguousarray(frame[y:height:2, x:width:2], np.float32), (y / 2 - 0.25, x / 2 - 0.25)) for y, x in sites
    ]


def _places(height: int, width: int, margin: int) -> list[tuple[int, int]]:
    """Return the corners of windows over a frame, in cells: evenly, hardly overlapping; none for small frames."""
    room = height - 2 * margin - SIDE, width - 2 * margin - SIDE
    if min(room) < 0:
        return []
    counts = [min(1 + round(r / (0.75 * SIDE)), most) for r, most in zip(room, WINDOWS, strict=True)]
    rows, columns = (
        np.linspace(margin, margin + r, n).round().astype(int).tolist() if n > 1 else [margin + r // 2]
        for r, n in zip(room, counts, strict=True)
    )
    return [(row, column) for row in rows for column in columns]


def _straight(
    plane: Float,
    first: tuple[float, float],
    table: FrameTable,
    row: int,
    cell: int,
    places: list[tuple[int, int]],
) -> Float:
    """Return windows of a plane on the reference's grid of cells, through the frame's shift and mesh."""
    shift = np.array([table["dy_px"][row], table["dx_px"][row]], np.float32)
    mesh = (table["mesh"][row].astype(np.float32) + shift) / np.float32(cell) - np.array(first, np.float32)
    if mesh.shape[0] == 1:
        mesh = np.broadcast_to(mesh, (2, 2, 2))
    rows, columns = field_of(mesh, plane.shape[0], plane.shape[1])
    parts = np.empty((len(places), SIDE, SIDE), np.float32)
    for part, (y, x) in zip(parts, places, strict=True):
        # The windows are a tenth of a large frame.
        here = slice(y, y + SIDE), slice(x, x + SIDE)
        cv2.remap(plane, columns[here], rows[here], cv2.INTER_CUBIC, dst=part, borderMode=cv2.BORDER_REFLECT_101)
    return parts


def _spectra(parts: Float) -> NDArray[np.complex64]:
    """Return half spectra (windows, SIDE, SIDE // 2 + 1) per unit of mean brightness.

    Windows of a finer grid than the cells' are larger: of their spectra the lowest frequencies are kept.
    """
    side = parts.shape[1]
    window = taper((side, side), 1.0)
    window /= window.sum()
    levels = (parts * window).sum(axis=(1, 2), dtype=np.float64)
    flat = (parts - levels[:, None, None].astype(np.float32)) * window / np.float32(levels.mean())
    spectra = scipy.fft.rfft2(flat, workers=1)
    if side != SIDE:
        half = SIDE // 2
        spectra = np.concatenate([spectra[:, :half, : half + 1], spectra[:, -half:, : half + 1]], axis=1)
    return spectra.astype(np.complex64)


@lru_cache(maxsize=1)
def _rings() -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the ring of each coefficient of a window's half spectrum, and how many each ring has."""
    rows, columns = np.fft.fftfreq(SIDE)[:, None], np.fft.rfftfreq(SIDE)[None, :]
    ring = np.minimum((np.hypot(rows, columns) * SIDE).round().astype(np.int64), SIDE // 2 + 1).ravel()
    return ring, np.bincount(ring)[: SIDE // 2 + 1].astype(np.float64)


def _averaged(values: NDArray[Any]) -> NDArray[np.float64]:
    ring, members = _rings()
    return np.bincount(ring, values.ravel().astype(np.float64))[: len(members)] / members


def _power(spectra: NDArray[np.complex64]) -> NDArray[np.float64]:
    """Return the power of windows by ring, summed over the windows."""
    return _averaged((spectra.real**2 + spectra.imag**2).sum(axis=0, dtype=np.float64))


@lru_cache(maxsize=1)
def grain() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return what bicubic resampling at any fraction of a pixel does: its mean transfer, and to the power of noise.

    Returns
    -------
    passed, grain : ndarray of float64, shape (SIDE // 2 + 1,)
        By ring of a window's spectrum.
    """
    f = np.fft.fftfreq(SIDE)
    fractions, taps = (np.arange(32) + 0.5) / 32, np.arange(-1, 3)
    away = np.abs(taps[None, :] - fractions[:, None])
    near = ((CUBIC + 2) * away - (CUBIC + 3)) * away**2 + 1
    far = ((CUBIC * away - 5 * CUBIC) * away + 8 * CUBIC) * away - 4 * CUBIC
    kernel = np.where(away <= 1, near, np.where(away < 2, far, 0.0))
    phases = np.exp(2j * np.pi * (taps[None, :] - fractions[:, None])[..., None] * f)
    each = (kernel[..., None] * phases).sum(axis=1)
    half = SIDE // 2 + 1
    mean, square = each.real.mean(axis=0), (np.abs(each) ** 2).mean(axis=0)
    return _averaged(np.outer(mean, mean[:half])), _averaged(np.outer(square, square[:half]))
