"""The stage "stack": the mean of the frames worth it, sample by sample, with its weight, its noise and two halves.

Header of the stack (JSON values), besides "frames_kept", "frames_total", "scale", "origin_px" and "share_kept":

"share_curve"
    list of [share, merit]: what the choice of the share was made from (absent when the recipe gave a number).
"level"
    mean brightness of the object above the sky, fraction of full scale.
"background"
    brightness of the sky, fraction of full scale.
"region_px"
    [top, left, height, width] of the part that was stacked, in pixels of the stack's own grid before scaling; the sky
    around it is the smoothed mean of some frames (absent when all of the frame was stacked).
"turned"
    {"middle_utc": POSIX seconds, "globe": whether the globe was turned, "field_deg_s": rotation of the field,
    "planet_east_deg": into which the globe turned, when its features showed it} when
    every frame was turned to the middle of the capture (else absent).
"drop"
    width of the drops, camera pixels (finer grids only).
"drift"
    {"px_s": [rows, columns] a second, "left_px": rms distance from that line, "span_s"}: how the object moved.
"white_noise"
    true when the noise is not correlated from pixel to pixel; false for bent frames.
"fills_frame"
    whether the object runs over the frame's edge.
"jitter_px"
    [row, column] rms of the frames' motion about its slow drift (a running median of 31 frames), camera pixels.
"bending_px"
    [row, column] rms of the local shifts about the frames' motion, camera pixels (bent frames only).
"steadiness"
    how much frames of a surface differ from their mean, and the stack from it, by frequency: see `steadiness` (absent
    for objects on a dark sky, and for frames too small).
"sharpness_quantiles"
    sharpness of all usable frames at 0, 10, ... 100 %, as graded.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import Frames, FrameTable, Stack
from nightmill.errors import CaptureError

from .bent import add_bent, empty_bent
from .bent_fine import add_bent_fine, empty_bent_fine, finer
from .bent_mosaic import add_bent_mosaic, empty_bent_mosaic
from .choose import Choice, all_usable, choose_share
from .finish import make_bent_fine_stack, make_bent_stack, make_fine_stack, make_stack
from .hot import find_hot, marked, moves, repaired
from .mapping import way_of
from .model import first_model, sample_rows, sky_of
from .motion import bending, drift, jitter
from .movement import find_movement
from .phases import Envelope, Layout, add, choose_phases, empty, envelope
from .region import Overview, choose_region, framed, overview
from .steadiness import add_stack, steadiness
from .turning import Turning, turning_of

__all__ = ["StackFrames"]


class StackFrames(stage.Fold):
    """Stack the best frames: every raw sample where it belongs, impulses rejected, noise and two halves kept.

    Frames are moved by whole pixels and summed by their sub-pixel phase; the sums are combined once by the Fourier
    shift theorem, behind colour filter arrays by least squares over all raw samples of a colour.
    """

    name = "stack"
    version = "12"
    needs = (
        "kept",
        "sharpness",
        "dy_px",
        "dx_px",
        "level",
        "background",
        "y_px",
        "x_px",
        "extent_px",
        "fills_frame",
        "mesh",
    )

    class Parameters(stage.Parameters):
        """Parameters of "stack"."""

        share: Annotated[float, stage.Field(gt=0, le=1)] | Literal["auto"] = stage.Field(
            "auto",
            description="Share of all usable frames to stack, sharpest first; chosen from the frames by default.",
        )
        derotate: Literal["auto", "on", "off"] = stage.Field(
            "auto",
            description="Take the turn of the planet out of every frame; by default where it moves the middle of the "
            "disc by more than 1.2 px and the features show which way.",
        )
        scale: Annotated[int, stage.Field(ge=1, le=3)] | Literal["auto"] = stage.Field(
            "auto", description="Pixels of the stack per camera pixel; 1 by default."
        )
        drop: float = stage.Field(
            0.7, gt=0, le=1, description="Width of the drops, in camera pixels, that fall onto a grid of scale 2 or 3."
        )
        region: Literal["object", "sensor"] = stage.Field(
            "object",
            description="What is stacked: the object, its halo and whatever else stands out in the sky, or the whole "
            "sensor (takes longer; for moons too faint to be seen on a hundred frames).",
        )
        clip: float = stage.Field(
            5.0, ge=3, le=100, description="Samples that many sigmas outside what the reference expects are rejected."
        )

    def prepare(self, table: FrameTable, context: stage.Context) -> dict[str, Any]:
        """Choose the frames, and make a first picture that says what samples are to be expected."""
        usable = table["kept"].astype(bool) & np.isfinite(table["dy_px"])
        if not usable.any():
            raise CaptureError("no frame could be registered, so there is nothing to stack")
        capture = context.capture
        layout = self._whole(context)
        if self.parameters.share == "auto":
            choice = choose_share(table, usable, context, layout)
            context.choose("share", {"share": choice.share, "curve": choice.curve}, choice.why)
        else:
            choice = Choice(float(self.parameters.share), [], "given in the recipe")
            registered = usable.sum() / all_usable(table, usable)
            if choice.share > registered + 0.005:
                context.caution("share", f"only {registered:.0%} of the frames were registered: see `share` of align")
        chosen = _sharpest(table, usable, choice.share)
        bent = table["mesh"].shape[1] > 1
        rows = sample_rows(chosen)
        sky: dict[str, Any] = {}
        hot = find_hot(table, rows, context)
        if self.parameters.region == "object" and not table["fills_frame"][chosen].any():
            seen = overview(table, rows, context, hot)
            layout = choose_region(table, chosen, layout, seen)
            sky = seen.to_state() if layout.sensor else {}
        movement = find_movement(table, chosen, context, layout, self.parameters.derotate)
        bent = bent or movement is not None
        turning = turning_of(movement, layout)
        picture, sigma, level = first_model(table, rows, context, layout, bent, turning, hot)
        if table["mesh"].shape[1] > 1 and "contrast" in table:
            parts = [values.sum(axis=0, dtype=np.float64) for _, values in table.blocks("contrast", chosen)]
            sky["contrast"] = (np.sum(parts, axis=0) / chosen.sum()).astype(np.float32)
        facts = None
        if table["fills_frame"][chosen].any():
            registered = float(usable.sum() / all_usable(table, usable))
            facts = steadiness(table, usable, context, self._whole(context), hot, registered)
        return {
            "hot": hot,
            "steadiness": facts,
            "moves": moves(table, chosen, layout.cfa is not None),
            "movement": movement,
            "region": [layout.top, layout.left, layout.height, layout.width],
            **sky,
            "bent": bent,
            "share": choice.share,
            "curve": choice.curve,
            "chosen": chosen,
            "picture": picture,
            "sigma": sigma,
            "level": level,
            "dtype": capture.dtype,
        }

    def select(self, table: FrameTable, context: stage.Context) -> NDArray[np.bool_]:
        """Return the frames chosen in `prepare`."""
        return np.asarray(context.state["chosen"], bool)

    def fold(
        self, partial: dict[str, NDArray[Any]] | None, frames: Frames, rows: FrameTable, context: stage.Context
    ) -> dict[str, NDArray[Any]]:
        """Add frames to the sums of their phases."""
        layout = self._layout(context)
        expected = self._envelope(layout, frames.data.dtype, context)
        bent, scale = bool(context.state["bent"]), self._scale()
        if partial is not None:
            sums = partial
        elif bent and scale > 1:
            sums = empty_bent_fine(layout, scale)
        elif bent:
            sums = empty_bent_mosaic(layout) if layout.cfa else empty_bent(layout)
        else:
            sums = empty(layout)
        picture = np.asarray(context.state["picture"], np.float32)
        if bent and scale > 1:
            picture = finer(picture, scale)
        elif bent and layout.cfa:
            picture = np.ascontiguousarray(np.moveaxis(picture, 0, -1))
        turning, hot = self._turning(layout, context), np.asarray(context.state["hot"], np.int32)
        usual = np.asarray(context.state["contrast"], np.float32) if "contrast" in context.state else None
        level, moved = float(context.state["level"]), bool(context.state["moves"])
        for row, raw in enumerate(frames.data):
            # Other frames saw what a hot pixel hid, unless nothing moved: then its neighbours stand in.
            frame = marked(raw, hot) if moved else repaired(raw, hot, layout.cfa is not None)
            # Blocks of four neighbouring frames alternate: both halves see the same air and the same drift.
            half = int(frames.numbers[row] // 4 % 2)
            gain = float(rows["level"][row]) / level
            gain = gain if abs(gain - 1) > 0.03 else 1.0
            if not bent:
                shift = float(rows["dy_px"][row]), float(rows["dx_px"][row])
                add(sums, layout, frame, half, shift, 1.0, gain, expected)
                continue
            strips = scale == 1 and not layout.cfa
            shift, field, seen = way_of(rows, row, layout, turning, scale, usual, strips)
            sky = sky_of(rows, row, context)
            if scale > 1:
                drop = self.parameters.drop
                add_bent_fine(sums, layout, drop, frame, half, shift, field, seen, gain, sky, expected, picture)
            elif layout.cfa:
                add_bent_mosaic(sums, layout, frame, half, shift, field, seen, gain, sky, expected, picture)
            else:
                add_bent(sums, layout, frame, half, shift, field, seen, gain, sky, expected)
        return sums

    def join(self, first: dict[str, NDArray[Any]], second: dict[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
        """Add two sets of sums."""
        return {name: values + second[name] for name, values in first.items()}

    def finish(self, partial: dict[str, NDArray[Any]], table: FrameTable, context: stage.Context) -> Stack:
        """Resample the sums, once."""
        layout = self._layout(context)
        expected = self._envelope(layout, np.dtype(str(context.state["dtype"])), context)
        usable = table["kept"].astype(bool) & np.isfinite(table["dy_px"])
        chosen = np.asarray(context.state["chosen"], bool)
        scale = self._scale()
        quantiles = np.percentile(table["sharpness"][table["kept"].astype(bool)], np.arange(0, 101, 10))
        # The air is told by the sharper half, whether or not more frames were registered for the geometry.
        calm = _sharpest(table, usable, 0.5)
        header = {
            "frames_kept": int(chosen.sum()),
            "frames_total": int(table.rows),
            "share_kept": round(float(chosen.sum() / all_usable(table, usable)), 4),
            "scale": scale,
            "origin_px": [float(np.mean(table[name][chosen])) + 0.5 / scale - 0.5 for name in ("dy_px", "dx_px")],
            "level": float(np.median(table["level"][chosen])),
            "background": float(np.median(table["background"][chosen])),
            "fills_frame": bool(table["fills_frame"][chosen].any()),
            "white_noise": not bool(context.state["bent"]) and scale == 1,
            "jitter_px": jitter(table, calm),
            "sharpness_quantiles": [float(f"{value:.6g}") for value in quantiles],
        }
        moved = drift(table, usable)
        if moved is not None:
            header["drift"] = moved
        if table["mesh"].shape[1] > 1:
            header["bending_px"] = bending(table, calm)
        turning = self._turning(layout, context)
        if turning is not None:
            header["turned"] = {
                "middle_utc": turning.middle_s,
                "globe": bool(turning.moments_s),
                "field_deg_s": turning.rotation_deg_s,
            }
            disc = context.state["movement"].get("disc")
            if disc:
                # The features showed it, whichever end is north and whether or not it is a mirror image.
                east = disc["pole_angle_deg"] + (90.0 if disc["mirrored"] else -90.0)
                header["turned"]["planet_east_deg"] = round(east % 360.0, 3)
        if context.state["curve"]:
            header["share_curve"] = context.state["curve"]
        context.measure(
            "rejected_samples", int(partial["clipped"][0]), "Samples rejected as cosmic rays, tracks or hot pixels."
        )
        full_scale = context.capture.full_scale
        picture = np.asarray(context.state["picture"], np.float32)
        if scale > 1:
            header["drop"] = self.parameters.drop
        if context.state["bent"] and scale > 1:
            stack = make_bent_fine_stack(partial, finer(picture, scale), full_scale, header)
        elif context.state["bent"]:
            stack = make_bent_stack(partial, layout, expected, picture, full_scale, header)
        elif scale > 1:
            stack = make_fine_stack(partial, layout, expected, scale, self.parameters.drop, full_scale, header)
        else:
            stack = make_stack(partial, layout, expected, full_scale, header, context.each)
        if context.state["steadiness"] is not None:
            found = add_stack(context.state["steadiness"], stack)
            stack.header.update({"steadiness": found} if found else {})
        return framed(stack, layout, Overview.from_state(context.state), full_scale) if layout.sensor else stack

    def _scale(self) -> int:
        """Return pixels of the stack per camera pixel."""
        return 1 if self.parameters.scale == "auto" else int(self.parameters.scale)

    def _whole(self, context: stage.Context) -> Layout:
        """Return the layout of whole frames."""
        capture = context.capture
        return Layout(capture.height, capture.width, capture.planes, capture.cfa, 1)

    def _layout(self, context: stage.Context) -> Layout:
        """Return the layout of the part that is stacked."""
        whole = self._whole(context)
        top, left, height, width = (int(value) for value in context.state["region"])
        phases = choose_phases(height, width, whole.planes, whole.cfa)
        if (height, width) == (whole.height, whole.width):
            return replace(whole, phases=phases)
        sensor = whole.height, whole.width
        return Layout(height, width, whole.planes, whole.cfa, phases, top, left, sensor)

    def _turning(self, layout: Layout, context: stage.Context) -> Turning | None:
        """Return how the globe turns in the capture in hand; made once and kept while the state stays the same."""
        state, kept = context.state, getattr(self, "_turns", None)
        if kept is None or kept[0] is not state:
            self._turns = kept = (state, turning_of(state["movement"], layout))
        return kept[1]

    def _reach(self, layout: Layout, context: stage.Context) -> int:
        """Return by how many pixels frames may move detail about besides their shift."""
        if not context.state["bent"]:
            return 1
        turning = self._turning(layout, context)
        return 4 if turning is None else 4 + min(math.ceil(turning.reach_px), 12)

    def _envelope(self, layout: Layout, dtype: Any, context: stage.Context) -> Envelope:
        """Return the envelope for the capture in hand; made once and kept while the state stays the same."""
        state, kept = context.state, getattr(self, "_kept", None)
        if kept is None or kept[0] is not state or kept[1] != dtype:
            picture, sigma = np.asarray(state["picture"], np.float32), np.asarray(state["sigma"], np.float32)
            self._kept = kept = (
                state,
                dtype,
                envelope(picture, sigma, layout, dtype, self.parameters.clip, 0.04, self._reach(layout, context)),
            )
        return kept[2]


def _sharpest(table: FrameTable, usable: NDArray[np.bool_], share: float) -> NDArray[np.bool_]:
    """Return a mask of the sharpest frames: a share of all that grading left, at least four when there are."""
    count = min(max(round(share * all_usable(table, usable)), 4), int(usable.sum()))
    order = np.lexsort((table["number"], np.where(usable, -table["sharpness"], np.inf)))
    mask = np.zeros(table.rows, bool)
    mask[order[:count]] = True
    return mask & usable
