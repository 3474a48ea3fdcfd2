"""Channels of one resolution in colour, of the best one in brightness: mostly pure functions on arrays.

A telescope passes finer detail in blue than in red. Laid over one another as they are, the softer red spills over the
limb and around every spot, and leaves a coloured rim. So colour, which the eye sees coarsely, is made at the resolution
of the softest channel, and the detail beyond it is given to all channels alike, as brightness.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import Picture
from nightmill.stage import Context
from nightmill_sky.optics import USUAL_OBSTRUCTION, modulation_transfer

from ..sharpen.spectral import apply_transfer, fill_gaps, frequencies
from .luminance import LUMA

__all__ = ["Sharpness", "equalised", "sharpness_of", "sharpness_within", "softened", "with_common_detail"]

Image = NDArray[np.float32]
LEAST_TRANSFER = 1e-3
WORTH = 1.01
"""Cut-offs that differ by less are the same."""
WORTH_PX2 = 0.05
"""Variances of the blur that differ by less are the same."""


@dataclass(frozen=True)
class Sharpness:
    """What the telescope passes in each channel.

    Attributes
    ----------
    cutoffs : tuple of float
        Cycles a pixel.
    obstruction : float
        Of the aperture, share of its diameter.
    blurs : tuple of float
        Blur that sharpening left beside the telescope's, as the variance of a Gaussian, px^2.
    """

    cutoffs: tuple[float, ...]
    obstruction: float
    blurs: tuple[float, ...] = ()

    def of(self, *indices: int) -> Sharpness:
        """Of some of the channels."""
        chosen = tuple(self.blurs[k] for k in indices) if self.blurs else ()
        return Sharpness(tuple(self.cutoffs[k] for k in indices), self.obstruction, chosen)

    def with_blurs(self, blurs: Sequence[float]) -> Sharpness:
        """The same with the blur left in each channel."""
        return Sharpness(self.cutoffs, self.obstruction, tuple(blurs))

    @property
    def differs(self) -> bool:
        """Whether the channels are worth making alike."""
        blurs = self.blurs or (0.0,)
        return max(self.cutoffs) > WORTH * min(self.cutoffs) or max(blurs) - min(blurs) > WORTH_PX2

    def transfers(self, f: NDArray[np.float64]) -> list[NDArray[np.float64]]:
        """What each channel shows of detail of a frequency (cycles a pixel), 0 to 1."""
        blurs = self.blurs or (0.0,) * len(self.cutoffs)
        return [
            np.maximum(modulation_transfer(np.minimum(f / cutoff, 1.0), self.obstruction), 0.0)
            * np.exp(-2.0 * np.pi**2 * blur * f * f)
            for cutoff, blur in zip(self.cutoffs, blurs, strict=True)
        ]


def sharpness_of(members: Sequence[Picture], zooms: Sequence[float], context: Context) -> Sharpness | None:
    """What the members show, if all of them were sharpened to what the telescope passes.

    Parameters
    ----------
    members : sequence of Picture
        Through one filter each; the record of the stage sharpen is in their headers.
    zooms : sequence of float
        Size of each one's pixels over those of the picture wanted.
    context : Context
        With the section "telescope" of the night.
    """
    cutoffs = []
    for member, zoom in zip(members, zooms, strict=True):
        found = _cutoffs(member, 1)
        if found is None:
            return None
        cutoffs.append(found[0] / zoom)
    return Sharpness(tuple(cutoffs), _obstruction(members, context))


def sharpness_within(picture: Picture, context: Context) -> Sharpness | None:
    """What the three channels of a one-shot-colour picture show; see `sharpness_of`."""
    found = _cutoffs(picture, 3)
    return None if found is None else Sharpness(found, _obstruction([picture], context))


def _cutoffs(picture: Picture, channels: int) -> tuple[float, ...] | None:
    """Cut-offs to which the channels of a picture were sharpened, cycles a pixel; None when they were not."""
    done = picture.header.get("sharpen") or {}
    found = tuple(float(cutoff) for cutoff in done.get("cutoff_cycles_px") or ())
    sharpened = done.get("method", "none") != "none" and len(found) == channels and min(found) > 0.0
    return found if sharpened else None


def _obstruction(members: Sequence[Picture], context: Context) -> float:
    """The telescope's obstruction: as sharpening had it, the mean where it was found on each member."""
    done = [one.header.get("sharpen") or {} for one in members]
    found = [float(one["obstruction"]) for one in done if "obstruction" in one]
    if found:
        return sum(found) / len(found)
    return float(context.night.get("telescope", {}).get("obstruction", USUAL_OBSTRUCTION))


