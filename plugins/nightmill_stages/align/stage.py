"""The stage "align": a reference from the sharpest frames, and where it lies in every frame worth stacking."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import Frames, FrameTable

from ..grade.flags import Flag
from .bending import cells_of, improve, measure_bending
from .correlate import Template, register, taper
from .geometry import Grid, plan_grid
from .mesh import MeshPlan, MeshReference, plan_mesh, prepare_mesh
from .reference import build_reference, spectra_of
from .straight import mean_bending, straightened

__all__ = ["Align"]

REFERENCE_FRAMES = 64
"""Frames in the reference: its noise is then an eighth of a frame's, too little to pull single frames along."""

REFERENCE_BYTES = 64 * 2**20
"""Frames of the mesh's reference are held in memory together: at most so much."""

LARGE_PX = 400
"""Discs of this size are bent by the air like a surface is."""


GEOMETRY_FRAMES = 600
"""The mean bending over the registered frames is taken for none: of few frames, blurred ones too say where things are.

With 400 frames bent by 1.5 pixels rms, half of them leave the geometry off by 0.16 pixels, all of them by 0.1.
"""


class Align(stage.Survey):
    """Register frames to a reference built from the sharpest of them, by band-limited plain correlation.

    A disc is followed by its position from grading and then by detail and limb; a surface by correlation alone, and
    then by a mesh of local shifts, for the air bends every frame differently.
    """

    name = "align"
    version = "8"
    rows = "kept"
    needs = ("sharpness", "background", "level", "y_px", "x_px", "extent_px", "fills_frame", "flags", "kept")
    gives: ClassVar[Mapping[str, str]] = {
        "dy_px": "row of the frame at which the reference's row 0 lies, camera pixels",
        "dx_px": "column of the frame at which the reference's column 0 lies, camera pixels",
        "fit": "correlation with the reference in the band, 0 to 1",
        "flags": "as before, and a bit for frames that do not look like the reference",
        "kept": "whether the frame is registered and usable",
        "mesh": "local shifts beyond dy_px, dx_px (rows, columns, 2), camera pixels; a single zero without a mesh",
        "contrast": "local contrast at the nodes relative to the reference (rows, columns); 1 without a mesh",
    }

    class Parameters(stage.Parameters):
        """Parameters of "align"."""

        share: float = stage.Field(
            0.5,
            gt=0,
            le=1,
            description="Share of the usable frames, sharpest first, that are registered at all; from a half on, "
            "at least 600 frames of a bent surface.",
        )
        mesh: Literal["auto", "on", "off"] = stage.Field(
            "auto", description="Follow local shifts; by default on surfaces and discs of 400 pixels and more."
        )
        spacing: Annotated[float, stage.Field(ge=8, le=400)] | Literal["auto"] = stage.Field(
            "auto", description="Distance of the mesh's nodes in pixels; 24 by default."
        )

    def prepare(self, table: FrameTable, context: stage.Context) -> dict[str, Any]:
        """Build the reference."""
        capture = context.capture
        kept = table["kept"].astype(bool)
        fills = bool(table["fills_frame"][kept].any())
        extent = float(np.median(table["extent_px"][kept]))
        mesh = self.parameters.mesh == "on" or (self.parameters.mesh == "auto" and (fills or extent >= LARGE_PX))
        order = np.lexsort((table["number"], np.where(kept, -table["sharpness"], np.inf)))
        best = np.sort(order[: min(REFERENCE_FRAMES, int(kept.sum()))])
        where = float(np.median(table["y_px"][best])), float(np.median(table["x_px"][best]))
        grid = plan_grid(capture.height, capture.width, capture.cfa, extent, fills, mesh, *where)
        window = taper(grid.shape, grid.taper)
        boxes, corners, backgrounds = [], [], []
        for row in best:
            frame = context.read(table["number"][row : row + 1])
            box, top, left = grid.box(frame.data[0], float(table["y_px"][row]), float(table["x_px"][row]))
            boxes.append(box)
            corners.append((top, left))
            backgrounds.append(_background(box, table["background"][row], frame.full_scale, fills))
        template, dy, dx, fit = build_reference(np.stack(boxes), np.array(backgrounds), window, seed=fills)
        shifts = np.array([grid.shift_px(t, e, y, x) for (t, e), y, x in zip(corners, dy, dx, strict=True)])
        if fills:
            # Cut the boxes again where the surface was found, so that all show the same part of it.
            corners, boxes = [], []
            for row, (y, x) in zip(best, shifts, strict=True):
                frame = context.read(table["number"][row : row + 1])
                box, top, left = grid.box(frame.data[0], grid.y_px + y, grid.x_px + x)
                boxes.append(box)
                corners.append((top, left))
            template, dy, dx, fit = build_reference(np.stack(boxes), np.array(backgrounds), window, seed=False)
            shifts = np.array([grid.shift_px(t, e, y, x) for (t, e), y, x in zip(corners, dy, dx, strict=True)])
        count = int(np.ceil(self.parameters.share * kept.sum()))
        if mesh and self.parameters.share >= 0.5:
            count = max(count, min(int(kept.sum()), GEOMETRY_FRAMES))
        limit = float(np.sort(table["sharpness"][kept])[::-1][max(count, 1) - 1])
        state = {"grid": grid.to_json(), "fills": fills, "sharpness": limit, **template.to_state()}
        if mesh:
            spacing = 24.0 if self.parameters.spacing == "auto" else float(self.parameters.spacing)
            plan = plan_mesh(capture.height, capture.width, spacing)
            room = max(REFERENCE_BYTES // (capture.height * capture.width * 4 >> 2 * plan.halvings), 8)
            few = np.unique(np.linspace(0, len(best) - 1, min(len(best), room)).round().astype(int))
            cells = [cells_of(context.read(table["number"][best[i] : best[i] + 1]).data[0], plan) for i in few]
            state |= {"mesh": plan.to_json(), "picture": improve(cells, *shifts[few].T, plan, each=context.each)}
            context.choose("mesh", [plan.rows, plan.columns], f"Nodes of the mesh, about {spacing:g} px apart.")
        context.measure(
            "reference",
            {"frames": len(best), "fit": round(float(np.median(fit)), 4)},
            f"The reference is the mean of the {len(best)} sharpest frames.",
        )
        return state

    def select(self, table: FrameTable, context: stage.Context) -> NDArray[np.bool_]:
        """Return the frames that are sharp enough."""
        return np.asarray(table["sharpness"] >= context.state["sharpness"], bool)

    def measure(self, frames: Frames, rows: FrameTable, context: stage.Context) -> dict[str, NDArray[Any]]:
        """Register the frames that are sharp enough; the others stay without a shift."""
        state = context.state
        n = len(frames)
        chosen = np.flatnonzero(rows["sharpness"] >= state["sharpness"])
        plan = MeshPlan(**state["mesh"]) if "mesh" in state else None
        shape = (plan.rows, plan.columns, 2) if plan else (1, 1, 2)
        result: dict[str, NDArray[Any]] = {name: np.full(n, np.nan) for name in ("dy_px", "dx_px", "fit")}
        result["mesh"] = np.zeros((n, *shape), np.float32)
        result["contrast"] = np.ones((n, *shape[:2]), np.float32)
        for part in np.array_split(chosen, max(-(-len(chosen) // 16), 1)):
            if len(part):
                _register(frames, rows, part, state, plan is None, result)
        if plan is not None and len(chosen):
            reference, picture = self._reference(state, plan)
            for row in chosen:
                cells = cells_of(frames.data[row], plan)
                start = float(result["dy_px"][row]), float(result["dx_px"][row])
                dy, dx, mesh, contrast, fit = measure_bending(cells, *start, reference, picture, plan)
                result["dy_px"][row], result["dx_px"][row], result["fit"][row] = dy, dx, fit
                result["mesh"][row], result["contrast"][row] = mesh, contrast
        return result

    def conclude(self, table: FrameTable, context: stage.Context) -> dict[str, NDArray[Any] | Iterator[NDArray[Any]]]:
        """Take out frames that do not look like the reference, and the mean bending, which is the reference's own."""
        fit, kept = table["fit"], table["kept"].astype(bool) & np.isfinite(table["fit"])
        flags = table["flags"].astype(np.int32)
        mean = np.zeros(table["mesh"].shape[1:], np.float32)
        if kept.any():
            middle = float(np.median(fit[kept]))
            spread = max(1.4826 * float(np.median(np.abs(fit[kept] - middle))), 0.01)
            odd = kept & (fit < max(middle - 8 * spread, 0.2 * middle))
            flags[odd] |= Flag.MISFIT
            kept &= ~odd
            mean, bending = mean_bending(table, kept)
            if len(mean) > 1:
                bent = round(bending, 3)
                context.measure("bending_px", bent, f"The air bends the frames by {bent} px rms about their shift.")
        context.measure("registered", int(kept.sum()), f"{int(kept.sum())} frames are registered")
        return {"flags": flags, "kept": kept, "mesh": straightened(table, kept, mean)}

    def _reference(self, state: stage.State, plan: MeshPlan) -> tuple[MeshReference, NDArray[np.float32]]:
        """Return the mesh's reference for the capture in hand; made once and kept while the state stays the same."""
        held = getattr(self, "_held", None)
        if held is None or held[0] is not state:
            picture = np.asarray(state["picture"], np.float32)
            self._held = held = (state, prepare_mesh(picture, plan), picture)
        return held[1], held[2]


def _register(
    frames: Frames,
    rows: FrameTable,
    part: NDArray[np.int64],
    state: stage.State,
    twice: bool,
    result: dict[str, NDArray[Any]],
) -> None:
    """Register some frames in one batch of transforms; fills `result` at `part`.

    Surfaces without a mesh are cut again where they were found and registered twice: the window is then on the same
    part of the surface as in the reference.
    """
    grid = Grid(**state["grid"])
    template = Template.from_state(dict(state))
    fills = bool(state["fills"])
    y_px, x_px, dark = rows["y_px"][part].copy(), rows["x_px"][part].copy(), rows["background"][part]
    if fills:
        y_px[:], x_px[:] = grid.y_px, grid.x_px
    for _ in range(2 if fills and twice else 1):
        boxes, top, left = grid.boxes(frames.data, part, y_px, x_px)
        skies = [_background(box, sky, frames.full_scale, fills) for box, sky in zip(boxes, dark, strict=True)]
        spectra = spectra_of(boxes, np.array(skies), template.window)
        dy, dx, fit, _ = register(spectra, template)
        top0, left0 = grid.corner(grid.y_px, grid.x_px)
        shifts = np.stack([top - top0 + dy, left - left0 + dx], axis=1) * grid.cell
        y_px, x_px = grid.y_px + shifts[:, 0], grid.x_px + shifts[:, 1]
    result["dy_px"][part], result["dx_px"][part], result["fit"][part] = shifts[:, 0], shifts[:, 1], fit


def _background(box: NDArray[np.float32], sky: float, full_scale: float, fills: bool) -> float:
    """Return what is taken off before the window: the sky, or the mean of a surface, so that no edge appears."""
    return float(box.mean()) if fills else float(sky * full_scale)
