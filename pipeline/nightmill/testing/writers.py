"""Writers of capture files, streaming: the frames go through in chunks and are never held together.

`open_writer` chooses by the ending of the path. Each writer is a context manager with `write(frames, utc)`; frames are
(n, rows, columns) or (n, rows, columns, 3) in R, G, B order, uint8 or uint16. Formats: SER version 3 (here), AVI
(`riff`), FITS cubes, and folders of FITS, TIFF or PNG files (`stills`).
"""

from __future__ import annotations

import struct
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Protocol, Self

import numpy as np
from numpy.typing import NDArray

__all__ = ["SER_COLOURS", "SER_TICKS_1970", "SerWriter", "Writer", "open_writer", "ser_ticks"]

SER_COLOURS = {
    "mono": 0,
    "RGGB": 8,
    "GRBG": 9,
    "GBRG": 10,
    "BGGR": 11,
    "CYYM": 16,
    "YCMY": 17,
    "YMCY": 18,
    "MYYC": 19,
    "RGB": 100,
    "BGR": 101,
}
"""ColorID of the SER format, version 3."""

SER_TICKS_1970 = 621_355_968_000_000_000
"""Ticks of 100 ns from 0001-01-01 to 1970-01-01, as SER counts time."""


class Writer(Protocol):
    """What every writer does."""

    def write(self, frames: NDArray[Any], utc: NDArray[np.datetime64]) -> None:
        """Append frames."""

    def close(self) -> None:
        """Finish the file."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...


class Closing:
    """Makes a writer a context manager."""

    def close(self) -> None:
        """Finish the file."""
        raise NotImplementedError

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def ser_ticks(utc: NDArray[np.datetime64] | np.datetime64) -> NDArray[np.int64]:
    """Return SER's ticks (100 ns since 0001-01-01) of times."""
    nanoseconds = np.asarray(utc).astype("datetime64[ns]").astype(np.int64)
    return np.asarray(nanoseconds // 100 + SER_TICKS_1970, dtype=np.int64)


class SerWriter(Closing):
    """Writes SER version 3: header of 178 bytes, frames, optional trailer of time stamps.

    Parameters
    ----------
    path : Path
        File to make; its folder must exist.
    shape : tuple of int
        Rows and columns.
    colour : str
        A key of `SER_COLOURS`. "BGR" takes frames in R, G, B like "RGB" and turns them round.
    bits : int
        Depth a plane; above 8 samples take two bytes.
    start : datetime64
        UTC of the first frame.
    big_endian : bool, optional
        Write two-byte samples with the high byte first.
    inverted_flag : bool, optional
        Say the opposite of the truth in the LittleEndian field. The published text means 1 for little-endian; many
        programs write and read it the other way round.
    trailer : bool, optional
        Write the time stamps.
    utc_offset_s : int, optional
        Local time minus UTC, for the header's local time.
    observer, instrument, telescope : str, optional
        Free text, 40 bytes each.
    identity : bytes, optional
        Free text of the first 14 bytes.
    """

    def __init__(
        self,
        path: Path,
        *,
        shape: tuple[int, int],
        colour: str,
        bits: int,
        start: np.datetime64,
        big_endian: bool = False,
        inverted_flag: bool = False,
        trailer: bool = True,
        utc_offset_s: int = 3600,
        observer: str = "A. Demo",
        instrument: str = "Demo camera",
        telescope: str = "Demo telescope",
        identity: bytes = b"NIGHTMILL-TEST",
    ) -> None:
        if colour not in SER_COLOURS:
            raise ValueError(f"colour: {colour!r} is not one of {', '.join(SER_COLOURS)}")
        self._shape, self._colour, self._bits, self._trailer = shape, colour, bits, trailer
        self._order = ">" if big_endian else "<"
        self._stamps: list[NDArray[np.int64]] = []
        self._count = 0
        little = int(not big_endian) ^ int(inverted_flag)
        texts = [text.encode("ascii", "replace")[:40].ljust(40, b"\0") for text in (observer, instrument, telescope)]
        utc = int(ser_ticks(start))
        self._file: IO[bytes] = Path(path).open("wb")  # noqa: SIM115 - closed by close()
        self._file.write(
            identity[:14].ljust(14)
            + struct.pack("<7i", 0, SER_COLOURS[colour], little, shape[1], shape[0], bits, 0)
            + b"".join(texts)
            + struct.pack("<2q", utc + utc_offset_s * 10_000_000, utc)
        )

    def write(self, frames: NDArray[Any], utc: NDArray[np.datetime64]) -> None:
        """Append frames (n, rows, columns[, 3]) and their times."""
        expected = (*self._shape, 3) if self._colour in {"RGB", "BGR"} else self._shape
        if frames.shape[1:] != expected:
            raise ValueError(f"frames are {frames.shape[1:]}, the file holds {expected}")
        if self._colour == "BGR":
            frames = frames[..., ::-1]
        kind = "u1" if self._bits == 8 else f"{self._order}u2"
        self._file.write(np.ascontiguousarray(frames, dtype=kind).data)
        self._stamps.append(ser_ticks(utc))
        self._count += len(frames)

    def close(self) -> None:
        """Write the trailer and the number of frames."""
        if self._file.closed:
            return
        if self._trailer and self._stamps:
            self._file.write(np.concatenate(self._stamps).astype("<i8").tobytes())
        self._file.seek(38)
        self._file.write(struct.pack("<i", self._count))
        self._file.close()


def open_writer(
    path: Path,
    *,
    shape: tuple[int, int],
    colour: str,
    bits: int,
    fps: float,
    start: np.datetime64,
    exposure_s: float = 0.01,
    **options: Any,
) -> Writer:
    """Open the writer for a path.

    Parameters
    ----------
    path : Path
        ``*.ser``, ``*.avi``, ``*.fits`` (a cube); or a folder to be made, with ``still="tiff" | "png" | "fits"``.
    shape : tuple of int
        Rows and columns.
    colour : str
        "mono", a colour filter array, "RGB", or "BGR" (SER only).
    bits : int
        Depth of the values.
    fps : float
        Frames a second.
    start : datetime64
        UTC of the first frame.
    exposure_s : float, optional
        Exposure, seconds; for headers that hold it.
    **options
        Of the writer.

    Returns
    -------
    Writer
        Ready to write.

    Raises
    ------
    ValueError
        If the ending is not known.
    """
    # Imported here: both modules build on this one.
    from .riff import AviWriter
    from .stills import FitsCubeWriter, StillsWriter

    ending = path.suffix.lower()
    if "still" in options:
        return StillsWriter(path, colour=colour, bits=bits, exposure_s=exposure_s, **options)
    if ending == ".ser":
        return SerWriter(path, shape=shape, colour=colour, bits=bits, start=start, **options)
    if ending == ".avi":
        if bits != 8:
            raise ValueError(f"{path.name}: AVI holds 8 bits, the camera gives {bits}")
        return AviWriter(path, shape=shape, colour=colour, fps=fps, start=start, **options)
    if ending in {".fits", ".fit"}:
        return FitsCubeWriter(
            path, shape=shape, colour=colour, bits=bits, fps=fps, start=start, exposure_s=exposure_s, **options
        )
    raise ValueError(f"{path.name}: the ending {ending!r} is not .ser, .avi or .fits, and no still= is given")
