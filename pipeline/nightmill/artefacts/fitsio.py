"""What all FITS files of ours share: headers from plain values, reproducible checksums, an embedded record.

FITS is written as of the FITS standard 4.0 (Pence et al. 2010, A&A 524, A42, and its 2018 revision). Bytes depend
on the content alone: no date of writing appears anywhere.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..files import json_bytes

__all__ = ["RECORD", "card_values", "image_hdu", "read_record", "record_hdu", "write_hdus"]

RECORD = "RECORD"
"""Name of the extension that holds the JSON record, as the bytes of UTF-8 text."""

Card = tuple[Any, str]


def image_hdu(data: NDArray[Any] | None, *, name: str | None = None, cards: Mapping[str, Card] | None = None) -> Any:
    """Make a primary HDU (`name` None) or an image extension, with header cards {keyword: (value, comment)}."""
    from astropy.io import fits

    array = None if data is None else np.ascontiguousarray(data)
    hdu = fits.PrimaryHDU(array) if name is None else fits.ImageHDU(array, name=name)
    for keyword, (value, comment) in (cards or {}).items():
        if value is None or (isinstance(value, float) and not np.isfinite(value)):
            continue
        # FITS headers are printable ASCII: a name with accents is written without them, the record keeps it whole.
        clean = "".join(one if " " <= one <= "~" else "?" for one in value) if isinstance(value, str) else value
        hdu.header[keyword] = (clean, comment)
    return hdu


def record_hdu(record: Mapping[str, Any]) -> Any:
    """Make the extension that carries a JSON record."""
    text = json.dumps(record, sort_keys=True, indent=1, ensure_ascii=False)
    return image_hdu(np.frombuffer(json_bytes(text), np.uint8).copy(), name=RECORD)


def write_hdus(path: Path, hdus: list[Any]) -> None:
    """Write HDUs to `path` with DATASUM and CHECKSUM but without the date of the sum."""
    from astropy.io import fits

    for hdu in hdus:
        hdu.add_checksum(when="nightmill")
    fits.HDUList(hdus).writeto(path, overwrite=True, output_verify="exception")


def read_record(path: Path) -> dict[str, Any]:
    """Return the JSON record in a FITS file of ours; an empty dict when it has none."""
    from astropy.io import fits

    with fits.open(path, memmap=False) as hdus:
        if RECORD not in hdus:
            return {}
        record: dict[str, Any] = json.loads(bytes(np.asarray(hdus[RECORD].data, np.uint8)).decode("utf-8"))
        return record


def card_values(header: Any) -> dict[str, Any]:
    """Return the plain values of a header, by keyword, without structural and comment cards."""
    skip = {"SIMPLE", "XTENSION", "BITPIX", "EXTEND", "PCOUNT", "GCOUNT", "CHECKSUM", "DATASUM", "COMMENT"}
    skip |= {"HISTORY", "EXTNAME", ""}
    return {key: header[key] for key in header if key not in skip and not key.startswith("NAXIS")}
