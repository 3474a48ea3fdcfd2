"""The container of AVI: stream headers, and where the frames of raw video lie.

After Microsoft's "AVI RIFF File Reference" and the "OpenDML AVI File Format Extensions" (1.02, 1996). The frames are
found by walking the chunks themselves, not by an index: recordings that were broken off have none, and chunks of raw
video are so regular that a few probes prove thousands of them. Knows nothing of pixels.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Any, BinaryIO

from nightmill.errors import CaptureError

from .base import read_exactly

__all__ = ["Found", "VideoStream", "find_frames", "parse_stream"]

MAX_HEADER = 2**20
MAX_ODD_CHUNKS = 100_000
"""Chunks other than frames, and irregular frames, before a file counts as damaged."""


@dataclass(frozen=True)
class VideoStream:
    """The first video stream, as its headers claim.

    Attributes
    ----------
    width, height : int
        Pixels; a negative height means rows from the top down.
    bits : int
        Bits a pixel.
    compression : bytes
        Four-character code; four zero bytes for plain RGB and palettes.
    palette : bytes
        Four bytes an entry: blue, green, red, unused.
    interval_s : float or None
        Seconds from frame to frame.
    claimed : int
        Frames claimed, 0 when not finished.
    chunk_id : bytes
        First two characters of its chunks' names.
    start : int
        Offset of the first chunk of frames.
    """

    width: int
    height: int
    bits: int
    compression: bytes
    palette: bytes
    interval_s: float | None
    claimed: int
    chunk_id: bytes
    start: int


@dataclass(frozen=True)
class Found:
    """Where frames lie.

    Attributes
    ----------
    runs : list of [offset, stride, count]
        Offset of the first frame's bytes, bytes from frame to frame (0: the same frame again) and number.
    chunk_bytes : int
        Bytes of each frame.
    frames, repeats, damaged : int
        Number of frames; of those that are empty chunks, repeating the one before; of chunks of a wrong size, left
        out.
    """

    runs: list[list[int]]
    chunk_bytes: int
    frames: int
    repeats: int
    damaged: int


def parse_stream(file: BinaryIO, size: int, name: str) -> VideoStream:
    """Read the headers up to the first chunk of frames.

    Raises
    ------
    CaptureError
        Not an AVI file, or without a video stream or any frames.
    """
    head = read_exactly(file, 0, 12)
    if len(head) < 12 or head[:4] != b"RIFF" or head[8:] != b"AVI ":
        raise CaptureError(f"{name} does not begin like an AVI file. It was renamed or damaged; copy it again.")
    pos, found = 12, None
    for _ in range(1000):
        header = read_exactly(file, pos, 12)
        if len(header) < 12:
            break
        kind, length = header[:4], int.from_bytes(header[4:8], "little")
        if kind == b"LIST" and header[8:] == b"hdrl":
            found = _stream_of(read_exactly(file, pos + 12, min(max(length - 4, 0), MAX_HEADER)))
        elif kind == b"LIST" and header[8:] == b"movi":
            if found is None:
                break
            return VideoStream(**found, start=pos + 12)
        pos += 8 + length + length % 2
        if pos >= size:
            break
    if found is None:
        raise CaptureError(f"{name} has no video stream in its headers. It is damaged; copy it again or leave it out.")
    raise CaptureError(f"{name} holds no frames: the recording was broken off, or the copy is not complete.")


def _chunks(data: bytes) -> list[tuple[bytes, bytes]]:
    """Split the content of a list into (name, content)."""
    chunks: list[tuple[bytes, bytes]] = []
    pos = 0
    while pos + 8 <= len(data) and len(chunks) < 1000:
        length = int.from_bytes(data[pos + 4 : pos + 8], "little")
        chunks.append((data[pos : pos + 4], data[pos + 8 : pos + 8 + length]))
        pos += 8 + length + length % 2
    return chunks


def _stream_of(header: bytes) -> dict[str, Any] | None:
    """Describe the first video stream of a header list."""
    number, long_count = 0, 0
    found: dict[str, Any] | None = None
    for kind, content in _chunks(header):
        if kind != b"LIST":
            continue
        if content[:4] == b"odml":
            for name, value in _chunks(content[4:]):
                if name == b"dmlh" and len(value) >= 4:
                    long_count = int.from_bytes(value[:4], "little")
        if content[:4] != b"strl":
            continue
        parts = dict(_chunks(content[4:]))
        strh, strf = parts.get(b"strh", b""), parts.get(b"strf", b"")
        if found is None and strh[:4] == b"vids" and len(strh) >= 36 and len(strf) >= 40:
            scale, rate = struct.unpack_from("<2I", strh, 20)
            length = int.from_bytes(strh[32:36], "little")
            head, width, height, _, bits = struct.unpack_from("<Iii2H", strf, 0)
            colours = int.from_bytes(strf[32:36], "little") or 256
            interval = scale / rate if rate else 0.0
            found = {
                "width": width,
                "height": height,
                "bits": bits,
                "compression": strf[16:20],
                "palette": strf[max(head, 40) :][: 4 * min(colours, 256)] if bits <= 8 else b"",
                "interval_s": interval if 1e-5 <= interval <= 3600 else None,
                "claimed": length,
                "chunk_id": b"%02d" % number,
            }
        number += 1
    if found is not None and long_count > found["claimed"]:
        found["claimed"] = long_count
    return found


def find_frames(file: BinaryIO, size: int, stream: VideoStream, least: int) -> Found:
    """Find the frames of raw video by walking the chunks to the end of the file.

    Parameters
    ----------
    file, size : binary file, int
        The file and its real size.
    stream : VideoStream
        From `parse_stream`.
    least : int
        Bytes that a frame has at least; the first such chunk sets the size of all.
    """
    runs: list[list[int]] = []
    chunk_bytes = frames = repeats = damaged = odd = 0
    pos = stream.start
    while pos + 8 <= size and odd < MAX_ODD_CHUNKS:
        header = read_exactly(file, pos, 8)
        if not header[:4].isascii() or header[:4] == b"\0\0\0\0":
            break
        length = int.from_bytes(header[4:], "little")
        if header[:4] in (b"LIST", b"RIFF"):
            pos += 12
            odd += 1
            continue
        frame = header[:2] == stream.chunk_id and header[2:4] in (b"db", b"dc", b"__")
        if frame and length >= least and not chunk_bytes:
            chunk_bytes = length
        if frame and chunk_bytes and length == chunk_bytes:
            if pos + 8 + length > size:
                break
            stride = _stride(file, pos, header)
            count = _regular(file, size, pos, stride, header)
            runs.append([pos + 8, stride, count])
            frames += count
            pos += count * stride
            continue
        odd += 1
        if frame and length == 0 and runs:
            last = runs[-1]
            if last[1] == 0:
                last[2] += 1
            else:
                runs.append([last[0] + (last[2] - 1) * last[1], 0, 1])
            frames += 1
            repeats += 1
        elif frame and pos + 8 + length <= size:
            damaged += 1
        pos += 8 + length + length % 2
    return Found(_joined(runs), chunk_bytes, frames, repeats, damaged)


def _stride(file: BinaryIO, pos: int, header: bytes) -> int:
    """Return the bytes from this chunk to the next, with the padding that the file really has."""
    length = int.from_bytes(header[4:], "little")
    bare = 8 + length
    if length % 2 == 0:
        return bare
    # Some programs leave the padding out; the name of the next chunk shows it.
    follows = read_exactly(file, pos + bare, 4)
    known = follows in (header[:4], b"LIST", b"RIFF", b"JUNK", b"idx1") or follows[:2] in (b"ix", header[:2])
    return bare if known else bare + 1


def _same(file: BinaryIO, size: int, pos: int, header: bytes) -> bool:
    """Say whether a whole chunk with the same name and length stands at `pos`."""
    return pos + 8 + int.from_bytes(header[4:], "little") <= size and read_exactly(file, pos, 8) == header


def _regular(file: BinaryIO, size: int, pos: int, stride: int, header: bytes) -> int:
    """Count chunks that follow at a fixed stride, by doubling steps and then halving them.

    The chunks that are stepped over are verified when they are read.
    """
    count, step, grow = 1, 1, True
    while step:
        if _same(file, size, pos + (count - 1 + step) * stride, header):
            count += step
            step = step * 2 if grow else step // 2
        else:
            grow = False
            step //= 2
    return count


def _joined(runs: list[list[int]]) -> list[list[int]]:
    """Join neighbouring runs that continue each other."""
    joined: list[list[int]] = []
    for run in runs:
        last = joined[-1] if joined else None
        if last and last[1] == run[1] and last[0] + last[1] * last[2] == run[0]:
            last[2] += run[2]
        else:
            joined.append(list(run))
    return joined
