"""Writers of recordings for the tests, straight from the format descriptions and independent of the readers."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

TICKS_1970 = 621_355_968_000_000_000


def ticks(posix: float) -> int:
    return TICKS_1970 + round(posix * 1e7)


def scene(n: int, height: int, width: int, *, top: int, seed: int = 1, planes: int = 1) -> NDArray[np.uint16]:
    """A bright disc on a noisy sky, integers 0..top."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:height, :width]
    disc = np.clip(height / 3 - np.hypot(y - height / 2, x - width / 2), 0, 4) / 4
    shape = (n, height, width) if planes == 1 else (n, height, width, planes)
    tint = np.ones(planes) if planes > 1 else 1.0
    base = disc if planes == 1 else disc[..., None] * tint * np.linspace(0.5, 1, planes)
    values = top * (0.02 + 0.7 * base) + rng.normal(0, 0.01 * top, shape)
    return np.clip(np.rint(values), 0, top).astype(np.uint16)


def write_ser(
    path: Path,
    frames: NDArray[Any],
    *,
    colour: int = 0,
    bits: int = 8,
    big_endian: bool = False,
    flag: int = 0,
    claimed: int | None = None,
    utc: float | None = 1_768_255_800.0,
    local: float | None = None,
    times: NDArray[np.float64] | None = None,
    cut: int = 0,
) -> Path:
    """Write SER version 3 (178-byte header as of the public format description); `cut` bytes are taken off the end."""
    height, width = frames.shape[1:3]
    header = struct.pack(
        "<14s7i40s40s40s2q",
        b"FREE-TEXT-HERE",
        0,
        colour,
        flag,
        width,
        height,
        bits,
        len(frames) if claimed is None else claimed,
        b"observer",
        b"Invented Cam 12",
        b"telescope",
        ticks(local) if local is not None else 0,
        ticks(utc) if utc is not None else 0,
    )
    assert len(header) == 178
    dtype = "u1" if bits <= 8 else (">u2" if big_endian else "<u2")
    body = header + np.ascontiguousarray(frames.astype(dtype)).tobytes()
    if times is not None:
        body += np.array([ticks(t) for t in times], "<i8").tobytes()
    path.write_bytes(body[: len(body) - cut])
    return path
