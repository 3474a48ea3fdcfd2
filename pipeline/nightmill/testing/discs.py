"""Renders frames of a planet: one point-spread function for the whole disc, exact sub-pixel shifts by Fourier phase."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from .motion import Schedule
from .optics import ARCSEC, Pupil, dispersion_arcsec, make_pupil
from .scenario import Scenario
from .scenes import DiscScene, mix
from .seeing import Atmosphere
from .spectra import Registrar, crop_spectrum, even_fast, pixel_response, transfer

__all__ = ["DiscRenderer", "Glimpse", "channel_planes", "channel_shifts", "work_factor"]

Float = NDArray[np.float32]
Complex = NDArray[np.complex64]


@dataclass(frozen=True)
class Glimpse:
    """What is true of one rendered frame.

    Attributes
    ----------
    shift_px : tuple of float
        Displacement (rows, columns) relative to the perfect picture, reference channel, by air and mount.
    centroid_px : tuple of float
        The same by the centroid of the point-spread function.
    strehl : float
        Peak of the point-spread function over that of the perfect telescope.
    transfer : float
        Mean modulus of the transfer over the perfect telescope's between 0.2 and 0.5 of the cut-off.
    bending_px : ndarray of shape (2, r, c) or None
        Fields only: local displacement on the coarse grid, in addition to `shift_px`.
    """

    shift_px: tuple[float, float]
    centroid_px: tuple[float, float]
    strehl: float
    transfer: float
    bending_px: Float | None = field(default=None, repr=False)


def work_factor(scenario: Scenario) -> int:
    """Return how many times finer than the sensor frames must be computed to hold the telescope's whole band."""
    return max(1, int(np.ceil(2 * max(scenario.cutoff) - 1e-9)))


def channel_planes(scenario: Scenario, scene_rgb: Float) -> list[Float]:
    """Return what each channel of the camera sees of a scene (3, rows, columns)."""
    if scenario.camera.colour == "mono":
        return [mix(scene_rgb, scenario.wavelengths_nm[0])]
    response = np.asarray(scenario.camera.filter_response, np.float32)
    return [np.tensordot(row, scene_rgb, axes=1).astype(np.float32) for row in response]


def channel_shifts(scenario: Scenario) -> NDArray[np.float64]:
    """Return the displacement (channels, 2) in pixels by the dispersion of the air, relative to the reference.

    The reference is green in colour captures; in mono captures it is green too, so that the pictures of a filter set
    are displaced against one another as they are in reality.
    """
    turn = np.radians(scenario.zenith_deg)
    up = np.array([-np.cos(turn), -np.sin(turn)])
    rise = [
        dispersion_arcsec(nm, 530.0, scenario.altitude_deg) / scenario.scale_arcsec for nm in scenario.wavelengths_nm
    ]
    return np.outer(rise, up)


