"""AVI with raw pixels: 8-bit grey and palettes, 16-bit grey, raw Bayer, BGR24 and BGR32.

Layout of rows after Microsoft's documentation of BITMAPINFOHEADER: plain RGB and palettes stand bottom up (height
positive) with rows padded to four bytes, four-character formats top down. Grey codes as of fourcc.org, raw Bayer codes
as of the Linux kernel's V4L2 documentation. Compressed AVI is left to the reader `movie`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import Capture
from nightmill.errors import CaptureError

from ..levels import find_levels
from .base import NotMine, Options, Reader, Recording, check_size, read_into
from .riff import Found, VideoStream, find_frames, parse_stream

__all__ = ["AviReader"]

PLAIN = {b"\0\0\0\0", b"DIB ", b"RGB "}
GREY = {b"Y800", b"GREY", b"Y8  "}
BAYER = {b"BA81": "BGGR", b"GBRG": "GBRG", b"GRBG": "GRBG", b"RGGB": "RGGB"}
BLOCK_BYTES = 2**24
SLACK_BYTES = 4096
"""Chunks may be rounded up to a disk's sector; beyond this they hold something else than they say."""


class AviReader(Reader):
    """AVI files with uncompressed frames."""

    name = "avi"

    def accepts(self, path: Path) -> bool:
        """Look at the extension."""
        return path.suffix.lower() == ".avi" and path.is_file()

    def open(self, path: Path, options: Options) -> Capture:
        """Read the headers, find the frames, and look at three of them."""
        with path.open("rb", buffering=0) as file:
            size = file.seek(0, 2)
            stream = parse_stream(file, size, path.name)
            layout = _layout(stream, path.name)
            height, width = abs(stream.height), stream.width
            check_size(path.name, height, width)
            bare = width * layout["pixel_bytes"]
            padded = (bare + 3) // 4 * 4
            found = find_frames(file, size, stream, bare * height)
        if not found.frames:
            raise CaptureError(
                f"{path.name} holds no whole frame of {width} x {height} pixels. The recording was broken off or the "
                "header is damaged; copy it again or leave it out."
            )
        if found.chunk_bytes > padded * height + SLACK_BYTES:
            text = f"Its frames take {found.chunk_bytes} bytes where {padded * height} are expected."
            if stream.compression in PLAIN:
                raise CaptureError(f"{path.name} has a damaged header. {text} Copy it again or leave it out.")
            raise NotMine(text)
        layout["row_bytes"] = padded if found.chunk_bytes >= padded * height else bare
        layout |= {"runs": found.runs, "chunk_bytes": found.chunk_bytes, "chunk_id": stream.chunk_id.decode("ascii")}
        plain = layout["kind"] in ("grey", "grey16")
        capture = Capture(
            path=str(path),
            file="",
            source="ingest",
            frames=found.frames,
            height=height,
            width=width,
            planes=1 if plain else 3,
            dtype="uint16" if layout["kind"] == "grey16" else "uint8",
            cfa=BAYER.get(stream.compression),
            frame_interval_s=stream.interval_s,
            frames_missing=max(0, stream.claimed - found.frames),
            cautions=tuple(_cautions(found)),
            details=layout,
        )
        capture = _looked_at(capture, options)
        colour = capture.planes == 3 or capture.cfa
        return capture.replace(filter="RGB" if colour else None)

    def recording(self, capture: Capture) -> Recording:
        """Open the file."""
        return _AviRecording(capture)


