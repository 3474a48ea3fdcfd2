"""Other telescopes and pixels for the second simulator, which has one of each at a time."""

from __future__ import annotations

from collections.abc import Mapping

import hard

__all__ = ["USUAL_GRID", "look_through"]

USUAL_APERTURE_MM, USUAL_SCALE_ARCSEC, USUAL_GRID = hard.APERTURE_MM, hard.SCALE_ARCSEC, dict(hard.GRID)
LIGHT_NM = {"R": 630.0, "G": 530.0, "B": 460.0}
MASK = hard.aperture.__wrapped__


def look_through(aperture_mm: float, obstruction: float, grid: Mapping[str, int], channel: str) -> None:
    """Set the simulator to a telescope.

    Parameters
    ----------
    aperture_mm, obstruction : float
    grid : mapping of str to int
        Side of the point-spread function in pixels for channels of other than the usual sampling; `hard.SAMPLES` over
        it is the cut-off in cycles a pixel.
    channel : str
        By whose wavelength the pixel's scale is chosen.
    """
    hard.GRID.update({**USUAL_GRID, **grid})
    hard.APERTURE_MM, hard.OBSTRUCTION, hard.SCALE_ARCSEC = aperture_mm, obstruction, USUAL_SCALE_ARCSEC
    if aperture_mm != USUAL_APERTURE_MM or hard.GRID[channel] != USUAL_GRID[channel]:
        across_mm = hard.GRID[channel] * aperture_mm / hard.SAMPLES
        hard.SCALE_ARCSEC = LIGHT_NM[channel] * 1e-6 * 206264.806 / across_mm
    mask = MASK(obstruction)
    hard.aperture = lambda obstruction=obstruction: mask
