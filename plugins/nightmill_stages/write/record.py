"""What travels inside every picture file, and how to get it back from FITS, TIFF and PNG.

All formats carry the same JSON document: {"record", "header", "geometry", "display", "filters", "captures"}.
"""

from __future__ import annotations

import json
import zlib
from pathlib import Path
from typing import Any

from nightmill.artefacts import Picture, fitsio
from nightmill.errors import UsageError

from .png import text_of

__all__ = ["KEYWORD", "describe", "read_description", "read_record", "to_text"]

KEYWORD = "nightmill"
"""Keyword of the PNG text chunk, and the one key of the JSON document in a TIFF's ImageDescription."""


def describe(picture: Picture) -> dict[str, Any]:
    """Return what a picture's files say about it, as JSON values (the same that `Picture.write` puts into FITS)."""
    return {
        "record": picture.record,
        "header": picture.header,
        "geometry": picture.geometry,
        "display": picture.display,
        "filters": list(picture.filters),
        "captures": [capture.to_json() for capture in picture.captures],
    }


def to_text(description: dict[str, Any]) -> str:
    """Return the description as ASCII JSON in a fixed order."""
    return json.dumps(description, sort_keys=True, ensure_ascii=True, allow_nan=False, separators=(",", ":"))


def read_record(path: Path) -> dict[str, Any]:
    """Read how a picture came about, `Picture.record`, from its FITS, TIFF or PNG file.

    Parameters
    ----------
    path : Path
        A picture written by nightmill; recognised by its content, not by its name.

    Raises
    ------
    UsageError
        The file cannot be read, is of another kind, or carries no record.
    """
    record = read_description(path).get("record")
    if not isinstance(record, dict):
        raise UsageError(f"{path} carries no record of nightmill; choose a picture that nightmill wrote")
    return record


def read_description(path: Path) -> dict[str, Any]:
    """Read all that a picture file says about itself (see `describe`); raises like `read_record`."""
    path = Path(path)
    try:
        with path.open("rb") as file:
            start = file.read(8)
        if start.startswith(b"\x89PNG"):
            text = text_of(path.read_bytes(), KEYWORD)
            found = None if text is None else json.loads(text)
        elif start[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
            found = _from_tiff(path)
        elif start.startswith(b"SIMPLE"):
            found = fitsio.read_record(path)
        else:
            raise UsageError(f"{path} is neither FITS nor TIFF nor PNG; choose a picture that nightmill wrote")
    except OSError as error:
        raise UsageError(f"{path} cannot be read: {error.strerror or error}") from error
    except (ValueError, KeyError, zlib.error) as error:
        raise UsageError(f"{path} is damaged: its record cannot be read ({error})") from error
    if not isinstance(found, dict) or not found:
        raise UsageError(f"{path} carries no record of nightmill; choose a picture that nightmill wrote")
    return found


def _from_tiff(path: Path) -> Any:
    import tifffile

    try:
        with tifffile.TiffFile(path) as tiff:
            text = tiff.pages.first.description
    except tifffile.TiffFileError as error:
        raise ValueError(str(error)) from error
    try:
        document = json.loads(text)
    except ValueError:
        return None
    return document.get(KEYWORD) if isinstance(document, dict) else None
