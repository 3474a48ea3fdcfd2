"""Measures how a planet turned and the field rotated while a capture was taken, from the frames themselves.

The capture is cut into a few spans of time, and some frames of each are averaged. The globe is fitted on the middle
one; turned by the ephemeris in each sense that fits, it predicts the others. The sense that is right explains their
features best; a turn that does not is not taken out. What is left between prediction and picture, a shift and a
rotation, is measured by least squares (Lucas & Kanade 1981, Proc. 7th IJCAI, 674): registration follows limb and
features alike, and where these move against one another its shifts are off by a little that grows with time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import FrameTable
from nightmill_sky import BODIES, Disc

from .phases import Layout
from .settle import Settled, settle
from .turning import Turning, disc_to_json, globe_fields

__all__ = ["find_movement", "spans_of"]

Float = NDArray[np.float32]

SPANS = 5
"""Spans of time; the turn from one to the next is then small enough to be followed."""

EACH = 32
"""Frames averaged in each; twice as many in the middle one, on which the globe is fitted."""

LEAST_TURN_PX = 1.2
"""A spot that moves so far while frames are added loses a quarter of its finest detail, some 3 px at usual sampling."""

LEAST_ROTATION_PX = 0.5
"""Rotation of the field that is worth following: at the object's edge, over the capture."""

USUAL_ROTATION_DEG_S = 0.006
"""Most that an alt-azimuth mount usually shows: 15 arcsec a second times cos(latitude) / cos(altitude)."""


SENSE = 0.02
"""Least share of what is left unexplained by which the right sense must be better than no turn, and than the other."""

COARSE_PX = 70.0
"""Discs of a larger radius are fitted on halved pictures."""

MOMENT_DEG = 1.5
"""Between moments so far apart, straight lines in time err by 0.01 px on a disc of 120 px radius."""


