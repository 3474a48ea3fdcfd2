"""Where everything on the label goes: pure arithmetic on text boxes, so that a test can see what overlaps or is cut."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from .facts import nice_length
from .words import line_height, plain, text_width, wrap

__all__ = ["LEAST_PANEL", "Arrow", "Bar", "Panel", "Text", "enlargement", "lay_out"]

LEAST_WIDTH = 480
"""Narrowest labelled picture: smaller ones are enlarged for the label's sake."""

LEAST_PANEL = 200
"""Narrowest panel, px, for pictures too slim to be enlarged further."""

BRIGHT, DIM, WARN = (236, 238, 242), (150, 158, 170), (255, 196, 96)

Box = tuple[int, int, int, int]


@dataclass(frozen=True)
class Text:
    """A line of text; `box` (left, top, right, bottom) holds all its ink."""

    text: str
    x: int
    y: int
    size: int
    colour: tuple[int, int, int]

    @property
    def box(self) -> Box:
        """The rectangle that the line fills."""
        return self.x, self.y, self.x + text_width(self.text, self.size), self.y + line_height(self.size)


@dataclass(frozen=True)
class Arrow:
    """A direction on the sky: from the foot to the tip, in panel pixels."""

    foot: tuple[float, float]
    tip: tuple[float, float]


@dataclass(frozen=True)
class Bar:
    """The scale bar: a horizontal line from (x, y), `length` pixels long."""

    x: int
    y: int
    length: int


@dataclass
class Panel:
    """The label panel: its size, and what is drawn where, with (0, 0) at its top left corner."""

    width: int
    height: int = 0
    size: int = 13
    texts: list[Text] = field(default_factory=list)
    arrows: list[Arrow] = field(default_factory=list)
    bar: Bar | None = None


