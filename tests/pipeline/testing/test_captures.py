"""Captures: reproducible, independent of chunks and threads, and true to what they say of themselves."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from nightmill.testing import PRESETS, Camera, Capture, Faults, Layer, Mount, Scenario, Seeing, make_capture

SMALL = Scenario(
    scene="mars",
    filter="R",
    scene_options={"diameter_arcsec": 9.0, "map_rows": 128},
    shape=(96, 112),
    frames=24,
    camera=Camera(full_well_e=5000.0),
)


def frames_of(scenario: Scenario, chunk: int = 7, threads: int = 1) -> np.ndarray:
    return np.concatenate([c.frames for c in Capture(scenario).chunks(chunk, threads=threads)])


def test_same_bits_for_any_chunk_and_thread_count():
    first = frames_of(SMALL, 24, 1)
    assert np.array_equal(first, frames_of(SMALL, 5, 2))
    assert not np.array_equal(first, frames_of(replace(SMALL, seed=2)))


def test_true_shifts_undo_the_motion():
    """Moved back by the true shift, the mean of the noise-free frames is centred where the truth picture is."""
    from scipy.ndimage import center_of_mass, shift

    quiet = replace(
        SMALL,
        camera=Camera(full_well_e=5e5, bits=16, read_noise_e=0.3, dark_e_s=0.0, hot_pixels=0, vignetting=0, dust=0),
        seeing=Seeing(r0_m=0.15),
        sky_e=0.0,
    )
    capture = Capture(quiet)
    frames = np.concatenate([c.frames for c in capture.chunks()]).astype(np.float64) - 4
    truth = capture.truth()
    moved = [shift(f, -s, order=3) for f, s in zip(frames, truth.shift_px, strict=True)]
    at, expected = center_of_mass(np.mean(moved, axis=0)), center_of_mass(truth.picture)
    # The brightness centroid of a phase-shaded disc against the correlation peak: they agree to a few hundredths.
    assert np.allclose(at, expected, atol=0.05)


def test_fields_and_colour_filter_arrays(tmp_path):
    moon = PRESETS["moon"](frames=3, shape=(120, 160), patch_arcsec=15.0)
    truth = make_capture(moon, tmp_path / "moon.ser")
    assert truth.bending_px is not None and truth.bending_px.shape[:2] == (3, 2)
    assert (tmp_path / "moon.ser").stat().st_size == 178 + 3 * (120 * 160 * 2 + 8)
    colour = replace(SMALL, filter="RGB", camera=Camera(colour="GBRG"), frames=3)
    capture = Capture(colour)
    chunk = next(capture.chunks())
    assert chunk.frames.shape == (3, 96, 112)
    assert capture.truth().picture.shape == (3, 96, 112)


def test_faults_are_flagged():
    bad = replace(SMALL, frames=60, faults=Faults(0.1, 0.1, 0.1, 0.8, 0.3, 0.5, walk_off=True), mount=Mount())
    capture = Capture(bad)
    frames = np.concatenate([c.frames for c in capture.chunks()])
    truth = capture.truth()
    flags = truth.flags
    same = np.array([False, *(np.array_equal(a, b) for a, b in pairwise(frames))])
    assert np.array_equal(same, flags["duplicate"])
    steps = np.diff(truth.utc) / np.timedelta64(1, "s") * bad.fps
    assert np.array_equal(np.rint(steps) > 1, flags["gap"][1:])
    levels = frames.mean(axis=(1, 2))
    clear = ~(flags["blank"] | flags["cloud"] | flags["cut"])
    assert levels[flags["blank"]].max() < 0.8 * levels[clear].min()
    assert flags["cut"][-1] and not flags["cut"][0]
    assert flags["hit"].any() and flags["cloud"].any()


def test_bank_mode_moves_and_repeats():
    fast = replace(SMALL, bank=4, frames=40)
    capture = Capture(fast)
    frames = np.concatenate([c.frames for c in capture.chunks()])
    truth = capture.truth()
    assert len(np.unique(truth.strehl)) <= 4
    assert np.isfinite(truth.shift_px).all() and len(np.unique(frames.mean(axis=(1, 2)))) > 20


@pytest.mark.parametrize(
    ("change", "message"),
    [({"filter": "X"}, "filter"), ({"frames": 0}, "frames"), ({"camera": Camera(colour="XXXX")}, "camera.colour")],
)
def test_impossible_scenarios_are_refused(change, message):
    with pytest.raises(ValueError, match=message):
        replace(SMALL, **change)


def test_a_field_is_the_same_under_other_seeing():
    moon = PRESETS["moon"](frames=2, shape=(96, 128), patch_arcsec=30.0)
    still = Mount((0.0, 0.0), 0.0, jitter_px=0.0)
    one = Capture(moon).truth().picture
    two = Capture(replace(moon, seeing=Seeing(r0_m=0.12), mount=still)).truth().picture
    assert np.allclose(one, two, rtol=0, atol=0.02 * one.max())


def test_a_long_exposure_averages_the_air():
    frozen = Capture(replace(SMALL, frames=12, camera=Camera(exposure_s=0.08)))
    smeared = Capture(replace(SMALL, frames=12, camera=Camera(exposure_s=0.08), moments=6))
    for capture in (frozen, smeared):
        list(capture.chunks())
    assert smeared.truth().strehl.mean() < 0.95 * frozen.truth().strehl.mean()


def test_bending_truth_straightens_a_field():
    """A frame looked up at (place + true shift + true bending) is the perfect picture, but for its slight blur."""
    import cv2

    high = Seeing(r0_m=0.12, layers=(Layer(1.0, 8.0, 30.0, 6000.0),), wander=0.0)
    quiet = Camera(full_well_e=5e5, bits=16, read_noise_e=0.3, dark_e_s=0.0, hot_pixels=0, vignetting=0, dust=0)
    moon = PRESETS["moon"](frames=4, shape=(200, 240), seeing=high, camera=quiet, patch_arcsec=10.0, sky_e=0.0)
    capture = Capture(moon)
    frames = np.concatenate([c.frames for c in capture.chunks()]).astype(np.float32) - quiet.offset_adu
    truth = capture.truth()
    y, x = np.mgrid[:200, :240].astype(np.float32)
    grid_y = np.interp(y, truth.bending_rows, np.arange(truth.bending_rows.size)).astype(np.float32)
    grid_x = np.interp(x, truth.bending_columns, np.arange(truth.bending_columns.size)).astype(np.float32)
    inner = (slice(24, -24),) * 2

    def error(k, bend):
        dy, dx = truth.shift_px[k]
        by, bx = (cv2.remap(b, grid_x, grid_y, cv2.INTER_CUBIC) * bend for b in truth.bending_px[k])
        # Both are smooth: the displacement at the place seen is the displacement at the place shown, to first order.
        seen = cv2.remap(frames[k], x + np.float32(dx) + bx, y + np.float32(dy) + by, cv2.INTER_CUBIC)
        blurred = cv2.GaussianBlur(truth.picture, (0, 0), 1.5)
        return float((cv2.GaussianBlur(seen, (0, 0), 1.5) - blurred)[inner].std() / blurred[inner].std())

    straight, bent = [error(k, 1.0) for k in range(4)], [error(k, 0.0) for k in range(4)]
    assert np.mean(straight) < 0.35 * np.mean(bent)
    assert np.mean(straight) < 0.08
