"""The sRGB colour profile that TIFF and PNG files carry, built in full from the standards' numbers.

A profile made by a library holds the date of its making and the name of the platform; this one is the same bytes
everywhere. It exists in colour (RGB) and, for pictures through one filter, in grey with the same tone curve.

Sources
-------
ICC.1:2022 (profile version 4.4; layout of header and tags, "para" curve type 3, chromatic adaptation tag).
IEC 61966-2-1:1999 for the primaries and the curve; the colorants are its primaries adapted from D65 to D50 with the
linear Bradford matrix of ICC.1:2022 annex E.
"""

from __future__ import annotations

import struct
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["srgb_profile"]

D50 = (0.9642, 1.0, 0.8249)
_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
_PRIMARIES = ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))
_WHITE = (0.3127, 0.3290)


@lru_cache(maxsize=2)
def srgb_profile(*, colour: bool) -> bytes:
    """Return the ICC profile of sRGB.

    Parameters
    ----------
    colour : bool
        True for R, G, B pictures, False for grey ones.
    """
    tags: list[tuple[bytes, bytes]] = [
        (b"desc", _text("sRGB IEC 61966-2-1" if colour else "Grey with sRGB tone curve")),
        (b"cprt", _text("No copyright, use freely")),
        (b"wtpt", _xyz(D50)),
    ]
    adapt = _adaptation()
    curve = _curve()
    if colour:
        columns = adapt @ _rgb_to_xyz()
        tags += [(name, _xyz(tuple(columns[:, i]))) for i, name in enumerate((b"rXYZ", b"gXYZ", b"bXYZ"))]
        tags += [(name, curve) for name in (b"rTRC", b"gTRC", b"bTRC")]
    else:
        tags.append((b"kTRC", curve))
    tags.append((b"chad", b"sf32\0\0\0\0" + b"".join(_fixed(v) for v in adapt.ravel())))
    return _assemble(tags, b"RGB " if colour else b"GRAY")


def _assemble(tags: list[tuple[bytes, bytes]], space: bytes) -> bytes:
    """Lay out header, tag table and data; equal data are stored once, as the standard allows."""
    start = 128 + 4 + 12 * len(tags)
    body, table, places = b"", struct.pack(">I", len(tags)), dict[bytes, int]()
    for name, data in tags:
        if data not in places:
            places[data] = start + len(body)
            body += data + b"\0" * (-len(data) % 4)
        table += struct.pack(">4sII", name, places[data], len(data))
    header = struct.pack(
        ">I4sI4s4s4s6H4s4sIIIQI12s4s16s28x",
        start + len(body),
        b"\0\0\0\0",
        0x04400000,
        b"mntr",
        space,
        b"XYZ ",
        *(2000, 1, 1, 0, 0, 0),
        b"acsp",
        b"\0\0\0\0",
        0,
        0,
        0,
        0,
        0,
        b"".join(_fixed(v) for v in D50),
        b"\0\0\0\0",
        b"\0" * 16,
    )
    return header + table + body


def _fixed(value: float) -> bytes:
    return struct.pack(">i", round(float(value) * 65536.0))


def _xyz(values: tuple[float, ...]) -> bytes:
    return b"XYZ \0\0\0\0" + b"".join(_fixed(v) for v in values)


def _text(text: str) -> bytes:
    encoded = text.encode("utf-16-be")
    return b"mluc\0\0\0\0" + struct.pack(">II2s2sII", 1, 12, b"en", b"US", len(encoded), 28) + encoded


def _curve() -> bytes:
    """Parametric curve type 3: ((a x + b) ** g) from d on, c x below."""
    values = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
    return b"para\0\0\0\0" + struct.pack(">HH", 3, 0) + b"".join(_fixed(v) for v in values)


def _white_xyz(x: float, y: float) -> NDArray[np.float64]:
    return np.array([x / y, 1.0, (1.0 - x - y) / y])


def _rgb_to_xyz() -> NDArray[np.float64]:
    columns = np.array([_white_xyz(x, y) for x, y in _PRIMARIES]).T
    matrix: NDArray[np.float64] = columns * np.linalg.solve(columns, _white_xyz(*_WHITE))
    return matrix


def _adaptation() -> NDArray[np.float64]:
    scale = (_BRADFORD @ np.array(D50)) / (_BRADFORD @ _white_xyz(*_WHITE))
    matrix: NDArray[np.float64] = np.linalg.inv(_BRADFORD) @ (scale[:, None] * _BRADFORD)
    return matrix
