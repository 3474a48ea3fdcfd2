"""The fold stage that makes a master of flat-field frames."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import Capture, Frames, FrameTable, Stack
from nightmill.errors import CaptureError

from . import clipped, matching, pixels
from .master_dark import master_stack, sample_frames, step_of

__all__ = ["MasterFlat"]

DIMMEST = 0.02
"""Mean light, as a fraction of full scale, below which a flat is mostly noise and offset."""
BRIGHTEST = 0.97
"""Level above which a pixel counts as saturated: division by a clipped flat is wrong everywhere it is clipped."""


class MasterFlat(stage.Fold):
    """Average flat-field frames without outliers, less their dark, each colour channel normalised to a mean of 1.

    Frames may differ in brightness. The stack is relative sensitivity, 1 on average, of shape (h, w), raw mosaics
    included, or (3, h, w).
    """

    name = "master-flat"
    aids: ClassVar[Mapping[str, str]] = {"dark": "master-dark"}

    class Parameters(stage.Parameters):
        """How outliers are told."""

        clip: float = stage.Field(
            4.0, ge=2, le=20, description="Standard deviations from a pixel's median beyond which a value is left out."
        )

    def choose_aids(self, capture: Capture, candidates: Mapping[str, Sequence[Capture]]) -> dict[str, Capture]:
        """Choose the dark that fits; a finished master needs none."""
        if matching.is_master(capture):
            return {}
        dark = matching.best_dark(capture, candidates.get("dark", ()))
        return {} if dark is None else {"dark": dark}

    def prepare(self, table: FrameTable, context: stage.Context) -> stage.State:
        """Take bounds for each pixel from a sample of frames, scaled to one brightness."""
        if "dark" not in context.aids and not matching.is_master(context.capture):
            context.caution(
                "dark", "No dark fits the flat, so that its offset stays in: it corrects slightly too little. Going on."
            )
        values = sample_frames(table, context)
        levels = clipped.levels_of(values)
        low, high = clipped.clip_bounds(values, self.parameters.clip, levels)
        return {"low": low, "high": high, "reference": int(levels[0])}

    def select(self, table: FrameTable, context: stage.Context) -> NDArray[np.bool_]:
        """Take all frames."""
        return np.ones(table.rows, bool)

    def fold(
        self, partial: dict[str, NDArray[Any]] | None, frames: Frames, rows: FrameTable, context: stage.Context
    ) -> dict[str, NDArray[Any]]:
        """Add up what lies within the bounds, and the brightness of the frames it came from."""
        values, _ = clipped.to_integers(frames.data, frames.full_scale)
        state, levels = context.state, clipped.levels_of(values)
        return clipped.add_frames(partial, values, state["low"], state["high"], levels, int(state["reference"]))

    def join(self, first: dict[str, NDArray[Any]], second: dict[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
        """Add sums."""
        return clipped.join_sums(first, second)

    def finish(self, partial: dict[str, NDArray[Any]], table: FrameTable, context: stage.Context) -> Stack:
        """Take the dark off, divide by brightness, normalise; refuse what is too dark or too bright."""
        capture = context.capture
        name = Path(capture.path).name
        step = step_of(capture) / capture.full_scale
        mean, variance = clipped.mean_and_variance(partial)
        saturated = float((mean * step > BRIGHTEST).mean())
        if saturated > 0.01 and not matching.is_master(capture):
            raise CaptureError(
                f"{name} cannot serve as a flat: {saturated:.0%} of its pixels are saturated. Record it again at a "
                "third to a half of full scale."
            )
        dark = np.zeros(mean.shape)
        if "dark" in context.aids:
            dark = _planes_last(context.aids["dark"].data).astype(np.float64) / step
            dark = np.where(np.isfinite(dark), dark, np.nanmedian(dark))
        # Each pixel is compared with the light of just those frames that it was averaged over.
        count = np.maximum(partial["count"], 1)
        brightness = partial["levels"] / 256 / count - dark.mean()
        light = mean - dark
        level = float(np.nanmean(light)) * step
        if level < DIMMEST:
            raise CaptureError(
                f"{name} cannot serve as a flat: its light is {level:.1%} of full scale only. Record it again at a "
                "third to a half of full scale."
            )
        try:
            flat = pixels.normalise(light / brightness, capture.cfa)
        except ValueError as error:
            raise CaptureError(f"{name} cannot serve as a flat: {error}. Record it again in white light.") from error
        noise = np.sqrt(variance / count) / brightness * (flat / np.where(light == 0, 1, light / brightness))
        typical = float(np.nanmedian(noise)) if np.isfinite(noise).any() else None
        if typical is not None and typical > 0.01:
            context.caution(
                "noise", f"The flat adds {typical:.1%} of noise to every frame: record more flat frames.", typical
            )
        return master_stack(flat, noise, partial["count"], table, context, {"level": level})


def _planes_last(data: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.moveaxis(data, 0, -1) if data.ndim == 3 else data
