"""A camera with known faults, and a stand-in for the engine that drives fold stages over frames in memory."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import Capture, Frames, FrameTable, Stack
from nightmill.stage import Context, Fold


@dataclass(frozen=True)
class Camera:
    """A sensor whose faults are known; everything in ADU of 12 bits.

    Vignetting, a dust shadow and 1 % of pixel-to-pixel spread in `sensitivity`; offset, dark current and hot pixels in
    `dark`.
    """

    height: int = 60
    width: int = 80
    read_noise: float = 3.0
    electrons_per_adu: float = 4.0
    full_scale: float = 4095.0
    seed: int = 5

    @property
    def hot(self) -> NDArray[np.int64]:
        """Rows and columns of hot pixels, shape (12, 2), two of them neighbours and two at the rim."""
        rng = np.random.default_rng(self.seed)
        inner = np.stack([rng.integers(3, self.height - 3, 8), rng.integers(3, self.width - 3, 8)], axis=1)
        rim = [[0, 0], [self.height - 1, 17], [20, 30], [20, 31]]
        return np.concatenate([inner, rim])

    @property
    def dark(self) -> NDArray[np.float64]:
        rng = np.random.default_rng(self.seed + 1)
        dark = 60.0 + 4.0 * np.linspace(0, 1, self.width) + rng.normal(0, 1.0, (self.height, self.width))
        dark[self.hot[:, 0], self.hot[:, 1]] += rng.uniform(300, 2500, len(self.hot))
        return dark

    @property
    def sensitivity(self) -> NDArray[np.float64]:
        rng = np.random.default_rng(self.seed + 2)
        y, x = np.mgrid[: self.height, : self.width]
        off = np.hypot(y - self.height / 2, x - self.width / 2) / self.width
        shadow = 0.2 * np.exp(-((y - 15) ** 2 + (x - 60) ** 2) / 30.0)
        spread = rng.normal(1, 0.01, (self.height, self.width))
        flat = (1 - 0.6 * off**2) * (1 - shadow) * spread
        return flat / flat.mean()

    def expose(self, light: Any, n: int, seed: int, dtype: str = "uint16") -> NDArray[Any]:
        """n frames of `light` (ADU, scalar, (h, w) or (n, 1, 1)) with photon and read noise, rounded and limited."""
        rng = np.random.default_rng(seed)
        mean = np.broadcast_to(light * self.sensitivity, (n, self.height, self.width))
        photons = rng.poisson(np.maximum(mean, 0) * self.electrons_per_adu) / self.electrons_per_adu
        values = self.dark + photons + rng.normal(0, self.read_noise, photons.shape)
        return np.clip(np.rint(values), 0, self.full_scale).astype(dtype)


def capture_of(data: NDArray[Any], **changes: Any) -> Capture:
    known = {
        "path": "memory.ser",
        "file": "memory.ser",
        "source": "memory",
        "frames": len(data),
        "height": data.shape[1],
        "width": data.shape[2],
        "planes": 3 if data.ndim == 4 else 1,
        "dtype": data.dtype.name,
        "full_scale": 4095.0,
    }
    return Capture(**{**known, **changes})


def frames_of(data: NDArray[Any], capture: Capture, start: int = 0) -> Frames:
    numbers = np.arange(start, start + len(data))
    return Frames(data, numbers, np.full(len(data), np.nan), capture.full_scale, capture.cfa)


def run_fold(stage: Fold, data: NDArray[Any], capture: Capture, aids: dict[str, Stack] | None = None, chunk: int = 7):
    """Run a fold as the engine does: prepare, fold in ranges of chunks, join in order, finish."""
    data = data.copy()
    data.flags.writeable = False
    table = FrameTable({"number": np.arange(len(data)), "utc": np.full(len(data), np.nan)})

    def read(numbers: NDArray[np.int64]) -> Frames:
        return Frames(data[numbers], numbers, np.full(len(numbers), np.nan), capture.full_scale, capture.cfa)

    context = Context(captures=(capture,), aids=aids or {}, reader=read)
    context.state = stage.prepare(table, context)
    context.reader = None
    assert stage.select(table, context).all()

    def ranges() -> Iterator[dict[str, Any]]:
        half = len(data) // 2 or 1
        for first, last in ((0, half), (half, len(data))):
            partial = None
            for at in range(first, last, chunk):
                to = min(at + chunk, last)
                partial = stage.fold(partial, frames_of(data[at:to], capture, at), table.take(slice(at, to)), context)
            if partial is not None:
                yield partial

    parts = list(ranges())
    joined = parts[0] if len(parts) == 1 else stage.join(*parts)
    return stage.finish(joined, table, context), context