def spans_of(table: FrameTable, chosen: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    """Return rows of some frames in each of `SPANS` equal spans of time; empty where there is none."""
    rows = np.flatnonzero(chosen)
    times = table["utc"][rows]
    edges = np.linspace(times.min(), times.max(), SPANS + 1)
    index = np.clip(np.searchsorted(edges, times, side="right") - 1, 0, SPANS - 1)
    result = []
    for span in range(SPANS):
        mine = rows[index == span]
        most = 2 * EACH if span == SPANS // 2 else EACH
        result.append(mine[np.unique(np.linspace(0, len(mine) - 1, min(most, len(mine))).round().astype(int))])
    return result


def find_movement(
    table: FrameTable, chosen: NDArray[np.bool_], context: stage.Context, layout: Layout, wish: str
) -> dict[str, Any] | None:
    """Find out how the globe turned and the field rotated.

    Parameters
    ----------
    table : FrameTable
    chosen : ndarray of bool, shape (rows,)
    context : Context
        Frames are read through it; what was found is noted there.
    layout : Layout
        The part that is stacked.
    wish : {"auto", "on", "off"}
        Whether the turn of the globe is to be taken out.

    Returns
    -------
    dict or None
        "turning" (see `Turning.to_json`) and, where the globe is turned, "disc" and "meridians", all plain values;
        None when frames need to be shifted only.
    """
    utc = np.asarray(table["utc"], np.float64)
    times = utc[chosen]
    target = context.capture.target
    if not np.all(np.isfinite(times)) or bool(table["fills_frame"][chosen].any()):
        return None
    span = float(times.max() - times.min())
    radius = float(np.median(table["extent_px"][chosen])) / 2
    rate = BODIES[target].rotation_deg_per_day / 86400.0 if target in BODIES and target not in ("moon", "sun") else 0.0
    turned_px = radius * math.radians(abs(rate) * span)
    turns = wish != "off" and rate != 0.0 and turned_px > (0.1 if wish == "on" else LEAST_TURN_PX)
    rotates = radius * math.radians(USUAL_ROTATION_DEG_S) * span > LEAST_ROTATION_PX
    if not turns and not rotates:
        return None
    spans = spans_of(table, chosen)
    if min(len(rows) for rows in spans) < 6:
        if turns:
            context.caution(
                "derotate",
                f"{target} turned by {turned_px:.1f} px meanwhile, but the frames kept are not "
                "spread over the capture evenly enough to take that out.",
            )
        return None
    pictures = [_mean(table, rows, context, layout) for rows in spans]
    middle = float(utc[np.isfinite(utc)][[0, -1]].mean())
    late = [float(utc[rows].mean()) - middle for rows in spans]
    globes: list[Disc] = (
        _globes(pictures[SPANS // 2], radius, str(target), middle + late[SPANS // 2], context) if turns else []
    )
    place = (
        float(np.median((table["y_px"] - table["dy_px"])[chosen])) - layout.top,
        float(np.median((table["x_px"] - table["dx_px"])[chosen])) - layout.left,
    )
    if globes:
        place = globes[0].centre_row_px, globes[0].centre_column_px
        radius = globes[0].equatorial_radius_px
    still = _follow(pictures, [pictures[SPANS // 2]] * SPANS, place, radius)
    best, globe = still, None
    if globes:
        seen = place, radius

        def turned(one: Disc) -> tuple[list[Settled], Disc]:
            return _follow(pictures, _predicted(pictures[SPANS // 2], one, str(target), middle, late), *seen), one

        found = context.each(turned, globes)
        found.sort(key=lambda pair: sum(one.left for one in pair[0]))
        best, globe = found[0]
        if not _explains(best, [still, *(one for one, _ in found[1:])]):
            context.caution(
                "derotate",
                f"{str(target).capitalize()} turned by {turned_px:.1f} px while the frames were taken; its features "
                "do not show clearly which way, so this was not taken out. A shorter capture would be sharper.",
            )
            best, globe = still, None
    return _concluded(best, globe, late, middle, place, radius, span, turned_px, str(target), context)


def _mean(table: FrameTable, rows: NDArray[np.int64], context: stage.Context, layout: Layout) -> Float:
    """Average some frames, laid onto the reference; colours behind a filter array are averaged over 2x2 samples."""
    total = np.zeros((layout.height, layout.width), np.float32)
    for row in rows:
        frame = context.read(table["number"][row : row + 1]).data[0]
        plane = frame.mean(axis=2, dtype=np.float32) if frame.ndim == 3 else np.asarray(frame, np.float32)
        shift = [float(table["dy_px"][row]) + layout.top, float(table["dx_px"][row]) + layout.left]
        if layout.cfa:
            # The mean of a sample and those before it lies half a pixel before it.
            plane, shift = cv2.blur(plane, (2, 2)), [shift[0] + 0.5, shift[1] + 0.5]
        matrix = np.array([[1, 0, shift[1]], [0, 1, shift[0]]])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        size = layout.width, layout.height
        total += cv2.warpAffine(plane, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(cv2.GaussianBlur(np.nan_to_num(total) / max(len(rows), 1), (0, 0), 1.2), np.float32)


def _globes(plane: Float, radius: float, target: str, utc_s: float, context: stage.Context) -> list[Disc]:
    """Fit the globe; return it in each sense in which it may turn, likeliest first; cautions say why there is none."""
    from ..orient.discs import template_of
    from ..orient.fit import place_globe
    from ..orient.known import sky_at

    try:
        sky = sky_at(target, utc_s)
        # Half a pixel of centre and a degree of axis shift no spot by more than hundredths: a coarse picture will do.
        factor = 2 if radius > COARSE_PX else 1
        rows, columns = (n // factor * factor for n in plane.shape)
        size = columns // factor, rows // factor
        coarse = cv2.resize(plane[:rows, :columns], size, interpolation=cv2.INTER_AREA)
        placed = place_globe(coarse, template_of(sky), sky.phase_angle_deg or 0.0)
        fitted = replace(
            placed.disc,
            centre_column_px=placed.disc.centre_column_px * factor + (factor - 1) / 2,
            centre_row_px=placed.disc.centre_row_px * factor + (factor - 1) / 2,
            equatorial_radius_px=placed.disc.equatorial_radius_px * factor,
        )
    except (ValueError, ArithmeticError, MemoryError) as error:
        context.caution(
            "derotate", f"The turn of the planet was not taken out: its disc could not be measured ({error})."
        )
        return []
    if not placed.ways:
        context.caution(
            "derotate", "The turn of the planet was not taken out: the frames do not show where its axis lies."
        )
        return []
    result: list[Disc] = []
    for way in sorted(placed.ways, key=lambda one: -one.weight):
        disc = replace(fitted, pole_angle_deg=way.pole_angle_deg, mirrored=way.mirrored)
        east = [_east(one) for one in result]
        if all(math.cos(math.radians(_east(disc) - other)) < 0.9 for other in east):
            result.append(disc)
    return result


def _east(disc: Disc) -> float:
    return disc.pole_angle_deg + (90.0 if disc.mirrored else -90.0)


def _meridians(target: str, disc: Disc, utc_s: float) -> dict[str, Any]:
    """Return the central meridians of a target at a time, as the fields of a disc."""
    from ..orient.discs import template_of
    from ..orient.known import sky_at

    seen = template_of(sky_at(target, utc_s), mirrored=disc.mirrored)
    return {
        "central_meridian_deg": seen.central_meridian_deg,
        "central_meridians_deg": dict(seen.central_meridians_deg),
    }


def _predicted(model: Float, disc: Disc, target: str, middle: float, late: Sequence[float]) -> list[Float]:
    """Return what the middle picture would be at the other times, if the globe turned in the sense of the disc."""
    now = middle + late[len(late) // 2]
    here = _meridians(target, disc, now)
    sky = np.float32(np.percentile(model, 5))
    result = []
    for seconds in late:
        # What lies where at the other time was here now: the map goes from that time's picture to the middle one.
        there = replace(disc, **_meridians(target, disc, middle + seconds))
        rows, columns, _, gain = globe_fields(there, [here], (model.shape[0], model.shape[1]))
        grid = np.mgrid[0 : model.shape[0], 0 : model.shape[1]].astype(np.float32)
        moved = cv2.remap(
            model, grid[1] + columns[0], grid[0] + rows[0], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
        result.append((moved - sky) * gain[0] + sky)
    return result


def _follow(
    pictures: Sequence[Float], models: Sequence[Float], place: tuple[float, float], radius: float
) -> list[Settled]:
    """Lay each picture onto its model, outwards from the middle one: the rotation goes on from span to span."""
    count = len(pictures)
    result: list[Settled | None] = [None] * count
    middle = count // 2
    for way in (1, -1):
        start = step = 0.0
        for index in range(middle, count if way > 0 else -1, way):
            one = settle(pictures[index], models[index], radius, place, start + step)
            step, start = (one.rotation_deg - start, one.rotation_deg) if index != middle else (0.0, 0.0)
            result[index] = one
    return [one for one in result if one is not None]


def _explains(best: Sequence[Settled], others: Sequence[Sequence[Settled]]) -> bool:
    """Say whether one way of turning explains the outer spans clearly better than all others."""
    outer = (0, len(best) - 1)
    return all(best[i].left < (1.0 - SENSE) * other[i].left for other in others for i in outer)


def _line(late: Sequence[float], values: Sequence[float]) -> tuple[float, float, float]:
    """Return slope, value at 0 and the slope's standard error."""
    x, y = np.asarray(late), np.asarray(values)
    slope, start = np.polyfit(x, y, 1)
    rest = y - slope * x - start
    spread = math.sqrt(float(rest @ rest) / max(len(x) - 2, 1) / float(((x - x.mean()) ** 2).sum()))
    return float(slope), float(start), spread


def _concluded(
    best: Sequence[Settled],
    globe: Disc | None,
    late: Sequence[float],
    middle: float,
    place: tuple[float, float],
    radius: float,
    span: float,
    turned_px: float,
    target: str,
    context: stage.Context,
) -> dict[str, Any] | None:
    """Say what was found, and put it together."""
    slope, _, error = _line(late, [one.rotation_deg for one in best])
    edge_px = radius * math.radians(abs(slope)) * span
    follows = edge_px > LEAST_ROTATION_PX and abs(slope) > 5 * error
    if not follows and globe is None:
        return None
    if follows:
        context.measure(
            "field_rotation_deg",
            round(slope * span, 3),
            f"The field rotated by {slope * span:.2f} degrees (anticlockwise) over the capture, {edge_px:.1f} px at "
            "the edge of the disc; frames were rotated back.",
        )
    dy_s, dy, _ = _line(late, [one.dy_px for one in best])
    dx_s, dx, _ = _line(late, [one.dx_px for one in best])
    said: dict[str, Any] = {}
    moments: tuple[float, ...] = ()
    if globe is not None:
        rate = abs(BODIES[target].rotation_deg_per_day) / 86400.0
        reach = 0.5 * span + 1.0
        count = max(math.ceil(2 * reach * rate / MOMENT_DEG), 1) + 1
        moments = tuple(float(t) for t in np.linspace(-reach, reach, count))
        # The disc was fitted on the middle span; at the middle of the capture it lies no elsewhere.
        globe = replace(globe, **_meridians(target, globe, middle))
        said = {"disc": disc_to_json(globe), "meridians": [_meridians(target, globe, middle + t) for t in moments]}
        context.choose(
            "derotate",
            {"turned_deg": round(rate * span, 3), "turned_px": round(turned_px, 2)},
            f"{target.capitalize()} turned by {rate * span:.2f} degrees while the frames were taken, {turned_px:.1f} "
            "px in the middle of the disc; every frame was turned to the middle of the capture.",
        )
    turning = Turning(middle, place, slope if follows else 0.0, (dy, dx), (dy_s, dx_s), moments)
    return {"turning": turning.to_json(), **said}
