"""What others reach on the same frames: two floors, and two ceilings that know what nobody knows."""

from __future__ import annotations

import cv2
import numpy as np
import scipy
from measures import match, shifted
from numpy.typing import NDArray
from recorded import Recorded

__all__ = ["best_gain", "ceiling", "mean_of_all", "plain_script"]

Float = NDArray[np.floating]


def mean_of_all(frames: Recorded) -> Float:
    """Floor: nothing but the mean."""
    total = np.zeros(frames.planes(0).shape)
    for index in range(len(frames.digits)):
        total += frames.planes(index)
    return total / len(frames.digits)


def plain_script(frames: Recorded, *, repaired: bool = False) -> Float:
    """Floor: Laplacian grade, best 20 %, phase correlation to the best frame, mean, unsharp mask.

    Repaired, a 3x3 median before the grade takes impulses out, and the correlation is plain.
    """

    def luminance(index: int) -> NDArray[np.float32]:
        plane = frames.planes(index).mean(axis=0)
        return cv2.GaussianBlur(cv2.medianBlur(plane, 3) if repaired else plane, (0, 0), 1)

    grade = [float(cv2.Laplacian(luminance(i), cv2.CV_32F).var()) for i in range(len(frames.digits))]
    best = np.argsort(grade)[::-1][: max(len(grade) // 5, 1)]
    reference = luminance(int(best[0]))
    window = cv2.createHanningWindow(reference.shape[::-1], cv2.CV_32F)
    total = np.zeros_like(frames.planes(0), np.float64)
    for index in best:
        if repaired:
            dy, dx = _plain_shift(luminance(int(index)), reference)
        else:
            (dx, dy), _ = cv2.phaseCorrelate(reference, luminance(int(index)), window)
        total += [shifted(plane, dy, dx) for plane in frames.planes(int(index))]
    stack = total / len(best)
    return stack + 1.5 * (stack - np.stack([cv2.GaussianBlur(plane, (0, 0), 2.0) for plane in stack]))


def _plain_shift(frame: Float, reference: Float) -> tuple[float, float]:
    """Return the shift of a frame by plain correlation with a parabola at its top."""
    one, two = (scipy.fft.rfft2(p - p.mean()) for p in (frame, reference))
    surface = scipy.fft.irfft2(one * two.conj(), s=frame.shape)
    top = np.unravel_index(int(surface.argmax()), surface.shape)
    place = []
    for axis in (0, 1):
        line, k = np.take(surface, int(top[1 - axis]), axis=1 - axis), int(top[axis])
        a, b, c = line[k - 1], line[k], line[(k + 1) % line.size]
        place.append((k + 0.5 * (a - c) / (a - 2 * b + c) + line.size / 2) % line.size - line.size / 2)
    return float(place[0]), float(place[1])


def ceiling(frames: Recorded, *, share: float = 0.2, unbend: bool = True) -> Float:
    """Ceiling: true shifts (and bending) and quality, best 20 %, in each ring the gain that fits the truth best."""
    best = np.argsort(frames.quality)[::-1][: max(int(len(frames.digits) * share), 1)]
    total = np.zeros_like(frames.planes(0), np.float64)
    for index in best:
        way = frames.bending(int(index)) if unbend and frames.bending is not None else None
        for c, plane in enumerate(frames.planes(int(index))):
            if way is not None:
                plane = _unbent(plane, way)
            total[c] += shifted(plane, *(frames.shift_px[index] + frames.channel_shift_px[c]))
    return np.stack([best_gain(one, t, f) for one, t, f in zip(total, frames.picture, frames.cutoff, strict=True)])


def _unbent(plane: NDArray[np.float32], way: Float) -> NDArray[np.float32]:
    """Take a local displacement back: frame(y) = still(y - way(y))."""
    y, x = np.mgrid[: plane.shape[0], : plane.shape[1]].astype(np.float32)
    back = way.astype(np.float32)
    for _ in range(2):
        back = np.stack([cv2.remap(w.astype(np.float32), x + back[1], y + back[0], cv2.INTER_LINEAR) for w in way])
    return cv2.remap(plane, x + back[1], y + back[0], cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT_101)


def best_gain(picture: Float, truth: Float, cutoff: float) -> Float:
    """Return the picture with the gain in each ring of frequency that brings it closest to the truth."""
    matched, _ = match(picture, truth)
    one, two = (scipy.fft.dctn(p - np.mean(truth), norm="ortho") for p in (matched, truth))
    f = np.hypot(*np.meshgrid(*[np.arange(n) / (2 * n) for n in truth.shape], indexing="ij"))
    count = int(cutoff * max(truth.shape))
    ring = np.minimum((f / cutoff * count).astype(int), count).ravel()
    cross = np.bincount(ring, (one * two).ravel(), count + 1)
    gain = cross / np.maximum(np.bincount(ring, (one * one).ravel(), count + 1), 1e-300)
    gain[count] = 0
    return scipy.fft.idctn(one * gain[ring].reshape(truth.shape), norm="ortho") + np.mean(truth)