class DiscRenderer:
    """Makes the light of each frame of a planet; knows no camera.

    Parameters
    ----------
    scenario : Scenario
        What to make.
    scene : DiscScene
        The planet.
    schedule : Schedule
        When and where.
    """

    def __init__(self, scenario: Scenario, scene: DiscScene, schedule: Schedule) -> None:
        self.scenario, self.scene, self.schedule = scenario, scene, schedule
        self.factor = work_factor(scenario)
        self.scale = scenario.scale_arcsec / self.factor
        aperture = scenario.telescope.aperture_mm / 1000
        self.reference = len(scenario.channels) // 2
        # Ten seeing discs a side, and room for the drift of the instantaneous centroid.
        blur_px = max(scenario.wavelengths_nm) * 1e-9 / scenario.seeing.r0_m / (self.scale * ARCSEC)
        self.psf_size = even_fast(min(max(12 * blur_px, 64), 512))
        extent = scene.diameter_arcsec / self.scale * scene.extent
        self.size = even_fast(extent + self.psf_size)
        self.shape = (self.size, self.size)
        self.pupils: list[Pupil] = [
            make_pupil(aperture, scenario.telescope.obstruction, nm * 1e-9, self.scale, self.psf_size)
            for nm in scenario.wavelengths_nm
        ]
        self.perfect_psf = [pupil.psf() for pupil in self.pupils]
        self.perfect = [transfer(psf, self.shape) for psf in self.perfect_psf]
        self.dispersion = channel_shifts(scenario)
        last = float(schedule.time_s[-1])
        self.mid_s = last / 2
        self.air = Atmosphere(scenario.seeing, aperture, last, scenario.seed)
        self.centre = np.array([(n - 1) / 2 for n in scenario.shape])
        radius = scene.diameter_arcsec / 2 / scenario.scale_arcsec
        turning = 2 * np.pi / (scene.body.day_hours * 3600) * radius
        turning += np.radians(abs(scenario.mount.rotation_deg_s)) * radius * scene.extent
        # Between two drawings half a pixel apart the frame takes their weighted mean.
        steps = 1 + int(np.ceil(last * turning / 0.5)) if last else 1
        self.key_times = np.linspace(0, last, max(steps, 2)) if last else np.zeros(1)
        self.gain = 1.0
        self._keys = [self._spectra(float(t)) for t in self.key_times]
        middle = self._mid_spectra()
        self._registrar = Registrar.make(
            middle[self.reference],
            self.shape,
            0.5 * min(scenario.cutoff) / self.factor,
        )
        self._band = self._band_indices()
        self._band_perfect = float(np.abs(self.perfect[self.reference].ravel()[self._band]).mean())

    def _spectra(self, time_s: float) -> list[Complex]:
        """Spectra of the channels' scenes at a time, pixel integration included, disc centred on the canvas."""
        fine = 2
        rotation = self.scenario.mount.rotation_deg_s * (time_s - self.mid_s)
        centre = (self.size // 2 + 0.5) * fine - 0.5
        planes = self.scene.draw(
            (fine * self.size, fine * self.size),
            self.scale / fine,
            (centre, centre),
            self.scenario.north_deg + rotation,
            time_s - self.mid_s,
        )
        pixel = pixel_response(self.shape, self.factor)
        # The point-spread functions sit on pixel n // 2: fold the way back into the scene.
        back = np.exp(2j * np.pi * scipy.fft.fftfreq(self.size) * (self.psf_size // 2))
        pixel_back = (pixel * back[:, None] * back[None, : self.size // 2 + 1]).astype(np.complex64)
        return [crop_spectrum(plane, fine, self.shape) * pixel_back for plane in channel_planes(self.scenario, planes)]

    def _mid_spectra(self) -> list[Complex]:
        return self._spectra(self.mid_s)

    def _band_indices(self) -> NDArray[np.int64]:
        fy, fx = scipy.fft.fftfreq(self.size)[:, None], scipy.fft.rfftfreq(self.size)[None, :]
        share = np.hypot(fy, fx) * self.factor / self.scenario.cutoff[self.reference]
        inside = np.flatnonzero(((share > 0.2) & (share < 0.5)).ravel())
        return inside[:: max(1, inside.size // 2000)]

    def _place(self, spectrum: Complex, at_px: NDArray[np.float64]) -> Float:
        """Transform back with the disc's centre at `at_px` (frame pixels); zero beyond the canvas."""
        whole = np.round(at_px).astype(int)
        part = (at_px - whole) * self.factor
        ramp_y = np.exp(-2j * np.pi * scipy.fft.fftfreq(self.size) * part[0]).astype(np.complex64)
        ramp_x = np.exp(-2j * np.pi * scipy.fft.rfftfreq(self.size) * part[1]).astype(np.complex64)
        spectrum *= ramp_y[:, None]
        spectrum *= ramp_x[None, :]
        middle = self.size // 2
        canvas = scipy.fft.irfft2(spectrum, s=self.shape, overwrite_x=True)
        canvas = canvas[middle % self.factor :: self.factor, middle % self.factor :: self.factor]
        frame = np.zeros(self.scenario.shape, np.float32)
        corner = whole - middle // self.factor
        target, source = [], []
        for axis in range(2):
            start = max(corner[axis], 0)
            stop = max(min(corner[axis] + canvas.shape[axis], frame.shape[axis]), start)
            target.append(slice(start, stop))
            source.append(slice(start - corner[axis], stop - corner[axis]))
        frame[target[0], target[1]] = canvas[source[0], source[1]]
        return np.maximum(frame, 0, out=frame)

    def perfect_picture(self) -> Float:
        """Return the perfect telescope's picture at mid-capture, (channels, rows, columns), without dispersion."""
        spectra = self._mid_spectra()
        return np.stack([self._place(s * p, self.centre) for s, p in zip(spectra, self.perfect, strict=True)])

    def scene_picture(self) -> Float:
        """Return the scene itself, integrated over the pixels, (channels, rows, columns)."""
        half = self.psf_size // 2
        forth = np.exp(-2j * np.pi * scipy.fft.fftfreq(self.size) * half)
        undo = (forth[:, None] * forth[None, : self.size // 2 + 1]).astype(np.complex64)
        return np.stack([self._place(s * undo, self.centre) for s in self._mid_spectra()])

    def glimpse(self, index: int, *, still: bool = False) -> tuple[Float, Glimpse]:
        """Render one frame.

        Parameters
        ----------
        index : int
            Row of the schedule.
        still : bool, optional
            Leave the mount's motion out.

        Returns
        -------
        ndarray of shape (channels, rows, columns), float32
            Light, in units of the scene.
        Glimpse
            What is true of it.
        """
        time_s = float(self.schedule.source[index]) / self.scenario.fps
        mount = np.zeros(2) if still else self.schedule.offset_px[index]
        blend = np.interp(time_s, self.key_times, np.arange(self.key_times.size))
        low = min(int(blend), max(self.key_times.size - 2, 0))
        high, weight = min(low + 1, self.key_times.size - 1), np.float32(blend - low)
        frame = np.empty((len(self.pupils), *self.scenario.shape), np.float32)
        truth: Glimpse | None = None
        moments = self.scenario.exposure_moments(time_s)
        for channel, pupil in enumerate(self.pupils):
            psf = self.air.psf(pupil, moments)
            passed = transfer(psf, self.shape)
            if channel == self.reference:
                truth = self._truth(psf, passed, mount)
            spectrum = self._keys[low][channel] * (1 - weight)
            spectrum += self._keys[high][channel] * weight
            spectrum *= passed
            frame[channel] = self._place(spectrum, self.centre + mount + self.dispersion[channel])
        assert truth is not None
        return frame, truth

    def _truth(self, psf: Float, passed: Complex, mount: NDArray[np.float64]) -> Glimpse:
        perfect = self.perfect[self.reference]
        grid = np.arange(self.psf_size, dtype=np.float32) - self.psf_size // 2
        centroid = (float(psf.sum(axis=1) @ grid), float(psf.sum(axis=0) @ grid))
        relative = passed[np.ix_(self._registrar.rows, self._registrar.columns)] * np.conj(
            perfect[np.ix_(self._registrar.rows, self._registrar.columns)]
        )
        shift = self._registrar.climb(relative, centroid)
        scale = 1 / self.factor
        band = float(np.abs(passed.ravel()[self._band]).mean()) / self._band_perfect
        return Glimpse(
            shift_px=(shift[0] * scale + mount[0], shift[1] * scale + mount[1]),
            centroid_px=(centroid[0] * scale + mount[0], centroid[1] * scale + mount[1]),
            strehl=float(psf.max() / self.perfect_psf[self.reference].max()),
            transfer=band,
        )
