"""The globe stage: a thin adapter from the pictures of a night to a map and a globe that turns under it."""

from __future__ import annotations

import collections.abc
from dataclasses import replace
from typing import Annotated

import numpy as np

from nightmill import stage
from nightmill.artefacts import Capture, Picture
from nightmill.stage import Context, PictureStage
from nightmill_sky import BODIES, Disc
from nightmill_sky.shading import darkening_of

from ..compose.finish import GLOW
from ..orient.discs import disc_of
from ..orient.known import called, sky_at
from ..write.display import levels
from .film import FilmParameters, film_header, frame_seconds
from .frames import shown
from .gather import by_filters, find_nights
from .night_map import NightMap
from .stamp import clock, strip_height, with_strip
from .steady import steady, steady_angles
from .turning_globe import GlobeView

__all__ = ["Globe"]

_SIDE_BY_PX = 2.4
"""Side of a frame in radii of the disc on the pictures."""
_TURN_KEYS = ("pole_angle_deg", "planet_east_deg")


class Globe(PictureStage):
    """Join the night's pictures of a planet to a map, and show a globe that turns under it.

    Every picture is laid on longitude and latitude; where several saw a place, the one that saw it from above counts
    most. What nobody saw stays grey. It takes pictures on which the stage orient found the planet's axis and turn.
    """

    name = "globe"
    version = "2"
    adds = True
    streams = True

    class Parameters(FilmParameters):
        """Parameters of globe."""

        least_seen: float = stage.Field(
            0.5, ge=0, le=1, description="Share of the longitudes that must have been seen for a globe to be made."
        )
        step: Annotated[float, stage.Unit("deg")] = stage.Field(
            "6 deg", ge=1, le=60, description="How far the globe turns from frame to frame."
        )
        size: int = stage.Field(480, ge=64, le=2048, description="Longest side of the frames at most, px.")
        gap: Annotated[float, stage.Unit("min")] = stage.Field(
            "600 min", gt=0, description="A longer pause between two pictures begins a new map."
        )

    def group(self, units: collections.abc.Sequence[tuple[Capture, ...]]) -> list[list[int]]:
        """Group what is of one planet and through the same filters, two pictures and more."""
        planets = [captures if captures[0].target in BODIES else () for captures in units]
        known = [index for index, captures in enumerate(planets) if captures]
        groups = find_nights([planets[index] for index in known], gap_s=60.0 * self.parameters.gap)
        return [[known[place] for place in group] for group in groups]

    def develop(self, pictures: list[Picture], context: Context) -> list[Picture]:
        """Make a globe for each set of filters that has two pictures and more."""
        made = []
        for members in by_filters(pictures).values():
            if len(members) > 1:
                globe = self._globe(pictures, members, context)
                made += [] if globe is None else [globe]
        if not made and not context.notes:
            context.caution("globe", "No globe: fewer than two pictures with a known time came out.")
        return made

    def _globe(self, pictures: list[Picture], members: list[tuple[float, int]], context: Context) -> Picture | None:
        placed = _discs(pictures, members)
        if len(placed) < 2:
            context.caution(
                "globe",
                "No globe: which way the planet turns is known on fewer than two pictures; tell the stage orient "
                "north_angle and mirrored.",
            )
            return None
        middle_s = 0.5 * (members[0][0] + members[-1][0])
        first = next(iter(placed.values()))
        target = str(pictures[members[0][1]].captures[0].target)
        reference = _at(pictures[next(iter(placed))], first, middle_s)
        radius = float(np.median([disc.equatorial_radius_px for disc in placed.values()]))
        cells = float(np.clip(np.ceil(np.radians(1.0) * radius * 2.0) / 2.0, 1.0, 8.0))
        measured = [darkening_of(pictures[index].data, disc) for index, disc in placed.items()]
        darkening = [float(exponent) for exponent in np.median(np.array(measured), axis=0)]
        chart = NightMap(reference, cells, darkening)
        for index, disc in placed.items():
            picture = pictures[index]
            chart.add(picture.data, disc, _gain(picture, disc))
        if chart.seen < self.parameters.least_seen:
            context.caution(
                "globe",
                f"No globe: the pictures show {chart.seen:.0%} of the longitudes, and least_seen asks for "
                f"{self.parameters.least_seen:.0%}.",
                round(chart.seen, 3),
            )
            return None
        words = ", ".join(f"{exponent:.2f}" for exponent in darkening)
        context.measure("darkening", darkening, f"Minnaert's exponent of limb darkening, by colour: {words}.")
        times = [members[0][0], members[-1][0]]
        context.measure(
            "globe",
            round(chart.seen, 3),
            f"{len(placed)} pictures from {clock(times[0])} to {clock(times[1])} show {chart.seen:.0%} of the "
            "longitudes at the latitude under the telescope.",
        )
        captures = tuple(capture for index in placed for capture in pictures[index].captures)
        return self._film(chart, reference, target, captures, pictures[members[0][1]].filters, times)

    def _film(
        self,
        chart: NightMap,
        reference: Disc,
        target: str,
        captures: tuple[Capture, ...],
        filters: tuple[str, ...],
        times: list[float],
    ) -> Picture:
        values = chart.values
        side = 2 * round(min(self.parameters.size, max(360.0, _SIDE_BY_PX * chart.cells_per_degree * 57.3)) / 2.0)
        view = GlobeView(reference, side, values, chart.darkening)
        white = levels(values)[1]
        count = max(2, round(360.0 / self.parameters.step))
        frames = np.zeros((count, side + strip_height(side), side, 3), np.uint8)
        span = f"{clock(times[0])[:16]} to {clock(times[1])[11:16]} UTC"
        for number in range(count):
            # The planet turns eastwards, so the observer's longitude moves west over the map.
            east = -number * 360.0 / count if BODIES[target].rotation_deg_per_day > 0.0 else number * 360.0 / count
            data = view.frame(east, white)
            frame = shown(data if len(data) == 3 else data[0], GLOW * white, white, 1.0)
            frames[number] = with_strip(frame, f"{called(target)}, {span}", "grey: not seen")
        rate = None if self.parameters.rate == "auto" else float(self.parameters.rate)
        return Picture(
            data=values if len(values) == 3 else values[0],
            frames=frames,
            captures=captures,
            filters=filters,
            kind="globe",
            header={**film_header(frame_seconds(count, rate, hold=False), self.parameters.formats, times)},
            display={"black": 0.0, "white": white, "gamma": 1.0},
        )


