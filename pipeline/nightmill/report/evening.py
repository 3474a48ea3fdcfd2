"""The plot of the evening sheet: altitude and spread of colours of every target through the night, one SVG file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from html import escape
from typing import Any

from .figures import ALTITUDES, clock_ticks
from .plots import Plot
from .resources import resource

__all__ = ["evening_svg"]

WIDTH, HEIGHT = 900, 320

RULES = r"^(?::root \{.*?^\}|@media \(prefers-color-scheme: dark\) \{.*?^\}|\.plot[^\n]*)$"
"""The parts of the page's style sheet that colour plots."""

OWN = (
    ".pale { opacity: 0.35; stroke-dasharray: 3 3; } .plot .strong { stroke-width: 2.4; } .paper { fill: var(--card); }"
)


def evening_svg(sheet: Mapping[str, Any]) -> str:
    """Draw the sheet of `nightmill_sky.rig.make_sheet`.

    Returns
    -------
    str
        A whole SVG document, light and dark by the viewer's preference.

    Raises
    ------
    ValueError
        No target has altitudes (no site, or no target).
    """
    parts = [part for part in sheet["targets"] if part["night"]]
    if not parts:
        raise ValueError(
            "there is nothing to plot: the night file needs targets, and a site with latitude and longitude"
        )
    times = {part["target"]: [_posix(text) for text in part["night"]["utc"]] for part in parts}
    low, high = min(t[0] for t in times.values()), max(t[-1] for t in times.values())
    names = ", ".join(part["target"] for part in parts)
    ticks = clock_ticks(low, high, 9)
    label = f"UTC, from {parts[0]['night']['utc'][0][:10]}"
    upper = Plot(
        "Altitude",
        f"of {names} through the night",
        (low, high),
        (0, 90),
        label,
        "altitude, deg",
        WIDTH,
        HEIGHT,
        ticks,
        ALTITUDES,
    )
    most = max((s or 0.0) for part in parts for s in part["night"]["dispersion_arcsec"])
    element = min(part["element_arcsec"] for part in parts)
    top = max(min(most, 4.0), 2 * element)
    wave = f"spread {parts[0]['night']['from_nm']:.0f} to {parts[0]['night']['to_nm']:.0f} nm, arcsec"
    lower = Plot(
        "Dispersion", f"of {names} through the night", (low, high), (0, top), label, wave, WIDTH, HEIGHT, ticks
    )
    lower.level(element, "rule dashed").word(low, element + 0.03 * top, " one resolution element", "mark")
    taken: list[tuple[float, float, float]] = []
    for place, part in enumerate(parts):
        night, when = part["night"], times[part["target"]]
        heights = [a if a >= 0 else None for a in night["altitude_deg"]]
        bright = [a if good else None for a, good in zip(heights, night["useful"], strict=True)]
        hue = f"hue{place % 6}"
        upper.line(when, heights, f"line pale {hue}").line(when, bright, f"line strong {hue}")
        pairs = zip(night["dispersion_arcsec"], night["useful"], strict=True)
        spread = [s if good and s is not None and s <= top else None for s, good in pairs]
        lower.line(when, spread, f"line {hue}")
        best = night["best_utc"]
        peak = night["utc"].index(best) if best else max(range(len(when)), key=lambda k: night["altitude_deg"][k])
        if heights[peak] is not None:
            height = _free(upper, taken, when[peak], min(float(heights[peak] or 0) + 3, 86), part["target"])
            upper.word(when[peak], height, part["target"], f"mark {hue}", "middle")
    # A file of its own has no page around it: it brings the page's colours along.
    style = "\n".join(re.findall(RULES, resource("page.css"), re.MULTILINE | re.DOTALL))
    title = f"Altitude and dispersion of {names}, {sheet['date']}"
    size = f'viewBox="0 0 {WIDTH} {2 * HEIGHT}" width="{WIDTH}" height="{2 * HEIGHT}"'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" {size}>'
        f"<title>{escape(title)}</title>"
        f'<style>{style}\n{OWN}</style><rect class="paper" width="{WIDTH}" height="{2 * HEIGHT}"/>'
        f"{_placed(upper, 0)}{_placed(lower, HEIGHT)}</svg>\n"
    )


def _free(plot: Plot, taken: list[tuple[float, float, float]], when: float, height: float, text: str) -> float:
    """Return the altitude, `height` or the next above it, where a name covers no other; it is taken then."""
    x, half = plot.px(when), 3.5 * len(text) + 3
    while any(abs(plot.py(height) - y) < 12 and abs(x - other) < half + reach for other, y, reach in taken):
        height += 1.0
    taken.append((x, plot.py(height), half))
    return height


def _placed(plot: Plot, y: int) -> str:
    return plot.svg().replace("<svg ", f'<svg y="{y}" width="{WIDTH}" height="{HEIGHT}" ', 1)


def _posix(text: str) -> float:
    return datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp()
