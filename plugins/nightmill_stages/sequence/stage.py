"""The sequence stage: a thin adapter from the pictures of a night to frames that lie and shine alike."""

from __future__ import annotations

import collections.abc
from typing import Annotated

import numpy as np

from nightmill import stage
from nightmill.artefacts import Capture, Picture
from nightmill.stage import Context, PictureStage
from nightmill_sky import BODIES

from ..compose.finish import GLOW
from ..orient.known import called
from ..write.display import levels
from .film import FilmParameters, film_header, frame_seconds
from .frames import Canvas, canvas_for, lay, light_in, shown
from .gather import by_filters, find_nights, see
from .placing import Place, Seen, place_all
from .stamp import clock, strip_height, with_strip

__all__ = ["Sequence", "reach_of"]


class Sequence(PictureStage):
    """Show a target through the night: its pictures one after another, each with its time.

    Pictures of one target through the same filters are laid on one another by the measured disc, with one scale, one
    orientation (north up where it is known) and one brightness. It comes besides the pictures, which stay as they are.
    """

    name = "sequence"
    version = "1"
    adds = True
    streams = True

    class Parameters(FilmParameters):
        """Parameters of sequence."""

        size: int = stage.Field(800, ge=64, le=4096, description="Longest side of the frames at most, px.")
        gap: Annotated[float, stage.Unit("min")] = stage.Field(
            "120 min", gt=0, description="A longer pause between two pictures begins a new sequence."
        )
        stamp: bool = stage.Field(True, description="Write the time (UTC) below every frame.")

    def group(self, units: collections.abc.Sequence[tuple[Capture, ...]]) -> list[list[int]]:
        """Group what is of one target and through the same filters, two pictures and more."""
        return find_nights(units, gap_s=60.0 * self.parameters.gap)

    def develop(self, pictures: list[Picture], context: Context) -> list[Picture]:
        """Make a sequence for each set of filters that has two pictures and more."""
        made = []
        for members in by_filters(pictures).values():
            if len(members) > 1:
                film = self._film(pictures, [index for _, index in members], context)
                made += [] if film is None else [film]
        if not made:
            context.caution("sequence", "No sequence: fewer than two pictures with a known time came out.")
        return made

    def _film(self, pictures: list[Picture], indices: list[int], context: Context) -> Picture | None:
        seen = [see(pictures[index]) for index in indices]
        placed = place_all(seen)
        if placed is None:
            context.caution("sequence", "No sequence: not every picture shows its object surrounded by sky.")
            return None
        places, words, guessed = placed
        if guessed:
            context.caution(
                "orientation",
                f"On {guessed} of {len(seen)} pictures of the sequence the orientation is not known; they are turned "
                "as those nearest in time.",
                guessed,
            )
        captures = tuple(capture for index in indices for capture in pictures[index].captures)
        target = captures[0].target
        reach = reach_of(target, seen[0])
        canvas = canvas_for(seen, places, most_px=self._most_px(), reach_radii=reach)
        gains, black, white, gamma = self._brightness(pictures, indices, places, canvas, reach)
        strip = strip_height(canvas.width) if self.parameters.stamp else 0
        frames = np.zeros((len(indices), canvas.height + strip, canvas.width, 3), np.uint8)
        for number, (index, place, gain) in enumerate(zip(indices, places, gains, strict=True)):
            laid = lay(pictures[index].data, place, canvas) * np.float32(gain)
            frame = shown(laid, black, white, gamma)
            frames[number] = with_strip(frame, clock(seen[number].time_s), _name(target)) if strip else frame
        self._say(seen, places, words, gains, context)
        middle = pictures[indices[len(indices) // 2]]
        seconds = frame_seconds(len(indices), self._rate(), hold=True)
        return Picture(
            data=middle.data,
            frames=frames,
            captures=captures,
            filters=middle.filters,
            kind="sequence",
            header=film_header(seconds, self.parameters.formats, [one.time_s for one in seen]),
            display={"black": black, "white": white, "gamma": gamma},
        )

    def _rate(self) -> float | None:
        return None if self.parameters.rate == "auto" else float(self.parameters.rate)

    def _most_px(self) -> int:
        return int(self.parameters.size)

    def _brightness(
        self, pictures: list[Picture], indices: list[int], places: list[Place], canvas: Canvas, reach: float
    ) -> tuple[list[float], float, float, float]:
        """Gains that give the object the same light on all frames, and common levels at which nothing of it clips."""
        lights, tops = [], []
        for index, place in zip(indices, places, strict=True):
            laid = lay(pictures[index].data, place, canvas)
            lights.append(light_in(laid, canvas, reach_radii=reach))
            tops.append(levels(laid)[1])
        wanted = float(np.median(lights))
        gains = [wanted / light if light > 0.0 and wanted > 0.0 else 1.0 for light in lights]
        white = max(gain * top for gain, top in zip(gains, tops, strict=True))
        gamma = float(pictures[indices[0]].display.get("gamma") or 1.0)
        return gains, GLOW * white, white, gamma

    def _say(self, seen: list[Seen], places: list[Place], words: str, gains: list[float], context: Context) -> None:
        context.choose("orientation", round(places[0].up_deg % 360.0, 2), f"The frames lie alike: {words}.")
        spread = max(gains) / min(gains)
        context.measure(
            "brightness",
            round(spread, 3),
            f"The brightest picture of the sequence was {spread:.2f} times as bright as the faintest; all are shown "
            "alike.",
        )
        span = (seen[-1].time_s - seen[0].time_s) / 60.0
        context.measure("sequence", len(seen), f"{len(seen)} pictures from {clock(seen[0].time_s)} on, {span:.0f} min.")


def reach_of(target: str | None, seen: Seen) -> float:
    """How far an object reaches from its middle, in the radii by which it is placed (rings beyond 1)."""
    if target not in BODIES or not seen.geometry.get("disc"):
        return 1.0
    globe = BODIES[target]
    return max([1.0, *(outer / globe.equatorial_radius_km for _, _, outer in globe.rings_km)])


def _name(target: str | None) -> str:
    return called(target).removeprefix("The ") if target else ""