def enlargement(width: int, height: int) -> int:
    """Whole factor by which a picture of this size is enlarged in its labelled form."""
    return max(1, min(-(-LEAST_WIDTH // max(1, width)), -(-1200 // max(1, height))))


def lay_out(
    width: int,
    title: tuple[str, str],
    facts: list[tuple[str, str]],
    *,
    scale_arcsec: float | None = None,
    north_deg: float | None = None,
    mirrored: bool | None = None,
    cautions: list[str] | None = None,
    unknown: str = "Orientation not known",
) -> Panel:
    """Lay out the label panel.

    Parameters
    ----------
    width : int
        Width of the panel, px; at least `LEAST_PANEL`.
    title : tuple of str
        Target and time.
    facts : list of (str, str)
        Names and values.
    scale_arcsec : float, optional
        Arcseconds a pixel of the labelled picture, for the scale bar.
    north_deg : float, optional
        Celestial north, counter-clockwise from up. Without it the label says so in the words of `unknown`.
    mirrored : bool, optional
        Whether east is clockwise of north; when None only north is drawn.
    cautions : list of str, optional
        Sentences at the bottom, over the whole width.
    unknown : str
        What stands instead of the arrows when north is not known.

    Returns
    -------
    Panel
        Everything lies inside the panel and no two boxes touch.
    """
    size = max(13, min(34, round(width / 52)))
    pad, gap = size, max(2, size // 5)
    panel = Panel(width, size=size)
    y = _heading(panel, title, pad)
    marks_width = min(round(11.5 * size), width - 2 * pad)
    marks_left = width - pad - marks_width
    room = marks_left - 2 * pad
    if room >= 20 * size:
        below_marks = _marks(panel, marks_left, y, marks_width, scale_arcsec, north_deg, mirrored, unknown)
        y = max(below_marks, _facts(panel, facts, pad, y, room, gap))
    else:
        # Too narrow to stand side by side.
        y = _facts(panel, facts, pad, y, width - 2 * pad, gap) + gap
        y = _marks(panel, marks_left, y, marks_width, scale_arcsec, north_deg, mirrored, unknown)
    for caution in cautions or []:
        y += gap
        for line in wrap(plain(caution), size, width - 2 * pad):
            panel.texts.append(Text(line, pad, y, size, WARN))
            y += line_height(size)
    panel.height = y + pad
    return panel


def _heading(panel: Panel, title: tuple[str, str], pad: int) -> int:
    """Target at the left, time at the right, or below where both do not fit; returns the next free row."""
    big = round(1.6 * panel.size)
    name, time = plain(title[0]), plain(title[1])
    y = pad
    room = panel.width - 2 * pad
    time_width = text_width(time, panel.size)
    beside = text_width(name, big) + 2 * pad + time_width <= room
    for line in wrap(name, big, room):
        panel.texts.append(Text(line, pad, y, big, BRIGHT))
        y += line_height(big)
    if beside:
        top = pad + line_height(big) - line_height(panel.size)
        panel.texts.append(Text(time, panel.width - pad - time_width, top, panel.size, BRIGHT))
        y = max(y, pad + line_height(big))  # a blank name takes no line of its own
    else:
        for line in wrap(time, panel.size, room):
            panel.texts.append(Text(line, pad, y, panel.size, BRIGHT))
            y += line_height(panel.size)
    return y + pad // 2


def _facts(panel: Panel, facts: list[tuple[str, str]], left: int, top: int, room: int, gap: int) -> int:
    """Names and values in one column, or in two where they fit unbroken; returns the next free row."""
    size = panel.size
    rows = [(plain(name), plain(value)) for name, value in facts if plain(value)]
    half = -(-len(rows) // 2)
    columns = [rows[:half], rows[half:]] if len(rows) > 4 else [rows]
    if len(columns) > 1 and sum(_natural_width(column, size) for column in columns) + 3 * size > room:
        columns = [rows]
    lowest, x = top, left
    for column in filter(None, columns):
        name_width = max(text_width(name, size) for name, _ in column) + size
        value_width = max(4 * size, room - name_width) if len(columns) == 1 else room
        y = top
        for name, value in column:
            panel.texts.append(Text(name, x, y, size, DIM))
            for line in wrap(value, size, value_width):
                panel.texts.append(Text(line, x + name_width, y, size, BRIGHT))
                y += line_height(size)
            y += gap
        lowest = max(lowest, y)
        x += _natural_width(column, size) + 3 * size
    return lowest


def _natural_width(column: list[tuple[str, str]], size: int) -> int:
    """Width of names and unbroken values side by side."""
    names = max(text_width(name, size) for name, _ in column)
    return names + size + max(text_width(value, size) for _, value in column)


def _marks(
    panel: Panel,
    left: int,
    top: int,
    room: int,
    scale_arcsec: float | None,
    north_deg: float | None,
    mirrored: bool | None,
    unknown: str,
) -> int:
    """Arrows and scale bar in the right-hand column; returns the next free row."""
    size = panel.size
    y = top
    if north_deg is None:
        for line in wrap(unknown, size, room):
            panel.texts.append(Text(line, left + room - text_width(line, size), y, size, DIM))
            y += line_height(size)
        y += size // 2
    else:
        y = _arrows(panel, left, top, room, north_deg, mirrored)
    if scale_arcsec:
        unit, seconds = ("arcmin", 60.0) if room * scale_arcsec >= 120.0 else ("arcsec", 1.0)
        amount = nice_length(room * scale_arcsec / seconds)
        length = max(1, round(amount * seconds / scale_arcsec))
        words = f"{amount:g} {unit}"
        panel.texts.append(Text(words, left + room - text_width(words, size), y, size, BRIGHT))
        y += line_height(size) + size // 3
        panel.bar = Bar(left + room - length, y, length)
        y += size // 2 + 2
    return y


def _arrows(panel: Panel, left: int, top: int, room: int, north_deg: float, mirrored: bool | None) -> int:
    """North and east from a common foot, the letters beyond the tips; returns the next free row."""
    size = panel.size
    height = line_height(size)
    reach, beyond = 2.6 * size, 2.6 * size + 0.75 * height
    turns = {"N": 0.0} if mirrored is None else {"N": 0.0, "E": -90.0 if mirrored else 90.0}
    ways = {name: _way(north_deg + turn) for name, turn in turns.items()}
    # The group as a whole stands at the top right of its column, whichever way it points.
    halves = {name: (text_width(name, size) / 2, height / 2) for name in ways}
    right = max(0.0, *(beyond * ways[n][0] + halves[n][0] for n in ways))
    upper = min(0.0, *(beyond * ways[n][1] - halves[n][1] for n in ways))
    lower = max(0.0, *(beyond * ways[n][1] + halves[n][1] for n in ways))
    foot = (left + room - right, top - upper)
    for name, (across, down) in ways.items():
        panel.arrows.append(Arrow(foot, (foot[0] + reach * across, foot[1] + reach * down)))
        x, y = foot[0] + beyond * across - halves[name][0], foot[1] + beyond * down - halves[name][1]
        panel.texts.append(Text(name, math.floor(x), math.floor(y), size, BRIGHT))
    next_row = math.ceil(foot[1] + lower) + 1
    if mirrored is None:
        for line in wrap("East not known", size, room):
            panel.texts.append(Text(line, left + room - text_width(line, size), next_row, size, DIM))
            next_row += height
    return next_row + size // 2


def _way(degrees: float) -> tuple[float, float]:
    """Unit vector (to the right, down) of a direction counted counter-clockwise from up."""
    return -math.sin(math.radians(degrees)), -math.cos(math.radians(degrees))
