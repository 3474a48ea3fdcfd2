"""One FITS file: header cards, where the picture lies, how its axes are meant, and what the header says of the night.

After the FITS Standard 4.0 (2018). Reserved keywords (DATE-OBS, DATE-BEG, TIMESYS, OBJECT, INSTRUME, BUNIT) as there;
EXPTIME, GAIN, FILTER, IMAGETYP, BAYERPAT, FRAMERATE and SATURATE are common practice, no source. Headers are parsed
here rather than by a library because a hostile one must cost neither memory nor time.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from nightmill.errors import CaptureError

from .. import clock
from .base import check_size, read_exactly, read_into

__all__ = [
    "FitsImage",
    "cfa_of",
    "find_image",
    "interval_of",
    "number",
    "parse_cards",
    "read_raw",
    "role_of",
    "start_of",
]

BLOCK = 2880
MAX_BLOCKS = 256
MAX_HDUS = 32
MAX_FRAMES = 4_000_000
Cards = dict[str, Any]


@dataclass(frozen=True)
class FitsImage:
    """A picture or cube in a FITS file.

    Attributes
    ----------
    offset : int
        Where its data begin.
    bitpix : int
        8, 16, 32, 64, -32 or -64.
    frames, height, width, planes : int
        What it holds as claimed.
    planes_last : bool
        Whether the three colours of a pixel lie side by side.
    bscale, bzero : float
        Physical value is bzero + bscale * stored value.
    cards : dict
        Keyword to value; an extension's own cards over the primary header's.
    doubtful : bool
        Three planes were taken for colours though nothing says so.
    """

    offset: int
    bitpix: int
    frames: int
    height: int
    width: int
    planes: int
    planes_last: bool
    bscale: float
    bzero: float
    cards: Cards = field(repr=False)
    doubtful: bool = False

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame in the file."""
        return self.height * self.width * self.planes * (abs(self.bitpix) // 8)

    @property
    def dtype(self) -> str:
        """Type that frames are handed out in."""
        if self.bscale == 1 and self.bitpix == 8 and self.bzero == 0:
            return "uint8"
        return "uint16" if self.bscale == 1 and self.bitpix == 16 and self.bzero in (0, 32768) else "float32"


def parse_cards(raw: bytes) -> Cards:
    """Return the values of header cards by keyword; the first of a repeated keyword counts, as do only valid ones."""
    cards: Cards = {}
    for start in range(0, len(raw) - 79, 80):
        card = raw[start : start + 80].decode("latin-1")
        keyword, text = card[:8].rstrip(), card[10:].strip()
        if card.startswith("HIERARCH ") and "=" in card:  # the common convention for longer keywords
            keyword, _, text = (part.strip() for part in card[9:].partition("="))
        elif card[8:10] != "= ":
            continue
        value: Any = None
        if text.startswith("'"):
            # Two quotes are one; the first single one ends the text.
            value = text[1:].replace("''", "\0").partition("'")[0].replace("\0", "'").rstrip()
        else:
            word = text.partition("/")[0].strip()
            if word in ("T", "F"):
                value = word == "T"
            elif word:
                value = _number(word)
        if value is not None:
            cards.setdefault(keyword, value)
    return cards


def _number(word: str) -> int | float | None:
    if len(word) > 40 or not word.isascii() or "_" in word:
        return None
    try:
        return int(word)
    except ValueError:
        pass
    try:
        value = float(word.upper().replace("D", "E"))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def find_image(file: BinaryIO, size: int, name: str) -> FitsImage:
    """Find the first picture in a FITS file, and check its claims.

    Raises
    ------
    CaptureError
        Not FITS, no picture in it, a compressed one, or sizes that cannot be.
    """
    pos, primary = 0, {}
    for number_ in range(MAX_HDUS):
        cards, data = _header(file, pos, name, first=number_ == 0)
        if number_ == 0:
            primary = cards
        if cards.get("ZIMAGE") is True:
            raise CaptureError(
                f"{name} holds a compressed picture, which nightmill does not read. Uncompress it to a plain FITS file."
            )
        axes = _axes(cards)
        is_image = number_ == 0 or cards.get("XTENSION") == "IMAGE"
        if is_image and axes is not None and len(axes) >= 2 and all(axes):
            return _described(data, axes, {**primary, **cards}, name)
        count = math.prod(axes) if axes else 0
        extra = cards.get("PCOUNT", 0) if number_ else 0
        groups = cards.get("GCOUNT", 1) if number_ else 1
        bits = cards.get("BITPIX")
        if not all(isinstance(v, int) and v >= 0 for v in (extra, groups)) or not isinstance(bits, int):
            break
        length = abs(bits) // 8 * groups * (extra + count)
        pos = data + -(-length // BLOCK) * BLOCK
        if pos >= size:
            break
    raise CaptureError(
        f"{name} holds no picture (it may be a table). Leave it out, or save its frames as an image cube."
    )


def _header(file: BinaryIO, pos: int, name: str, *, first: bool) -> tuple[Cards, int]:
    """Return the cards of the header at `pos` and where its data begin."""
    raw = b""
    for _ in range(MAX_BLOCKS):
        block = read_exactly(file, pos + len(raw), BLOCK)
        if not raw and not block.startswith(b"SIMPLE  =" if first else b"XTENSION="):
            what = "does not begin like a FITS file" if first else "has a damaged extension"
            raise CaptureError(f"{name} {what}. Copy it again or leave it out.")
        raw += block
        if any(block.startswith(b"END     ", at) for at in range(0, len(block), 80)):
            return parse_cards(raw), pos + len(raw)
        if len(block) < BLOCK:
            break
    raise CaptureError(f"{name} has a header without an end. It is cut off or damaged; copy it again or leave it out.")


def _axes(cards: Mapping[str, Any]) -> list[int] | None:
    """Return the axes, slowest first as in NumPy; None when they are not stated well."""
    count = cards.get("NAXIS")
    if not isinstance(count, int) or not 0 <= count <= 8:
        return None
    axes = [cards.get(f"NAXIS{number_}") for number_ in range(count, 0, -1)]
    return [a for a in axes if isinstance(a, int)] if all(isinstance(a, int) and a >= 0 for a in axes) else None


def _described(offset: int, axes: list[int], cards: Cards, name: str) -> FitsImage:
    bitpix = cards.get("BITPIX")
    if bitpix not in (8, 16, 32, 64, -32, -64):
        raise CaptureError(f"{name} has a damaged header: BITPIX is {bitpix!r}. Copy it again or leave it out.")
    doubtful = planes_last = False
    frames, planes = 1, 1
    stated = axes
    while len(axes) > 3 and axes[0] == 1:
        axes = axes[1:]
    if len(axes) == 2:
        height, width = axes
    elif len(axes) == 3 and axes[2] == 3 and axes[1] > 4:
        height, width, planes = axes
        planes_last = True
    elif len(axes) == 3 and axes[0] == 3 and not _planes_are_frames(cards):
        planes, height, width = axes
        doubtful = "CTYPE3" not in cards and cards.get("BUNIT") is None
    elif len(axes) == 3:
        frames, height, width = axes
    elif len(axes) == 4 and axes[1] in (1, 3):
        frames, planes, height, width = axes
    elif len(axes) == 4 and axes[3] == 3:
        frames, height, width, planes = axes
        planes_last = True
    else:
        text = " x ".join(str(a) for a in reversed(stated))
        raise CaptureError(
            f"{name} holds an array of {text}, which is no series of frames. Save it as width x height x n."
        )
    check_size(name, height, width)
    bscale, bzero = number(cards, "BSCALE", 1.0), number(cards, "BZERO", 0.0)
    if not bscale or abs(bscale) > 1e30 or abs(bzero or 0.0) > 1e30:
        raise CaptureError(f"{name} has a damaged header: BSCALE is {bscale!r}. Copy it again or leave it out.")
    return FitsImage(offset, bitpix, frames, height, width, planes, planes_last, bscale, bzero or 0.0, cards, doubtful)


def _planes_are_frames(cards: Mapping[str, Any]) -> bool:
    """Say whether three planes are three moments, not three colours."""
    third = str(cards.get("CTYPE3", "")).upper()
    return "BAYERPAT" in cards or "FRAMERATE" in cards or third.startswith(("TIME", "FRAME", "UTC"))


def read_raw(file: BinaryIO, image: FitsImage, start: int, stop: int, name: str) -> NDArray[Any]:
    """Read frames as (n, h, w) or (n, h, w, 3) of `image.dtype`, in native order.

    Signed 16-bit integers become unsigned, negative values 0. Other types become float32; what is not finite becomes 0.
    """
    n = stop - start
    shape: tuple[int, ...] = (n, image.height, image.width)
    if image.planes == 3:
        shape = (*shape, 3) if image.planes_last else (n, 3, image.height, image.width)
    kind = "u1" if image.bitpix == 8 else f"{'f' if image.bitpix < 0 else 'i'}{abs(image.bitpix) // 8}"
    data = np.empty(shape, kind)
    read_into(file, image.offset + start * image.frame_bytes, data, name)
    if np.little_endian:
        data.byteswap(inplace=True)
    out: NDArray[Any]
    if image.dtype == "uint8":
        out = data
    elif image.dtype == "uint16":
        out = data.view(np.uint16)
        if image.bzero:
            out ^= np.uint16(0x8000)
        else:
            np.maximum(data, 0, out=data)
    else:
        with np.errstate(over="ignore", invalid="ignore"):
            plain = image.bscale == 1 and image.bzero == 0
            out = (data if plain else data * image.bscale + image.bzero).astype(np.float32)
        out[~np.isfinite(out)] = 0
    if image.planes == 3 and not image.planes_last:
        out = np.ascontiguousarray(np.moveaxis(out, 1, -1))
    return out


def number(cards: Mapping[str, Any], *names_and_default: Any) -> float | None:
    """Return the first of some keywords that holds a number, else the default that stands last."""
    *names, default = names_and_default
    for name in names:
        value = cards.get(name)
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            return float(value)
    return None if default is None else float(default)


def start_of(cards: Mapping[str, Any]) -> float | None:
    """Return the POSIX seconds of the start of the exposure; None when not stated in UTC or not believable."""
    if str(cards.get("TIMESYS", "UTC")).strip().upper() not in ("UTC", "UT", "GMT"):
        return None
    seconds = None
    text = cards.get("DATE-BEG", cards.get("DATE-OBS"))
    if isinstance(text, str) and text.strip():
        text = text.strip().rstrip("Z")
        clock_text = cards.get("TIME-OBS", cards.get("UT"))
        if "T" not in text and isinstance(clock_text, str):
            text = f"{text}T{clock_text.strip()}"
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            moment = None
        if moment is not None and "T" in text:
            seconds = (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
    days = number(cards, "MJD-BEG", "MJD-OBS", None)
    if seconds is None and days is not None:
        seconds = (days - 40587.0) * 86400.0
    return seconds if seconds is not None and clock.plausible(seconds) else None


def interval_of(cards: Mapping[str, Any]) -> float | None:
    """Return seconds from frame to frame, from a frame rate in Hz."""
    rate = number(cards, "FRAMERATE", "FPS", None)
    return 1 / rate if rate is not None and 1 / 3600 <= rate <= 1e5 else None


def role_of(cards: Mapping[str, Any]) -> str:
    """Return "dark" (also for bias frames), "flat" or "light" from IMAGETYP."""
    kind = str(cards.get("IMAGETYP", cards.get("FRAME", ""))).lower()
    if "dark" in kind or "bias" in kind or "offset" in kind:
        return "dark"
    return "flat" if "flat" in kind else "light"


def cfa_of(cards: Mapping[str, Any]) -> str | None:
    """Return the colour filter array of the pixel at [0, 0], from BAYERPAT and its offsets."""
    pattern = str(cards.get("BAYERPAT", "")).strip().upper()
    if pattern not in ("RGGB", "GRBG", "GBRG", "BGGR"):
        return None
    columns, rows = (int(number(cards, key, 0.0) or 0) % 2 for key in ("XBAYROFF", "YBAYROFF"))
    grid = [pattern[:2], pattern[2:]]
    return "".join(grid[(y + rows) % 2][(x + columns) % 2] for y in (0, 1) for x in (0, 1))
