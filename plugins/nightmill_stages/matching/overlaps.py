"""Finds which panels overlap, and how they lie: on coarse copies, every pair, without any hint.

Two ways propose a placing, the correlation of the overlapping parts judges it. Cross-correlation with masks finds the
shift (Padfield 2012, IEEE Trans. Image Process. 21, 2706, doi:10.1109/TIP.2011.2181402: each shift is normalised by
what overlaps at it); features find a turn as well (SIFT: Lowe 2004, Int. J. Comput. Vis. 60, 91; random sampling
against false ones: Fischler & Bolles 1981, Commun. ACM 24, 381), both of OpenCV. They are refined by maximising the
correlation (Evangelidis & Psarakis 2008, IEEE Trans. PAMI 30, 1858, doi:10.1109/TPAMI.2008.113; OpenCV).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from .panels import Panel

__all__ = ["Link", "agreement", "find_links"]

Float = NDArray[np.float32]
Matrix = NDArray[np.float64]

LEAST_SHARE = 0.03
"""Overlaps below this share of the smaller panel are not looked for."""

MOST_ZOOM = 0.04
"""Panels of one telescope differ in scale by less: a Moon that comes nearer makes 1.5 % in a night."""

LEAST_AGREEMENT = 0.4
LEAST_STRENGTH = 5.0
"""What counts as found: the correlation itself, and in standard deviations of what chance gives."""

CELL = 40.0
"""Coarse pixels for each independent value of the band-passed copies (measured on noise: about 6 by 6)."""


@dataclass(frozen=True)
class Link:
    """Two panels that overlap.

    Attributes
    ----------
    first, second : int
        Indices of the panels, first < second.
    matrix : ndarray of float64, shape (3, 3)
        From pixels of the second panel to pixels of the first.
    agreement : float
        Correlation on the overlap, coarse, 0 to 1.
    share : float
        Overlap as a share of the smaller panel.
    """

    first: int
    second: int
    matrix: Matrix
    agreement: float
    share: float


@dataclass(frozen=True)
class _Sight:
    """A panel's coarse copy, ready for correlation with any other."""

    panel: Panel
    detail: Any
    square: Any
    mask: Any
    points: NDArray[np.float32]
    words: NDArray[np.float32] | None


def find_links(panels: Sequence[Panel]) -> list[Link]:
    """Look for an overlap in every pair of panels.

    Returns
    -------
    list of Link
        In order of the indices. A link may still be wrong; `solve` finds that out where links form loops.
    """
    if len(panels) < 2:
        return []
    shape = _padded([panel.detail.shape for panel in panels])
    sights = [_look(panel, shape) for panel in panels]
    links = []
    for i, first in enumerate(sights):
        for j in range(i + 1, len(sights)):
            link = _link(i, j, first, sights[j], shape)
            if link is not None:
                links.append(link)
    return links


def agreement(first: Panel, second: Panel, matrix: Matrix) -> tuple[float, float]:
    """Correlation of two panels' detail, and the overlap in coarse pixels, when the second is laid on the first.

    Parameters
    ----------
    matrix : ndarray of float64, shape (3, 3)
        From coarse pixels of the second to coarse pixels of the first.
    """
    height, width = first.detail.shape
    moved = cv2.warpPerspective(second.detail, matrix, (width, height), flags=cv2.INTER_LINEAR)
    there = cv2.warpPerspective(second.valid.astype(np.float32), matrix, (width, height), flags=cv2.INTER_LINEAR)
    both = first.valid & (there > 0.99)
    a, b = first.detail[both].astype(np.float64), moved[both].astype(np.float64)
    norm = float(np.sqrt((a * a).sum() * (b * b).sum()))
    return (float((a * b).sum()) / norm if norm > 0 else 0.0), float(both.sum())


