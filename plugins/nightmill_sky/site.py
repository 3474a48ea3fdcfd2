"""Where the observer stands."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["Site", "parse_site"]


@dataclass(frozen=True)
class Site:
    """A place on the Earth.

    Parameters
    ----------
    latitude_deg : float
        Geodetic latitude (WGS 84), -90 to +90 degrees, north positive.
    longitude_deg : float
        Longitude, -180 to +360 degrees, east positive.
    height_m : float
        Height above the ellipsoid, metres, -1000 to 100000.
    name : str
        What the observer calls the place.

    Raises
    ------
    ValueError
        A number is out of its range or not finite.
    """

    latitude_deg: float
    longitude_deg: float
    height_m: float = 0.0
    name: str = ""

    def __post_init__(self) -> None:
        for label, value, low, high in (
            ("latitude", self.latitude_deg, -90.0, 90.0),
            ("longitude", self.longitude_deg, -180.0, 360.0),
            ("height", self.height_m, -1000.0, 100_000.0),
        ):
            if not math.isfinite(value) or not low <= value <= high:
                unit = "m" if label == "height" else "deg"
                raise ValueError(f"site {label} {value:g} {unit} is outside {low:g} to {high:g} {unit}.")


def parse_site(text: str) -> Site:
    """Read a site from ``LAT,LON[,HEIGHT]``.

    Parameters
    ----------
    text : str
        Decimal degrees, north and east positive, height in metres; for example ``47.10,8.50,540``.

    Returns
    -------
    Site

    Raises
    ------
    ValueError
        The text does not have two or three numbers, or one is out of range.
    """
    parts = [p.strip() for p in text.split(",")]
    if len(parts) not in (2, 3):
        raise ValueError(
            f"'{text}' is not LAT,LON[,HEIGHT]: expected two or three numbers with commas between, "
            "for example 47.10,8.50,540 (degrees, north and east positive; metres)."
        )
    numbers = []
    for part in parts:
        try:
            numbers.append(float(part))
        except ValueError:
            raise ValueError(
                f"'{part}' in the site '{text}' is not a number: write decimal degrees, for example 47.10,8.50."
            ) from None
    return Site(*numbers)
