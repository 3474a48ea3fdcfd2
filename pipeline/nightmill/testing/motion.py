"""When each frame was exposed and where the mount pointed: schedule, drift, jitter, faults that have a time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .scenario import Scenario

__all__ = ["Schedule", "make_schedule"]

Bool = NDArray[np.bool_]


@dataclass(frozen=True)
class Schedule:
    """One row a recorded frame.

    Attributes
    ----------
    source : ndarray of shape (n,), int64
        Number of the exposure in the camera; lost exposures leave holes, a duplicate repeats its number.
    time_s : ndarray of shape (n,), float64
        Time stamp, seconds since the first frame.
    offset_px : ndarray of shape (n, 2), float64
        Where the mount puts the target relative to its mean position, rows and columns.
    rotation_deg : ndarray of shape (n,), float64
        Field rotation relative to mid-capture.
    transparency : ndarray of shape (n,), float32
        Share of the light that gets through, 0-1.
    duplicate, gap, blank : ndarray of shape (n,), bool
        Repeats the frame before; frames were lost before this one; no light.
    """

    source: NDArray[np.int64]
    time_s: NDArray[np.float64]
    offset_px: NDArray[np.float64]
    rotation_deg: NDArray[np.float64]
    transparency: NDArray[np.float32]
    duplicate: Bool
    gap: Bool
    blank: Bool


def make_schedule(scenario: Scenario) -> Schedule:
    """Draw the schedule of a capture; the same scenario gives the same schedule."""
    rng = np.random.default_rng([scenario.seed, 0x70])
    n, mount, faults = scenario.frames, scenario.mount, scenario.faults
    duplicate = rng.random(n) < faults.duplicates
    duplicate[0] = False
    gap = (rng.random(n) < faults.gaps) & ~duplicate
    gap[0] = False
    lost = np.where(gap, rng.integers(1, 6, n), 0)
    stamp = np.arange(n) + np.cumsum(lost)
    # A duplicate shows the last exposure that was not one, at its own time stamp.
    last_true = np.maximum.accumulate(np.where(duplicate, 0, np.arange(n)))
    source = stamp[last_true]
    exposures = int(stamp[-1]) + 1
    time = np.arange(exposures) / scenario.fps
    phase = rng.uniform(0, 2 * np.pi)
    middle = time[-1] / 2
    offset = (time - middle)[:, None] * np.array(mount.drift_px_s)
    offset[:, 1] += mount.periodic_px * np.sin(2 * np.pi * time / mount.periodic_s + phase)
    offset += mount.jitter_px * rng.standard_normal((exposures, 2))
    for at in rng.integers(0, exposures, mount.jumps):
        way = rng.uniform(0, 2 * np.pi)
        offset[at:] += mount.jump_px * np.array([np.sin(way), np.cos(way)])
    if faults.walk_off:
        late = np.clip((time - middle) / max(middle, 1e-9), 0, 1)
        offset[:, 1] += late * 0.75 * scenario.shape[1]
    clear = np.ones(exposures)
    if faults.cloud > 0:
        centre, width = rng.uniform(0.3, 0.8) * exposures, max(faults.cloud_share * exposures / 2, 1.0)
        reach = np.abs(np.arange(exposures) - centre) / width
        clear -= faults.cloud * np.clip(1.5 - reach, 0, 1)
    return Schedule(
        source=source,
        time_s=stamp / scenario.fps,
        offset_px=offset[source],
        rotation_deg=(mount.rotation_deg_s * (time - middle))[source],
        transparency=clear[source].astype(np.float32),
        duplicate=duplicate,
        gap=gap,
        blank=(rng.random(n) < faults.blank) & ~duplicate,
    )
