"""Reader for JPL planetary kernels (SPK files), so that a user may name a better ephemeris than the built-in one.

Reads what the planetary kernels of JPL contain (DE405 to DE441): segments of type 2 and 3, Chebyshev polynomials, in
a DAF container of either byte order. Only the file that the user names is opened, read-only.

Source
------
NAIF, "DAF Required Reading" and "SPK Required Reading" (the open description of both layers).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = ["Kernel", "KernelError", "open_kernel"]

_RECORD = 1024
_DAY_S = 86_400.0
_FRAME_J2000 = 1


class KernelError(ValueError):
    """The file is no kernel that can be used, or does not cover what was asked."""


@dataclass(frozen=True)
class _Segment:
    start_s: float
    end_s: float
    target: int
    center: int
    kind: int
    first: int
    last: int


class Kernel:
    """Positions and velocities from an SPK file.

    Parameters
    ----------
    path : Path
        The kernel, for example ``de440s.bsp``.

    Raises
    ------
    KernelError
        The file cannot be read or is no SPK file.
    """

    def __init__(self, path: Path) -> None:
        self.path = Path(path)
        try:
            with self.path.open("rb") as file:
                head = file.read(_RECORD)
        except OSError as error:
            raise KernelError(
                f"the kernel {self.path} cannot be read: {error.strerror or error}. Give the path of an SPK file "
                "such as de440s.bsp; nothing is downloaded."
            ) from error
        if len(head) < _RECORD or head[:7] not in (b"DAF/SPK", b"NAIF/DA"):
            raise KernelError(f"{self.path} is not a JPL kernel: an SPK file (.bsp) begins with 'DAF/SPK'.")
        order = "<" if head[88:96] != b"BIG-IEEE" else ">"
        doubles, integers = struct.unpack(order + "ii", head[8:16])
        if (doubles, integers) != (2, 6):
            raise KernelError(f"{self.path} is a damaged kernel: its summaries have an unknown form.")
        (forward,) = struct.unpack(order + "i", head[76:80])
        words = self.path.stat().st_size // 8
        self._words = np.memmap(self.path, dtype=order + "f8", mode="r", shape=(words,))
        self._segments = tuple(self._read_summaries(order, forward))

    def _read_summaries(self, order: str, record: int) -> Iterator[_Segment]:
        seen: set[int] = set()
        while record:
            start = (record - 1) * _RECORD // 8
            if record in seen or start < 0 or start + _RECORD // 8 > len(self._words):
                raise KernelError(f"{self.path} is a damaged kernel: its list of segments runs out of the file.")
            seen.add(record)
            block = self._words[start : start + _RECORD // 8].tobytes()
            following, _, count = struct.unpack(order + "3d", block[:24])
            for i in range(min(int(count), 25)):
                fields = struct.unpack(order + "2d6i", block[24 + 40 * i : 64 + 40 * i])
                start_s, end_s, target, center, frame, kind, first, last = fields
                usable = frame == _FRAME_J2000 and kind in (2, 3)
                if usable and 0 < first < last <= len(self._words):
                    yield _Segment(start_s, end_s, target, center, kind, first, last)
            record = int(following)

    def has(self, target: int) -> bool:
        """Whether the kernel holds the body with that NAIF number."""
        return any(s.target == target for s in self._segments)

    def barycentric(
        self, target: int, jd1: NDArray[np.float64], jd2: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Position and velocity relative to the barycentre of the solar system.

        Parameters
        ----------
        target : int
            NAIF number, for example 499 for Mars.
        jd1, jd2 : ndarray of float64, shape (n,)
            Two-part TDB Julian date.

        Returns
        -------
        position, velocity : ndarray of float64, shape (n, 3)
            km and km/s, ICRF axes.

        Raises
        ------
        KernelError
            The kernel lacks the body or the date.
        """
        seconds = ((jd1 - 2_451_545.0) + jd2) * _DAY_S
        position = np.zeros((len(seconds), 3))
        velocity = np.zeros_like(position)
        centre = target
        while centre != 0:
            candidates = [s for s in self._segments if s.target == centre]
            if not candidates:
                raise KernelError(f"{self.path.name} has no segment for body {centre}; use a planetary kernel.")
            done = np.zeros(len(seconds), dtype=bool)
            parent = candidates[-1].center
            # Later segments take precedence over earlier ones.
            for segment in reversed([s for s in candidates if s.center == parent]):
                use = ~done & (seconds >= segment.start_s) & (seconds <= segment.end_s)
                if use.any():
                    p, v = self._evaluate(segment, seconds[use])
                    position[use] += p
                    velocity[use] += v
                    done |= use
            if not done.all():
                raise KernelError(
                    f"{self.path.name} does not cover the date: it holds body {centre} from "
                    f"{2000 + candidates[0].start_s / 31_557_600:.0f} to "
                    f"{2000 + candidates[-1].end_s / 31_557_600:.0f}."
                )
            centre = parent
        return position, velocity

    def _evaluate(
        self, segment: _Segment, seconds: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        init, length, size, count = (float(x) for x in self._words[segment.last - 4 : segment.last])
        if not all(np.isfinite((init, length, size, count))) or not (length > 0.0 and 5 <= size < 1e6 and count < 1e9):
            raise KernelError(f"{self.path} is a damaged kernel: a segment's directory makes no sense.")
        size_i, count_i = int(size), int(count)
        if size_i < 5 or count_i < 1 or segment.first - 1 + size_i * count_i > segment.last - 4:
            raise KernelError(f"{self.path} is a damaged kernel: a segment's directory does not fit its size.")
        data = self._words[segment.first - 1 : segment.first - 1 + size_i * count_i].reshape(count_i, size_i)
        row = np.clip(((seconds - init) // length).astype(np.int64), 0, count_i - 1)
        records = np.asarray(data[row], dtype=np.float64)
        radius = records[:, 1]
        x = (seconds - records[:, 0]) / radius
        groups = 3 if segment.kind == 2 else 6
        coefficients = records[:, 2:].reshape(len(row), groups, -1)
        degree = coefficients.shape[2]
        base, slope = np.zeros((degree, len(x))), np.zeros((degree, len(x)))
        base[0] = 1.0
        if degree > 1:
            base[1], slope[1] = x, 1.0
        for k in range(2, degree):
            base[k] = 2.0 * x * base[k - 1] - base[k - 2]
            slope[k] = 2.0 * base[k - 1] + 2.0 * x * slope[k - 1] - slope[k - 2]
        position = np.einsum("ngk,kn->ng", coefficients[:, :3], base)
        if groups == 6:
            velocity = np.einsum("ngk,kn->ng", coefficients[:, 3:], base)
        else:
            velocity = np.einsum("ngk,kn->ng", coefficients, slope) / radius[:, None]
        return position, velocity


@lru_cache(maxsize=4)
def open_kernel(path: Path) -> Kernel:
    """Open a kernel once and keep it open (it is mapped, not read)."""
    return Kernel(path)
