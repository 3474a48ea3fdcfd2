"""The fold "starlight" on simulated stars: their light in every channel, and what is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from nightmill.artefacts import Capture, Frames, FrameTable, Picture
from nightmill.errors import CaptureError
from nightmill.stage import Context
from nightmill.testing import Camera, Scenario, Seeing
from nightmill.testing import Capture as Simulated
from nightmill_stages.starlight import ShowStar, Starlight

FULL = 4095.0
STAR = Scenario(
    scene="star",
    target="reference",
    filter="G",
    shape=(96, 96),
    frames=40,
    fps=20.0,
    camera=Camera(bits=12, exposure_s=0.04, full_well_e=12000.0, offset_adu=40.0, dust=0, vignetting=0.0),
    seeing=Seeing(r0_m=0.08),
    moments=3,
    light_e=1500.0,
)


def folded(frames: np.ndarray, cfa: str | None = None):
    """Run the fold in three parts; returns the stack, its capture and the context."""
    count, height, width = frames.shape[:3]
    planes = 3 if frames.ndim == 4 else 1
    capture = Capture(
        "", "star.ser", "s", count, height, width, planes, str(frames.dtype), FULL, cfa, "light", "x", "G"
    )
    stage, table = Starlight(), FrameTable({"number": np.arange(count), "kept": np.ones(count, bool)})

    def read(numbers):
        return Frames(frames[numbers], np.asarray(numbers), np.zeros(len(numbers)), FULL, cfa)

    context = Context(captures=(capture,), reader=read)
    context.state = stage.prepare(table, context)
    parts = [
        stage.fold(None, read(numbers), table.take(numbers), context)
        for numbers in np.array_split(np.flatnonzero(stage.select(table, context)), 3)
    ]
    whole = stage.join(stage.join(parts[0], parts[1]), parts[2])
    return stage.finish(whole, table, context), capture, context


def simulated(scenario: Scenario):
    capture = Simulated(scenario)
    frames = np.concatenate([chunk.frames for chunk in capture.chunks()])
    light = np.atleast_1d(capture.truth().picture.sum(axis=(-2, -1), dtype=np.float64)) / FULL
    return frames, light


@pytest.mark.parametrize("colour", ["mono", "RGGB"])
def test_the_light_is_that_of_the_star(colour):
    """The simulated air spreads some 2 % beyond the aperture, alike in all channels."""
    scenario = replace(STAR, camera=replace(STAR.camera, colour=colour), filter="G" if colour == "mono" else "RGB")
    frames, light = simulated(scenario)
    stack, _, context = folded(frames, None if colour == "mono" else colour)
    found = stack.header["starlight"]
    share = np.array(found["flux"]) / light
    assert share == pytest.approx(np.full(len(light), 0.98), abs=0.02)
    assert share / share[len(share) // 2] == pytest.approx(np.ones(len(light)), abs=0.012)
    # The error that is stated holds for what differs between channels.
    assert 0.0005 < max(found["error"]) < 0.01
    assert found["frames"] == 40 == stack.header["frames_kept"]
    assert stack.data.shape[-1] == stack.data.shape[-2]
    assert not [note for note in context.notes if note.kind == "caution"]
    assert next(note.text for note in context.notes if note.name == "starlight").startswith(
        "Light of the star per frame"
    )


def test_neither_a_cloud_nor_a_hot_sample_changes_the_light():
    frames, _ = simulated(STAR)
    whole, _, before = folded(frames)
    plain = whole.header["starlight"]["flux"][0]
    known = next(note.value for note in before.notes if note.name == "hot_pixels")
    disturbed = frames.copy()
    disturbed[:, 44, 55] = np.minimum(disturbed[:, 44, 55] + 900, 4095)
    disturbed[5:9] = 40 + (0.2 * (frames[5:9].astype(float) - 40)).astype(np.uint16)
    stack, _, context = folded(disturbed)
    assert stack.header["starlight"]["flux"][0] == pytest.approx(plain, rel=0.005)
    assert stack.header["starlight"]["frames"] == 36
    assert {note.name: note.value for note in context.notes if note.name != "starlight"} == {
        "hot_pixels": known + 1,
        "left_out": 4,
    }


def test_what_cannot_be_measured_is_refused_with_what_to_do():
    frames, _ = simulated(replace(STAR, frames=16))
    rng = np.random.default_rng(1)
    burnt = np.minimum(frames.astype(float) * 8.0, 4095).astype(np.uint16)
    with pytest.raises(CaptureError, match=r"burnt out in \d+ of 16 frames .* expose shorter"):
        folded(burnt)
    with pytest.raises(CaptureError, match="no star stands out in 16 of 16 frames"):
        folded(rng.normal(40, 3, frames.shape).astype(np.uint16))
    with pytest.raises(CaptureError, match="px from the edge of the frame"):
        folded(frames[:, 40:])
    row, column = np.mgrid[:96, :96]
    disc = np.where(np.hypot(row - 47, column - 48) < 36, 1500, 40) + rng.normal(0, 3, frames.shape)
    with pytest.raises(CaptureError, match="is it a star"):
        folded(disc.astype(np.uint16))


def test_a_star_that_is_known_too_badly_is_refused():
    frames, _ = simulated(replace(STAR, frames=8, light_e=50.0, camera=replace(STAR.camera, read_noise_e=6.0)))
    with pytest.raises(CaptureError, match="too faint"):
        folded(frames)


def test_the_picture_shows_the_star_and_its_aperture():
    frames, _ = simulated(replace(STAR, frames=16))
    stack, capture, _ = folded(frames)
    context = Context(captures=(capture,))
    (shown,) = ShowStar().develop([Picture.from_stack(stack, capture)], context)
    assert np.median(shown.data) == pytest.approx(0.0, abs=1e-4)
    assert shown.display["white"] == pytest.approx(float(shown.data.max()))
    assert shown.labelled is not None
    assert min(shown.labelled.shape[:2]) > 300
    # The ring is drawn at the aperture: coloured, in a picture that is grey otherwise.
    coloured = np.ptp(shown.labelled.astype(int), axis=2) > 60
    row, column = np.nonzero(coloured)
    times = shown.labelled.shape[0] / shown.data.shape[0]
    middle = (np.array(shown.labelled.shape[:2]) - 1) / 2
    radius = np.hypot(row - middle[0], column - middle[1]).mean()
    assert radius == pytest.approx(stack.header["starlight"]["aperture_px"] * times, abs=1.5)
