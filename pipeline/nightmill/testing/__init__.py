"""Test captures with known truth, for tests, demonstrations and benchmarks.

The frames come from a simulation that is honest where it matters: Kolmogorov phase screens that the wind carries over
the pupil, instantaneous point-spread functions (tilt, speckles and all) for every colour, dispersion, bending of fields
by high layers, mount, sensor pattern, shot and read noise, quantisation. The truth is the perfect telescope's picture.

The shortest use::

    from nightmill.testing import Capture, PRESETS

    capture = Capture(PRESETS["jupiter"](frames=300))     # a Scenario; dataclasses.replace makes variants
    for chunk in capture.chunks(64):
        chunk.frames        # (n, rows, columns[, 3]) uint8 | uint16, as the camera stores them
        chunk.utc           # (n,) datetime64[ns]
    truth = capture.truth() # picture, scene, shift_px, strehl, transfer, flags, centre_px, ... (see Truth)

Files::

    truth = make_capture(scenario, folder / "mars_20250205_203000_R.ser")   # also .avi, .fits, or still="tiff"|"png"
    night = make_night(folder)                                              # a whole invented night; night.truths

A `Scenario` holds `scene` ("jupiter", "mars", "saturn", "moon", "sun", "star"), `telescope`, `camera` (colour "mono",
"RGGB", ..., "RGB"; bits 8-16), `seeing` (`r0_m` at 500 nm, layers, winds), `mount`, `faults`, `frames`, `fps`, `seed`.
With `bank=256` frames are drawn from that many blurred pictures with new shifts and noise: for tens of thousands of
frames.

Signs: a shift (rows, columns) is how far the content of a frame lies from where it is in `truth.picture`; to undo it,
move the frame by minus the shift. Angles are anticlockwise as displayed with row 0 at the top.
"""

from __future__ import annotations

from .camera import Sensor
from .captures import Capture, capture_name, make_capture, make_frames
from .nights import Night, make_darks, make_flats, make_night, night_scenarios
from .presets import PRESETS
from .scenario import BANDS_NM, Camera, Faults, Mount, Scenario, Telescope
from .scenes import SCENES, make_scene
from .seeing import Layer, Seeing
from .truth import Chunk, Truth
from .writers import SerWriter, open_writer

__all__ = [
    "BANDS_NM",
    "PRESETS",
    "SCENES",
    "Camera",
    "Capture",
    "Chunk",
    "Faults",
    "Layer",
    "Mount",
    "Night",
    "Scenario",
    "Seeing",
    "Sensor",
    "SerWriter",
    "Telescope",
    "Truth",
    "capture_name",
    "make_capture",
    "make_darks",
    "make_flats",
    "make_frames",
    "make_night",
    "make_scene",
    "night_scenarios",
    "open_writer",
]
