"""The mosaic stage: a thin adapter from the pictures of a night to the arithmetic of this folder."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import Capture, Picture
from nightmill.stage import Context, PictureStage

from ..matching.overlaps import Link, find_links
from ..matching.panels import Panel, describe_panel, filled, planes_of, usable
from ..matching.patches import Matches, match_panels
from ..write.display import levels as display_levels
from .bend import Solution
from .blend import pyramid_levels
from .canvas import Canvas, lay_canvas, own_pixels
from .groups import group_panels
from .join import join_panels
from .levels import Level, level_panels
from .solve import place_panels

__all__ = ["Mosaic"]

LEAST_GAIN = 1.25
"""A mosaic must show so many times as much as its largest panel: else they are pictures of one field."""

MOST_MEGAPIXELS = 250.0
STRIP = 512


class Mosaic(PictureStage):
    """Join overlapping pictures of a surface, such as the Moon's or the Sun's, to one large picture.

    Which pictures overlap, and how, is found from what they show. Every panel stays a picture of its own as well; one
    that overlaps no other is named. Where no panel has data the mosaic is NaN, and black in TIFF and PNG; WEIGHT is the
    weight of the panel whose detail is shown at a pixel, 0 where there is none.
    """

    name = "mosaic"
    version = "2"
    adds = True
    streams = True

    class Parameters(stage.Parameters):
        """Parameters of mosaic."""

        window: Annotated[float, stage.Unit("min")] = stage.Field(
            "120 min",
            gt=0,
            description="Longest time from the first to the last start of the pictures of a mosaic; a longer series is "
            "cut at its longest pauses.",
        )
        level: bool = stage.Field(True, description="Make the panels equally bright, by a gain and an offset each.")
        bend: bool = stage.Field(True, description="Let panels bend smoothly where the air bent them.")

    def group(self, units: Sequence[tuple[Capture, ...]]) -> list[list[int]]:
        """Group the pictures of one target and filter within the window."""
        return group_panels(units, 60.0 * self.parameters.window)

    def develop(self, pictures: Sequence[Picture], context: Context) -> list[Picture]:  # type: ignore[override]
        """Make a mosaic of every set of pictures through the same filters that hang together."""
        panels, filters = [], []
        for picture in pictures:
            panels.append(describe_panel(picture))
            filters.append(picture.filters)
        # A colour picture that could not be made comes as pictures through its single filters.
        links = [link for link in find_links(panels) if filters[link.first] == filters[link.second]]
        pairs = _match(pictures, panels, links)
        solutions = place_panels([panel.shape for panel in panels], pairs, bend=self.parameters.bend)
        if not solutions:
            context.choose("mosaic", False, f"No two of these {len(panels)} pictures overlap, so there is no mosaic.")
            return []
        made = [one for solution in solutions if (one := self._make(pictures, panels, solution, context)) is not None]
        placed = {i for solution in solutions for i in solution.members}
        alone = [panel.file for i, panel in enumerate(panels) if i not in placed]
        if made and alone:
            context.caution(
                "overlap",
                f"No overlap with the others was found for {', '.join(alone)}; what they show is in pictures of their "
                "own only.",
                alone,
            )
        return made

    def _make(
        self, pictures: Sequence[Picture], panels: Sequence[Panel], solution: Solution, context: Context
    ) -> Picture | None:
        """Join one set, or say why not."""
        canvas = lay_canvas(solution.placements)
        size = canvas.shape[0] * canvas.shape[1] / 1e6
        files = [panels[i].file for i in solution.members]
        if size > MOST_MEGAPIXELS:
            context.caution(
                "size",
                f"A mosaic of {len(files)} pictures from {files[0]} on would have {size:.0f} megapixels, above the "
                f"{MOST_MEGAPIXELS:.0f} that are made; give a smaller window.",
                round(size),
            )
            return None
        touching = [(one.first, one.second) for one in solution.used]
        level_of = self._levels(panels, solution, touching)
        owner = own_pixels(canvas, panels, {i: float(np.mean(one.gain)) for i, one in level_of.items()})
        covered = int((owner >= 0).sum())
        largest = max(float(p.shape[0] * p.shape[1]) * p.scale**2 for p in canvas.placements.values())
        if covered < LEAST_GAIN * largest:
            context.choose(
                "mosaic", False, f"{len(files)} pictures from {files[0]} on show the same field; no mosaic is needed."
            )
            return None
        overlaps = [_overlap_px(canvas, panels, pair) for pair in touching]
        joined = join_panels(pictures, canvas, owner, level_of, pyramid_levels(float(np.median(overlaps))))
        facts = _facts(panels, canvas, solution, level_of, owner, covered)
        _say(facts, solution, files, context)
        return self._picture(pictures, solution, joined.data, joined.weight, joined.noise, facts)

    def _levels(self, panels: Sequence[Panel], solution: Solution, touching: list[tuple[int, int]]) -> dict[int, Level]:
        channels = min(panels[i].light.shape[0] for i in solution.members)
        if not self.parameters.level:
            return {i: Level((1.0,) * channels, (0.0,) * channels) for i in solution.members}
        return level_panels(panels, solution.placements, touching)

    def _picture(
        self,
        pictures: Sequence[Picture],
        solution: Solution,
        data: NDArray[np.float32],
        weight: NDArray[np.float32],
        noise: NDArray[np.float32] | None,
        facts: dict[str, Any],
    ) -> Picture:
        captures: list[Capture] = []
        headers: list[dict[str, Any]] = []
        blacks: list[float] = []
        first: Picture | None = None
        for i in solution.members:
            one = pictures[i]
            blacks += [float(one.display["black"])] if "black" in one.display else []
            captures += one.captures
            headers.append(one.header)
            if i == solution.fixed:
                first = one.replace(noise=None, weight=None, half_a=None, half_b=None, labelled=None)
        assert first is not None
        header = {k: v for k, v in first.header.items() if k in ("scale", "gains", "sharpen", "orient")}
        for key in ("frames_kept", "frames_total"):
            counts = [h.get(key) for h in headers]
            if all(isinstance(count, int) for count in counts):
                header[key] = sum(count for count in counts if count is not None)
        geometry = {k: v for k, v in first.geometry.items() if k != "disc"}
        black, white = _display(data, min(blacks, default=None))
        return Picture(
            data,
            tuple(captures),
            first.filters,
            weight=weight,
            noise=noise,
            geometry=geometry,
            display={"black": black, "white": white, "gamma": 1.0},
            header={**header, "mosaic": facts},
            kind="mosaic",
        )


def _match(pictures: Sequence[Picture], panels: Sequence[Panel], links: Sequence[Link]) -> list[Matches]:
    """Match the patches of every linked pair, with at most two pictures in memory."""
    found: list[Matches] = []
    held: dict[int, tuple[NDArray[np.float32], NDArray[np.bool_]]] = {}
    for link in links:
        for index in (link.first, link.second):
            if index not in held:
                held = {k: v for k, v in held.items() if k == link.first}
                held[index] = _grey(pictures[index])
        (a, good_a), (b, good_b) = held[link.first], held[link.second]
        matches = match_panels(link, a, b, (good_a, good_b))
        if matches is not None:
            found.append(matches)
    return found


def _grey(picture: Picture) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    good = usable(picture)
    return filled(planes_of(picture.data).mean(axis=0, dtype=np.float32), good), good


def _overlap_px(canvas: Canvas, panels: Sequence[Panel], pair: tuple[int, int]) -> float:
    """Width of an overlap: the smaller side of the rectangle in which two panels' rectangles meet, mosaic pixels."""
    sides = []
    for axis in (0, 1):
        spans = []
        for i in pair:
            place = canvas.placements[i]
            height, width = place.shape
            corners = np.array([(0, 0, 1), (width, 0, 1), (0, height, 1), (width, height, 1)]) @ place.matrix.T
            spans.append((corners[:, axis].min(), corners[:, axis].max()))
        sides.append(min(spans[0][1], spans[1][1]) - max(spans[0][0], spans[1][0]))
    return float(max(min(sides), 1.0))