class _AviRecording(Recording):
    def __init__(self, capture: Capture) -> None:
        super().__init__(capture)
        self._file: BinaryIO = self.path.open("rb", buffering=0)

    def read(self, start: int, stop: int) -> NDArray[Any]:
        capture = self.capture
        shape = (capture.height, capture.width) + ((3,) if capture.planes == 3 else ())
        out = np.empty((stop - start, *shape), capture.dtype)
        first = 0
        for offset, stride, count in capture.details["runs"]:
            a, b = max(start, first), min(stop, first + count)
            step = max(1, BLOCK_BYTES // max(stride, 1))
            for at in range(a, b, step if stride else max(count, 1)):
                to = min(at + step, b) if stride else b
                block = self._block(offset + (at - first) * stride, stride, to - at)
                frames, place = unpack(block, capture), out[at - start : to - start]
                if frames.ndim == 3:
                    place[:] = frames
                else:
                    # A colour at a time is several times faster than to turn around every pixel.
                    for colour in range(3):
                        place[..., colour] = frames[..., colour]
            first += count
        return out

    def _block(self, offset: int, stride: int, count: int) -> NDArray[np.uint8]:
        """Read chunks, headers included, and return their contents, shape (count or 1, chunk bytes)."""
        length = self.capture.details["chunk_bytes"]
        number = count if stride else 1
        step = stride or length + 8
        raw = np.empty((number - 1) * step + length + 8, np.uint8)
        read_into(self._file, offset - 8, raw, self.path.name)
        chunks = np.lib.stride_tricks.as_strided(raw, (number, length + 8), (step, 1))
        lengths = np.ascontiguousarray(chunks[:, 4:8]).view("<u4")
        names = self.capture.details["chunk_id"].encode("ascii")
        if (lengths != length).any() or (chunks[:, :2] != np.frombuffer(names, np.uint8)).any():
            raise CaptureError(
                f"{self.path.name} is damaged: at byte {offset - 8} to {offset + number * step} frames do not follow "
                "each other as at its beginning. Copy it again or leave it out."
            )
        return chunks[:, 8:]

    def close(self) -> None:
        self._file.close()


def unpack(chunks: NDArray[np.uint8], capture: Capture) -> NDArray[Any]:
    """Turn the bytes of raw frames into pixels.

    Parameters
    ----------
    chunks : ndarray of uint8, shape (n, bytes)
        Contents of chunks.
    capture : Capture
        Whose details say the layout.

    Returns
    -------
    ndarray of shape (n, h, w) or (n, h, w, 3)
        uint8 or uint16, R, G, B; a view where possible.
    """
    layout = capture.details
    n, height, width, rows = len(chunks), capture.height, capture.width, layout["row_bytes"]
    used = chunks[:, : height * rows].reshape(n, height, rows)[:, :, : width * layout["pixel_bytes"]]
    if layout["bottom_up"]:
        used = used[:, ::-1]
    kind = layout["kind"]
    if kind == "grey":
        return used
    if kind == "grey16":
        samples = np.ascontiguousarray(used).view("<u2").astype(np.uint16)
        return samples >> np.uint16(layout.get("shift", 0))
    if kind == "palette":
        table = np.array(layout["palette"], np.uint8)
        return table[used][..., 1] if capture.planes == 1 else table[used]
    pixels = used.reshape(n, height, width, layout["pixel_bytes"])
    return pixels[..., 1] if capture.planes == 1 else pixels[..., 2::-1]


def _layout(stream: VideoStream, name: str) -> dict[str, Any]:
    code = stream.compression
    if code in PLAIN and stream.bits in (8, 24, 32):
        layout: dict[str, Any] = {"pixel_bytes": stream.bits // 8, "bottom_up": stream.height > 0, "kind": "bgr"}
        if stream.bits == 8:
            table = np.frombuffer(stream.palette[: len(stream.palette) // 4 * 4], np.uint8).reshape(-1, 4)
            layout |= _palette(table[:, 2::-1])
        return layout
    if code in GREY or code in BAYER:
        return {"pixel_bytes": 1, "bottom_up": False, "kind": "grey"}
    if code == b"Y16 ":
        return {"pixel_bytes": 2, "bottom_up": False, "kind": "grey16"}
    if code in PLAIN and stream.bits not in (1, 2, 4, 16):
        raise CaptureError(
            f"{name} has a damaged header: it states {stream.bits} bits a pixel. Copy it again or leave it out."
        )
    text = "".join(chr(c) if 32 < c < 127 else "?" for c in code)
    raise NotMine(f"Its frames are compressed or laid out as {text} with {stream.bits} bits a pixel.")


def _palette(table: NDArray[np.uint8]) -> dict[str, Any]:
    """Tell grey from coloured palettes; one that is empty or black says nothing, and means grey."""
    ramp = np.arange(len(table), dtype=np.uint8)[:, None]
    if len(table) < 2 or not table.any() or (table == ramp).all():
        return {"kind": "grey"}
    full = np.zeros((256, 3), np.uint8)
    full[: len(table)] = table
    return {"kind": "palette", "palette": full.tolist()}


def _cautions(found: Found) -> list[str]:
    cautions = []
    if found.repeats:
        cautions.append(f"{found.repeats} frames are marked as lost by the recording program; each repeats the last.")
    if found.damaged:
        cautions.append(
            f"{found.damaged} frames have the wrong size and are left out, which shifts the times of later."
        )
    return cautions


def _looked_at(capture: Capture, options: Options) -> Capture:
    """Settle what three frames tell: three equal planes are one, and where the bits of 16-bit samples lie."""
    recording = _AviRecording(capture)
    try:
        numbers = sorted({0, capture.frames // 2, capture.frames - 1})
        samples = np.concatenate([recording.read(number, number + 1) for number in numbers])
    finally:
        recording.close()
    if capture.dtype == "uint16":
        levels = find_levels(samples, max(options.bits or 16, 9))
        cautions = (*capture.cautions, f"{Path(capture.path).name} {levels.caution}.") if levels.caution else ()
        details = {**capture.details, "shift": levels.shift}
        return capture.replace(full_scale=levels.full_scale, details=details, cautions=cautions or capture.cautions)
    equal = capture.planes == 3 and (samples[..., 1:] == samples[..., :1]).all()
    scale = float(2 ** min(options.bits or 8, 8) - 1)
    return capture.replace(planes=1 if equal else capture.planes, full_scale=scale)
