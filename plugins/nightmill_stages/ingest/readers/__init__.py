"""Readers of file formats: plain classes behind the stage `ingest`, tried in the order of `READERS`."""

from __future__ import annotations

from .avi import AviReader
from .base import NotMine, Options, Reader, Recording
from .fits import FitsReader
from .folder import FolderReader
from .movie import MovieReader
from .ser import SerReader
from .tiff import TiffReader

READERS: tuple[Reader, ...] = (SerReader(), AviReader(), MovieReader(), FitsReader(), TiffReader(), FolderReader())
"""A reader may decline with `NotMine` what a later one is to try (compressed AVI)."""

__all__ = ["READERS", "NotMine", "Options", "Reader", "Recording"]
