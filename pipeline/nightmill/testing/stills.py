"""Writes FITS cubes, and folders of FITS, TIFF or PNG files, one file a frame.

Colour is stored as (3, rows, columns) in FITS and interleaved in TIFF and PNG. FITS follows the standard, version 4.0
(unsigned 16 bits by BZERO; a cube's frames lie along a TIME axis in seconds). TIFF and FITS carry the frame's time.
"""

from __future__ import annotations

from pathlib import Path
from typing import IO, Any

import cv2
import numpy as np
import tifffile
from astropy.io import fits
from numpy.typing import NDArray

from .writers import Closing

__all__ = ["FitsCubeWriter", "StillsWriter"]


def _iso(utc: np.datetime64) -> str:
    return str(utc.astype("datetime64[us]"))


def _fits_header(
    shape: tuple[int, ...], bits: int, colour: str, start: np.datetime64, exposure_s: float
) -> fits.Header:
    """Return the header of an image whose array has the given shape."""
    header = fits.Header()
    header["SIMPLE"] = (True, "conforms to the FITS standard")
    header["BITPIX"] = 8 if bits == 8 else 16
    header["NAXIS"] = len(shape)
    for axis, size in enumerate(reversed(shape), start=1):
        header[f"NAXIS{axis}"] = size
    if bits > 8:
        header["BZERO"] = 32768
        header["BSCALE"] = 1
    header["DATE-OBS"] = (_iso(start), "UTC, middle of the exposure")
    header["TIMESYS"] = "UTC"
    header["XPOSURE"] = (exposure_s, "[s] exposure")
    header["EXPTIME"] = (exposure_s, "[s] exposure")
    header["DATAMAX"] = (2**bits - 1, "full scale")
    if colour not in {"mono", "RGB"}:
        header["BAYERPAT"] = (colour, "colour filter array, first row first")
        header["ROWORDER"] = ("TOP-DOWN", "order of the rows")
    return header


def _big_endian(frames: NDArray[Any], bits: int) -> bytes:
    if bits == 8:
        return np.ascontiguousarray(frames, np.uint8).tobytes()
    # Flipping the top bit is subtracting BZERO in two's complement.
    return (frames.astype(np.uint16) ^ np.uint16(0x8000)).astype(">u2").tobytes()


class FitsCubeWriter(Closing):
    """Writes one FITS file with the frames along its slowest axis.

    Parameters
    ----------
    path : Path
        File to make.
    shape : tuple of int
        Rows and columns.
    colour : str
        "mono", "RGB" or a colour filter array.
    bits : int
        Depth of the values.
    fps : float
        Frames a second.
    start : datetime64
        UTC of the first frame.
    exposure_s : float
        Exposure, seconds.
    """

    def __init__(
        self,
        path: Path,
        *,
        shape: tuple[int, int],
        colour: str,
        bits: int,
        fps: float,
        start: np.datetime64,
        exposure_s: float,
    ) -> None:
        self._planes = (3,) if colour == "RGB" else ()
        self._shape, self._bits, self._count = (*self._planes, *shape), bits, 0
        self._colour, self._fps, self._start, self._exposure_s = colour, fps, start, exposure_s
        self._file: IO[bytes] = Path(path).open("wb")  # noqa: SIM115 - closed by close()
        self._file.write(self._head(1))

    def _head(self, frames: int) -> bytes:
        header = _fits_header((frames, *self._shape), self._bits, self._colour, self._start, self._exposure_s)
        axis = len(self._shape) + 1
        header[f"CTYPE{axis}"] = "TIME"
        header[f"CUNIT{axis}"] = "s"
        header[f"CRPIX{axis}"] = 1.0
        header[f"CRVAL{axis}"] = 0.0
        header[f"CDELT{axis}"] = (1 / self._fps, "[s] between frames")
        header["DATEREF"] = (_iso(self._start), "zero of the TIME axis")
        return bytes(header.tostring(), "ascii")

    def write(self, frames: NDArray[Any], utc: NDArray[np.datetime64]) -> None:
        """Append frames (n, rows, columns[, 3])."""
        if self._planes:
            frames = np.moveaxis(frames, -1, 1)
        if frames.shape[1:] != self._shape:
            raise ValueError(f"frames are {frames.shape[1:]}, the file holds {self._shape}")
        self._file.write(_big_endian(frames, self._bits))
        self._count += len(frames)

    def close(self) -> None:
        """Pad the data and write the final number of frames."""
        if self._file.closed:
            return
        self._file.write(b"\0" * (-self._file.tell() % 2880))
        self._file.seek(0)
        self._file.write(self._head(self._count))
        self._file.close()


class StillsWriter(Closing):
    """Writes a folder with one file a frame, ``frame_000000.tif`` and so on.

    Parameters
    ----------
    path : Path
        Folder to make.
    still : str
        "tiff", "png" or "fits".
    colour, bits, exposure_s
        As for `FitsCubeWriter`.
    """

    def __init__(self, path: Path, *, still: str, colour: str, bits: int, exposure_s: float) -> None:
        if still not in {"tiff", "png", "fits"}:
            raise ValueError(f"still: {still!r} is not tiff, png or fits")
        self._folder, self._still, self._colour, self._bits = Path(path), still, colour, bits
        self._exposure_s, self._count = exposure_s, 0
        self._folder.mkdir(parents=True)

    def write(self, frames: NDArray[Any], utc: NDArray[np.datetime64]) -> None:
        """Write one file a frame."""
        for frame, when in zip(frames, utc, strict=True):
            stem = self._folder / f"frame_{self._count:06d}"
            if self._still == "tiff":
                photometric = "rgb" if frame.ndim == 3 else "minisblack"
                # Tag 306 holds whole seconds; the exact time goes into the description.
                stamp = str(when.astype("datetime64[s]")).replace("-", ":").replace("T", " ")
                tifffile.imwrite(
                    stem.with_suffix(".tif"),
                    frame,
                    photometric=photometric,
                    datetime=stamp,
                    description=f"DATE-OBS={_iso(when)}",
                    metadata=None,
                )
            elif self._still == "png":
                picture = np.ascontiguousarray(frame[..., ::-1]) if frame.ndim == 3 else frame
                ok, data = cv2.imencode(".png", picture, [cv2.IMWRITE_PNG_COMPRESSION, 1])
                if not ok:
                    raise ValueError(f"OpenCV cannot encode {frame.dtype} {frame.shape} as PNG")
                stem.with_suffix(".png").write_bytes(data.tobytes())
            else:
                planes = np.moveaxis(frame, -1, 0) if frame.ndim == 3 else frame
                header = _fits_header(planes.shape, self._bits, self._colour, when, self._exposure_s)
                body = _big_endian(planes, self._bits)
                text = bytes(header.tostring(), "ascii")
                stem.with_suffix(".fits").write_bytes(text + body + b"\0" * (-len(body) % 2880))
            self._count += 1

    def close(self) -> None:
        """Nothing is open."""
