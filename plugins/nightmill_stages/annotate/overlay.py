"""Lines and names over the planet: what goes where. Pure arithmetic; knows nothing of drawing.

Everything is thin and faint enough to read the planet through, and lies on the labelled copy alone. Names stand beside
the globe, and one that would overlap another, or the edge, is moved or left out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightmill_sky import Disc, Ephemeris
from nightmill_sky.outlines import ring_cover, terminator_line
from nightmill_sky.placing import offset_px

from .layout import BRIGHT, DIM, Box, Text
from .words import line_height, text_width

__all__ = ["Line", "Overlay", "lay_overlay"]

GRID, MIDDLE, DUSK, AXIS = (170, 190, 220), (215, 225, 245), (255, 190, 110), (170, 190, 220)
_STEP_DEG = 30
_LEAST_PHASE_DEG = 2.0
_LEAST_RADIUS = 40.0
"""Displayed radius, px, from which there is room for a graticule of 30 degrees."""


@dataclass(frozen=True)
class Line:
    """A thin line: points (n, 2) as (x, y) on the enlarged picture, its colour, and how strong it is, 0 to 1."""

    points: NDArray[np.float64]
    colour: tuple[int, int, int]
    strength: float


@dataclass
class Overlay:
    """What is drawn over the enlarged picture of `width` x `height` pixels."""

    width: int
    height: int
    lines: list[Line] = field(default_factory=list)
    texts: list[Text] = field(default_factory=list)


def lay_overlay(
    shape: tuple[int, int],
    factor: int,
    geometry: Mapping[str, Any],
    globe: Disc | None,
    sky: Ephemeris | None,
) -> Overlay:
    """Lay out lines and names over a picture.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns of the picture.
    factor : int
        Whole factor by which it is enlarged.
    geometry : mapping
        Of the picture.
    globe : Disc or None
        The globe on the picture, as far as its orientation is known.
    sky : Ephemeris or None
        For the middle of the captures, with satellites.

    Returns
    -------
    Overlay
        Empty where nothing is known. Every text lies inside the picture and no two overlap.
    """
    out = Overlay(shape[1] * factor, shape[0] * factor)
    size = max(11, min(22, round(out.width / 48)))
    disc = geometry.get("disc")
    if disc is None:
        return out
    whole = "pole_angle_deg" in geometry and "mirrored" in geometry
    ends = geometry.get("pole_angle_deg", geometry.get("pole_axis_deg"))
    if globe is not None:
        shown = _enlarged(globe, factor)
        if shown.equatorial_radius_px >= _LEAST_RADIUS:
            _graticule(out, shown)
        if sky is not None and (sky.phase_angle_deg or 0.0) >= _LEAST_PHASE_DEG:
            column, row = terminator_line(shown)
            if len(column) > 1:
                out.lines.append(Line(np.stack([column, row], axis=1), DUSK, 0.55))
    if ends is not None:
        _ends(out, disc, factor, float(ends), "pole_angle_deg" in geometry, size)
    if whole and sky is not None and {"north_angle_deg", "scale_arcsec"} <= set(geometry):
        _satellites(out, geometry, sky, factor, size)
    return out


def _at(place: float, factor: int) -> float:
    """A place on the enlarged picture; pixel centres at whole numbers on both."""
    return (place + 0.5) * factor - 0.5


def _enlarged(globe: Disc, factor: int) -> Disc:
    return replace(
        globe,
        centre_column_px=_at(globe.centre_column_px, factor),
        centre_row_px=_at(globe.centre_row_px, factor),
        equatorial_radius_px=globe.equatorial_radius_px * factor,
    )


def _graticule(out: Overlay, globe: Disc) -> None:
    """Circles of latitude and longitude every 30 degrees, the equator and the central meridian a little stronger."""
    along = np.linspace(-90.0, 90.0, 91)
    for latitude in range(-90 + _STEP_DEG, 90, _STEP_DEG):
        _curve(out, globe, along, np.full_like(along, latitude), GRID, 0.45 if latitude == 0 else 0.28)
    first = math.ceil((globe.central_meridian_deg - 90.0) / _STEP_DEG) * _STEP_DEG
    for longitude in range(first, first + 181, _STEP_DEG):
        east = float(globe.east_from_longitude(longitude))
        if abs(east) < 89.0:
            _curve(out, globe, np.full_like(along, east), along, GRID, 0.28)
    _curve(out, globe, np.zeros_like(along), along, MIDDLE, 0.5)


def _curve(
    out: Overlay,
    globe: Disc,
    east_deg: NDArray[np.float64],
    latitude_deg: NDArray[np.float64],
    colour: tuple[int, int, int],
    strength: float,
) -> None:
    """The visible parts of a line on the globe."""
    column, row, emission, _ = globe.picture_from_east(east_deg, latitude_deg)
    seen = emission > 0.0
    if globe.rings_radii:
        seen &= ~ring_cover(globe, column, row)
    breaks = np.flatnonzero(np.diff(seen.astype(np.int8))) + 1
    for part in np.split(np.arange(len(column)), breaks):
        if len(part) > 1 and seen[part[0]]:
            out.lines.append(Line(np.stack([column[part], row[part]], axis=1), colour, strength))


def _ends(out: Overlay, disc: Mapping[str, Any], factor: int, angle_deg: float, named: bool, size: int) -> None:
    """Short strokes where the axis leaves the disc, with N and S where it is known which is which."""
    x, y = _at(float(disc["x_px"]), factor), _at(float(disc["y_px"]), factor)
    short = float(disc["b_px"]) * factor
    for name, turn in (("N", 0.0), ("S", 180.0)):
        angle = math.radians(angle_deg + turn)
        right, down = -math.sin(angle), -math.cos(angle)
        gap, stroke = max(3.0, 0.3 * size), 0.9 * size
        foot, tip = short + gap, short + gap + stroke
        ends = np.array([[x + foot * right, y + foot * down], [x + tip * right, y + tip * down]])
        out.lines.append(Line(ends, AXIS, 0.7))
        if named:
            reach = tip + 0.7 * line_height(size)
            _place(out, name, size, DIM, [(x + reach * right, y + reach * down)])


def _satellites(out: Overlay, geometry: Mapping[str, Any], sky: Ephemeris, factor: int, size: int) -> None:
    """Names beside moons, and beside the shadows that they cast on the planet."""
    scale = float(geometry["scale_arcsec"])
    north, mirrored = float(geometry["north_angle_deg"]), bool(geometry["mirrored"])
    x0, y0 = float(geometry["disc"]["x_px"]), float(geometry["disc"]["y_px"])

    def place(east_arcsec: float, north_arcsec: float) -> tuple[float, float]:
        right, down = offset_px(east_arcsec, north_arcsec, scale, north, mirrored)
        return _at(x0 + right, factor), _at(y0 + down, factor)

    marks = [
        (moon.name.capitalize(), place(moon.x_arcsec, moon.y_arcsec))
        for moon in sky.satellites
        if moon.state not in ("occulted", "eclipsed", "behind the rings")
    ]
    marks += [
        (f"shadow of {moon.name.capitalize()}", place(moon.shadow_x_arcsec, moon.shadow_y_arcsec))
        for moon in sky.satellites
        if moon.shadow_x_arcsec is not None and moon.shadow_y_arcsec is not None
    ]
    for name, (x, y) in marks:
        if not (0.0 <= x < out.width and 0.0 <= y < out.height):
            continue
        away, half = 1.0 * size, text_width(name, size) / 2.0
        high = line_height(size) / 2.0
        spots = [
            (x + away + half, y),
            (x - away - half, y),
            (x, y - away - high),
            (x, y + away + high),
            (x + away + half, y - away),
            (x + away + half, y + away),
        ]
        if _place(out, name, size, BRIGHT, spots):
            # Two small strokes point at the place and leave it free.
            for side in (-1.0, 1.0):
                ends = np.array([[x + side * 0.3 * size, y], [x + side * 0.6 * size, y]])
                out.lines.append(Line(ends, BRIGHT, 0.7))


def _place(
    out: Overlay, words: str, size: int, colour: tuple[int, int, int], spots: Sequence[tuple[float, float]]
) -> bool:
    """Put words, centred, on the first spot where they fit; False when there is none."""
    wide, high = text_width(words, size), line_height(size)
    for x, y in spots:
        text = Text(words, math.floor(x - wide / 2), math.floor(y - high / 2), size, colour)
        left, top, right, bottom = text.box
        inside = left >= 0 and top >= 0 and right <= out.width and bottom <= out.height
        if inside and not any(_meet(text.box, other.box) for other in out.texts):
            out.texts.append(text)
            return True
    return False


def _meet(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]
