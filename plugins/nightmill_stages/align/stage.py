"""The stage "align": a reference from the sharpest frames, and where it lies in every frame worth stacking."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

import numpy as np
from nightmill import stage
from nightmill.artefacts import Frames, FrameTable
from numpy.typing import NDArray

from ..grade.flags import Flag
from .correlate import Template, register, taper
from .geometry import Grid, plan_grid
from .reference import build_reference, spectra_of

__all__ = ["Align"]

REFERENCE_FRAMES = 64
"""Frames in the reference: its noise is then an eighth of a frame's, too little to pull single frames along."""


class Align(stage.Survey):
    """Register frames to a reference built from the sharpest of them, by band-limited plain correlation.

    A disc is followed by its position from grading and then by detail and limb; a surface by correlation alone.
    """

    name = "align"
    version = "1"
    rows = "kept"
    needs = ("sharpness", "background", "level", "y_px", "x_px", "extent_px", "fills_frame", "flags", "kept")
    gives: ClassVar[Mapping[str, str]] = {
        "dy_px": "row of the frame at which the reference's row 0 lies, camera pixels",
        "dx_px": "column of the frame at which the reference's column 0 lies, camera pixels",
        "fit": "correlation with the reference in the band, 0 to 1",
        "gain": "brightness in the band relative to the reference: falls with blur and with cloud",
        "flags": "as before, frames that do not look like the reference marked",
        "kept": "whether the frame is registered and usable",
    }

    class Parameters(stage.Parameters):
        """Parameters of "align"."""

        share: float = stage.Field(
            0.6, gt=0, le=1, description="Share of the usable frames, sharpest first, that are registered at all."
        )

    def prepare(self, table: FrameTable, context: stage.Context) -> dict[str, Any]:
        """Build the reference."""
        capture = context.capture
        kept = table["kept"].astype(bool)
        fills = bool(table["fills_frame"][kept].any())
        order = np.lexsort((table["number"], np.where(kept, -table["sharpness"], np.inf)))
        best = np.sort(order[: min(REFERENCE_FRAMES, int(kept.sum()))])
        grid = plan_grid(
            capture.height,
            capture.width,
            capture.cfa,
            float(np.median(table["extent_px"][kept])),
            fills,
            float(np.median(table["y_px"][best])),
            float(np.median(table["x_px"][best])),
        )
        window = taper(grid.shape, grid.taper)
        boxes, corners, backgrounds = [], [], []
        for row in best:
            frame = context.read(table["number"][row : row + 1])
            box, top, left = grid.box(frame.data[0], float(table["y_px"][row]), float(table["x_px"][row]))
            boxes.append(box)
            corners.append((top, left))
            backgrounds.append(_background(box, table["background"][row], frame.full_scale, fills))
        template, _, dy, dx, fit = build_reference(np.stack(boxes), np.array(backgrounds), window, seed=fills)
        if fills:
            # Cut the boxes again where the surface was found, so that all show the same part of it.
            boxes = []
            for row, y, x in zip(best, dy, dx, strict=True):
                frame = context.read(table["number"][row : row + 1])
                boxes.append(grid.box(frame.data[0], grid.y_px + y * grid.cell, grid.x_px + x * grid.cell)[0])
            template, _, dy, dx, fit = build_reference(np.stack(boxes), np.array(backgrounds), window, seed=False)
        count = int(np.ceil(self.parameters.share * kept.sum()))
        limit = float(np.sort(table["sharpness"][kept])[::-1][max(count, 1) - 1])
        context.measure(
            "reference",
            {"frames": len(best), "fit": round(float(np.median(fit)), 4)},
            f"The reference is the mean of the {len(best)} sharpest frames.",
        )
        return {"grid": grid.to_json(), "fills": fills, "sharpness": limit, **template.to_state()}

    def measure(self, frames: Frames, rows: FrameTable, context: stage.Context) -> dict[str, NDArray[Any]]:
        """Register the frames that are sharp enough; the others stay without a shift."""
        state = context.state
        grid = Grid(**state["grid"])
        template = Template.from_state(dict(state))
        fills = bool(state["fills"])
        n = len(frames)
        result = {name: np.full(n, np.nan) for name in ("dy_px", "dx_px", "fit", "gain")}
        chosen = np.flatnonzero(rows["sharpness"] >= state["sharpness"])
        for part in np.array_split(chosen, max(-(-len(chosen) // 16), 1)):
            if len(part):
                self._register(frames, rows, part, grid, template, fills, result)
        return {
            **result,
            "flags": rows["flags"].astype(np.int32),
            "kept": np.isfinite(result["fit"]),
        }

    def conclude(self, table: FrameTable, context: stage.Context) -> dict[str, NDArray[Any]]:
        """Take out frames that do not look like the reference."""
        fit, kept = table["fit"], table["kept"].astype(bool)
        flags = table["flags"].astype(np.int32)
        if kept.any():
            middle = float(np.median(fit[kept]))
            spread = max(1.4826 * float(np.median(np.abs(fit[kept] - middle))), 0.01)
            odd = kept & (fit < max(middle - 8 * spread, 0.2 * middle))
            flags[odd] |= Flag.MISFIT
            kept &= ~odd
        context.measure("registered", int(kept.sum()), f"{int(kept.sum())} frames are registered")
        return {"flags": flags, "kept": kept}

    @staticmethod
    def _register(
        frames: Frames,
        rows: FrameTable,
        part: NDArray[np.int64],
        grid: Grid,
        template: Template,
        fills: bool,
        result: dict[str, NDArray[Any]],
    ) -> None:
        """Register some frames in one batch of transforms; fills `result` at `part`."""
        y_px, x_px = rows["y_px"][part].copy(), rows["x_px"][part].copy()
        if fills:
            y_px[:], x_px[:] = grid.y_px, grid.x_px
        for _ in range(2 if fills else 1):
            cuts = [grid.box(frames.data[row], y, x) for row, y, x in zip(part, y_px, x_px, strict=True)]
            boxes = np.stack([one for one, _, _ in cuts])
            backgrounds = np.array(
                [
                    _background(box, rows["background"][row], frames.full_scale, fills)
                    for box, row in zip(boxes, part, strict=True)
                ]
            )
            dy, dx, fit, gain = register(spectra_of(boxes, backgrounds, template.window), template)
            shifts = np.array([grid.shift_px(t, e, y, x) for (_, t, e), y, x in zip(cuts, dy, dx, strict=True)])
            y_px, x_px = grid.y_px + shifts[:, 0], grid.x_px + shifts[:, 1]
        result["dy_px"][part], result["dx_px"][part] = shifts[:, 0], shifts[:, 1]
        result["fit"][part], result["gain"][part] = fit, gain


def _background(box: NDArray[np.float32], sky: float, full_scale: float, fills: bool) -> float:
    """Return what is taken off before the window: the sky, or the mean of a surface, so that no edge appears."""
    return float(box.mean()) if fills else float(sky * full_scale)