def _padded(shapes: Sequence[tuple[int, ...]]) -> tuple[int, int]:
    rows, columns = (2 * max(shape[axis] for shape in shapes) for axis in (0, 1))
    return cv2.getOptimalDFTSize(rows), 2 * cv2.getOptimalDFTSize((columns + 1) // 2)


def _look(panel: Panel, shape: tuple[int, int]) -> _Sight:
    from scipy import fft

    def spectrum(plane: Float) -> Any:
        return fft.rfft2(plane.astype(np.float32), shape, workers=1)

    mask = panel.valid.astype(np.float32)
    grey = np.clip(128 + 48 * panel.detail, 0, 255).astype(np.uint8)
    points, words = cv2.SIFT_create(nfeatures=600).detectAndCompute(grey, panel.valid.astype(np.uint8))
    places = np.array([point.pt for point in points], np.float32).reshape(-1, 2)
    return _Sight(panel, spectrum(panel.detail), spectrum(panel.detail**2), spectrum(mask), places, words)


def _link(i: int, j: int, first: _Sight, second: _Sight, shape: tuple[int, int]) -> Link | None:
    best: tuple[float, float, float, Matrix] | None = None
    area = float(min(first.panel.valid.sum(), second.panel.valid.sum()))
    for proposal in (_shift(first, second, shape, LEAST_SHARE * area), _features(first, second)):
        if proposal is None:
            continue
        for matrix in (proposal, _refined(first.panel, second.panel, proposal)):
            score, pixels = agreement(first.panel, second.panel, matrix)
            strength = score * np.sqrt(pixels / CELL)
            if pixels >= LEAST_SHARE * area and (best is None or strength > best[0]):
                best = (strength, score, pixels / area, matrix)
    if best is None or best[0] < LEAST_STRENGTH or best[1] < LEAST_AGREEMENT:
        return None
    matrix = first.panel.whole @ best[3] @ np.linalg.inv(second.panel.whole)
    return Link(i, j, matrix, best[1], best[2])


def _shift(first: _Sight, second: _Sight, shape: tuple[int, int], least: float) -> Matrix | None:
    """The shift of the best masked correlation, weighed by the root of the overlap."""
    from scipy import fft

    def correlate(a: Any, b: Any) -> NDArray[np.float32]:
        return np.asarray(fft.irfft2(a * np.conj(b), shape, workers=1), np.float32)

    count = correlate(first.mask, second.mask)
    power = correlate(first.square, second.mask) * correlate(first.mask, second.square)
    enough = count > max(least, 64.0)
    if not enough.any():
        return None
    value = correlate(first.detail, second.detail)
    floor = np.float32(1e-3) * power.max()
    score = np.where(enough, value / np.sqrt(np.maximum(power, floor)) * np.sqrt(np.maximum(count, 0)), -np.inf)
    row, column = np.unravel_index(int(np.argmax(score)), score.shape)
    dy, dx = (int(p) - n if p > n // 2 else int(p) for p, n in zip((row, column), shape, strict=True))
    return np.array([[1.0, 0, dx], [0, 1.0, dy], [0, 0, 1.0]])


def _features(first: _Sight, second: _Sight) -> Matrix | None:
    """Shift, turn and scale on which most features agree."""
    if first.words is None or second.words is None or min(len(first.words), len(second.words)) < 8:
        return None
    pairs = cv2.BFMatcher(cv2.NORM_L2).knnMatch(second.words, first.words, k=2)
    good = [one[0] for one in pairs if len(one) == 2 and one[0].distance < 0.8 * one[1].distance]
    if len(good) < 6:
        return None
    source = second.points[[one.queryIdx for one in good]]
    target = first.points[[one.trainIdx for one in good]]
    found, inliers = cv2.estimateAffinePartial2D(source, target, ransacReprojThreshold=2.5, maxIters=2000)
    if found is None or inliers.sum() < 6:
        return None
    size = float(np.hypot(found[0, 0], found[0, 1]))
    if abs(size - 1) > MOST_ZOOM:
        return None
    return np.vstack([found, [0, 0, 1.0]])


def _refined(first: Panel, second: Panel, matrix: Matrix) -> Matrix:
    """Turn and shift that maximise the correlation near a proposal; the proposal itself where that finds none."""
    start = np.linalg.inv(matrix)[:2].astype(np.float32)
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 40, 1e-4)
    try:
        _, found = cv2.findTransformECC(
            first.detail, second.detail, start, cv2.MOTION_EUCLIDEAN, criteria, second.valid.astype(np.uint8), 3
        )
        return np.linalg.inv(np.vstack([found.astype(np.float64), [0, 0, 1.0]]))
    except (cv2.error, np.linalg.LinAlgError):
        return matrix  # it did not converge