def softened(planes: Sequence[Image], sharpness: Sharpness) -> list[Image]:
    """Bring pictures that show what a perfect telescope shows to the resolution of the softest.

    Parameters
    ----------
    planes : sequence of ndarray of float32, shapes (h_i, w_i)
        Linear light; NaN where there are no data.
    sharpness : Sharpness

    Returns
    -------
    list of ndarray of float32
        Each loses, at every frequency, what the channel does not show that shows least there; one that is the softest
        everywhere is returned as it is.
    """
    out = []
    for k, plane in enumerate(planes):
        f = np.asarray(frequencies((plane.shape[0], plane.shape[1])), np.float64)
        transfers = sharpness.transfers(f)
        own, least = transfers[k], np.minimum.reduce(transfers)
        shown = own > LEAST_TRANSFER
        gain = np.where(shown, least / np.maximum(own, LEAST_TRANSFER), 0.0)
        if gain[shown].min() > 1.0 / WORTH:
            out.append(np.asarray(plane, np.float32))
            continue
        seen = np.isfinite(plane)
        soft = apply_transfer(fill_gaps(plane, seen), gain)
        out.append(np.where(seen, soft, np.nan).astype(np.float32))
    return out


def with_common_detail(colour: Image, sharpness: Sharpness, levels: Sequence[float]) -> Image:
    """Make colour at the resolution of the softest channel and keep the brightness as sharp as it is.

    Parameters
    ----------
    colour : ndarray of float32, shape (3, h, w)
        Linear light; NaN where there are no data.
    sharpness : Sharpness
    levels : sequence of float
        Brightness of the object above the sky in each channel: detail is shared out in these proportions, so that it
        is of the object's own colour.

    Returns
    -------
    ndarray of float32, shape (3, h, w)
        Linear in `colour`, so that half-sets can be treated alike. Differences of the channels over their levels are
        those of the softened channels; the luminance of the channels over their levels is unchanged.
    """
    level = np.asarray(levels, np.float64)[:, None, None]
    soft = np.stack(softened(list(colour), sharpness))
    detail = np.tensordot(np.array(LUMA), (colour - soft) / level, axes=1)
    return np.asarray(soft + level * detail, np.float32)


def equalised(
    colour: Picture, sharpness: Sharpness, mask: NDArray[np.bool_] | None, skies: Sequence[float], context: Context
) -> Picture:
    """Make all layers of a colour picture by `with_common_detail`, and say so.

    The noise map is scaled by what the half-sets say; without them it stays, which is too much rather than too little.
    """
    seen = np.isfinite(colour.data).all(axis=0)
    where = seen if mask is None else seen & mask
    if not sharpness.differs or not where.any():
        return colour
    levels = [float(plane[where].mean()) - sky for plane, sky in zip(colour.data, skies, strict=True)]
    if not min(levels) > 0.0:
        return colour
    changed: dict[str, Any] = {"data": with_common_detail(colour.data, sharpness, levels)}
    if colour.half_a is not None and colour.half_b is not None:
        for name in ("half_a", "half_b"):
            changed[name] = with_common_detail(getattr(colour, name), sharpness, levels)
        if colour.noise is not None:
            before = np.nanstd(colour.half_a - colour.half_b, axis=(1, 2))
            after = np.nanstd(changed["half_a"] - changed["half_b"], axis=(1, 2))
            ratio = np.where(before > 0.0, after / np.where(before > 0.0, before, 1.0), 1.0)
            changed["noise"] = (colour.noise * ratio[:, None, None]).astype(np.float32)
    context.choose(
        "resolution",
        [round(min(sharpness.cutoffs) / cutoff, 3) for cutoff in sharpness.cutoffs],
        "Colour is made at the resolution of the softest channel (these are the shares of each one's cut-off), or its "
        "blur would colour the limb; finer detail is given to all channels alike, so brightness loses nothing.",
    )
    return colour.replace(**changed)
