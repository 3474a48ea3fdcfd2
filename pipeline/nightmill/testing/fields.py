"""Renders frames of a surface that fills the field: blur that varies from patch to patch, and bending.

The scene is cut into overlapping windowed patches, each convolved with the point-spread function of its own direction
(overlap-add with windows before the convolution: Nagy & O'Leary 1998, doi:10.1137/S106482759528507X). The slope of the
high layers is taken out of those functions and applied to the whole picture as a smooth displacement instead.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from .discs import Glimpse, channel_planes, channel_shifts, work_factor
from .motion import Schedule
from .optics import ARCSEC, make_pupil
from .scenario import Scenario
from .scenes import FieldScene
from .seeing import Atmosphere
from .spectra import crop_spectrum, even_fast, pixel_response, transfer

__all__ = ["FieldRenderer"]

Float = NDArray[np.float32]
Complex = NDArray[np.complex64]


@dataclass(frozen=True)
class _Patch:
    """One patch: its window on the canvas, the scene's spectra there, and its direction on the sky."""

    rows: slice
    columns: slice
    shape: tuple[int, int]
    spectra: list[Complex]
    angle_arcsec: tuple[float, float]


def _windows(length: int, count: int) -> list[tuple[slice, Float]]:
    """Cut a line into `count` overlapping windows with smooth flanks that sum to 1 everywhere."""
    edges = np.linspace(0, length, count + 1)
    flank = 0.25 * length / count
    x = np.arange(length) + 0.5

    def rise(at: float) -> NDArray[np.float64]:
        t = np.clip((x - at) / (2 * flank) + 0.5, 0, 1)
        return np.asarray(t * t * (3 - 2 * t))

    windows = []
    for k in range(count):
        left = rise(edges[k]) if k else np.ones(length)
        right = rise(edges[k + 1]) if k < count - 1 else np.zeros(length)
        weight = left - right
        used = np.flatnonzero(weight > 0)
        windows.append((slice(int(used[0]), int(used[-1]) + 1), weight[used[0] : used[-1] + 1].astype(np.float32)))
    return windows


