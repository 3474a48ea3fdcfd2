"""What the header of a stack says besides its pixels.

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
"mesh_px"
    distance between the nodes where they were measured, camera pixels (likewise).
"steadiness"
    how much frames of a surface differ from their mean, and the stack from it, by frequency: see `steadiness` (absent
    for objects on a dark sky, and for frames too small).
"sharpness_quantiles"
    sharpness of all usable frames at 0, 10, ... 100 %, as graded.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from nightmill.artefacts import FrameTable

from .choose import all_usable, sharpest
from .motion import bending, drift, jitter
from .turning import Turning

__all__ = ["header_of"]


def header_of(
    table: FrameTable,
    state: Mapping[str, Any],
    turning: Turning | None,
    scale: int,
    drop: float,
    shape: tuple[int, int],
) -> dict[str, Any]:
    """Return the header of a stack.

    Parameters
    ----------
    table : FrameTable
        Of the whole capture.
    state : dict
        What was prepared before the frames were added up.
    turning : Turning or None
        How the globe and the field turned, where that was taken out.
    scale : int
        Pixels of the stack per camera pixel.
    drop : float
        Width of the drops on a finer grid, camera pixels.
    shape : tuple of int
        Rows and columns of a frame.
    """
    usable = table["kept"].astype(bool) & np.isfinite(table["dy_px"])
    chosen = np.asarray(state["chosen"], bool)
    quantiles = np.percentile(table["sharpness"][table["kept"].astype(bool)], np.arange(0, 101, 10))
    # The air is told by the sharper half, whether or not more frames were registered for the geometry.
    calm = sharpest(table, usable, 0.5)
    header: dict[str, Any] = {
        "frames_kept": int(chosen.sum()),
        "frames_total": int(table.rows),
        "share_kept": round(float(chosen.sum() / all_usable(table, usable)), 4),
        "scale": scale,
        "origin_px": [float(np.mean(table[name][chosen])) + 0.5 / scale - 0.5 for name in ("dy_px", "dx_px")],
        "level": float(np.median(table["level"][chosen])),
        "background": float(np.median(table["background"][chosen])),
        "fills_frame": bool(table["fills_frame"][chosen].any()),
        "white_noise": not bool(state["bent"]) and scale == 1,
        "jitter_px": jitter(table, calm),
        "sharpness_quantiles": [float(f"{value:.6g}") for value in quantiles],
    }
    moved = drift(table, usable)
    if moved is not None:
        header["drift"] = moved
    if table["mesh"].shape[1] > 1:
        header["bending_px"] = bending(table, calm)
        header["mesh_px"] = round(float(np.sqrt(np.prod(shape) / np.prod(table["mesh"].shape[1:3]))), 2)
    if turning is not None:
        header["turned"] = {
            "middle_utc": turning.middle_s,
            "globe": bool(turning.moments_s),
            "field_deg_s": turning.rotation_deg_s,
        }
        disc = state["movement"].get("disc")
        if disc:
            # The features showed it, whichever end is north and whether or not it is a mirror image.
            east = disc["pole_angle_deg"] + (90.0 if disc["mirrored"] else -90.0)
            header["turned"]["planet_east_deg"] = round(east % 360.0, 3)
    if state["curve"]:
        header["share_curve"] = state["curve"]
    if scale > 1:
        header["drop"] = drop
    return header
