"""The writers that ship: thin adapters from a finished picture to the bytes of a file.

A file appears under its name only when it is whole: bytes go to a neighbouring ".part" file that is renamed at the
end, so a full disk leaves an error and no half picture.
"""

from __future__ import annotations

import io
import os
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from nightmill.artefacts import Picture
from nightmill.hooks import Writer

from .display import render
from .icc import srgb_profile
from .png import encode_png
from .record import KEYWORD, describe, read_record, to_text

__all__ = ["FitsWriter", "LabelledPngWriter", "PngWriter", "TiffWriter", "publish_whole"]


class _Recorded(Writer):
    """What the writers share: their files give the record back."""

    def read_record(self, path: Path) -> dict[str, Any] | None:
        """Return how the picture came about; the format is recognised by the file's content."""
        return read_record(path)


class FitsWriter(_Recorded):
    """Linear light as 32-bit FITS in camera orientation, colour as (3, h, w) in R, G, B."""

    name = "fits"
    suffix = ".fits"

    def write(self, picture: Picture, path: Path) -> bool:
        """Write the linear picture; see `Picture.write`."""
        publish_whole(path, picture.write)
        return True


class TiffWriter(_Recorded):
    """Display form as 16-bit TIFF, grey or RGB, with colour profile; the record is JSON in ImageDescription."""

    name = "tiff"
    suffix = ".tif"

    def write(self, picture: Picture, path: Path) -> bool:
        """Write the picture through the display transform."""
        import tifffile

        pixels = render(picture.data, picture.display)
        colour = pixels.ndim == 3
        buffer = io.BytesIO()
        # No compression: every program reads it, and the bytes do not depend on a codec's version.
        tifffile.imwrite(
            buffer,
            pixels,
            photometric="rgb" if colour else "minisblack",
            planarconfig="contig" if colour else None,
            metadata=None,
            description=f'{{"{KEYWORD}":{to_text(describe(picture))}}}',
            software="nightmill",
            datetime=None,
            resolution=(300, 300),
            resolutionunit="INCH",
            iccprofile=srgb_profile(colour=colour),
        )
        publish_whole(path, lambda part: _write_bytes(part, buffer.getbuffer()))
        return True


class PngWriter(_Recorded):
    """Display form as 16-bit PNG, grey or RGB, with colour profile; the record is text under "nightmill"."""

    name = "png"
    suffix = ".png"

    def write(self, picture: Picture, path: Path) -> bool:
        """Write the picture through the display transform."""
        content = encode_png(render(picture.data, picture.display), _texts(picture))
        publish_whole(path, lambda part: _write_bytes(part, content))
        return True


class LabelledPngWriter(_Recorded):
    """The picture with its label panel as 8-bit PNG, with the same profile and record; only when there is one."""

    name = "labelled-png"
    suffix = ".labelled.png"

    def write(self, picture: Picture, path: Path) -> bool:
        """Write `picture.labelled`; False when the picture has none."""
        if picture.labelled is None:
            return False
        content = encode_png(picture.labelled, _texts(picture))
        publish_whole(path, lambda part: _write_bytes(part, content))
        return True


def _texts(picture: Picture) -> dict[str, str]:
    """Text chunks: the PNG specification's keywords for any viewer, ours for the record."""
    texts = {"Software": "nightmill"}
    target = picture.captures[0].target if picture.captures else None
    if target:
        texts["Title"] = f"{target}, {', '.join(picture.filters)}"
    if picture.utc_mid is not None:
        # "Creation Time" is that of the original image: the middle of the captures, never the time of writing.
        texts["Creation Time"] = datetime.fromtimestamp(picture.utc_mid, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return {**texts, KEYWORD: to_text(describe(picture))}


def _write_bytes(path: Path, content: bytes | memoryview) -> None:
    with path.open("wb") as file:
        file.write(content)


def publish_whole(path: Path, write: Callable[[Path], None]) -> None:
    """Let `write` fill a neighbouring file, flush it to the disk and give it its name; nothing is left on error."""
    part = path.with_name(path.name + ".part")
    try:
        write(part)
        with part.open("r+b") as file:
            os.fsync(file.fileno())  # a full disk may speak up only now
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)  # gone already when all went well
