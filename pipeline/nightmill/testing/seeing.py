"""The air above the telescope as time goes by: layers of turbulence, their winds, tilt, blur and bending.

`Seeing` says what the air is like; `Atmosphere` is one draw of it. An atmosphere answers two questions for any time:
the path differences over the pupil in a direction of the sky (from which `optics` makes the instantaneous
point-spread function), and how far a high layer bends a direction of the sky away (the field of shifts on the Moon).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from .optics import ARCSEC, Pupil
from .screens import Screen, make_screen

__all__ = ["Atmosphere", "Layer", "Seeing"]

Float = NDArray[np.float32]


@dataclass(frozen=True)
class Layer:
    """One layer of air.

    Attributes
    ----------
    share : float
        Its share of the turbulence (of the integral of Cn2), 0-1.
    wind_m_s : float
        Wind speed across the line of sight, m/s.
    direction_deg : float
        Where the wind blows to, degrees from columns towards rows.
    height_m : float
        Distance along the line of sight, metres. Matters for fields only: a layer at height h lets go of the image
        at angles beyond aperture / h, the isoplanatic scale of the bending.
    """

    share: float
    wind_m_s: float
    direction_deg: float
    height_m: float = 0.0


@dataclass(frozen=True)
class Seeing:
    """What the air is like.

    Attributes
    ----------
    r0_m : float
        Mean Fried parameter at 500 nm along the line of sight, metres.
    outer_scale_m : float
        Outer scale, metres; infinite gives Kolmogorov's spectrum.
    layers : tuple of Layer
        Layers; shares are normalised to 1.
    wander : float
        Standard deviation of ln r0 with time: good and bad moments.
    wander_s : float
        Time over which r0 changes, seconds.
    levels : int
        Levels of sub-harmonics in the screens.
    """

    r0_m: float = 0.055
    outer_scale_m: float = 25.0
    layers: tuple[Layer, ...] = (Layer(0.7, 4.0, 11.0, 0.0), Layer(0.3, 11.0, 68.0, 4000.0))
    wander: float = 0.15
    wander_s: float = 4.0
    levels: int = 7


@dataclass(frozen=True)
class _Moving:
    screen: Screen
    start_m: tuple[float, float]
    velocity_m_s: tuple[float, float]
    height_m: float
    slopes: tuple[Float, Float] | None = field(repr=False, default=None)

    def position(self, time_s: float, angle_rad: tuple[float, float]) -> tuple[float, float]:
        # The screen moves with the wind, so the pupil's footprint moves against it.
        return (
            self.start_m[0] - self.velocity_m_s[0] * time_s + self.height_m * angle_rad[0],
            self.start_m[1] - self.velocity_m_s[1] * time_s + self.height_m * angle_rad[1],
        )


class Atmosphere:
    """One draw of the air.

    Parameters
    ----------
    seeing : Seeing
        What it is like.
    aperture_m : float
        Diameter of the telescope, metres; sets the sampling of the screens.
    duration_s : float
        How long it will be asked for; sets the size of the screens.
    seed : int
        Seed.
    """

    def __init__(self, seeing: Seeing, aperture_m: float, duration_s: float, seed: int) -> None:
        self.seeing = seeing
        self.aperture_m = aperture_m
        rng = np.random.default_rng([seed, 0xA1])
        # About fifty samples over the aperture; finer structure scatters light too far out to matter.
        pitch = aperture_m / 50
        size = 2048 if duration_s > 4 else 1024
        total = sum(layer.share for layer in seeing.layers)
        self._layers: list[_Moving] = []
        for layer in seeing.layers:
            r0 = seeing.r0_m * (layer.share / total) ** (-3 / 5)
            screen = make_screen(r0, pitch, size, rng, outer_scale_m=seeing.outer_scale_m, levels=seeing.levels)
            turn = np.radians(layer.direction_deg)
            velocity = (layer.wind_m_s * float(np.sin(turn)), layer.wind_m_s * float(np.cos(turn)))
            row, column = rng.uniform(0, size * pitch, 2)
            slopes = _pupil_slopes(screen, aperture_m) if layer.height_m > 0 else None
            self._layers.append(_Moving(screen, (float(row), float(column)), velocity, layer.height_m, slopes))
        self._phases = rng.uniform(0, 2 * np.pi, 6)
        self._rates = rng.uniform(0.4, 1.6, 6)

    def strength(self, time_s: float) -> float:
        """Return by what factor path differences exceed the mean at this moment: (r0_mean / r0)^(5/6)."""
        waves = np.sin(2 * np.pi * self._rates * time_s / (4 * self.seeing.wander_s) + self._phases)
        return float(np.exp(-5 / 6 * self.seeing.wander * waves.sum() / np.sqrt(3)))

    def r0_m(self, time_s: float) -> float:
        """Return the Fried parameter at 500 nm at this moment, metres."""
        return float(self.seeing.r0_m * self.strength(time_s) ** (-6 / 5))

    def path_m(
        self, pupil: Pupil, time_s: float, angle_arcsec: tuple[float, float] = (0.0, 0.0), *, straight: bool = False
    ) -> Float:
        """Return the optical path differences over the pupil.

        Parameters
        ----------
        pupil : Pupil
            Where to sample.
        time_s : float
            Time, seconds.
        angle_arcsec : tuple of float, optional
            Direction in the field, (row, column), arc seconds from its middle.
        straight : bool, optional
            Leave out the mean slope of the layers above the ground; `bending_px` has it.

        Returns
        -------
        ndarray of shape (m, m), float32
            Path differences, metres.
        """
        angle = (angle_arcsec[0] * ARCSEC, angle_arcsec[1] * ARCSEC)
        total = np.zeros((pupil.count, pupil.count), np.float32)
        ramp = (np.arange(pupil.count, dtype=np.float32) * np.float32(pupil.step_m)) + np.float32(pupil.corner_m)
        for layer in self._layers:
            row, column = layer.position(time_s, angle)
            total += layer.screen.sample((row + pupil.corner_m, column + pupil.corner_m), pupil.step_m, pupil.count)
            if straight and layer.slopes is not None:
                slope = _slopes_at(layer, np.array([row]), np.array([column]))
                total -= slope[0] * ramp[:, None] + slope[1] * ramp[None, :]
        total *= np.float32(self.strength(time_s))
        return total

    def psf(
        self,
        pupil: Pupil,
        times_s: Sequence[float],
        angle_arcsec: tuple[float, float] = (0.0, 0.0),
        *,
        straight: bool = False,
    ) -> Float:
        """Return the point-spread function averaged over some moments of an exposure; see `path_m`."""
        total = pupil.psf(self.path_m(pupil, times_s[0], angle_arcsec, straight=straight))
        for time_s in times_s[1:]:
            total += pupil.psf(self.path_m(pupil, time_s, angle_arcsec, straight=straight))
        return total if len(times_s) == 1 else np.asarray(total / np.float32(len(times_s)), np.float32)

    def bending_px(
        self, rows_arcsec: NDArray[np.float64], columns_arcsec: NDArray[np.float64], time_s: float, scale_arcsec: float
    ) -> Float:
        """Return how far the layers above the ground displace the image over the field.

        Parameters
        ----------
        rows_arcsec, columns_arcsec : ndarray of shape (r,) and (c,)
            Directions, arc seconds from the middle of the field.
        time_s : float
            Time, seconds.
        scale_arcsec : float
            Arc seconds a pixel.

        Returns
        -------
        ndarray of shape (2, r, c), float32
            Displacement (rows, columns) in pixels: the mean slope of the wavefront over the aperture in each
            direction, which is what moves the centroid of the image.
        """
        total = np.zeros((2, rows_arcsec.size, columns_arcsec.size), np.float32)
        for layer in self._layers:
            if layer.slopes is None:
                continue
            row, column = layer.position(time_s, (0.0, 0.0))
            total += _slopes_at(
                layer,
                row + layer.height_m * ARCSEC * rows_arcsec,
                column + layer.height_m * ARCSEC * columns_arcsec,
            )
        return total * np.float32(self.strength(time_s) / (scale_arcsec * ARCSEC))


def _pupil_slopes(screen: Screen, aperture_m: float) -> tuple[Float, Float]:
    """Average the slope of a screen's periodic part over a round aperture centred on each sample."""
    size = screen.path_m.shape[0]
    spectrum = scipy.fft.rfft2(screen.path_m, workers=2)
    fy = scipy.fft.fftfreq(size).astype(np.float32)[:, None]
    fx = scipy.fft.rfftfreq(size).astype(np.float32)[None, :]
    steps = np.minimum(np.arange(size), size - np.arange(size)) * screen.pitch_m
    disc = (np.hypot(steps[:, None], steps[None, :]) <= aperture_m / 2).astype(np.float32)
    spectrum *= scipy.fft.rfft2(disc / disc.sum(), workers=2)
    slopes = []
    for frequency in (fy, fx):
        factor = (2j * np.pi / screen.pitch_m) * frequency
        slopes.append(scipy.fft.irfft2(spectrum * factor, s=(size, size), workers=2).astype(np.float32))
    return slopes[0], slopes[1]


def _slopes_at(layer: _Moving, rows_m: NDArray[np.float64], columns_m: NDArray[np.float64]) -> Float:
    """Return the aperture-averaged slope (2, r, c), metres per metre, at positions on a layer's screen."""
    assert layer.slopes is not None
    size, pitch = layer.screen.path_m.shape[0], layer.screen.pitch_m
    map_y, map_x = np.meshgrid((rows_m / pitch) % size, (columns_m / pitch) % size, indexing="ij")
    where = (map_x.astype(np.float32), map_y.astype(np.float32))
    # Sub-harmonics are far longer than the aperture, so averaging over it would not change their slope.
    coarse = layer.screen.coarse_slope(rows_m, columns_m)
    return np.stack(
        [
            cv2.remap(fine, *where, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP) + rest
            for fine, rest in zip(layer.slopes, coarse, strict=True)
        ]
    )
