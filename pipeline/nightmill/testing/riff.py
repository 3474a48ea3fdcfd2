"""Writes AVI files: uncompressed video in RIFF, with OpenDML's index for more than one gigabyte.

After Microsoft's "AVI RIFF File Reference" and the "OpenDML AVI File Format Extensions", version 1.02, 1996. The first
segment carries the old index (idx1) too, so that old readers find at least its frames.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from .writers import Closing

__all__ = ["AviWriter"]

_SUPER_ENTRIES = 512


class AviWriter(Closing):
    """Writes 8-bit grey, raw colour-filter or BGR24 video.

    Parameters
    ----------
    path : Path
        File to make; its folder must exist.
    shape : tuple of int
        Rows and columns.
    colour : str
        "RGB" is stored as BGR24; anything else as one 8-bit plane.
    fps : float
        Frames a second.
    start : datetime64, optional
        UTC of the first frame, written into the IDIT chunk.
    coding : str, optional
        "DIB" (rows from the bottom up, padded to four bytes; a palette of greys for one plane), "DIB-top-down" (the
        same with rows from the top down, told by a negative height) or, for one plane, "Y800" (rows from the top down,
        no padding).
    segment_bytes : int, optional
        Size at which a new segment is begun.
    """

    def __init__(
        self,
        path: Path,
        *,
        shape: tuple[int, int],
        colour: str,
        fps: float,
        start: np.datetime64 | None = None,
        coding: str = "DIB",
        segment_bytes: int = 1_000_000_000,
    ) -> None:
        self._shape, self._planes = shape, 3 if colour == "RGB" else 1
        if coding not in {"DIB", "DIB-top-down", "Y800"}:
            raise ValueError(f"coding: {coding!r} is not DIB, DIB-top-down or Y800")
        if coding == "Y800" and self._planes == 3:
            raise ValueError("coding: Y800 holds one plane, the frames have three")
        self._dib, self._bottom_up = coding != "Y800", coding == "DIB"
        self._tag = b"00db"
        row = shape[1] * self._planes
        self._row_bytes = -(-row // 4) * 4 if self._dib else row
        self._frame_bytes = self._row_bytes * shape[0]
        self._fps, self._limit, self._start = fps, segment_bytes, start
        self._handler = b"DIB " if self._dib else b"Y800"
        self._file: IO[bytes] = Path(path).open("wb")  # noqa: SIM115 - closed by close()
        self._segments: list[tuple[int, int, int]] = []  # offset and size of each ix00 chunk, frames
        self._frames_in_first = 0
        self._total = 0
        self._file.write(self._header())
        self._begin_segment(first=True)

    def write(self, frames: NDArray[Any], utc: NDArray[np.datetime64]) -> None:
        """Append frames (n, rows, columns[, 3]), uint8; AVI has no place for the times of single frames."""
        expected = (*self._shape, 3) if self._planes == 3 else self._shape
        if frames.shape[1:] != expected or frames.dtype != np.uint8:
            raise ValueError(f"frames are {frames.dtype} {frames.shape[1:]}, the file holds uint8 {expected}")
        for frame in frames:
            if self._file.tell() - self._riff_start + self._frame_bytes > self._limit:
                self._end_segment()
                self._begin_segment(first=False)
            self._offsets.append(self._file.tell())
            self._file.write(self._tag + struct.pack("<I", self._frame_bytes))
            picture = frame[..., ::-1] if self._planes == 3 else frame
            rows = picture.reshape(self._shape[0], -1)[:: -1 if self._bottom_up else 1]
            padded = np.zeros((self._shape[0], self._row_bytes), np.uint8)
            padded[:, : rows.shape[1]] = rows
            self._file.write(padded.data)
            if self._frame_bytes % 2:
                self._file.write(b"\0")

    def close(self) -> None:
        """Write the indexes and the final numbers."""
        if self._file.closed:
            return
        self._end_segment()
        self._file.seek(0)
        self._file.write(self._header())
        self._file.seek(4)
        self._file.write(struct.pack("<I", self._first_riff_size))
        self._file.close()

    def _begin_segment(self, *, first: bool) -> None:
        self._riff_start = 0 if first else self._file.tell()
        if not first:
            self._file.write(b"RIFF" + struct.pack("<I", 0) + b"AVIX")
        self._movi_start = self._file.tell()
        self._file.write(b"LIST" + struct.pack("<I", 0) + b"movi")
        self._offsets: list[int] = []

    def _end_segment(self) -> None:
        file, count = self._file, len(self._offsets)
        offsets = np.array(self._offsets, np.int64)
        index_at = file.tell()
        entries = np.empty((count, 2), "<u4")
        entries[:, 0] = offsets + 8 - self._movi_start
        entries[:, 1] = self._frame_bytes
        body = struct.pack("<HBBI4sQI", 2, 0, 1, count, self._tag, self._movi_start, 0) + entries.tobytes()
        file.write(b"ix00" + struct.pack("<I", len(body)) + body)
        self._segments.append((index_at, len(body) + 8, count))
        if len(self._segments) > _SUPER_ENTRIES:
            raise ValueError(f"too many segments: raise segment_bytes above {self._limit}")
        movi_end = file.tell()
        first = len(self._segments) == 1
        if first:
            old = np.empty((count, 4), "<u4")
            old[:, 0] = int.from_bytes(self._tag, "little")
            old[:, 1] = 0x10  # every frame is a key frame
            old[:, 2] = offsets - (self._movi_start + 8)
            old[:, 3] = self._frame_bytes
            file.write(b"idx1" + struct.pack("<I", old.nbytes) + old.tobytes())
            self._frames_in_first = count
        end = file.tell()
        file.seek(self._movi_start + 4)
        file.write(struct.pack("<I", movi_end - self._movi_start - 8))
        file.seek(self._riff_start + 4)
        file.write(struct.pack("<I", end - self._riff_start - 8))
        if first:
            self._first_riff_size = end - 8
        file.seek(end)
        self._total += count

    def _header(self) -> bytes:
        """Everything before the first movi list; its length never changes."""
        rows, columns = self._shape
        bits = 8 * self._planes
        rate = round(self._fps * 1000)
        avih = struct.pack(
            "<14I",
            round(1e6 / self._fps),
            int(self._frame_bytes * self._fps) & 0xFFFFFFFF,
            0,
            0x10,  # has an index
            self._frames_in_first,
            0,
            1,
            self._frame_bytes,
            columns,
            rows,
            *(0, 0, 0, 0),
        )
        strh = struct.pack(
            "<4s4sIHHIIIIIIiI4h",
            b"vids",
            self._handler,
            *(0, 0, 0, 0),
            1000,
            rate,
            0,
            self._total,
            self._frame_bytes,
            -1,
            0,
            *(0, 0, columns, rows),
        )
        compression = 0 if self._dib else int.from_bytes(b"Y800", "little")
        palette = b"".join(bytes((i, i, i, 0)) for i in range(256)) if self._planes == 1 else b""
        colours = 256 if palette else 0
        height = -rows if self._dib and not self._bottom_up else rows
        strf = (
            struct.pack("<IiiHHIIiiII", 40, columns, height, 1, bits, compression, self._frame_bytes, 0, 0, colours, 0)
            + palette
        )
        entries = b"".join(struct.pack("<QII", *segment) for segment in self._segments)
        indx = struct.pack("<HBBI4s3I", 4, 0, 0, len(self._segments), self._tag, 0, 0, 0)
        indx += entries.ljust(16 * _SUPER_ENTRIES, b"\0")
        stream = _list(b"strl", _chunk(b"strh", strh) + _chunk(b"strf", strf) + _chunk(b"indx", indx))
        extended = _list(b"odml", _chunk(b"dmlh", struct.pack("<I", self._total).ljust(248, b"\0")))
        when = "" if self._start is None else str(self._start.astype("datetime64[s]")).replace("T", " ")
        idit = _chunk(b"IDIT", when.encode().ljust(20, b"\0"))
        return (
            b"RIFF" + struct.pack("<I", 0) + b"AVI " + _list(b"hdrl", _chunk(b"avih", avih) + stream + extended + idit)
        )


def _chunk(tag: bytes, body: bytes) -> bytes:
    return tag + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def _list(kind: bytes, body: bytes) -> bytes:
    return b"LIST" + struct.pack("<I", len(body) + 4) + kind + body
