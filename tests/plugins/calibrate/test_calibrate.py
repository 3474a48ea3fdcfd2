"""Frames of the known camera come out as the light that went in, to the noise that theory leaves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightmill.artefacts import Stack
from nightmill.stage import Context
from nightmill_stages.calibrate import Calibrate, MasterDark, MasterFlat
from nightmill_stages.calibrate.calibrate import apply_masters
from nightmill_stages.calibrate.matching import best_dark, best_flat
from nightmill_stages.calibrate.pixels import plan_repair, repair

from .bench import Camera, capture_of, frames_of, run_fold

CAMERA = Camera()
HOT = (CAMERA.hot[:, 0], CAMERA.hot[:, 1])


@pytest.fixture(scope="module")
def masters():
    darks = CAMERA.expose(0.0, 100, seed=11)
    dark, _ = run_fold(MasterDark(), darks, capture_of(darks, role="dark"))
    flats = CAMERA.expose(1800.0, 200, seed=21)
    flat, _ = run_fold(MasterFlat(), flats, capture_of(flats, role="flat"), {"dark": dark})
    return {"dark": dark, "flat": flat}


def calibrate(data, aids, chunk=0, **parameters):
    stage = Calibrate(Calibrate.Parameters(**parameters))
    capture = capture_of(data)
    data.flags.writeable = False
    context = Context(captures=(capture,), aids=aids)
    context.state = stage.prepare(context)
    step = chunk or len(data)
    parts = [stage.apply(frames_of(data[a : a + step], capture, a), context) for a in range(0, len(data), step)]
    return np.concatenate([part.data for part in parts]), context


def test_vignetting_dust_offset_and_hot_pixels_are_removed(masters):
    data = CAMERA.expose(800.0, 64, seed=41)
    out, _ = calibrate(data, masters)
    assert out.dtype == np.float32
    mean = out.mean(axis=0)
    # What remains of a level of 800 ADU: noise of 64 frames (1.8 ADU), of the dark (0.3) and of the flat (0.8)
    raw = data.mean(axis=0) - CAMERA.dark.min()
    assert np.ptp(raw) > 500
    assert mean.mean() == pytest.approx(800, rel=2e-3)
    assert (mean / 800 - 1).std() < 0.0035
    assert abs(mean - 800).max() < 6 * 0.0035 * 800
    dust = np.s_[10:20, 55:65]
    assert mean[dust].mean() == pytest.approx(mean.mean(), rel=2e-3)
    # Hot pixels, neighbours and rim included, are as good as the others.
    assert abs(mean[HOT] - 800).max() < 5 * 0.0035 * 800


def test_noise_is_what_theory_says(masters):
    """Var(out) = (light + read^2 + dark noise^2 / N) / flat^2, per pixel; first order in the flat's own noise."""
    data = CAMERA.expose(800.0, 200, seed=42)
    out, _ = calibrate(data, masters, hot=0)
    cool = np.ones(data.shape[1:], bool)
    cool[HOT] = False
    photon = 800 * CAMERA.sensitivity / CAMERA.electrons_per_adu
    expected = (photon + CAMERA.read_noise**2 + 1 / 12) / CAMERA.sensitivity**2
    ratio = (out.var(axis=0, ddof=1) / expected)[cool]
    # The variance of 200 values is known to 10 %, its mean over 4800 pixels to 0.15 %
    assert ratio.mean() == pytest.approx(1, abs=0.006)
    # Fixed pattern left over in the mean: what the masters add, beyond the noise of the mean itself.
    pattern = ((out.mean(axis=0) - 800)[cool]).var() - (expected[cool] / 200).mean()
    added = 9.1 / 100 + 800**2 * ((1800 / 4 + 9.1) / 200 + 9.1 / 100) / 1800**2
    assert pattern == pytest.approx(added, rel=0.5)


def test_negative_values_stay(masters):
    out, _ = calibrate(CAMERA.expose(0.0, 50, seed=43), masters)
    assert (out < 0).mean() == pytest.approx(0.5, abs=0.05)
    assert abs(np.median(out)) < 0.2


