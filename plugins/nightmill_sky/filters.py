"""Filters by their names: wavelength and band where a night file does not say (common practice, no source)."""

from __future__ import annotations

from collections.abc import Mapping

__all__ = ["ONE_SHOT_NM", "band_nm", "filter_key", "wavelength_nm"]

ONE_SHOT_NM = (610.0, 535.0, 465.0)
"""Effective wavelengths behind the red, green and blue dyes of a one-shot-colour sensor, nm."""
BROAD_NM = {"r": (630.0, 100.0), "g": (530.0, 90.0), "b": (460.0, 100.0), "l": (560.0, 300.0)}
"""Effective wavelength of usual broad filters, and the width of what they pass, nm."""
NARROW_NM = {"ir": 742.0, "uv": 360.0, "ch4": 889.0, "ha": 656.3}
"""Effective wavelength of others, whose width differs from maker to maker, nm."""


WORDS = {
    "red": "r",
    "green": "g",
    "blue": "b",
    "lum": "l",
    "luminance": "l",
    "infrared": "ir",
    "ultraviolet": "uv",
    "methane": "ch4",
    "h-alpha": "ha",
    "h_alpha": "ha",
    "halpha": "ha",
}
"""Filters whose names are written out, and their usual letters."""


def filter_key(name: str | None) -> str:
    """Filter names compare without case and blanks around them, and a word as its usual letters: "Red" as "R"."""
    key = (name or "").strip().casefold()
    return WORDS.get(key, key)


def wavelength_nm(name: str | None, given: Mapping[str, float], *, broad: bool = False) -> float | None:
    """Return the effective wavelength of a filter, nm; None when it is not known.

    Parameters
    ----------
    name : str or None
        Of the filter, "RGB" for one-shot colour (its green).
    given : mapping of str to float
        Section "filters" of the night file, nm: it goes first.
    broad : bool
        Of the usual ones only those of broad bands.
    """
    key = filter_key(name)
    known = {filter_key(other): float(nm) for other, nm in given.items()}
    usual = {other: nm for other, (nm, _) in BROAD_NM.items()}
    if not broad:
        usual |= {**NARROW_NM, "rgb": ONE_SHOT_NM[1]}
    return known.get(key, usual.get(key))


def band_nm(name: str | None, given: Mapping[str, float]) -> tuple[float, float] | None:
    """Return the ends of a filter's band, nm: of usual width around its wavelength; None when that is not known."""
    wave, usual = wavelength_nm(name, given), BROAD_NM.get(filter_key(name))
    return None if wave is None or usual is None else (wave - usual[1] / 2.0, wave + usual[1] / 2.0)
