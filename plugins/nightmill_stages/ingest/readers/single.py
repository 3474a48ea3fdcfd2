"""One frame to a file: what a FITS, TIFF or PNG file says of itself, and its pixels.

PNG after the W3C recommendation (third edition, 2025): signature, IHDR first, IEND last.
"""

from __future__ import annotations

import zlib
from abc import ABC, abstractmethod
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightmill.errors import CaptureError

from . import tiff
from .base import check_size, read_exactly
from .fits import SUFFIXES as FITS_SUFFIXES
from .fitsfile import FitsImage, find_image, read_raw

__all__ = ["FORMATS", "Format", "Glance"]


@dataclass(frozen=True)
class Glance:
    """What a frame's header says.

    Attributes
    ----------
    height, width, planes : int
        As in Capture.
    kind : str
        Type of its samples; frames of one recording share it.
    setting : tuple
        What else frames of one recording share (exposure, filter, kind of frame).
    image : FitsImage or None
        The header, of FITS files.
    """

    height: int
    width: int
    planes: int
    kind: str
    setting: tuple[Any, ...] = ()
    image: FitsImage | None = field(default=None, compare=False, repr=False)


class Format(ABC):
    """A file format that holds one frame."""

    name: str
    suffixes: frozenset[str]

    @abstractmethod
    def glance(self, path: Path) -> Glance:
        """Read the header and check that the file is whole; CaptureError or OSError when not."""

    @abstractmethod
    def pixels(self, path: Path, glance: Glance) -> NDArray[Any]:
        """Return (h, w) or (h, w, 3) of uint8, uint16 or float32."""


class _Fits(Format):
    name = "fits"
    suffixes = frozenset(FITS_SUFFIXES)

    def glance(self, path: Path) -> Glance:
        with path.open("rb", buffering=0) as file:
            size = file.seek(0, 2)
            image = find_image(file, size, path.name)
        if image.frames != 1:
            raise CaptureError(f"{path.name} holds {image.frames} frames, not one.")
        if image.offset + image.frame_bytes > size:
            raise CaptureError(f"{path.name} is cut off.")
        cards = image.cards
        setting = tuple(cards.get(key) for key in ("EXPTIME", "EXPOSURE", "GAIN", "FILTER", "IMAGETYP", "OBJECT"))
        return Glance(image.height, image.width, image.planes, image.dtype, setting, image)

    def pixels(self, path: Path, glance: Glance) -> NDArray[Any]:
        image = glance.image
        assert image is not None
        with path.open("rb", buffering=0) as file:
            frame: NDArray[Any] = read_raw(file, image, 0, 1, path.name)[0]
            return frame


class _Tiff(Format):
    name = "tiff"
    suffixes = frozenset(tiff.SUFFIXES)

    def glance(self, path: Path) -> Glance:
        size = path.stat().st_size
        with tiff.opened(path) as tif:
            shape, dtype = tiff.page_shape(tif.pages[0], size, path.name)
            if (count := tiff.frames_of(tif, path.name)[0]) > 1:
                raise CaptureError(f"{path.name} holds {count} frames, not one.")
            planar = tif.pages[0].planarconfig == 2
        height, width = shape[-2:] if planar and len(shape) == 3 else shape[:2]
        samples = 1 if len(shape) == 2 else shape[0 if planar else 2]
        check_size(path.name, height, width)
        return Glance(height, width, 3 if samples >= 3 else 1, dtype.name)

    def pixels(self, path: Path, glance: Glance) -> NDArray[Any]:
        with tiff.opened(path) as tif:
            frame: NDArray[Any] = tiff.tidy(tiff.decode_page(tif.pages[0], path.name)[None])[0]
            return frame


class _Png(Format):
    name = "png"
    suffixes = frozenset({".png"})

    def glance(self, path: Path) -> Glance:
        with path.open("rb", buffering=0) as file:
            size = file.seek(0, 2)
            head = read_exactly(file, 0, 33)
            tail = read_exactly(file, max(0, size - 4096), 4096)
        if len(head) < 33 or head[:8] != b"\x89PNG\r\n\x1a\n" or head[12:16] != b"IHDR":
            raise CaptureError(f"{path.name} does not begin like a PNG file.")
        width, height = (int.from_bytes(head[at : at + 4], "big") for at in (16, 20))
        depth, colour = head[24], head[25]
        check_size(path.name, height, width)
        samples = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}.get(colour)
        if samples is None or depth not in (1, 2, 4, 8, 16):
            raise CaptureError(f"{path.name} has a damaged header.")
        # Deflate makes at most 1032 bytes of one.
        if b"IEND" not in tail or height * (1 + width * samples * depth // 8) > tiff.INFLATION * size:
            raise CaptureError(f"{path.name} is cut off or damaged.")
        return Glance(height, width, 1 if colour in (0, 4) else 3, "uint16" if depth == 16 else "uint8")

    def pixels(self, path: Path, glance: Glance) -> NDArray[Any]:
        import cv2

        plain = _essential(path.read_bytes())
        image = None if plain is None else cv2.imdecode(np.frombuffer(plain, np.uint8), cv2.IMREAD_UNCHANGED)
        if image is None or image.shape[:2] != (glance.height, glance.width):
            raise CaptureError(
                f"{path.name} cannot be decoded: it is damaged. Copy it again or take it out of the folder."
            )
        if image.ndim == 3 and glance.planes == 1:
            return np.ascontiguousarray(image[..., 0])
        return image if image.ndim == 2 else np.ascontiguousarray(image[..., 2::-1])


def _essential(data: bytes) -> bytes | None:
    """Return a PNG of the chunks that make the picture, each with its checksum verified; None when one is wrong.

    Animations and texts stay out: decoders spend unbounded time and memory on damaged ones.
    """
    parts, pos = [data[:8]], 8
    while pos + 12 <= len(data):
        end = pos + 12 + int.from_bytes(data[pos : pos + 4], "big")
        kind = data[pos + 4 : pos + 8]
        if end > len(data):
            return None
        if kind in (b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND"):
            if zlib.crc32(data[pos + 4 : end - 4]) != int.from_bytes(data[end - 4 : end], "big"):
                return None
            parts.append(data[pos:end])
        if kind == b"IEND":
            return b"".join(parts)
        pos = end
    return None


FORMATS: tuple[Format, ...] = (_Fits(), _Tiff(), _Png())
