"""PNG chunks: what our image library does not write is put in, and read back, here.

The pixels are compressed by OpenCV; colour profile, tone curve and record go before the first IDAT chunk.

Source
------
W3C, Portable Network Graphics (PNG) Specification, third edition: 5 (datastream structure, CRC), 11.3.2 (iCCP, sRGB,
gAMA, cHRM), 11.3.3 (iTXt).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from .icc import srgb_profile

__all__ = ["encode_png", "iter_chunks", "text_of"]

SIGNATURE = b"\x89PNG\r\n\x1a\n"


def encode_png(pixels: NDArray[np.uint16] | NDArray[np.uint8], texts: dict[str, str]) -> bytes:
    """Encode a picture that is already in sRGB.

    Parameters
    ----------
    pixels : ndarray of uint8 or uint16, shape (h, w) or (h, w, 3)
        Grey, or R, G, B.
    texts : dict of str to str
        Text chunks by keyword (Latin letters, at most 79); any text.

    Returns
    -------
    bytes
        The whole file; the same for the same pixels and texts.

    Raises
    ------
    OSError
        The picture could not be encoded.
    """
    image = pixels if pixels.ndim == 2 else pixels[..., ::-1]
    good, encoded = cv2.imencode(".png", np.ascontiguousarray(image), [cv2.IMWRITE_PNG_COMPRESSION, 6])
    if not good:
        raise OSError(f"a picture of {pixels.shape[1]} x {pixels.shape[0]} pixels could not be encoded as PNG")
    plain = encoded.tobytes()
    after_header = len(SIGNATURE) + 12 + 13
    ours = _colour_chunks(pixels.ndim == 3) + b"".join(_text_chunk(k, v) for k, v in texts.items())
    # Whatever ancillary chunks the library version adds by itself (a date, say) is dropped.
    rest = b"".join(_chunk(kind, body) for kind, body in iter_chunks(plain) if kind in (b"IDAT", b"IEND"))
    return plain[:after_header] + ours + rest


def iter_chunks(content: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Iterate over (type, data) of the chunks; raises ValueError when one is cut or its CRC is wrong."""
    if content[: len(SIGNATURE)] != SIGNATURE:
        raise ValueError("no PNG signature")
    place = len(SIGNATURE)
    while place < len(content):
        if place + 12 > len(content):
            raise ValueError("the file ends inside a chunk")
        (length,) = struct.unpack_from(">I", content, place)
        kind, end = content[place + 4 : place + 8], place + 8 + length
        if end + 4 > len(content):
            raise ValueError(f"chunk {kind!r} claims more bytes than the file has")
        (sum_,) = struct.unpack_from(">I", content, end)
        if zlib.crc32(content[place + 4 : end]) != sum_:
            raise ValueError(f"chunk {kind!r} has a wrong check sum")
        yield kind, content[place + 8 : end]
        place = end + 4


def text_of(content: bytes, keyword: str) -> str | None:
    """Return the international text under `keyword`, or None when there is none."""
    wanted = keyword.encode("latin-1") + b"\0"
    for kind, body in iter_chunks(content):
        if kind == b"iTXt" and body.startswith(wanted):
            compressed, rest = body[len(wanted)], body[len(wanted) + 2 :]
            _language, _translated, data = rest.split(b"\0", 2)
            return (zlib.decompress(data) if compressed else data).decode("utf-8")
    return None


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _colour_chunks(colour: bool) -> bytes:
    """Profile, and the older chunks for readers that know no profiles (values of the specification, 11.3.2.5)."""
    profile = b"sRGB\0\0" + zlib.compress(srgb_profile(colour=colour), 9)
    gamma = _chunk(b"gAMA", struct.pack(">I", 45455))
    corners = (31270, 32900, 64000, 33000, 30000, 60000, 15000, 6000)
    primaries = _chunk(b"cHRM", struct.pack(">8I", *corners)) if colour else b""
    return _chunk(b"iCCP", profile) + gamma + primaries


def _text_chunk(keyword: str, text: str) -> bytes:
    body = keyword.encode("latin-1") + b"\0\1\0" + b"\0\0" + zlib.compress(text.encode("utf-8"), 9)
    return _chunk(b"iTXt", body)