class FieldRenderer:
    """Makes the light of each frame of a surface; knows no camera.

    Parameters
    ----------
    scenario : Scenario
        What to make.
    scene : FieldScene
        The surface.
    schedule : Schedule
        When and where.
    """

    def __init__(self, scenario: Scenario, scene: FieldScene, schedule: Schedule) -> None:
        self.scenario, self.schedule = scenario, schedule
        self.factor = work_factor(scenario)
        self.scale = scenario.scale_arcsec / self.factor
        aperture = scenario.telescope.aperture_mm / 1000
        self.reference = len(scenario.channels) // 2
        blur_px = max(scenario.wavelengths_nm) * 1e-9 / scenario.seeing.r0_m / (self.scale * ARCSEC)
        self.psf_size = even_fast(min(max(10 * blur_px, 48), 256))
        self.pupils = [
            make_pupil(aperture, scenario.telescope.obstruction, nm * 1e-9, self.scale, self.psf_size)
            for nm in scenario.wavelengths_nm
        ]
        self.perfect_psf = [pupil.psf() for pupil in self.pupils]
        self.dispersion = channel_shifts(scenario)
        last = float(schedule.time_s[-1])
        self.air = Atmosphere(scenario.seeing, aperture, last, scenario.seed)
        # Room for drift, bending and the wings of the blur on all sides.
        travel = np.ceil(np.abs(schedule.offset_px).max(axis=0) + 12).astype(int)
        turned = np.ceil(np.radians(np.abs(schedule.rotation_deg).max()) * max(scenario.shape) / 2).astype(int)
        self.margin = travel + turned + self.psf_size // (2 * self.factor)
        self.canvas = tuple(
            even_fast((n + 2 * int(m)) * self.factor) for n, m in zip(scenario.shape, self.margin, strict=True)
        )
        # Position of the frame's middle on the canvas, in canvas pixels.
        self.middle = np.array([(n - 1) / 2 for n in self.canvas])
        self.frame_middle = np.array([(n - 1) / 2 for n in scenario.shape])
        fine = 2
        drawn = self._draw(scene, fine)
        pixel = pixel_response((self.canvas[0], self.canvas[1]), self.factor)
        self.planes: list[Float] = []
        for plane in channel_planes(scenario, drawn):
            spectrum = crop_spectrum(plane, fine, (self.canvas[0], self.canvas[1])) * pixel
            self.planes.append(scipy.fft.irfft2(spectrum, s=self.canvas, workers=2).astype(np.float32))
        spacing = scenario.patch_arcsec / self.scale
        counts = [max(1, round(n / spacing)) for n in self.canvas]
        self.patches = self._patches(counts)
        grid = [np.linspace(0, n - 1, max(2, int(n / (1.5 / self.scale)) // 4)) for n in self.canvas]
        self.grid_px = (grid[0], grid[1])
        """Canvas rows and columns at which the bending is known."""

    def _draw(self, scene: FieldScene, fine: int) -> Float:
        """Draw the canvas; what is in the frame's middle depends on the frame's shape and scale alone.

        A fixed border (more only if the mount strays far) keeps the scene the same under different seeing and drift.
        """
        whole = [
            max(-(-(n + 256) // 64) * 64 * self.factor, -(-m // 64) * 64)
            for n, m in zip(self.scenario.shape, self.canvas, strict=True)
        ]
        drawn = scene.draw((whole[0] * fine, whole[1] * fine), self.scale / fine)
        top, left = ((w - m) // 2 * fine for w, m in zip(whole, self.canvas, strict=True))
        return drawn[:, top : top + self.canvas[0] * fine, left : left + self.canvas[1] * fine]

    def _patches(self, counts: list[int]) -> list[_Patch]:
        patches = []
        for rows, wy in _windows(self.canvas[0], counts[0]):
            for columns, wx in _windows(self.canvas[1], counts[1]):
                shape = (even_fast(wy.size + self.psf_size), even_fast(wx.size + self.psf_size))
                window = wy[:, None] * wx[None, :]
                spectra = [
                    scipy.fft.rfft2(plane[rows, columns] * window, s=shape).astype(np.complex64)
                    for plane in self.planes
                ]
                at = ((rows.start + rows.stop - 1) / 2, (columns.start + columns.stop - 1) / 2)
                angle = ((at[0] - self.middle[0]) * self.scale, (at[1] - self.middle[1]) * self.scale)
                patches.append(_Patch(rows, columns, shape, spectra, angle))
        return patches

    def _convolve(self, channel: int, psfs: list[Float]) -> Float:
        """Blur the canvas, each patch with its own function."""
        half = self.psf_size // 2
        padded = np.zeros((self.canvas[0] + 2 * self.psf_size, self.canvas[1] + 2 * self.psf_size), np.float32)
        for patch, psf in zip(self.patches, psfs, strict=True):
            spectrum = transfer(psf, patch.shape)
            spectrum *= patch.spectra[channel]
            part = scipy.fft.irfft2(spectrum, s=patch.shape, overwrite_x=True)
            # The function's centre is at `half`, so the part starts that much earlier on the padded canvas.
            top, left = patch.rows.start + self.psf_size - half, patch.columns.start + self.psf_size - half
            padded[top : top + part.shape[0], left : left + part.shape[1]] += part[
                : padded.shape[0] - top, : padded.shape[1] - left
            ]
        return padded[self.psf_size : -self.psf_size, self.psf_size : -self.psf_size]

    def _resample(self, canvas: Float, shift_px: NDArray[np.float64], bend: Float | None, turn_deg: float) -> Float:
        """Look at the canvas through the sensor: shifted by frame pixels, bent by canvas pixels, turned."""
        shape = self.scenario.shape
        y = (np.arange(shape[0]) - self.frame_middle[0])[:, None]
        x = (np.arange(shape[1]) - self.frame_middle[1])[None, :]
        cos_t, sin_t = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
        # Content turned anticlockwise as displayed: the sensor looks at the point turned back.
        yy, xx = y - shift_px[0], x - shift_px[1]
        map_y = ((cos_t * yy + sin_t * xx) * self.factor + self.middle[0]).astype(np.float32)
        map_x = ((-sin_t * yy + cos_t * xx) * self.factor + self.middle[1]).astype(np.float32)
        if bend is not None:
            to_y = map_y * np.float32((bend.shape[1] - 1) / (self.canvas[0] - 1))
            to_x = map_x * np.float32((bend.shape[2] - 1) / (self.canvas[1] - 1))
            moved = [cv2.remap(b, to_x, to_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE) for b in bend]
            map_y, map_x = map_y - moved[0], map_x - moved[1]
        frame = cv2.remap(canvas, map_x, map_y, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT_101)
        return np.asarray(np.maximum(frame, 0), np.float32)

    def perfect_picture(self) -> Float:
        """Return the perfect telescope's picture, (channels, rows, columns), without dispersion or bending."""
        still = np.zeros(2)
        return np.stack(
            [
                self._resample(self._convolve(c, [psf] * len(self.patches)), still, None, 0.0)
                for c, psf in enumerate(self.perfect_psf)
            ]
        )

    def scene_picture(self) -> Float:
        """Return the scene itself, integrated over the pixels, (channels, rows, columns)."""
        return np.stack([self._resample(plane, np.zeros(2), None, 0.0) for plane in self.planes])

    def glimpse(self, index: int, *, still: bool = False) -> tuple[Float, Glimpse]:
        """Render one frame; see `DiscRenderer.glimpse`."""
        time_s = float(self.schedule.source[index]) / self.scenario.fps
        mount = np.zeros(2) if still else self.schedule.offset_px[index]
        turn = 0.0 if still else float(self.schedule.rotation_deg[index])
        moments = self.scenario.exposure_moments(time_s)
        bend = None
        if self.scenario.bending:
            bend = self.air.bending_px(
                (self.grid_px[0] - self.middle[0]) * self.scale,
                (self.grid_px[1] - self.middle[1]) * self.scale,
                time_s + self.scenario.camera.exposure_s / 2,
                self.scale,
            )
        frame = np.empty((len(self.pupils), *self.scenario.shape), np.float32)
        truth: list[tuple[float, float, float]] = []
        for channel, pupil in enumerate(self.pupils):
            psfs = [
                self.air.psf(pupil, moments, patch.angle_arcsec, straight=self.scenario.bending)
                for patch in self.patches
            ]
            if channel == self.reference:
                truth = self._truth(psfs)
            frame[channel] = self._resample(self._convolve(channel, psfs), mount + self.dispersion[channel], bend, turn)
        centroid_y, centroid_x, strehl = np.mean(truth, axis=0)
        shift = (float(centroid_y / self.factor + mount[0]), float(centroid_x / self.factor + mount[1]))
        return frame, Glimpse(
            shift_px=shift,
            centroid_px=shift,
            strehl=float(strehl),
            transfer=self._band(psfs),
            bending_px=None if bend is None else bend / np.float32(self.factor),
        )

    def _truth(self, psfs: list[Float]) -> list[tuple[float, float, float]]:
        grid = np.arange(self.psf_size, dtype=np.float32) - self.psf_size // 2
        peak = float(self.perfect_psf[self.reference].max())
        return [(float(psf.sum(axis=1) @ grid), float(psf.sum(axis=0) @ grid), float(psf.max()) / peak) for psf in psfs]

    def _band(self, psfs: list[Float]) -> float:
        """Mean transfer of the patches over the perfect one between 0.2 and 0.5 of the cut-off."""
        f = np.hypot(scipy.fft.fftfreq(self.psf_size)[:, None], scipy.fft.rfftfreq(self.psf_size)[None, :])
        share = f * self.factor / self.scenario.cutoff[self.reference]
        inside = (share > 0.2) & (share < 0.5)
        perfect = np.abs(scipy.fft.rfft2(self.perfect_psf[self.reference])[inside]).mean()
        middle = psfs[len(psfs) // 2]
        return float(np.abs(scipy.fft.rfft2(middle)[inside]).mean() / perfect)
