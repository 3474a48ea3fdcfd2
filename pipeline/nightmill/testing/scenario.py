"""What a test capture is to be: telescope, camera, mount, air, faults. Only values, no arithmetic on frames.

Everything is frozen and picklable; `dataclasses.replace` makes variants.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from .optics import ARCSEC
from .seeing import Seeing

__all__ = ["BANDS_NM", "Camera", "Faults", "Mount", "Scenario", "Telescope"]

BANDS_NM: Mapping[str, float] = {"R": 630.0, "G": 530.0, "B": 460.0, "L": 560.0, "IR": 742.0, "W": 540.0}
"""Effective wavelengths of the filters that scenarios know, nm."""


@dataclass(frozen=True)
class Telescope:
    """A telescope: aperture and focal length in mm, obstruction as a share of the diameter, focal amplifier."""

    aperture_mm: float = 203.0
    focal_length_mm: float = 2030.0
    obstruction: float = 0.33
    amplifier: float = 2.0


@dataclass(frozen=True)
class Camera:
    """A camera.

    Attributes
    ----------
    pixel_um : float
        Pixel pitch, micrometres.
    colour : str
        "mono", a colour filter array ("RGGB", "GRBG", "GBRG", "BGGR") or "RGB" (three planes, already interpolated).
    bits : int
        Depth of the digitised values, 8-16.
    left_aligned : bool
        Values of 9-15 bits are stored in the upper bits of 16.
    full_well_e : float
        Electrons at full scale.
    read_noise_e : float
        Read noise, electrons rms.
    offset_adu : float
        Bias level, in units of the last digit at `bits` depth.
    exposure_s : float
        Exposure, seconds.
    dark_e_s : float
        Mean dark current, electrons a second and pixel.
    hot_pixels : float
        Share of hot pixels.
    vignetting : float
        Loss of light in the corners, 0-1.
    dust : int
        Number of dust shadows.
    filter_response : tuple
        Rows: the camera's R, G, B; columns: how much each takes of the scene's R, G, B. Sensor and filters together.
    serial : int
        Seed of the sensor's own pattern (hot pixels, dust): the same camera on all captures of a night.
    """

    pixel_um: float = 3.75
    colour: str = "mono"
    bits: int = 8
    left_aligned: bool = False
    full_well_e: float = 6000.0
    read_noise_e: float = 2.0
    offset_adu: float = 4.0
    exposure_s: float = 0.010
    dark_e_s: float = 8.0
    hot_pixels: float = 2e-4
    vignetting: float = 0.04
    dust: int = 5
    filter_response: tuple[tuple[float, float, float], ...] = (
        (0.80, 0.10, 0.02),
        (0.10, 0.88, 0.12),
        (0.02, 0.14, 0.74),
    )
    serial: int = 7


@dataclass(frozen=True)
class Mount:
    """How the picture moves over the sensor.

    Attributes
    ----------
    drift_px_s : tuple of float
        Steady drift, rows and columns, pixels a second.
    periodic_px : float
        Amplitude of the worm's periodic error along the columns, pixels.
    periodic_s : float
        Its period, seconds.
    jitter_px : float
        Random motion from frame to frame, pixels rms and axis.
    jumps : int
        Number of sudden shoves.
    jump_px : float
        Their size, pixels.
    rotation_deg_s : float
        Field rotation of an alt-azimuth mount, degrees a second, anticlockwise.
    """

    drift_px_s: tuple[float, float] = (0.15, 0.4)
    periodic_px: float = 2.0
    periodic_s: float = 40.0
    jitter_px: float = 0.3
    jumps: int = 0
    jump_px: float = 15.0
    rotation_deg_s: float = 0.0


@dataclass(frozen=True)
class Faults:
    """What goes wrong.

    Attributes
    ----------
    duplicates : float
        Share of frames that repeat the one before, bit for bit.
    gaps : float
        Share of frames before which frames were lost (one to five).
    blank : float
        Share of frames without light.
    cloud : float
        Deepest dimming, 0-1; 0 is a clear sky.
    cloud_share : float
        Share of the capture that is under cloud.
    cosmic_rays : float
        Mean number of hits a frame.
    walk_off : bool
        The picture leaves the sensor during the second half.
    """

    duplicates: float = 0.0
    gaps: float = 0.0
    blank: float = 0.0
    cloud: float = 0.0
    cloud_share: float = 0.2
    cosmic_rays: float = 0.0
    walk_off: bool = False


@dataclass(frozen=True)
class Scenario:
    """One capture to be made.

    Attributes
    ----------
    scene : str
        A name in `scenes.SCENES`.
    scene_options : mapping
        Passed to the scene's maker.
    scene_seed : int
        Seed of the scene: captures of one night share it, so that their pictures agree.
    target : str
        For file names; the scene's name if empty.
    filter : str
        For a mono camera a key of `BANDS_NM`; "RGB" for a colour camera.
    shape : tuple of int
        Rows and columns.
    frames : int
        Number of frames recorded.
    fps : float
        Frames a second.
    start : datetime
        UTC of the first frame.
    telescope, camera, seeing, mount, faults
        See there.
    level : float
        Brightest part of the perfect picture as a share of full scale.
    light_e : float or None
        Instead of `level`: electrons that a pixel of a white surface, brightness 1, gives in one exposure. Makes the
        light of several captures comparable.
    sky_e : float
        Sky background, electrons a pixel and frame.
    north_deg : float
        Direction of the planet's north pole on the picture, degrees anticlockwise from up, at mid-capture.
    altitude_deg : float
        Altitude of the target: sets the dispersion of the air between colours. 90 for none.
    zenith_deg : float
        Direction of the zenith on the picture, degrees anticlockwise from up.
    bending : bool
        Let the high layers bend the picture (fields only).
    patch_arcsec : float
        For fields: size of the patches that share one blur.
    moments : int
        Instants of the air that are averaged over each exposure; 1 freezes it.
    bank : int
        0 gives every frame its own air. A number makes only that many pictures and reuses them with new shifts and
        noise: for captures of tens of thousands of frames where speed matters more than truth.
    seed : int
        Seed of everything but scene and sensor pattern.
    """

    scene: str = "jupiter"
    scene_options: Mapping[str, Any] = field(default_factory=dict)
    scene_seed: int = 1
    target: str = ""
    filter: str = "L"
    shape: tuple[int, int] = (320, 320)
    frames: int = 500
    fps: float = 60.0
    start: datetime = datetime(2025, 2, 5, 20, 10, tzinfo=UTC)
    telescope: Telescope = Telescope()
    camera: Camera = Camera()
    seeing: Seeing = field(default_factory=Seeing)
    mount: Mount = Mount()
    faults: Faults = Faults()
    level: float = 0.7
    light_e: float | None = None
    sky_e: float = 0.5
    north_deg: float = 12.0
    altitude_deg: float = 50.0
    zenith_deg: float = 35.0
    bending: bool = True
    patch_arcsec: float = 24.0
    moments: int = 1
    bank: int = 0
    seed: int = 1

    def __post_init__(self) -> None:
        camera = self.camera
        if camera.colour not in {"mono", "RGB", "RGGB", "GRBG", "GBRG", "BGGR"}:
            raise ValueError(f"camera.colour: {camera.colour!r} is not mono, RGB, RGGB, GRBG, GBRG or BGGR")
        if not 8 <= camera.bits <= 16:
            raise ValueError(f"camera.bits: {camera.bits} is not in 8-16")
        if camera.colour == "mono" and self.filter not in BANDS_NM:
            raise ValueError(f"filter: {self.filter!r} is not one of {', '.join(BANDS_NM)}")
        if min(self.frames, self.moments) < 1 or self.fps <= 0 or min(self.shape) < 16:
            raise ValueError("frames and moments must be at least 1, fps positive and the shape at least 16 by 16")
        if self.camera.left_aligned and self.camera.bits == 8:
            raise ValueError("camera.left_aligned: 8 bits fill their byte, there is nothing to align")

    @property
    def scale_arcsec(self) -> float:
        """Arc seconds a pixel."""
        focal = self.telescope.focal_length_mm * self.telescope.amplifier
        return self.camera.pixel_um / 1000 / focal / ARCSEC

    def exposure_moments(self, start_s: float) -> list[float]:
        """Return the instants within an exposure at which the air is sampled, seconds."""
        exposure = self.camera.exposure_s
        return [start_s + (k + 0.5) * exposure / self.moments for k in range(self.moments)]

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the colour channels: the filter alone, or R, G, B."""
        return (self.filter,) if self.camera.colour == "mono" else ("R", "G", "B")

    @property
    def wavelengths_nm(self) -> tuple[float, ...]:
        """Effective wavelength of each channel, nm."""
        return tuple(BANDS_NM[name] for name in self.channels)

    @property
    def cutoff(self) -> tuple[float, ...]:
        """Cut-off frequency of the telescope in each channel, cycles a pixel."""
        per_radian = self.telescope.aperture_mm / 1000
        return tuple(per_radian / (nm * 1e-9) * self.scale_arcsec * ARCSEC for nm in self.wavelengths_nm)

    @property
    def duration_s(self) -> float:
        """Time from first to last frame if none were lost, seconds."""
        return (self.frames - 1) / self.fps
