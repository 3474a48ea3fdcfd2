"""Pages of TIFF files, checked before they are decoded, and multi-page TIFF as a recording.

TIFF 6.0 and BigTIFF through the library tifffile. What it does not promise on damaged files (any exception, any
allocation) is guarded here.
"""

from __future__ import annotations

import logging
import math
import struct
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import Capture
from nightmill.errors import CaptureError

from ..levels import find_levels
from .base import MAX_PIXELS, Options, Reader, Recording

__all__ = [
    "INFLATION",
    "SUFFIXES",
    "TiffReader",
    "decode_page",
    "frames_of",
    "opened",
    "page_shape",
    "scale_samples",
    "tidy",
]

SUFFIXES = {".tif", ".tiff"}
# What the library has to say about damaged files is said in our own words.
logging.getLogger("tifffile").addHandler(logging.NullHandler())
INFLATION = 1100
"""No common compression makes more than this of a byte (deflate: 1032)."""


class TiffReader(Reader):
    """TIFF files of several pages, or of one array of frames."""

    name = "tiff"

    def accepts(self, path: Path) -> bool:
        """Look for a second frame; single pictures are left to the folder that they lie in."""
        if path.suffix.lower() not in SUFFIXES or not path.is_file():
            return False
        try:
            with opened(path) as tif:
                return frames_of(tif, path.name)[0] > 1
        except CaptureError:
            return True  # so that opening it says what is wrong

    def open(self, path: Path, options: Options) -> Capture:
        """Count the frames that are whole, and look at three."""
        size = path.stat().st_size
        with opened(path) as tif:
            count, contiguous = frames_of(tif, path.name)
            shape, dtype = page_shape(tif.pages[0], size, path.name)
            missing = 0
            if contiguous is None:
                good = 0
                while good < count and _same(tif, good, (shape, dtype), size, path.name):
                    good += 1
                count, missing = good, count - good
            else:
                whole = (size - contiguous) // (math.prod(shape) * dtype.itemsize)
                count, missing = min(count, whole), max(0, count - whole)
            if count < 1:
                raise CaptureError(f"{path.name} holds no whole frame. Copy it again or leave it out.")
            samples = np.stack([_page(tif, n, contiguous, path) for n in sorted({0, count // 2, count - 1})])
        samples = tidy(samples)
        scaled = scale_samples(samples, options, path.name)
        return Capture(
            path=str(path),
            file="",
            source="ingest",
            frames=count,
            height=shape[0],
            width=shape[1],
            frames_missing=missing,
            details={"shift": scaled.pop("shift"), "contiguous": contiguous is not None},
            **scaled,
        )

    def recording(self, capture: Capture) -> Recording:
        """Open the file."""
        return _TiffRecording(capture)


class _TiffRecording(Recording):
    def __init__(self, capture: Capture) -> None:
        import tifffile

        super().__init__(capture)
        with _guarded(self.path.name):
            self._tif = tifffile.TiffFile(self.path)
            self._contiguous = frames_of(self._tif, self.path.name)[1]

    def read(self, start: int, stop: int) -> NDArray[Any]:
        capture = self.capture
        shape = (capture.height, capture.width) + ((3,) if capture.planes == 3 else ())
        out = np.empty((stop - start, *shape), capture.dtype)
        for number in range(start, stop):
            page = tidy(_page(self._tif, number, self._contiguous, self.path)[None])[0]
            if page.ndim == 3 and capture.planes == 1:
                page = page[..., 1]
            if page.shape != shape or page.dtype != out.dtype:
                raise CaptureError(f"{self.path.name} changes its size or type at frame {number}. Split it there.")
            out[number - start] = page
        shift = capture.details["shift"]
        return np.right_shift(out, shift, out=out) if shift else out

    def close(self) -> None:
        self._tif.close()


DAMAGE = (
    ArithmeticError,
    AssertionError,
    AttributeError,
    EOFError,
    LookupError,
    RuntimeError,
    TypeError,
    ValueError,
    struct.error,
    zlib.error,
)
"""What arithmetic on damaged bytes comes to in the library: it checks little, so wrong tags surface anywhere."""


@contextmanager
def _guarded(name: str) -> Iterator[None]:
    """Turn whatever the library makes of damaged bytes into a sentence."""
    try:
        yield
    except (CaptureError, OSError):
        raise
    except DAMAGE as error:
        raise CaptureError(f"{name} is damaged or no TIFF file ({error}). Copy it again or leave it out.") from error


@contextmanager
def opened(path: Path) -> Iterator[Any]:
    """Open a TIFF file; whatever goes wrong inside becomes a CaptureError, but for OSError."""
    import tifffile

    with _guarded(path.name), tifffile.TiffFile(path) as tif:
        yield tif


def frames_of(tif: Any, name: str) -> tuple[int, int | None]:
    """Return the number of frames claimed, thumbnails apart; and where they begin when one page describes them all."""
    with _guarded(name):
        pages = len(tif.pages)
        if pages < 1:
            raise CaptureError(f"{name} holds no picture. Copy it again or leave it out.")
        page = tif.pages[0]
        described = tif.imagej_metadata or {} if tif.is_imagej else {}
        images = described.get("images", 1)
        if pages == 1 and isinstance(images, int) and images > 1 and page.is_contiguous:
            return images, int(page.dataoffsets[0])
        if pages > 1 and tif.pages[1].shape != page.shape:
            return 1, None  # what follows is a thumbnail
        return pages, None


def page_shape(page: Any, size: int, name: str) -> tuple[tuple[int, ...], np.dtype[Any]]:
    """Return shape and type of a page, after holding its claims against the size of the file."""
    with _guarded(name):
        shape, dtype = tuple(int(side) for side in page.shape), page.dtype
        needed = math.prod(shape) * dtype.itemsize
        offsets, counts = list(page.dataoffsets), list(page.databytecounts)
        stored = sum(counts)
        inside = all(o + c <= size for o, c in zip(offsets, counts, strict=False)) and len(offsets) == len(counts) > 0
        enough = stored >= needed if page.compression == 1 else needed <= INFLATION * size
    if len(shape) not in (2, 3) or not needed or math.prod(shape) > MAX_PIXELS or not inside or not enough:
        raise CaptureError(f"{name} is cut off or damaged: its data are not all there. Copy it again or leave it out.")
    return shape, dtype


def _same(tif: Any, number: int, wanted: tuple[Any, Any], size: int, name: str) -> bool:
    """Say whether a page is whole and like the first."""
    try:
        with _guarded(name):
            return page_shape(tif.pages[number], size, name) == wanted
    except CaptureError:
        return False


def _page(tif: Any, number: int, contiguous: int | None, path: Path) -> NDArray[Any]:
    with _guarded(path.name):
        page = tif.pages[0 if contiguous is not None else number]
        if contiguous is None:
            return decode_page(page, path.name)
        dtype = page.dtype.newbyteorder(tif.byteorder)
        count = math.prod(page.shape)
        offset = contiguous + number * count * dtype.itemsize
        values = np.fromfile(path, dtype, count, offset=offset)
        return values.reshape(page.shape).astype(page.dtype)


def decode_page(page: Any, name: str) -> NDArray[Any]:
    """Return the pixels of a page as (h, w) or (h, w, samples)."""
    with _guarded(name):
        pixels = np.asarray(page.asarray())
        if pixels.ndim == 3 and page.planarconfig == 2:
            pixels = np.moveaxis(pixels, 0, -1)
        if page.photometric == 0 and pixels.dtype.kind == "u":  # white is zero
            pixels = np.iinfo(pixels.dtype).max - pixels
        return pixels


def tidy(frames: NDArray[Any]) -> NDArray[Any]:
    """Return frames (n, h, w[, s]) as (n, h, w) or (n, h, w, 3) of uint8, uint16 or float32, without transparency."""
    if frames.ndim == 4:
        frames = frames[..., 0] if frames.shape[3] <= 2 else frames[..., :3]
    if frames.dtype == bool:
        return frames.astype(np.uint8) * np.uint8(255)
    if frames.dtype in (np.uint8, np.uint16):
        return frames.astype(frames.dtype.newbyteorder("="), copy=False)
    if frames.dtype == np.int16:
        return np.asarray(np.maximum(frames, 0), np.uint16)
    with np.errstate(over="ignore", invalid="ignore"):
        out = frames.astype(np.float32)
    out[~np.isfinite(out)] = 0
    return out


def scale_samples(samples: NDArray[Any], options: Options, name: str) -> dict[str, Any]:
    """Settle planes, type, full scale and alignment from sample frames: attributes of Capture, and "shift"."""
    planes, cautions, shift = (3 if samples.ndim == 4 else 1), [], 0
    if planes == 3 and (samples[..., 1:] == samples[..., :1]).all():
        planes = 1
    if samples.dtype == np.uint8:
        full_scale = float(2 ** min(options.bits or 8, 8) - 1)
    elif samples.dtype == np.uint16:
        levels = find_levels(samples, max(options.bits or 16, 9))
        shift, full_scale = levels.shift, levels.full_scale
        if levels.caution:
            cautions.append(f"{name} {levels.caution}.")
    else:
        full_scale = 1.0 if float(samples.max()) <= 2.0 else float(2 ** (options.bits or 16) - 1)
    return {
        "planes": planes,
        "dtype": samples.dtype.name,
        "full_scale": full_scale,
        "filter": "RGB" if planes == 3 else None,
        "cautions": tuple(cautions),
        "shift": shift,
    }