def _facts(
    panels: Sequence[Panel],
    canvas: Canvas,
    solution: Solution,
    level_of: dict[int, Level],
    owner: NDArray[np.int16],
    covered: int,
) -> dict[str, Any]:
    """What the header keeps of a mosaic."""
    listed = []
    for i in solution.members:
        place = canvas.placements[i]
        height, width = place.shape
        middle = place.matrix @ np.array([(width - 1) / 2, (height - 1) / 2, 1.0])
        listed.append(
            {
                "file": panels[i].file,
                "x_px": round(float(middle[0]), 2),
                "y_px": round(float(middle[1]), 2),
                "turn_deg": round(place.turn_deg, 4),
                "scale": round(place.scale, 6),
                "gain": [float(f"{g:.5g}") for g in level_of[i].gain],
                "offset": [float(f"{o:.4g}") for o in level_of[i].offset],
                "bend_px": round(float(np.hypot(place.bend[..., 0], place.bend[..., 1]).max()), 2),
                "shown": round(float((owner == i).sum()) / max(covered, 1), 4),
            }
        )
    return {
        "panels": listed,
        "covered": round(covered / owner.size, 4),
        "residual_px": round(solution.residual_px, 3),
        "worst_pair_px": round(solution.worst_px, 3),
        "overlaps": len(solution.used),
    }


def _say(facts: dict[str, Any], solution: Solution, files: list[str], context: Context) -> None:
    count = len(files)
    context.measure(
        "registration",
        {"panels": count, "rms_px": facts["residual_px"], "worst_pair_px": facts["worst_pair_px"]},
        f"{count} pictures from {files[0]} on were joined over {facts['overlaps']} overlaps, in which they agree to "
        f"{facts['residual_px']:.2f} px rms (worst pair {facts['worst_pair_px']:.2f} px).",
    )
    gains = [gain for one in facts["panels"] for gain in one["gain"]]
    context.choose(
        "levels",
        {one["file"]: one["gain"] for one in facts["panels"]},
        f"Gains of {min(gains):.3f} to {max(gains):.3f} make the pictures equally bright where they overlap.",
    )
    if facts["covered"] < 0.98:
        context.measure(
            "covered",
            facts["covered"],
            f"{facts['covered']:.0%} of the mosaic's rectangle is covered; the rest is NaN in FITS and black in TIFF "
            "and PNG.",
        )
    if facts["residual_px"] > 0.5:
        context.caution(
            "registration",
            f"The pictures agree to {facts['residual_px']:.1f} px only where they overlap; fine detail may break at "
            "the seams.",
            facts["residual_px"],
        )


def _display(data: NDArray[np.float32], black: float | None) -> tuple[float, float]:
    """White as of a single picture, found in strips so that a large mosaic needs no copies of itself.

    Black is that of the panel with the darkest: a mosaic has no border of sky by which to choose one.
    """
    height = data.shape[-2]
    strips = [data[..., top : top + STRIP, :] for top in range(0, height, STRIP)]
    white = max(display_levels(strip)[1] for strip in strips)
    dark = 0.0 if black is None else black
    return dark, white if white > dark else dark + 1.0