def test_without_masters_frames_pass_untouched():
    data = CAMERA.expose(800.0, 3, seed=44)
    stage = Calibrate()
    context = Context(captures=(capture_of(data),))
    context.state = stage.prepare(context)
    frames = frames_of(data, context.capture)
    assert stage.apply(frames, context) is frames
    assert [note.name for note in context.notes if note.kind == "caution"] == ["dark", "flat"]
    assert "going on without" in context.notes[0].text


def test_switched_off_is_not_missed(masters):
    data = CAMERA.expose(800.0, 3, seed=44)
    out, context = calibrate(data, masters, dark="none", flat="none")
    assert out.dtype == np.uint16 and not context.notes
    assert (
        Calibrate(Calibrate.Parameters(dark="none")).choose_aids(capture_of(data), {"dark": [capture_of(data)]}) == {}
    )


def test_dark_alone_and_flat_alone(masters):
    data = CAMERA.expose(800.0, 8, seed=45)
    only_dark, _ = calibrate(data, {"dark": masters["dark"]}, hot=0)
    np.testing.assert_allclose(only_dark, data - masters["dark"].data * np.float32(4095), atol=1e-3)
    only_flat, _ = calibrate(data, {"flat": masters["flat"]}, hot=0)
    np.testing.assert_allclose(only_flat, data / masters["flat"].data, rtol=1e-5)


def test_chunking_does_not_matter(masters):
    data = CAMERA.expose(800.0, 10, seed=46)
    assert calibrate(data, masters)[0].tobytes() == calibrate(data, masters, chunk=3)[0].tobytes()


def test_a_master_of_another_size_is_said_and_left_out(masters):
    data = CAMERA.expose(800.0, 2, seed=47)[:, :-2]
    out, context = calibrate(np.ascontiguousarray(data), masters)
    assert out.dtype == np.uint16
    assert all("does not fit" in note.text for note in context.notes)


def test_dead_pixels_of_the_flat_are_repaired(masters):
    flat = masters["flat"].data.copy()
    flat[30, 40], flat[31, 50], flat[10, 10] = 0.0, np.nan, 0.5
    data = CAMERA.expose(800.0, 32, seed=48)
    data[:, 30, 40] = data[:, 31, 50] = 60
    out, _ = calibrate(data, {"dark": masters["dark"], "flat": Stack(flat)})
    assert np.isfinite(out).all()
    for place in ((30, 40), (31, 50), (10, 10)):
        assert out[(slice(None), *place)].mean() == pytest.approx(800, abs=12)


def test_flickering_pixels_are_found_by_their_noise():
    darks = CAMERA.expose(0.0, 100, seed=11)
    darks[::5, 33, 44] += 90  # telegraph noise: a fifth of the frames are 90 ADU higher
    dark, _ = run_fold(MasterDark(MasterDark.Parameters(clip=20.0)), darks, capture_of(darks))
    data = CAMERA.expose(800.0, 20, seed=49)
    data[::2, 33, 44] += 90
    out, _ = calibrate(data, {"dark": dark})
    assert np.ptp(out[:, 33, 44]) < 90


def test_one_single_coarse_dark_frame_makes_few_pixels_hot():
    # 8 bits, one frame: noise of single ADU steps is 0.4 % of full scale and no fault.
    rng = np.random.default_rng(9)
    dark = np.rint(rng.normal(4, 0.6, (1, 60, 80))).astype(np.uint8)
    stack, _ = run_fold(MasterDark(), dark, capture_of(dark, full_scale=255.0))
    data = np.full((2, 60, 80), 100, np.uint8)
    stage = Calibrate()
    context = Context(captures=(capture_of(data, full_scale=255.0),), aids={"dark": stack})
    assert len(stage.prepare(context)["bad"]) < 10


