"""The stage "stack": the mean of the frames worth it, sample by sample, with its weight, its noise and two halves.

What its header says is told in `header`.
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

from .choose import Choice, all_usable, choose_share, sharpest
from .header import header_of
from .hot import find_hot, marked, moves, repaired
from .model import first_model, sample_rows, sky_of
from .movement import find_movement
from .phases import Layout, choose_phases, envelope
from .region import Overview, choose_region, framed, overview
from .steadiness import add_stack, steadiness
from .summing import Summing, choose_summing
from .turning import turning_of

__all__ = ["StackFrames"]

RELATIVE = 0.04
"""Share of its brightness by which a sample may differ besides noise."""


class StackFrames(stage.Fold):
    """Stack the best frames: every raw sample where it belongs, impulses rejected, noise and two halves kept.

    Frames are moved by whole pixels and summed by their sub-pixel phase; the sums are combined once by the Fourier
    shift theorem, behind colour filter arrays by least squares over all raw samples of a colour.
    """

    name = "stack"
    version = "15"
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
        chosen = sharpest(table, usable, choice.share)
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
        summing = self._summing(frames.data.dtype, context)
        sums = summing.empty() if partial is None else partial
        hot, cfa = np.asarray(context.state["hot"], np.int32), context.capture.cfa is not None
        level, moved = float(context.state["level"]), bool(context.state["moves"])
        for row, raw in enumerate(frames.data):
            # Other frames saw what a hot pixel hid, unless nothing moved: then its neighbours stand in.
            frame = marked(raw, hot) if moved else repaired(raw, hot, cfa)
            # Blocks of four neighbouring frames alternate: both halves see the same air and the same drift.
            half = int(frames.numbers[row] // 4 % 2)
            gain = float(rows["level"][row]) / level
            gain = gain if abs(gain - 1) > 0.03 else 1.0
            summing.add(sums, frame, half, gain, rows, row, sky_of(rows, row, context))
        return sums

    def join(self, first: dict[str, NDArray[Any]], second: dict[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
        """Add two sets of sums."""
        return {name: values + second[name] for name, values in first.items()}

    def finish(self, partial: dict[str, NDArray[Any]], table: FrameTable, context: stage.Context) -> Stack:
        """Resample the sums, once."""
        state, full_scale = context.state, context.capture.full_scale
        layout = self._layout(context)
        summing = self._summing(np.dtype(str(state["dtype"])), context)
        shape = (context.capture.height, context.capture.width)
        turning = turning_of(state["movement"], layout)
        header = header_of(table, state, turning, self._scale(), self.parameters.drop, shape)
        context.measure(
            "rejected_samples", int(partial["clipped"][0]), "Samples rejected as cosmic rays, tracks or hot pixels."
        )
        stack = summing.stack(partial, full_scale, header, context.each)
        if state["steadiness"] is not None:
            found = add_stack(state["steadiness"], stack)
            stack.header.update({"steadiness": found} if found else {})
        return framed(stack, layout, Overview.from_state(state), full_scale) if layout.sensor else stack

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

    def _summing(self, dtype: Any, context: stage.Context) -> Summing:
        """Return the way to the stack of the capture in hand; made once and kept while the state stays the same."""
        state, kept = context.state, getattr(self, "_kept", None)
        if kept is None or kept[0] is not state or kept[1] != dtype:
            layout, bent = self._layout(context), bool(state["bent"])
            turning = turning_of(state["movement"], layout)
            # By how many pixels frames may move detail about besides their shift.
            reach = 1 if not bent else 4 if turning is None else 4 + min(math.ceil(turning.reach_px), 12)
            picture, sigma = np.asarray(state["picture"], np.float32), np.asarray(state["sigma"], np.float32)
            summing = choose_summing(
                layout,
                envelope(picture, sigma, layout, dtype, self.parameters.clip, RELATIVE, reach),
                picture,
                bent=bent,
                scale=self._scale(),
                drop=self.parameters.drop,
                turning=turning,
                usual=np.asarray(state["contrast"], np.float32) if "contrast" in state else None,
            )
            self._kept = kept = (state, dtype, summing)
        return kept[2]
