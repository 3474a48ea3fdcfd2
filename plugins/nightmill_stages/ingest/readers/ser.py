"""SER version 3: a header of 178 bytes, raw frames, and perhaps a trailer of frame times.

Layout as of the public "SER format description version 3" (2014). Fields are little-endian; colour is 0 mono, 8-11
Bayer, 16-19 complementary filters, 100 RGB, 101 BGR. The first 14 bytes are free text. The byte-order flag is written
both ways by programs, so the pixels decide.
"""

from __future__ import annotations

import struct
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import Capture
from nightmill.errors import CaptureError

from .. import clock
from ..levels import Levels, find_levels, is_big_endian
from .base import Options, Reader, Recording, check_size, read_exactly, read_into

__all__ = ["HEADER_BYTES", "SerReader"]

HEADER_BYTES = 178
FIELDS = struct.Struct("<14s7i40s40s40s2q")
CFA = {8: "RGGB", 9: "GRBG", 10: "GBRG", 11: "BGGR"}
COMPLEMENTARY = {16: "CYYM", 17: "YCMY", 18: "YMCY", 19: "MYYC"}
PLANES = {0: 1, 8: 1, 9: 1, 10: 1, 11: 1, 100: 3, 101: 3}
MAX_FRAMES = 4_000_000
"""More than an hour at 1000 frames a second."""
SAMPLE_BYTES = 2**19
"""How much of a frame is looked at to decide the order and place of bits."""


@dataclass(frozen=True)
class _Header:
    colour: int
    width: int
    height: int
    bits: int
    frames: int
    camera: str
    local: int
    utc: int

    @property
    def planes(self) -> int:
        return PLANES[self.colour]

    @property
    def dtype(self) -> str:
        return "uint8" if self.bits <= 8 else "uint16"

    @property
    def shape(self) -> tuple[int, ...]:
        return (self.height, self.width) if self.planes == 1 else (self.height, self.width, 3)

    @property
    def frame_bytes(self) -> int:
        return self.height * self.width * self.planes * (1 if self.bits <= 8 else 2)


class SerReader(Reader):
    """SER files, recognised by their extension and by sizes that add up."""

    name = "ser"

    def accepts(self, path: Path) -> bool:
        """Look at the extension."""
        return path.suffix.lower() == ".ser" and path.is_file()

    def open(self, path: Path, options: Options) -> Capture:
        """Read the header, count whole frames, judge the trailer, and look at three frames."""
        cautions: list[str] = []
        with path.open("rb", buffering=0) as file:
            size = file.seek(0, 2)
            header = _parse(path.name, read_exactly(file, 0, HEADER_BYTES), size)
            whole = (size - HEADER_BYTES) // header.frame_bytes
            if whole < 1:
                raise CaptureError(
                    f"{path.name} holds no whole frame: one of {header.width} x {header.height} pixels takes "
                    f"{header.frame_bytes} bytes, the file has {size - HEADER_BYTES} after its header. The recording "
                    "was cut off or the header is damaged; copy it again or leave it out."
                )
            if whole > MAX_FRAMES:
                raise CaptureError(
                    f"{path.name} has a damaged header: with frames of {header.width} x {header.height} pixels it "
                    f"would hold {whole} of them. Copy the file again from the camera's computer, or leave it out."
                )
            if header.frames > 0:
                frames = min(header.frames, whole)
            else:
                frames = whole
                cautions.append(
                    f"The header states no frames, as when a recording is broken off; {whole} whole frames lie in the "
                    "file, the last of which may be frame times read as pixels."
                )
            big_endian, levels = _look(file, header, frames, options)
            times, trailer = self._times(file, header, size, cautions)
        if levels.caution:
            cautions.append(f"{path.name} {levels.caution}.")
        utc_start, interval, offset = _start(header, times, cautions)
        return Capture(
            path=str(path),
            file="",
            source="ingest",
            frames=frames,
            height=header.height,
            width=header.width,
            planes=header.planes,
            dtype=header.dtype,
            full_scale=levels.full_scale,
            cfa=CFA.get(header.colour),
            filter="RGB" if header.colour else None,
            utc_start=utc_start,
            frame_interval_s=interval,
            camera=header.camera or None,
            frames_missing=max(0, header.frames - frames),
            cautions=tuple(cautions),
            details={
                "big_endian": big_endian,
                "shift": levels.shift,
                "bgr": header.colour == 101,
                "trailer": trailer if times is not None and times[1].usable else None,
                "offset_s": offset,
            },
        )

    def recording(self, capture: Capture) -> Recording:
        """Open the file."""
        return _SerRecording(capture)

    @staticmethod
    def _times(
        file: BinaryIO, header: _Header, size: int, cautions: list[str]
    ) -> tuple[tuple[NDArray[np.float64], clock.FrameTimes] | None, int | None]:
        """Read and judge the trailer; None when there is no whole one."""
        if header.frames <= 0:
            return None, None
        start = HEADER_BYTES + header.frames * header.frame_bytes
        rest = size - start
        if rest < 8 * header.frames:
            if rest > 0:
                cautions.append("The list of frame times at the end of the file is cut off and is not used.")
            return None, None
        if rest >= 8 * header.frames + header.frame_bytes:
            cautions.append(f"{rest - 8 * header.frames} bytes follow the frames that the header states; not read.")
        ticks = np.empty(header.frames, "<i8")
        read_into(file, start, ticks, Path(str(file.name)).name)
        times = clock.ticks_to_posix(ticks)
        return (times, clock.judge(times)), start


