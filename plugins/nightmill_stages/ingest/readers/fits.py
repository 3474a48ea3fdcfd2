"""FITS cubes and single FITS pictures (finished masters among them) as recordings."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import Capture
from nightmill.errors import CaptureError

from ..levels import find_levels
from .base import Options, Reader, Recording
from .fitsfile import (
    MAX_FRAMES,
    FitsImage,
    cfa_of,
    find_image,
    interval_of,
    number,
    read_raw,
    role_of,
    start_of,
)

__all__ = ["SUFFIXES", "FitsReader", "describe_header", "scale_of"]

SUFFIXES = {".fits", ".fit", ".fts"}


class FitsReader(Reader):
    """One FITS file: (n, h, w), (h, w), and colour as (3, h, w), (n, 3, h, w), (n, h, w, 3)."""

    name = "fits"

    def accepts(self, path: Path) -> bool:
        """Look at the extension."""
        return path.suffix.lower() in SUFFIXES and path.is_file()

    def open(self, path: Path, options: Options) -> Capture:
        """Read the header, count whole frames, look at three."""
        with path.open("rb", buffering=0) as file:
            size = file.seek(0, 2)
            image = find_image(file, size, path.name)
            frames = min(image.frames, (size - image.offset) // image.frame_bytes)
            if not 1 <= frames <= MAX_FRAMES:
                raise CaptureError(
                    f"{path.name} holds no whole frame of {image.width} x {image.height} pixels. It is cut off or its "
                    "header is damaged; copy it again or leave it out."
                )
            numbers = sorted({0, frames // 2, frames - 1})
            samples = np.concatenate([read_raw(file, image, n, n + 1, path.name) for n in numbers])
        cautions = []
        if image.doubtful:
            cautions.append("Its three planes are taken for red, green and blue of one frame, not for three frames.")
        interval = interval_of(image.cards)
        exposure = number(image.cards, "EXPTIME", "EXPOSURE", "XPOSURE", None)
        described = describe_header(image, cautions)
        if interval is None and frames > 1:
            span = number(image.cards, "TELAPSE", None)
            interval = span / image.frames if span and span > 0 else None
        shift, full_scale = scale_of(image, samples, options, cautions, path.name)
        return Capture(
            path=str(path),
            file="",
            source="ingest",
            frames=frames,
            height=image.height,
            width=image.width,
            planes=image.planes,
            dtype=image.dtype,
            full_scale=full_scale,
            frame_interval_s=interval,
            exposure_s=exposure if exposure is not None and 0 <= exposure <= 86400 else None,
            frames_missing=image.frames - frames,
            cautions=tuple(cautions),
            details={"shift": shift},
            **described,
        )

    def recording(self, capture: Capture) -> Recording:
        """Open the file."""
        return _FitsRecording(capture)


class _FitsRecording(Recording):
    def __init__(self, capture: Capture) -> None:
        super().__init__(capture)
        with contextlib.ExitStack() as held:
            self._file: BinaryIO = held.enter_context(self.path.open("rb", buffering=0))
            self._image = find_image(self._file, self._file.seek(0, 2), self.path.name)
            found = (self._image.height, self._image.width, self._image.planes, self._image.dtype)
            if found != (capture.height, capture.width, capture.planes, capture.dtype):
                raise CaptureError(f"{self.path.name} has changed since it was opened. Run again.")
            held.pop_all()  # all is well: the file stays open until `close`

    def read(self, start: int, stop: int) -> NDArray[Any]:
        data = read_raw(self._file, self._image, start, stop, self.path.name)
        shift = self.capture.details["shift"]
        return np.right_shift(data, shift, out=data) if shift else data

    def close(self) -> None:
        self._file.close()


def describe_header(image: FitsImage, cautions: list[str]) -> dict[str, Any]:
    """Return what a header says of the night, as attributes of a Capture."""
    cards = image.cards
    text = {key: str(cards[key]).strip() for key in ("OBJECT", "FILTER", "INSTRUME") if cards.get(key) is not None}
    cfa = cfa_of(cards) if image.planes == 1 else None
    start = start_of(cards)
    if start is None and "DATE-OBS" in cards:
        cautions.append("The time of its header (DATE-OBS) is not in UTC, has no time of day or cannot be believed.")
    return {
        "cfa": cfa,
        "role": role_of(cards),
        "target": text.get("OBJECT", "").lower() or None,
        "filter": "RGB" if image.planes == 3 or cfa else text.get("FILTER") or None,
        "camera": text.get("INSTRUME") or None,
        "utc_start": start,
        "gain": number(cards, "GAIN", None),
    }


def scale_of(
    image: FitsImage, samples: NDArray[Any], options: Options, cautions: list[str], name: str
) -> tuple[int, float]:
    """Return the shift that right-aligns samples and their full scale in ADU.

    Numbers that are not 8 or 16-bit integers do not say what full scale is: SATURATE does, or the unit "fraction", or
    values up to about 1; else 16 bits are taken, which is what such pictures mostly come from.
    """
    if image.dtype == "uint8":
        return 0, float(2 ** min(options.bits or 8, 8) - 1)
    if image.dtype == "uint16":
        levels = find_levels(samples, max(options.bits or 16, 9))
        if levels.caution:
            cautions.append(f"{name} {levels.caution}.")
        return levels.shift, levels.full_scale
    if options.bits:
        return 0, float(2**options.bits - 1)
    stated = number(image.cards, "SATURATE", None)
    if stated is not None and 0 < stated <= 2.0**32:
        return 0, stated
    top = float(samples.max())
    if str(image.cards.get("BUNIT", "")).lower().startswith("fraction") or top <= 2.0:
        return 0, 1.0
    full_scale = 65535.0 if not 65535 < top <= 2.0**32 else float(2 ** int(np.ceil(np.log2(top + 1))) - 1)
    cautions.append(f"{name} does not state at what value it saturates (SATURATE); {full_scale:g} is taken.")
    return 0, full_scale
