"""Text that fits: sizes measured with the built-in font, long words broken, missing letters replaced.

The font is the one that Pillow carries with it, so that labels look the same on every machine. It has ASCII and a few
signs; letters with accents are written without them, and what has no counterpart as "?".
"""

from __future__ import annotations

import unicodedata
from functools import lru_cache

from PIL import ImageFont

__all__ = ["font", "line_height", "plain", "text_width", "wrap"]

_LETTERS = {
    "–": "-",
    "—": "-",
    "−": "-",
    "‑": "-",
    "’": "'",
    "‘": "'",
    "“": '"',
    "”": '"',
    "″": '"',
    "′": "'",
    "×": "x",
    "ß": "ss",
    "æ": "ae",
    "Æ": "Ae",
    "ø": "o",
    "Ø": "O",
    "œ": "oe",
    "Œ": "Oe",
    "ł": "l",
    "Ł": "L",
    "đ": "d",
    "α": "alpha",
    "β": "beta",
    "λ": "lambda",
    "μ": "u",
    "µ": "u",
    "…": "...",
    "\u00a0": " ",
    "\u202f": " ",
}


@lru_cache(maxsize=32)
def font(size_px: int) -> ImageFont.FreeTypeFont:
    """Return the built-in font at a size in pixels."""
    loaded = ImageFont.load_default(size_px)
    if not isinstance(loaded, ImageFont.FreeTypeFont):
        raise RuntimeError(
            "Pillow was built without FreeType; install Pillow from its wheel so that labels can be drawn"
        )
    return loaded


def plain(text: str) -> str:
    """Write text with the letters that the font has."""
    spelt = "".join(_LETTERS.get(letter, letter) for letter in text)
    bare = "".join(c for c in unicodedata.normalize("NFKD", spelt) if not unicodedata.combining(c))
    bare = " ".join(bare.split())
    return "".join(c if " " <= c <= "~" or c in "°±·" else "?" for c in bare)


def text_width(text: str, size_px: int) -> int:
    """Width of a line in whole pixels, with the overhang of its first and last letter."""
    left, _, right, _ = font(size_px).getbbox(text)
    return int(-(-max(right, font(size_px).getlength(text)) // 1) + max(0, -left))


def line_height(size_px: int) -> int:
    """Distance from line to line in pixels; holds every ascender and descender."""
    ascent, descent = font(size_px).getmetrics()
    return int(ascent + descent)


def wrap(text: str, size_px: int, width_px: int) -> list[str]:
    """Break text at spaces, and inside a word only where it is longer than a whole line."""
    lines: list[str] = []
    line = ""
    for word in text.split(" "):
        trial = f"{line} {word}" if line else word
        if text_width(trial, size_px) <= width_px:
            line = trial
            continue
        if line:
            lines.append(line)
        line = word
        while text_width(line, size_px) > width_px and len(line) > 1:
            cut = next(n for n in range(len(line) - 1, 0, -1) if n == 1 or text_width(line[:n], size_px) <= width_px)
            lines.append(line[:cut])
            line = line[cut:]
    return [*lines, line] if line else lines
