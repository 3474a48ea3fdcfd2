"""What the limb of a member of a set tells: its darkening, where it lies to a tenth of a pixel, how blurred it is."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill_sky import Disc
from nightmill_sky.bare import BareFit, bare_globes, fit_bare_globe, seen_through
from nightmill_sky.derotate import Derotation
from nightmill_sky.shading import DARKENING, darkening_of

__all__ = ["Limb", "limb_of"]

Image = NDArray[np.float32]

FAINT = 0.02
"""Share of the globe's brightest light below which a drawing is not divided by."""
GAIN = (0.5, 2.0)
"""Least and most gain: beyond, noise would come up with the light."""


@dataclass(frozen=True)
class Limb:
    """The limb on a picture.

    Attributes
    ----------
    darkening : float
        Minnaert's exponent: a wrong one brightens one side of a turned disc and darkens the other, which looks like a
        shift.
    bare : BareFit or None
        Place, size and blur of the bare globe under it; None where they are not known.
    shape : tuple of int
        Rows and columns of the picture.
    cutoff : float or None
        Of the telescope through which the picture shows the globe, cycles a pixel; None for none.
    obstruction : float
        Of that telescope's aperture, share of the diameter.
    """

    darkening: float = DARKENING
    bare: BareFit | None = None
    shape: tuple[int, int] = (0, 0)
    cutoff: float | None = None
    obstruction: float = 0.3

    @property
    def blur_px2(self) -> float:
        """Variance of the blur beside the telescope's; 0 where it is not known."""
        return 0.0 if self.bare is None else self.bare.variance_px2

    def placed(self, source: Disc, wanted: Disc) -> tuple[Disc, Disc]:
        """Put the globe taken where its limb is, and the one wanted as far beside its place, or the limb would move.

        Parameters
        ----------
        source : Disc
            As it was measured for the set, before `bare` was fitted.
        wanted : Disc
        """
        if self.bare is None:
            return source, wanted
        found = self.bare.disc
        x, y = source.to_planet_axes(np.array(found.centre_column_px), np.array(found.centre_row_px))
        column, row = wanted.from_planet_axes(x, y)
        radius = wanted.equatorial_radius_px * found.equatorial_radius_px / source.equatorial_radius_px
        return found, replace(wanted.moved(float(column), float(row)), equatorial_radius_px=radius)

    def gain(self, wanted: Disc, turned: Derotation) -> Image:
        """How much brighter a spot looks at the wanted time, as blurred drawings of the bare globe have it.

        By the law of darkening alone, a limb that is turned by 1.8 degrees comes out up to 1 % of the disc too bright
        or too dark.

        Parameters
        ----------
        wanted : Disc
            As `placed` gave it.
        turned : Derotation
            Its gain, which is that of the law, is returned where no blur is known.
        """
        if self.bare is None:
            return turned.gain
        zoom = wanted.equatorial_radius_px / self.bare.disc.equatorial_radius_px
        height, width = turned.gain.shape
        here, there = (
            seen_through(
                bare_globes(globe, [self.darkening], shape)[0],
                None if self.cutoff is None else self.cutoff / size,
                self.obstruction,
                self.bare.variance_px2 * size**2,
            )
            for globe, shape, size in ((self.bare.disc, self.shape, 1.0), (wanted, (height, width), zoom))
        )
        # Interpolated as the picture is, so that errors of the interpolation cancel.
        seen = cv2.remap(here.astype(np.float32), turned.column_px, turned.row_px, cv2.INTER_LANCZOS4)
        gain = np.clip(there / np.maximum(seen, FAINT * here.max()), *GAIN)
        # Sky and rings stay as they are.
        return np.where(turned.gain == 1.0, 1.0, gain).astype(np.float32)


def limb_of(
    light: Image, disc: Disc, cutoff: float | None = None, obstruction: float = 0.3, *, fitted: bool = True
) -> Limb:
    """Look at the limb of a globe.

    Parameters
    ----------
    light : ndarray of float32, shape (h, w)
        Linear, sky at zero; NaN where there are no data.
    disc : Disc
        The globe on it.
    cutoff, obstruction : float
        See `Limb`.
    fitted : bool
        Whether a bare globe shall be fitted: its phase must be known.
    """
    whole = np.nan_to_num(light)
    darkening = darkening_of(whole, disc)[0]
    bare = fit_bare_globe(whole, disc, darkening, cutoff, obstruction) if fitted else None
    return Limb(darkening, bare, (light.shape[0], light.shape[1]), cutoff, obstruction)
