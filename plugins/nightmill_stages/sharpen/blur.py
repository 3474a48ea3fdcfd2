"""The blur that air leaves in a stack of selected frames, relative to the perfect telescope: a core with a halo.

Two numbers say what it is: D/r0, the strength of the air, which sets the width of the halo; and the share of frames, as
if all frames were of the same air, which then sets how much light is left in the core. The family was tabled from
Kolmogorov screens (`blur_table.npz`, made by tests/benchmarks/quality/make_blur_table.py); along its whole length it
follows h(f) = s + (1 - s) exp(-(f / f0)^(5/3)), with a core that is not quite flat behind an obstructed aperture.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

__all__ = [
    "CORE_RANGE",
    "RATIO_RANGE",
    "SHARE_RANGE",
    "Blur",
    "core_halo",
    "expected_jitter",
    "expected_spread",
    "expected_steadiness",
]

RATIO_RANGE = (0.3, 12.5)
SHARE_RANGE = (0.02, 4.0)
"""Beyond 1 the table is continued: registration and changing air can leave more halo than all frames of steady air."""
SMALLEST = 1e-3
CORE_RANGE = (0.4, 1.3)
RISE = (0.08, 0.5)
"""Shares of the cut-off between which a core weaker or stronger than tabled makes itself felt (by the transfer of
stacks against the truth, tuning captures of the second simulator)."""


@dataclass(frozen=True)
class Blur:
    """One member of the family.

    Attributes
    ----------
    ratio : float
        D/r0 of the air at the channel's wavelength, within `RATIO_RANGE`.
    share : float
        Share of frames kept that this blur corresponds to, within `SHARE_RANGE`.
    obstruction : float
        Of the telescope.
    extra_px : float
        Standard deviation of a Gaussian blur on top (registration, pixel, focus), in pixels.
    core_left : float
        Light in the core over what the table says, within `CORE_RANGE`: registration and air that changes take from it
        and leave the halo as it is.
    """

    ratio: float
    share: float
    obstruction: float = 0.0
    extra_px: float = 0.0
    core_left: float = 1.0

    def transfer(self, frequency: NDArray[np.floating], cutoff: float) -> NDArray[np.float64]:
        """Return the transfer relative to the perfect telescope's.

        Parameters
        ----------
        frequency : ndarray
            Cycles a pixel.
        cutoff : float
            The telescope's cut-off, cycles a pixel.

        Returns
        -------
        ndarray of float64, shape of `frequency`
            1 at zero frequency, positive; beyond the cut-off the value there goes on.
        """
        f = np.asarray(frequency, np.float64)
        loss = np.interp(f / cutoff, *self._curve())
        passed = np.exp(-loss - 2 * (np.pi * self.extra_px * f) ** 2)
        return passed if self.core_left == 1 else passed * self._left(f / cutoff)

    @property
    def core(self) -> float:
        """Transfer at half the cut-off: the share of light left in the core."""
        return float(np.exp(-np.interp(0.5, *self._curve())) * self.core_left)

    def _left(self, share_of_cutoff: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return by what the transfer differs from the tabled one: 1 in the halo, `core_left` in the core."""
        x = np.clip((share_of_cutoff - RISE[0]) / (RISE[1] - RISE[0]), 0, 1)
        return 1 - (1 - self.core_left) * x * x * (3 - 2 * x)

    def _curve(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        return _curve(float(self.ratio), float(self.share), float(self.obstruction))


@lru_cache(maxsize=1)
def _table() -> dict[str, Any]:
    with (files(__package__) / "blur_table.npz").open("rb") as stream, np.load(stream, allow_pickle=False) as archive:
        return {name: archive[name].astype(np.float64) for name in archive.files}


@lru_cache(maxsize=1)
def _loss() -> scipy.interpolate.RegularGridInterpolator:
    table = _table()
    loss = -np.log(np.maximum(table["transfer"], SMALLEST))
    axes = (table["obstructions"], np.log(table["ratios"]), np.log(table["shares"]))
    return scipy.interpolate.RegularGridInterpolator(axes, loss, bounds_error=False, fill_value=None)


@lru_cache(maxsize=512)
def _curve(ratio: float, share: float, obstruction: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a fine grid of u = f / cut-off and the loss -ln h on it."""
    table = _table()
    ratios, obstructions = table["ratios"], table["obstructions"]
    inside = np.clip(ratio, ratios[0], ratios[-1])
    point = (
        float(np.clip(obstruction, obstructions[0], obstructions[-1])),
        float(np.log(inside)),
        float(np.log(np.clip(share, *SHARE_RANGE))),
    )
    loss = np.array(_loss()(np.array(point)[None])[0])
    # Weaker air than tabled: phase variances go with (D/r0)^(5/3).
    loss = loss * min(ratio / ratios[0], 1.0) ** (5 / 3)
    u = np.arange(loss.size) / loss.size
    loss[0] = 0.0
    fine = np.linspace(0, 1, 401)
    # The loss starts as u^(5/3): interpolate what is left after dividing that out.
    power = np.where(u > 0, u, 1) ** (5 / 3)
    slope = loss / power
    slope[0] = slope[1]
    return fine, np.asarray(
        scipy.interpolate.PchipInterpolator(u, slope)(np.minimum(fine, u[-1])) * fine ** (5 / 3), np.float64
    )


def core_halo(frequency: NDArray[np.floating], core: float, halo: float) -> NDArray[np.float64]:
    """Return s + (1 - s) exp(-(f / f0)^(5/3)) for core s and halo frequency f0 (unit of `frequency`)."""
    f = np.asarray(frequency, np.float64)
    return core + (1 - core) * np.exp(-((f / halo) ** (5 / 3)))


@lru_cache(maxsize=1)
def _steadiness() -> scipy.interpolate.RegularGridInterpolator:
    table = _table()
    ratio = table["transfer"] ** 2 / np.maximum(table["power"], SMALLEST**2)
    axes = (table["obstructions"], np.log(table["ratios"]), np.log(table["shares"]))
    return scipy.interpolate.RegularGridInterpolator(axes, np.clip(ratio, 0, 1))


def expected_steadiness(
    share_of_cutoff: NDArray[np.floating], ratio: float, share: float = 1.0, obstruction: float = 0.0
) -> NDArray[np.float64]:
    """Return the square of the mean transfer of registered short exposures over the mean of its square.

    Parameters
    ----------
    share_of_cutoff : ndarray
        Frequency over the cut-off, 0 to 1.
    ratio, share, obstruction : float
        D/r0, share of the frames (sharpest first), obstruction of the telescope.

    Returns
    -------
    ndarray of float64
        1 where frames do not differ, towards 0 where they have nothing in common.
    """
    table = _table()
    inside = float(np.clip(ratio, table["ratios"][0], table["ratios"][-1]))
    point = (
        float(np.clip(obstruction, table["obstructions"][0], table["obstructions"][-1])),
        float(np.log(inside)),
        float(np.log(np.clip(share, table["shares"][0], 1.0))),
    )
    values = np.array(_steadiness()(np.array(point)[None])[0])
    # Weaker air than tabled: variances of the phase go with (D/r0)^(5/3), and so do those of the transfer.
    values = 1 - (1 - values) * min(ratio / inside, 1.0) ** (5 / 3)
    return np.interp(share_of_cutoff, np.arange(values.size) / values.size, values)


def _statistic(name: str, ratio: float, obstruction: float) -> float:
    table = _table()
    grid = scipy.interpolate.RegularGridInterpolator((table["obstructions"], np.log(table["ratios"])), table[name])
    clipped = np.clip(ratio, table["ratios"][0], table["ratios"][-1])
    return float(grid((np.clip(obstruction, *table["obstructions"][[0, -1]]), np.log(clipped)))[()])


def expected_jitter(ratio: float, obstruction: float = 0.0) -> float:
    """Return the rms motion of short exposures along one axis, in units of lambda/D, for air of this D/r0."""
    return _statistic("jitter", ratio, obstruction)


def expected_spread(ratio: float, obstruction: float = 0.0) -> float:
    """Return the standard deviation of ln(transfer) from frame to frame, 0.15-0.5 of the cut-off, in steady air."""
    return _statistic("spread", ratio, obstruction)
