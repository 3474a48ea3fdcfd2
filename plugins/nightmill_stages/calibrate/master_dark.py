"""The fold stage that makes a master of dark frames."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import Capture, Frames, FrameTable, Stack
from nightmill.errors import CaptureError

from . import clipped

__all__ = ["MasterDark", "master_stack", "sample_frames"]

SAMPLE_FRAMES = 25
SAMPLE_BYTES = 64 * 2**20


class MasterDark(stage.Fold):
    """Average dark frames without outliers, pixel by pixel.

    The stack holds the mean as a fraction of full scale, shape (h, w), raw mosaics included, or (3, h, w); `noise` is
    its standard error, `weight` the number of frames averaged.
    """

    name = "master-dark"

    class Parameters(stage.Parameters):
        """How outliers are told."""

        clip: float = stage.Field(
            4.0, ge=2, le=20, description="Standard deviations from a pixel's median beyond which a value is left out."
        )

    def prepare(self, table: FrameTable, context: stage.Context) -> stage.State:
        """Take bounds for each pixel from a sample of frames."""
        values = sample_frames(table, context)
        low, high = clipped.clip_bounds(values, self.parameters.clip)
        return {"low": low, "high": high}

    def select(self, table: FrameTable, context: stage.Context) -> NDArray[np.bool_]:
        """Take all frames."""
        return np.ones(table.rows, bool)

    def fold(
        self, partial: dict[str, NDArray[Any]] | None, frames: Frames, rows: FrameTable, context: stage.Context
    ) -> dict[str, NDArray[Any]]:
        """Add up what lies within the bounds."""
        values, _ = clipped.to_integers(frames.data, frames.full_scale)
        return clipped.add_frames(partial, values, context.state["low"], context.state["high"])

    def join(self, first: dict[str, NDArray[Any]], second: dict[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
        """Add sums."""
        return clipped.join_sums(first, second)

    def finish(self, partial: dict[str, NDArray[Any]], table: FrameTable, context: stage.Context) -> Stack:
        """Divide the sums, and refuse what is no dark."""
        capture = context.capture
        step = step_of(capture) / capture.full_scale
        mean, variance = clipped.mean_and_variance(partial)
        mean, noise = mean * step, np.sqrt(variance / np.maximum(partial["count"], 1)) * step
        level = float(np.nanmedian(mean))
        if level > 0.5:
            raise CaptureError(
                f"{Path(capture.path).name} is no dark: its median level is {level:.0%} of full scale. Cover the "
                "telescope and record it again, or give the file another name."
            )
        if level > 0.2:
            context.caution(
                "level", f"The dark is bright ({level:.0%} of full scale): was the telescope covered?", round(level, 4)
            )
        return master_stack(mean, noise, partial["count"], table, context, {"level": level})


def sample_frames(table: FrameTable, context: stage.Context) -> NDArray[Any]:
    """Read up to 25 frames spread over the capture, fewer when they are large, as integers (n, h, w[, 3])."""
    number = int(min(SAMPLE_FRAMES, max(clipped.FEWEST, SAMPLE_BYTES // context.capture.frame_bytes), table.rows))
    rows = np.unique(np.linspace(0, table.rows - 1, number).round().astype(np.int64))
    frames = context.read(table["number"][rows])
    return clipped.to_integers(frames.data, frames.full_scale)[0]


def step_of(capture: Capture) -> float:
    """Return the ADU that one step of `clipped.to_integers` stands for."""
    return capture.full_scale / clipped.STEPS if capture.dtype == "float32" else 1.0


def master_stack(
    data: NDArray[np.float64],
    noise: NDArray[np.float64],
    count: NDArray[np.int64],
    table: FrameTable,
    context: stage.Context,
    extra: dict[str, Any],
) -> Stack:
    """Dress a master as a stack; pixels of frames (h, w, 3) become (3, h, w)."""
    capture = context.capture
    clipped_share = 1.0 - float(count.sum()) / (count.size * max(table.rows, 1))
    context.measure("clipped_share", clipped_share, f"{clipped_share:.2%} of all values were left out as outliers.")

    def planes_first(values: NDArray[Any]) -> NDArray[np.float32]:
        ordered = np.moveaxis(values, -1, 0) if values.ndim == 3 else values
        return np.ascontiguousarray(ordered, np.float32)

    return Stack(
        data=planes_first(data),
        weight=planes_first(count),
        noise=planes_first(noise) if np.isfinite(noise).any() else None,
        header={
            "frames_kept": table.rows,
            "frames_total": table.rows,
            "share_kept": 1.0,
            "scale": 1.0,
            "origin_px": [0, 0],
            "role": capture.role,
            "cfa": capture.cfa,
            "exposure_s": capture.exposure_s,
            "gain": capture.gain,
            "filter": capture.filter,
            **extra,
        },
    )
