"""The fold "starlight": a plain mean of a star's frames, each put on the star, and the light measured on it.

No frame is preferred for its sharpness and no bright sample is clipped: in short exposures a star's picture is a swarm
of specks, and both would change its light. Air spreads light differently from frame to frame but takes none of it out
of a wide aperture.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import Frames, FrameTable, Stack
from nightmill.errors import CaptureError

from ..stack.hot import repaired
from .locate import cell_of, find_star, stands_out
from .photometry import aperture_weights, measure_star
from .sensor import odd_samples
from .sums import add_cut, empty_sums, mean_planes

__all__ = ["BURNT", "Starlight"]

SAMPLES = 32
"""Frames looked at beforehand."""
REACH_PX = 160
LEAST_REACH_PX = 12
BURNT = 0.95
"""Share of full scale from which a sample may be burnt out; cameras are no longer linear near their end."""
BURNT_FRAMES = 0.05
"""Share of burnt frames that are left out; with more, what is left would be a choice by brightness."""
SPREAD = (0.5, 2.0)
"""Light of a frame over the usual one outside of which something was in the way: a cloud, a satellite."""
NOISES = 6.0
"""Robust standard deviations of it that are noise in any case."""
GROWING = 0.05
"""Light that still grows by more at the widest aperture is not that of a star with sky around it."""
FAINT = 0.03
"""Relative error beyond which a star is too faint to measure others by."""


class Starlight(stage.Fold):
    """Sum the frames of a star without choosing or clipping, and measure its light.

    For captures that others are measured by. The stack is the surroundings of the star; its header tells the light
    in every channel per frame (fraction of full scale times pixels), its relative error and the aperture.
    """

    name = "starlight"
    version = "1"

    def prepare(self, table: FrameTable, context: stage.Context) -> dict[str, Any]:
        """Look at some frames: where the star is, how far its surroundings reach, how bright it is."""
        capture = context.capture
        rows = np.flatnonzero(np.asarray(table["kept"], bool))
        chosen = rows[np.unique(np.linspace(0, len(rows) - 1, min(SAMPLES, len(rows))).round().astype(int))]
        looked_at = [context.read(table["number"][row : row + 1]).data[0] for row in chosen]
        cfa = capture.cfa is not None
        hot = _hot(looked_at, context)
        cell = cell_of(capture.height, capture.width, cfa)
        places, frames = [], []
        for raw in looked_at:
            frame = repaired(raw, hot, cfa)
            y, x, above = find_star(frame, cell)
            if stands_out(above):
                places.append((y, x))
                frames.append(frame)
        if not frames or 2 * len(frames) < len(chosen):
            raise CaptureError(
                f"no star stands out in {len(chosen) - len(frames)} of {len(chosen)} frames looked at: expose longer, "
                "or was it cloudy?"
            )
        at = np.array(places)
        edges = np.minimum(at, np.array([capture.height, capture.width]) - 1 - at).min(axis=1)
        reach = int(min(np.percentile(edges, 20), REACH_PX))
        if reach < LEAST_REACH_PX:
            raise CaptureError(
                f"the star is only {max(reach, 0)} px from the edge of the frame: there is no room for its halo and "
                f"the sky around it, {LEAST_REACH_PX} px at least"
            )
        channels = 3 if capture.colour else 1
        sums = empty_sums(reach, channels)
        for place, frame in zip(places, frames, strict=True):
            add_cut(sums, frame, place, 0, capture.cfa)
        radius = measure_star(mean_planes(sums["sum"][0], sums["weight"][0]))[0].radius_px
        light = []
        for place, frame in zip(places, frames, strict=True):
            one = empty_sums(reach, channels)
            add_cut(one, frame, place, 0, capture.cfa)
            light.append(float(_quick_light(one, reach, radius).sum()))
        usual = float(np.median(light))
        if not (np.isfinite(usual) and usual > 0):
            raise CaptureError("there is no light above the surroundings: is it a star, alone, with sky around it?")
        # Noise of a faint star is nothing in the way.
        noise = NOISES * 1.4826 * float(np.median(np.abs(np.array(light) - usual)))
        bounds = [min(SPREAD[0] * usual, usual - noise), max(SPREAD[1] * usual, usual + noise)]
        return {"hot": hot, "reach": reach, "cell": cell, "radius": radius, "bounds": bounds}

    def select(self, table: FrameTable, context: stage.Context) -> NDArray[np.bool_]:
        """Take all usable frames."""
        return np.asarray(table["kept"], bool)

    def fold(
        self, partial: dict[str, NDArray[Any]] | None, frames: Frames, rows: FrameTable, context: stage.Context
    ) -> dict[str, NDArray[Any]]:
        """Add frames that show the whole star, not burnt out and with nothing in the way."""
        state, capture = context.state, context.capture
        reach, radius = int(state["reach"]), float(state["radius"])
        hot, cfa = np.asarray(state["hot"], np.int32), capture.cfa
        sums = empty_sums(reach, 3 if capture.colour else 1) if partial is None else partial
        for row, raw in enumerate(frames.data):
            frame = repaired(raw, hot, cfa is not None)
            y, x, above = find_star(frame, int(state["cell"]))
            if not stands_out(above):
                sums["left_out"][0] += 1
                continue
            if min(y, x, capture.height - 1 - y, capture.width - 1 - x) < radius + 1:
                sums["left_out"][1] += 1
                continue
            top, left = max(round(y - radius), 0), max(round(x - radius), 0)
            core = frame[top : round(y + radius) + 1, left : round(x + radius) + 1]
            sums["peak"][0] = max(sums["peak"][0], float(core.max()))
            if float(core.max()) >= BURNT * capture.full_scale:
                sums["left_out"][2] += 1
                continue
            one = empty_sums(reach, sums["sum"].shape[1])
            add_cut(one, frame, (y, x), 0, cfa)
            light = _quick_light(one, reach, radius)
            if not state["bounds"][0] < float(light.sum()) < state["bounds"][1]:
                sums["left_out"][3] += 1
                continue
            half = int(frames.numbers[row] // 4 % 2)
            sums["sum"][half] += one["sum"][0]
            sums["weight"][half] += one["weight"][0]
            sums["light"] += np.stack([np.ones(len(light)), light, light**2])
        return sums

    def join(self, first: dict[str, NDArray[Any]], second: dict[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
        """Add two sets of sums."""
        joined = {name: values + second[name] for name, values in first.items()}
        return {**joined, "peak": np.maximum(first["peak"], second["peak"])}

    def finish(self, partial: dict[str, NDArray[Any]], table: FrameTable, context: stage.Context) -> Stack:
        """Measure the light on the mean."""
        full = context.capture.full_scale
        count = int(partial["light"][0, 0])
        _refuse(partial, count, context)
        data = mean_planes(partial["sum"].sum(axis=0), partial["weight"].sum(axis=0))
        lights = measure_star(data)
        _, total, square = partial["light"] / count
        scatter = np.sqrt(np.maximum(square - total**2, 0.0) / max(count - 1, 1)) / np.maximum(total, 1e-30)
        noise = [
            float(np.hypot(s, light.area_px * light.sky_error / light.flux)) if light.flux > 0 else float("inf")
            for s, light in zip(scatter, lights, strict=True)
        ]
        if not max(noise) <= FAINT:
            raise CaptureError(
                f"the star is too faint: its light is known to {min(max(noise), 1.0):.0%} only; expose longer, or "
                "record more frames"
            )
        growth = max(abs(light.growth) for light in lights)
        if not growth <= GROWING:
            raise CaptureError(
                f"the star's light still grows by {growth:.0%} at the widest aperture there is room for: is it a star, "
                "alone, with sky around it in the frame?"
            )
        errors = [float(np.hypot(one, 0.5 * light.growth)) for one, light in zip(noise, lights, strict=True)]
        found = {
            "flux": [light.flux / full for light in lights],
            "error": errors,
            "growth": [light.growth for light in lights],
            "sky": [light.sky / full for light in lights],
            "aperture_px": lights[0].radius_px,
            "frames": count,
            "peak_share": float(partial["peak"][0]) / full,
        }
        _say(found, partial, context)
        header = {"frames_kept": count, "scale": 1, "origin_px": [0, 0], "starlight": found}
        halves = [_shaped(mean_planes(partial["sum"][k], partial["weight"][k])) / full for k in range(2)]
        whole = bool((partial["weight"].sum(axis=(1, 2, 3)) > 0).all())
        return Stack(
            data=(_shaped(data) / full).astype(np.float32),
            weight=_shaped(list(partial["weight"].sum(axis=0).astype(np.float32))),
            half_a=halves[0].astype(np.float32) if whole else None,
            half_b=halves[1].astype(np.float32) if whole else None,
            header=header,
        )


def _hot(frames: list[NDArray[Any]], context: stage.Context) -> NDArray[np.int32]:
    """Find samples of the sensor that always read wrong."""
    capture = context.capture
    if capture.planes != 1 or len(frames) < 8:
        return np.zeros((0, 2), np.int32)
    stacked = np.nan_to_num(np.stack(frames).astype(np.float32))
    # Digits hide noise that is smaller than they are.
    step = 0.3 if capture.full_scale > 1.5 else 0.3 / 65535
    error = np.sqrt((stacked.var(axis=0) + np.float32(step**2)) / len(frames))
    found = odd_samples(stacked.mean(axis=0), error, capture.full_scale, capture.cfa is not None)
    if len(found):
        context.measure(
            "hot_pixels", len(found), f"{len(found)} single pixels of the sensor always read wrong and were left out."
        )
    return found


def _quick_light(sums: dict[str, NDArray[Any]], reach: int, radius: float) -> NDArray[np.float64]:
    """Light of one frame in each channel, behind a colour filter array from the samples that there are."""
    offsets = np.arange(2 * reach + 1) - reach
    distance = np.hypot(offsets[:, None], offsets[None, :])
    inside, ring = aperture_weights(distance, radius), distance >= 0.78 * reach
    light = []
    for plane, weight in zip(sums["sum"][0], sums["weight"][0], strict=True):
        seen = weight > 0
        sky = float(np.median(plane[ring & seen])) if (ring & seen).any() else 0.0
        share = float((inside * seen).sum()) / float(inside.sum())
        light.append(float((inside * (plane - sky))[seen].sum()) / max(share, 1e-9))
    return np.array(light)


def _refuse(sums: dict[str, NDArray[Any]], count: int, context: stage.Context) -> None:
    lost, cut, burnt, disturbed = (int(n) for n in sums["left_out"])
    if burnt > BURNT_FRAMES * max(count + burnt, 1):
        raise CaptureError(
            f"the star is burnt out in {burnt} of {count + burnt} frames (samples reach "
            f"{float(sums['peak'][0]) / context.capture.full_scale:.0%} of full scale, 95% is the most): expose shorter"
        )
    if count < 2:
        raise CaptureError(
            f"fewer than two frames show the whole star: it was not found in {lost}, at the edge in {cut}, burnt out "
            f"in {burnt} and much brighter or dimmer than usual in {disturbed}"
        )


def _say(found: dict[str, Any], sums: dict[str, NDArray[Any]], context: stage.Context) -> None:
    context.measure(
        "starlight",
        {"flux": found["flux"], "error": found["error"]},
        f"Light of the star per frame, in full scales times pixels, known to {max(found['error']):.1%}: the mean of "
        f"{found['frames']} frames, in an aperture of {found['aperture_px']:.0f} px radius beyond which it grows by "
        f"{max(abs(g) for g in found['growth']):.1%}; samples reach {found['peak_share']:.0%} of full scale.",
    )
    names = ("the star was not found", "it was at the edge", "it was burnt out", "something was in the way")
    words = [f"{int(n)} where {name}" for n, name in zip(sums["left_out"], names, strict=True) if n]
    if words:
        context.measure("left_out", int(sums["left_out"].sum()), f"Frames that were left out: {', '.join(words)}.")


def _shaped(planes: list[NDArray[np.float32]]) -> NDArray[np.float32]:
    return planes[0] if len(planes) == 1 else np.stack(planes)
