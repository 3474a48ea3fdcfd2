"""Small plots as inline SVG: axes with units, colours by class, so that one style serves light, dark and print."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

__all__ = ["Plot", "nice_ticks"]

Numbers = Sequence[float | None]

SUPERSCRIPTS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def nice_ticks(low: float, high: float, most: int = 5) -> list[float]:
    """Return round numbers from `low` to `high`, some `most` of them, a step of 1, 2 or 5 apart."""
    span = high - low
    if not span > 0 or not math.isfinite(span):
        return [low]
    raw = span / max(most, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= raw * 0.7)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [k * step for k in range(first, last + 1)]


def _written(value: float, step: float) -> str:
    if value == 0:
        return "0"
    return f"{value:.{max(0, -math.floor(math.log10(step) + 1e-9)) if step < 1 else 0}f}"


@dataclass
class Plot:
    """A plot under construction.

    Attributes
    ----------
    title, about : str
        What a screen reader says: the name, and one sentence of what is to be seen.
    x, y : (low, high)
        Ranges of the axes.
    x_label, y_label : str
        With units.
    width, height : int
        In CSS pixels at natural size.
    x_ticks, y_ticks : list of (value, text), or None
        Where to write what; None for round numbers.
    """

    title: str
    about: str
    x: tuple[float, float]
    y: tuple[float, float]
    x_label: str = ""
    y_label: str = ""
    width: int = 340
    height: int = 190
    x_ticks: list[tuple[float, str]] | None = None
    y_ticks: list[tuple[float, str]] | None = None
    left: int = 58
    square: bool = False
    _parts: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.x, self.y = _open(self.x), _open(self.y)
        self._box = (self.left, 10, self.width - 12, self.height - 38)
        if self.square:
            # One unit is as long up as across: a path keeps its shape.
            a, top, b, bottom = self._box
            per = max((self.x[1] - self.x[0]) / (b - a), (self.y[1] - self.y[0]) / (bottom - top))
            middle = (sum(self.x) / 2, sum(self.y) / 2)
            self.x = (middle[0] - per * (b - a) / 2, middle[0] + per * (b - a) / 2)
            self.y = (middle[1] - per * (bottom - top) / 2, middle[1] + per * (bottom - top) / 2)

    def px(self, value: float) -> float:
        """Return the horizontal place of a value."""
        a, _, b, _ = self._box
        return a + (value - self.x[0]) / (self.x[1] - self.x[0]) * (b - a)

    def py(self, value: float) -> float:
        """Return the vertical place of a value."""
        _, top, _, bottom = self._box
        return bottom - (value - self.y[0]) / (self.y[1] - self.y[0]) * (bottom - top)

    def line(self, x: Numbers, y: Numbers, kind: str = "line") -> Plot:
        """Draw a line; a None breaks it."""
        path = _Path()
        for one, other in zip(x, y, strict=True):
            if one is None or other is None:
                path.lift()
            else:
                path.to(self.px(one), self.py(other))
        if path.text:
            self._parts.append(f'<path class="{kind}" d="{path.text}"/>')
        return self

    def band(self, x: Numbers, low: Numbers, high: Numbers) -> Plot:
        """Fill between two lines."""
        points = [p for p in zip(x, low, high, strict=True) if None not in p]
        path = _Path()
        for a, _, c in points:
            path.to(self.px(float(a or 0)), self.py(float(c or 0)))
        for a, b, _ in reversed(points):
            path.to(self.px(float(a or 0)), self.py(float(b or 0)))
        if points:
            self._parts.append(f'<path class="band" d="{path.text}Z"/>')
        return self

    def bars(self, low: float, high: float, counts: Sequence[int], kind: str) -> Plot:
        """Draw the bars of a histogram with equal bins from `low` to `high`."""
        step = (high - low) / max(len(counts), 1)
        path = []
        for k, count in enumerate(counts):
            if count:
                left, right = self.px(low + k * step), self.px(low + (k + 1) * step)
                top, foot = self.py(count), self.py(0)
                sides = f"h{_short(max(right - left - 0.6, 0.6))}V{_short(foot)}H{_short(left)}Z"
                path.append(f"M{_short(left)} {_short(top)}{sides}")
        # One path, not one element a bar: a page of a hundred captures has to load at once.
        if path:
            self._parts.append(f'<path class="{kind}" d="{"".join(path)}"/>')
        return self

    def dot(self, x: float, y: float, kind: str, text: str = "", radius: float = 3.5) -> Plot:
        """Draw a point; `text` appears when the mouse rests on it."""
        name = f"<title>{escape(text)}</title>" if text else ""
        self._parts.append(
            f'<circle class="{kind}" cx="{self.px(x):.1f}" cy="{self.py(y):.1f}" r="{radius}">{name}</circle>'
        )
        return self

    def cross(self, x: float, y: float, kind: str, text: str = "") -> Plot:
        """Draw a small cross."""
        a, b = self.px(x), self.py(y)
        name = f"<title>{escape(text)}</title>" if text else ""
        path = f"M{a - 4:.1f} {b - 4:.1f}l8 8m-8 0l8 -8"
        self._parts.append(f'<path class="{kind}" d="{path}">{name}</path>')
        return self

    def upright(self, x: float, kind: str, text: str = "", row: int = 0) -> Plot:
        """Draw a vertical line over the whole height, with a word beside it, in a row of its own if need be."""
        if not self.x[0] <= x <= self.x[1]:
            return self
        a, (_, top, right, bottom) = self.px(x), self._box
        self._parts.append(f'<path class="{kind}" d="M{a:.1f} {top}V{bottom}"/>')
        if text:
            end = a > right - 7 * len(text)
            place = (
                f'x="{a - 4 if end else a + 4:.1f}" y="{top + 9 + 13 * row}" text-anchor="{"end" if end else "start"}"'
            )
            self._parts.append(f'<text class="mark" {place}>{escape(text)}</text>')
        return self

    def level(self, y: float, kind: str) -> Plot:
        """Draw a horizontal line over the whole width."""
        a, _, b, _ = self._box
        if self.y[0] <= y <= self.y[1]:
            self._parts.append(f'<path class="{kind}" d="M{a} {self.py(y):.1f}H{b}"/>')
        return self

    def word(self, x: float, y: float, text: str, kind: str = "mark", anchor: str = "start") -> Plot:
        """Write a word at a place of the plot."""
        place = f'x="{self.px(x):.1f}" y="{self.py(y):.1f}" text-anchor="{anchor}"'
        self._parts.append(f'<text class="{kind}" {place}>{escape(text)}</text>')
        return self

    def svg(self, kind: str = "") -> str:
        """Return the SVG element."""
        a, top, b, bottom = self._box
        x_ticks, x_label = self._ticks(self.x, self.x_ticks, max(3, (b - a) // 70), self.x_label)
        y_ticks, y_label = self._ticks(self.y, self.y_ticks, 4, self.y_label)
        parts = [
            f'<svg class="plot {kind}" viewBox="0 0 {self.width} {self.height}" role="img" '
            f'aria-label="{escape(self.title)}: {escape(self.about)}">'
        ]
        grid = [f"M{self.px(value):.1f} {top}V{bottom}" for value, _ in x_ticks]
        grid += [f"M{a} {self.py(value):.1f}H{b}" for value, _ in y_ticks]
        parts.append(f'<path class="grid" d="{"".join(grid)}"/>')
        for value, text in x_ticks:
            place = f'x="{self.px(value):.1f}" y="{bottom + 14}" text-anchor="middle"'
            parts.append(f'<text class="tick" {place}>{escape(text)}</text>')
        for value, text in y_ticks:
            place = f'x="{a - 6}" y="{self.py(value) + 3.5:.1f}" text-anchor="end"'
            parts.append(f'<text class="tick" {place}>{escape(text)}</text>')
        parts += self._parts
        parts.append(f'<path class="axis" d="M{a} {top}V{bottom}H{b}"/>')
        parts.append(
            f'<text class="label" x="{(a + b) / 2:.0f}" y="{self.height - 6}" text-anchor="middle">'
            f"{escape(x_label)}</text>"
        )
        if y_label:
            middle = (top + bottom) / 2
            parts.append(
                f'<text class="label" x="10" y="{middle:.0f}" text-anchor="middle" '
                f'transform="rotate(-90 10 {middle:.0f})">{escape(y_label)}</text>'
            )
        return "".join([*parts, "</svg>"])

    @staticmethod
    def _ticks(
        ends: tuple[float, float], given: list[tuple[float, str]] | None, most: int, label: str
    ) -> tuple[list[tuple[float, str]], str]:
        """Return places with what is written there, and the label, with the power of ten taken out of the numbers."""
        if given is not None:
            return [(value, text) for value, text in given if ends[0] <= value <= ends[1]], label
        values = nice_ticks(*ends, most)
        step = values[1] - values[0] if len(values) > 1 else abs(values[0]) or 1.0
        largest = max(abs(value) for value in values)
        power = 0
        if largest > 0 and not 1e-2 <= largest < 1e5:
            power = 3 * math.floor(math.log10(largest) / 3)
            label = f"{label} × 10{str(power).translate(SUPERSCRIPTS)}"
        return [(value, _written(value / 10.0**power, step / 10.0**power)) for value in values], label


def _short(value: float) -> str:
    """Write a tenth of a pixel, without the zeros that a page of a hundred captures would carry by the thousand."""
    text = f"{value:.1f}".removesuffix(".0")
    if text in {"0", "-0"}:
        return "0"
    return text.replace("0.", ".", 1) if abs(value) < 1 else text


class _Path:
    """A path written in steps from point to point, which takes a third fewer characters than places do."""

    def __init__(self) -> None:
        self.text = ""
        self._at: tuple[float, float] | None = None
        self._letter = ""

    def lift(self) -> None:
        """Begin anew with the next point."""
        self._at = None

    def to(self, x: float, y: float) -> None:
        """Go to a point; rounding never adds up, since steps start where the rounded path is."""
        x, y = round(x, 1), round(y, 1)
        if self._at is None:
            self.text += f"M{_short(x)} {_short(y)}"
            self._letter = "l"
        else:
            dx, dy = _short(x - self._at[0]), _short(y - self._at[1])
            first = self._letter or ("" if dx.startswith("-") else " ")
            self.text += f"{first}{dx}{'' if dy.startswith('-') else ' '}{dy}"
            self._letter = ""
        self._at = x, y


def _open(ends: tuple[float, float]) -> tuple[float, float]:
    """Give a range that is a single value some width."""
    low, high = ends
    if high > low:
        return ends
    width = abs(low) * 0.05 or 1.0
    return low - width, high + width