def _discs(pictures: list[Picture], members: list[tuple[float, int]]) -> dict[int, Disc]:
    """The globe on each picture that shows it well enough, by index; angles and sizes steadied over the night."""
    able = [
        (time, index)
        for time, index in members
        if "disc" in pictures[index].geometry and "planet_east_deg" in pictures[index].geometry
    ]
    if not able:
        return {}
    told = [dict(pictures[index].geometry) for _, index in able]
    times = [time for time, _ in able]
    sigmas = [float(g.get("pole_sigma_deg", 1.0)) for g in told]
    easts = np.array([float(g["planet_east_deg"]) for g in told])
    whole = all("pole_angle_deg" in g and "mirrored" in g for g in told)
    if whole and len({bool(g["mirrored"]) for g in told}) > 1:
        whole = False  # they contradict one another
    turns = steady_angles(easts, sigmas, times, period_deg=360.0) - easts
    finer = np.array([float(pictures[index].header.get("scale") or 1.0) for _, index in able])
    own = np.array([float(g["disc"]["a_px"]) for g in told]) / finer
    errors = np.array([float(g.get("disc_sigma", 0.01)) for g in told]) * own
    radii = steady(own, errors, times, floor=0.002 * float(np.median(own))) * finer
    found = {}
    for (time, index), geometry, turn, radius in zip(able, told, turns, radii, strict=True):
        for key in _TURN_KEYS:
            if key in geometry:
                geometry[key] = (float(geometry[key]) + float(turn)) % 360.0
        if not whole:
            geometry.pop("pole_angle_deg", None)
        geometry["disc"] = {**geometry["disc"], "a_px": float(radius)}
        disc = disc_of(geometry, sky_at(str(pictures[index].captures[0].target), time), any_end=True)
        if disc is not None:
            found[index] = disc
    return found


def _at(picture: Picture, disc: Disc, time_s: float) -> Disc:
    """The same globe at another time of the night: its meridians alone change."""
    sky = sky_at(str(picture.captures[0].target), time_s)
    there = disc_of({"disc": {"x_px": 0, "y_px": 0, "a_px": 1}, "pole_angle_deg": 0.0, "mirrored": False}, sky)
    assert there is not None
    return replace(
        disc,
        central_meridian_deg=there.central_meridian_deg,
        central_meridians_deg=dict(there.central_meridians_deg),
    )


def _gain(picture: Picture, disc: Disc) -> float:
    """Factor that gives the globe's outline the mean brightness 1."""
    row, column = np.indices(picture.data.shape[-2:], np.float64)
    x, y = disc.to_planet_axes(column, row)
    inside = np.hypot(x, y / (disc.semi_axes_px[1] / disc.equatorial_radius_px)) <= 1.0
    grey = picture.data.mean(axis=0) if picture.data.ndim == 3 else picture.data
    level = float(np.nanmean(np.asarray(grey[inside], np.float64)))
    return 1.0 / level if level > 0.0 else 1.0
