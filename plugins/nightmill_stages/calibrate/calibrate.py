"""The frame stage that takes dark current, uneven sensitivity and hot pixels out of every frame."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import Capture, Frames, Stack

from . import matching, pixels

__all__ = ["Calibrate", "apply_masters", "find_bad"]

DEAD = 0.1
"""Relative sensitivity below which a pixel has no signal worth amplifying."""
LEAST_DARK, LEAST_FLAT = 0.002, 0.15
"""Deviation from its neighbours that a pixel must have to be replaced: of full scale, and of sensitivity."""
STEP_NOISE = 0.29
"""Standard deviation of rounding to whole ADU, 1/sqrt(12)."""
MANY = 0.01
"""Share of replaced pixels that deserves a caution."""
UNSTABLE = 4.0
"""Noise of a pixel in the dark, relative to the typical one, at which its mean says too little about it."""


class Calibrate(stage.FrameStage):
    """Subtract the master dark, divide by the master flat, repair hot and dead pixels.

    Frames leave as float32 in ADU, negative values included; they pass untouched, in their own type, when no master
    fits.
    """

    name = "calibrate"
    version = "2"
    aids: ClassVar[Mapping[str, str]] = {"dark": "master-dark", "flat": "master-flat"}

    class Parameters(stage.Parameters):
        """Which corrections to make."""

        dark: Literal["auto", "none"] = stage.Field(
            "auto", description="Subtract the dark that fits best in size, exposure, gain and time, or none."
        )
        flat: Literal["auto", "none"] = stage.Field(
            "auto", description="Divide by the flat that fits best in size, filter and time, or none."
        )
        hot: float = stage.Field(
            8.0,
            ge=0,
            description="Standard deviations from its neighbours from which a pixel of a master is hot or dead; 0 "
            "repairs none.",
        )

    def choose_aids(self, capture: Capture, candidates: Mapping[str, Sequence[Capture]]) -> dict[str, Capture]:
        """Choose dark and flat."""
        chosen: dict[str, Capture] = {}
        if self.parameters.dark == "auto" and (dark := matching.best_dark(capture, candidates.get("dark", ()))):
            chosen["dark"] = dark
        if self.parameters.flat == "auto" and (flat := matching.best_flat(capture, candidates.get("flat", ()))):
            chosen["flat"] = flat
        return chosen

    def prepare(self, context: stage.Context) -> stage.State:
        """Turn the masters into what a frame is corrected with, and say which are missing."""
        capture = context.capture
        masters: dict[str, NDArray[np.float32]] = {}
        for role in ("dark", "flat"):
            if getattr(self.parameters, role) == "none":
                continue
            master = context.aids.get(role)
            data = None if master is None else _planes_last(master.data)
            shape = (capture.height, capture.width) + ((3,) if capture.planes == 3 else ())
            if data is None:
                context.caution(role, _missing(role, capture))
            elif data.shape != shape:
                found = f"{data.shape[1]} x {data.shape[0]}"
                context.caution(role, f"The {role} of {found} pixels does not fit the frames. Going on without it.")
            else:
                masters[role] = data
        if not masters:
            return {}
        state: dict[str, NDArray[np.float32] | NDArray[np.int64]] = {}
        bad = np.zeros(next(iter(masters.values())).shape, bool)
        if "dark" in masters:
            dark = masters["dark"]
            state["dark"] = np.where(np.isfinite(dark), dark, np.nanmedian(dark)).astype(np.float32)
            bad |= ~np.isfinite(dark)
        if "flat" in masters:
            flat = masters["flat"]
            usable = np.isfinite(flat) & (flat > DEAD)
            # Masters from elsewhere may be normalised otherwise; on our own this changes nothing.
            whole = pixels.normalise(np.where(usable, flat, np.nan), capture.cfa)
            state["factor"] = np.where(usable, 1 / np.where(usable, whole, 1), 1).astype(np.float32)
            bad |= ~usable
        if self.parameters.hot > 0:
            bad |= find_bad(context.aids, state, capture, self.parameters.hot)
            plan = pixels.plan_repair(bad, capture.cfa)
            state |= {"bad": plan.bad, "near": plan.near, "share": plan.share}
            text = f"{len(plan.bad)} hot or dead pixels are replaced."
            if len(plan.bad) > MANY * bad.size:
                context.caution("hot", f"{text} That is {len(plan.bad) / bad.size:.1%} of all.", len(plan.bad))
            else:
                context.measure("repaired_pixels", len(plan.bad), text)
        return state

    def apply(self, frames: Frames, context: stage.Context) -> Frames:
        """Correct frames."""
        state = context.state
        if not ("dark" in state or "factor" in state):
            return frames
        plan = pixels.Repair(state["bad"], state["near"], state["share"]) if "bad" in state else None
        dark, factor = state.get("dark"), state.get("factor")
        return frames.replace(data=apply_masters(frames.data, frames.full_scale, dark, factor, plan))


def apply_masters(
    data: NDArray[np.generic],
    full_scale: float,
    dark: NDArray[np.float32] | None,
    factor: NDArray[np.float32] | None,
    plan: pixels.Repair | None,
) -> NDArray[np.float32]:
    """Return (data - dark) * factor with bad pixels replaced.

    Parameters
    ----------
    data : ndarray of shape (n, h, w) or (n, h, w, 3)
        Frames in ADU, any real type; not changed.
    full_scale : float
        ADU at which a sample saturates.
    dark : ndarray of float32, shape of a frame, or None
        As a fraction of full scale.
    factor : ndarray of float32, shape of a frame, or None
        One over the relative sensitivity.
    plan : Repair or None
        Pixels to replace afterwards.

    Returns
    -------
    ndarray of float32, shape of `data`
        ADU; negative where noise takes a sample below the dark.
    """
    out = np.empty(data.shape, np.float32)
    if dark is None:
        np.copyto(out, data, casting="unsafe")
    else:
        np.subtract(data, dark * np.float32(full_scale), out=out, dtype=np.float32)
    if factor is not None:
        np.multiply(out, factor, out=out)
    if plan is not None:
        pixels.repair(out, plan)
    return out


def find_bad(
    aids: Mapping[str, Stack], state: Mapping[str, NDArray[np.generic]], capture: Capture, sigmas: float
) -> NDArray[np.bool_]:
    """Find hot pixels in the dark, by level and by noise, and dead ones in the flat.

    Returns
    -------
    ndarray of bool, shape of a frame
    """
    bad = np.zeros(next(iter(state.values())).shape, bool)
    if "dark" in state:
        # A master of few frames has steps of whole ADU; their spread says nothing about a pixel.
        least = max(LEAST_DARK, sigmas * STEP_NOISE / capture.full_scale if capture.dtype != "float32" else 0.0)
        bad |= pixels.outliers(np.asarray(state["dark"], np.float32), capture.cfa, sigmas, least)
        noise, weight = aids["dark"].noise, aids["dark"].weight
        if noise is not None and weight is not None and np.isfinite(noise).any():
            # A pixel that flickers between levels has a harmless mean and is wrong in every single frame.
            single = _planes_last(noise * np.sqrt(weight))
            bad |= single > UNSTABLE * float(np.nanmedian(single)) + 0.5 * LEAST_DARK
    if "factor" in state:
        sensitivity = np.reciprocal(np.asarray(state["factor"], np.float32))
        bad |= pixels.outliers(sensitivity, capture.cfa, sigmas, LEAST_FLAT)
    return bad


def _missing(role: str, capture: Capture) -> str:
    size = f"{capture.width} x {capture.height} pixels"
    if role == "dark":
        exposure = "" if capture.exposure_s is None else f", {capture.exposure_s * 1000:g} ms"
        gain = "" if capture.gain is None else f", gain {capture.gain:g}"
        return (
            f"No dark fits ({size}{exposure}{gain}): going on without; the offset stays in, and hot pixels are found "
            "while stacking."
        )
    light = "" if capture.filter is None else f", filter {capture.filter}"
    return f"No flat fits ({size}{light}): going on without; dust shadows and uneven light stay in."


def _planes_last(data: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.ascontiguousarray(np.moveaxis(data, 0, -1)) if data.ndim == 3 else data
