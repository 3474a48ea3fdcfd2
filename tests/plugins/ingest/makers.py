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


def chunk(name: bytes, content: bytes, *, pad: bool = True) -> bytes:
    return name + struct.pack("<I", len(content)) + content + (b"\0" if pad and len(content) % 2 else b"")


def listing(name: bytes, content: bytes) -> bytes:
    return chunk(b"LIST", name + content)


def write_avi(
    path: Path,
    payloads: list[bytes],
    *,
    width: int,
    height: int,
    bits: int,
    code: bytes = b"\0\0\0\0",
    palette: bytes = b"",
    claimed: int | None = None,
    rate: int = 50,
    segments: int = 1,
    pad: bool = True,
    between: bytes = b"",
    cut: int = 0,
) -> Path:
    """Write a RIFF AVI after Microsoft's reference; more than one segment makes an OpenDML file (RIFF AVIX)."""
    count = len(payloads) if claimed is None else claimed
    size = max((len(p) for p in payloads), default=0)
    avih = struct.pack("<14I", 1_000_000 // rate, 0, 0, 0x10, count, 0, 1, size, width, abs(height), 0, 0, 0, 0)
    strh = struct.pack("<4s4sIHHIIIIIIIIhhhh", b"vids", code, 0, 0, 0, 0, 1, rate, 0, count, size, 0, 0, 0, 0, 0, 0)
    strf = struct.pack("<IiiHH4sIiiII", 40, width, height, 1, bits, code, size, 0, 0, len(palette) // 4, 0) + palette
    header = listing(b"hdrl", chunk(b"avih", avih) + listing(b"strl", chunk(b"strh", strh) + chunk(b"strf", strf)))
    share = -(-len(payloads) // segments)
    body = b""
    for number in range(segments):
        frames = b"".join(chunk(b"00db", p, pad=pad) + between for p in payloads[number * share : (number + 1) * share])
        movi = listing(b"movi", frames)
        body += chunk(b"RIFF", (b"AVI " + header if number == 0 else b"AVIX") + movi)
    path.write_bytes(body[: len(body) - cut])
    return path


def dib_rows(frame: NDArray[np.uint8]) -> bytes:
    """Rows of one frame, bottom up, each padded to four bytes; colours as blue, green, red."""
    if frame.ndim == 3:
        frame = frame[..., ::-1].reshape(len(frame), -1)
    padded = np.zeros((frame.shape[0], -(-frame.shape[1] // 4) * 4), np.uint8)
    padded[:, : frame.shape[1]] = frame
    return padded[::-1].tobytes()