class _SerRecording(Recording):
    def __init__(self, capture: Capture) -> None:
        super().__init__(capture)
        self._file: BinaryIO = self.path.open("rb", buffering=0)
        self._shape = (capture.height, capture.width) + ((3,) if capture.planes == 3 else ())

    def read(self, start: int, stop: int) -> NDArray[Any]:
        details = self.capture.details
        data = np.empty((stop - start, *self._shape), self.capture.dtype)
        read_into(self._file, HEADER_BYTES + start * self.capture.frame_bytes, data, self.path.name)
        # The array holds native words: a swap is needed when the file's order is not this machine's.
        if data.itemsize == 2 and details["big_endian"] != (sys.byteorder == "big"):
            data.byteswap(inplace=True)
        if details["shift"]:
            np.right_shift(data, details["shift"], out=data)
        if details["bgr"]:
            blue = data[..., 0].copy()
            data[..., 0] = data[..., 2]
            data[..., 2] = blue
        return data

    def times(self, start: int, stop: int) -> NDArray[np.float64] | None:
        trailer = self.capture.details["trailer"]
        if trailer is None:
            return None
        ticks = np.empty(stop - start, "<i8")
        read_into(self._file, trailer + 8 * start, ticks, self.path.name)
        return clock.ticks_to_posix(ticks) + float(self.capture.details["offset_s"])

    def close(self) -> None:
        self._file.close()


def _parse(name: str, raw: bytes, size: int) -> _Header:
    if len(raw) < HEADER_BYTES:
        raise CaptureError(
            f"{name} is only {size} bytes long, less than a SER header. The recording was never begun or its copy was "
            "broken off; copy it again or leave it out."
        )
    _, _, colour, _, width, height, bits, frames, _, camera, _, local, utc = FIELDS.unpack(raw)
    if colour in COMPLEMENTARY:
        raise CaptureError(
            f"{name} was recorded behind complementary colour filters ({COMPLEMENTARY[colour]}), which nightmill "
            "cannot turn into colours. Convert it to RGB, or state `cfa: none` and set the header's colour to mono."
        )
    if colour not in PLANES:
        raise CaptureError(
            f"{name} has a damaged header: {colour} is not a colour code of the SER format (0, 8 to 11, 100, 101). "
            "Copy the file again from the camera's computer, or leave it out."
        )
    if not 1 <= bits <= 16:
        raise CaptureError(
            f"{name} has a damaged header: it states {bits} bits a sample, SER holds 1 to 16. Copy the file again from "
            "the camera's computer, or leave it out."
        )
    check_size(name, height, width)
    text = camera.split(b"\0")[0].decode("latin-1")
    clean = "".join(c for c in text if c.isprintable()).strip()
    return _Header(colour, width, height, bits, frames, clean, local, utc)


def _look(file: BinaryIO, header: _Header, frames: int, options: Options) -> tuple[bool, Levels]:
    """Decide the order of bytes and the place of bits from the first, middle and last frame."""
    stated = options.bits or header.bits
    if header.dtype == "uint8":
        return False, Levels(0, min(stated, 8))
    row_samples = header.width * header.planes
    rows = max(1, min(header.height, SAMPLE_BYTES // (2 * row_samples)))
    top = (header.height - rows) // 2
    numbers = sorted({0, frames // 2, frames - 1})
    samples = np.empty((len(numbers), rows, *header.shape[1:]), "<u2")
    for sample, number in zip(samples, numbers, strict=True):
        offset = HEADER_BYTES + number * header.frame_bytes + top * row_samples * 2
        read_into(file, offset, sample, Path(str(file.name)).name)
    native = samples.astype(np.uint16)
    big = options.byte_order == "big" if options.byte_order else is_big_endian(native, stated)
    if big:
        native.byteswap(inplace=True)
    return big, find_levels(native, max(stated, 9))


def _start(
    header: _Header, series: tuple[NDArray[np.float64], clock.FrameTimes] | None, cautions: list[str]
) -> tuple[float | None, float | None, float]:
    """Return the start in POSIX seconds, the frame interval in seconds, and what to add to the trailer's times."""
    stated, local = (float(clock.ticks_to_posix(np.array(ticks, np.int64))) for ticks in (header.utc, header.local))
    has_utc = clock.plausible(stated)
    interval = None
    if series is not None:
        times, verdict = series
        interval = verdict.interval_s
        if verdict.caution:
            cautions.append(verdict.caution)
        if verdict.usable:
            first = float(times[0])
            # Some programs write local time here. It shows when it is the header's local time that fits.
            zone = local - stated
            if has_utc and abs(zone) >= 900 and abs(first - local) < 600 and abs(first - stated) > 600:
                hours = zone / 3600
                cautions.append(f"Frame times were written in local time, {hours:+.2g} h from UTC; set right.")
                return first - zone, interval, -zone
            return first, interval, 0.0
    if has_utc:
        return stated, interval, 0.0
    return None, interval, 0.0