def test_neighbours_of_a_mosaic_are_of_the_same_colour():
    data = np.zeros((1, 16, 16), np.float32)
    data[:, ::2, ::2], data[:, 1::2, 1::2], data[:, ::2, 1::2], data[:, 1::2, ::2] = 10, 20, 30, 31
    wanted = data.copy()
    bad = np.zeros((16, 16), bool)
    for place in ((0, 0), (6, 6), (7, 7), (7, 9), (8, 3), (15, 15), (9, 4)):
        bad[place] = True
        data[(0, *place)] = 4000
    repair(data, plan_repair(bad, "RGGB"))
    np.testing.assert_allclose(data, wanted, rtol=1e-6)


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 10**6), cfa=st.sampled_from([None, "RGGB"]), share=st.floats(0, 0.4), planes=st.booleans())
def test_repair_keeps_a_slope_and_touches_nothing_else(seed, cfa, share, planes):
    rng = np.random.default_rng(seed)
    shape = (12, 14, 3) if planes else (12, 14)
    bad = rng.random(shape) < share
    data = rng.random((2, *shape)).astype(np.float32)
    before = data.copy()
    plan = plan_repair(bad, cfa)
    repair(data, plan)
    np.testing.assert_array_equal(data[:, ~bad], before[:, ~bad])
    np.testing.assert_allclose(plan.share.sum(axis=1), 1, rtol=1e-6)
    assert data.min() >= before.min() - 1e-6 and data.max() <= before.max() + 1e-6
    lonely = np.zeros((12, 14), bool)
    lonely[5, 6] = True
    slope = np.add.outer(3.0 * np.arange(12), 2.0 * np.arange(14)).astype(np.float32)[None]
    spoilt = slope.copy()
    spoilt[0, 5, 6] = 999
    repair(spoilt, plan_repair(lonely, cfa))
    np.testing.assert_allclose(spoilt, slope, rtol=1e-6)


def test_inputs_are_never_changed():
    data = np.full((2, 8, 8), 100, np.uint16)
    dark, factor = np.full((8, 8), 0.01, np.float32), np.full((8, 8), 2, np.float32)
    for array in (data, dark, factor):
        array.flags.writeable = False
    out = apply_masters(data, 4095.0, dark, factor, None)
    np.testing.assert_allclose(out, (100 - 40.95) * 2, rtol=1e-6)


def caps(**changes):
    return capture_of(np.zeros((5, 8, 8), np.uint16), **changes)


def test_the_dark_that_fits_best():
    light = caps(exposure_s=0.010, gain=200.0, utc_start=1000.0)
    wrong = [
        caps(exposure_s=0.020, gain=200.0, utc_start=1000.0),
        caps(exposure_s=0.010, gain=300.0, utc_start=1000.0),
        caps(height=9, exposure_s=0.010, gain=200.0),
        caps(planes=3, exposure_s=0.010, gain=200.0),
    ]
    silent = caps(utc_start=1000.0, file="silent")
    far = caps(exposure_s=0.0102, gain=200.0, utc_start=9000.0, file="far")
    near = caps(exposure_s=0.0099, gain=200.0, utc_start=2000.0, file="near")
    assert best_dark(light, wrong) is None
    assert best_dark(light, [*wrong, silent]) is silent
    assert best_dark(light, [*wrong, silent, far, near]) is near
    assert best_dark(caps(cfa="RGGB"), [caps(cfa="GBRG")]) is None
    assert best_dark(caps(cfa="RGGB"), [caps()]) is not None


def test_the_flat_that_fits_best():
    light = caps(filter="R", utc_start=1000.0)
    red, blue, bare = (caps(filter=f, utc_start=5000.0, file=str(f)) for f in ("r", "B", None))
    assert best_flat(light, [blue]) is None
    assert best_flat(light, [blue, bare]) is bare
    assert best_flat(light, [blue, bare, red]) is red
    assert best_flat(light.replace(filter="Red"), [blue, bare, red]) is red
    later = red.replace(utc_start=1500.0)
    assert Calibrate().choose_aids(light, {"flat": [red, later], "dark": []}) == {"flat": later}


def test_choice_does_not_depend_on_order():
    light = caps()
    many = [caps(file=f"{n}.ser") for n in range(6)]
    assert best_dark(light, many) == best_dark(light, many[::-1])
