"""The telescope as each channel of a picture saw it: from the night file, else from the spectrum of the picture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import Picture
from nightmill_sky.filters import filter_key, wavelength_nm
from nightmill_sky.optics import cutoff_frequency_per_arcsec, modulation_transfer

from .signal import Signal

__all__ = [
    "Optics",
    "channel_wavelengths",
    "drop_blur",
    "night_scale",
    "picture_scale",
    "seen_cutoff",
    "telescope_cutoff",
    "unnamed_filter",
]


@dataclass(frozen=True)
class Optics:
    """The telescope as one channel of a picture saw it.

    Attributes
    ----------
    cutoff : float
        Cut-off frequency D/lambda in cycles a pixel of the picture; beyond 0.5 for coarse pixels.
    obstruction : float
        Diameter of the central obstruction as a share of the aperture, 0 to below 1.
    wavelength_nm : float
        Effective wavelength; only ratios between channels matter here.
    source : {"telescope", "spectrum", "recipe"}
        What told the cut-off.
    drop_px : float
        Standard deviation of the blur by resampling onto a finer grid, in pixels of the picture.
    """

    cutoff: float
    obstruction: float = 0.0
    wavelength_nm: float = 560.0
    source: Literal["telescope", "spectrum", "recipe"] = "telescope"
    drop_px: float = 0.0

    def transfer(self, frequency: NDArray[np.floating]) -> NDArray[np.float64]:
        """Return the perfect telescope's transfer at `frequency` (cycles a pixel)."""
        return np.asarray(modulation_transfer(np.asarray(frequency) / self.cutoff, self.obstruction), np.float64)


def channel_wavelengths(filters: Sequence[str], channels: int, wanted: Mapping[str, float]) -> list[float]:
    """Return the effective wavelength of each channel, nm.

    Parameters
    ----------
    filters : sequence of str
        As in `Picture.filters`.
    channels : int
        1 or 3.
    wanted : mapping of str to float
        Section "filters" of the night file, nm.
    """
    names = list(filters) if len(filters) == channels else (["R", "G", "B"] if channels == 3 else list(filters)[:1])
    names = names or ["L"]
    unknown = wavelength_nm("L", wanted)
    return [float(wavelength_nm(name, wanted) or unknown or 0.0) for name in names]


def unnamed_filter(picture: Picture, night: Mapping[str, Mapping[str, Any]]) -> bool:
    """Whether nobody said in which light a picture in one channel was taken."""
    if picture.data.ndim > 2 or any(capture.filter for capture in picture.captures):
        return False
    names = {filter_key(name) for name in picture.filters}
    return names <= {"", "l"} and "l" not in {filter_key(name) for name in night.get("filters", {})}


def picture_scale(picture: Picture, night: Mapping[str, Mapping[str, Any]]) -> float | None:
    """Return arc seconds a pixel of the picture, from its geometry or the night file; None when not known."""
    measured = picture.geometry.get("scale_arcsec")
    return float(measured) if measured else night_scale(picture, night)


def night_scale(picture: Picture, night: Mapping[str, Mapping[str, Any]]) -> float | None:
    """Return arc seconds a pixel by telescope and camera alone; None when not known."""
    telescope, camera = night.get("telescope", {}), night.get("camera", {})
    if "focal_length_mm" not in telescope or "pixel_um" not in camera:
        return None
    focal = float(telescope["focal_length_mm"]) * float(telescope.get("amplifier", 1.0))
    return 206.264806 * float(camera["pixel_um"]) / focal / float(picture.header.get("scale", 1) or 1)


def drop_blur(header: Mapping[str, Any]) -> float:
    """Return the standard deviation, in pixels of the picture, of what a finer grid has blurred.

    A sample falls as a drop ("drop", its width in camera pixels) onto pixels of a grid "scale" times finer: two boxes.
    """
    scale = float(header.get("scale", 1) or 1)
    if scale <= 1:
        return 0.0
    drop = float(header.get("drop") or 0.7)
    return float(np.hypot(drop * scale, 1.0) / np.sqrt(12))


def telescope_cutoff(aperture_mm: float, wavelength_nm: float, scale_arcsec: float) -> float:
    """Return the cut-off D/lambda in cycles a pixel."""
    return float(cutoff_frequency_per_arcsec(aperture_mm, wavelength_nm)) * scale_arcsec


def seen_cutoff(signal: Signal) -> tuple[float, bool]:
    """Return where the spectrum of a stack meets its noise, cycles a pixel, and whether it does below 0.5.

    Light passes up to D/lambda and none beyond; the last of it drowns in noise, so what is seen is a lower bound of
    the true cut-off. Amplifying no further is safe.
    """
    above = (signal.power - signal.noise) > 0.35 * signal.noise
    # The first ring of three in a row without signal.
    gone = ~above[:-2] & ~above[1:-1] & ~above[2:]
    gone[signal.frequency[:-2] < 0.06] = False
    first = np.flatnonzero(gone)
    if not first.size:
        return 0.5, False
    return float(np.clip(1.08 * signal.frequency[first[0]], 0.08, 0.5)), True
