"""Writes finished pictures: FITS in linear light, TIFF and PNG through the display transform, and the labelled PNG.

Sequences become animated PNG, MP4 and GIF.

The bytes of every file depend on the picture alone, and every file carries how the picture came about;
`read_record` gets it back from any of them. Nothing here changes a picture or knows where it came from.
"""

from __future__ import annotations

from nightmill.hooks import Writer

from .display import levels, render
from .films import AnimatedPngWriter, GifWriter, Mp4Writer
from .record import describe, read_description, read_record
from .writers import FitsWriter, LabelledPngWriter, PngWriter, TiffWriter

WRITERS: list[Writer] = [
    FitsWriter(),
    TiffWriter(),
    PngWriter(),
    LabelledPngWriter(),
    AnimatedPngWriter(),
    Mp4Writer(),
    GifWriter(),
]
"""The writers that ship, in the order in which files appear."""

__all__ = [
    "WRITERS",
    "AnimatedPngWriter",
    "FitsWriter",
    "GifWriter",
    "LabelledPngWriter",
    "Mp4Writer",
    "PngWriter",
    "TiffWriter",
    "describe",
    "levels",
    "read_description",
    "read_record",
    "render",
]
