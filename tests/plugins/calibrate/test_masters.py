"""Masters against the known camera: noise falls as the theory of the mean says, outliers leave no trace."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.stats import sigma_clip

from nightmill.errors import CaptureError
from nightmill.stage import Fold
from nightmill_stages.calibrate import MasterDark, MasterFlat
from nightmill_stages.calibrate.clipped import add_frames, clip_bounds, mean_and_variance, to_integers

from .bench import Camera, capture_of, run_fold

CAMERA = Camera()
SCALE = CAMERA.full_scale


def master_dark(n: int = 120, **kwargs):
    data = CAMERA.expose(0.0, n, seed=11)
    return run_fold(MasterDark(), data, capture_of(data, role="dark"), **kwargs)[0]


def test_a_master_dark_is_the_dark_within_its_noise():
    stack = master_dark()
    error = stack.data * SCALE - CAMERA.dark
    # Standard error of the mean of 120 frames with read noise 3 ADU and rounding (1/12 ADU^2)
    expected = np.sqrt((3.0**2 + 1 / 12) / 120)
    assert error.std() == pytest.approx(expected, rel=0.05)
    assert abs(error.mean()) < 4 * expected / np.sqrt(error.size)
    assert np.median(stack.noise) * SCALE == pytest.approx(expected, rel=0.05)
    assert stack.data.dtype == np.float32 and stack.data.shape == (60, 80)
    assert {"frames_kept", "frames_total", "scale", "origin_px", "share_kept"} <= stack.header.keys()


def test_strikes_of_particles_leave_no_trace():
    data = CAMERA.expose(0.0, 60, seed=11)
    clean = run_fold(MasterDark(), data, capture_of(data))[0]
    rng = np.random.default_rng(0)
    struck = data.copy()
    where = tuple(rng.integers(0, limit, 200) for limit in data.shape)
    struck[where] = 4095
    found, context = run_fold(MasterDark(), struck, capture_of(struck))
    # One of 60 values less: a few hundredths of an ADU, where the plain mean would be off by 67 ADU
    changed = np.abs(found.data - clean.data)[where[1], where[2]] * SCALE
    assert changed.max() < 6 * 3 / 59 * 2
    assert found.weight[where[1], where[2]].max() <= 59
    share = next(note.value for note in context.notes if note.name == "clipped_share")
    assert share == pytest.approx(200 / data.size, rel=0.5)


def test_clipping_agrees_with_astropy():
    # Reference: astropy.stats.sigma_clip about the median with the MAD as deviation, one iteration. Ours never takes a
    # pixel's deviation for smaller than the typical one, so that the two agree where only strikes are left out.
    data = CAMERA.expose(0.0, 25, seed=3)
    data[3, 10, 10] = data[20, 40, 7] = 4000
    low, high = clip_bounds(data, 5.0)
    mean, _ = mean_and_variance(add_frames(None, data, low, high))
    masked = sigma_clip(data.astype(float), sigma=8.0, maxiters=1, stdfunc="mad_std", cenfunc="median", axis=0)
    np.testing.assert_allclose(mean[[10, 40], [10, 7]], masked.mean(axis=0).data[[10, 40], [10, 7]], rtol=1e-12)


def test_mean_and_variance_agree_with_numpy():
    data = CAMERA.expose(500.0, 30, seed=4)
    everything = np.full(data.shape[1:], np.inf, np.float32)
    mean, variance = mean_and_variance(add_frames(None, data, -everything, everything))
    np.testing.assert_allclose(mean, data.mean(axis=0), rtol=1e-13)
    np.testing.assert_allclose(variance, data.var(axis=0, ddof=1), rtol=1e-9)


@pytest.mark.parametrize("dtype", ["uint8", "uint16", "float32"])
def test_any_grouping_gives_the_same_bits(dtype):
    data = CAMERA.expose(30.0, 41, seed=8)
    data = (data // 16).astype(np.uint8) if dtype == "uint8" else data.astype(dtype)
    capture = capture_of(data, full_scale=255.0 if dtype == "uint8" else 4095.0)
    for stage in (MasterDark(), MasterFlat()):
        stacks = [run_fold(stage, data, capture, chunk=chunk)[0] for chunk in (1, 7, 64)]
        for other in stacks[1:]:
            for name in ("data", "noise", "weight"):
                assert getattr(stacks[0], name).tobytes() == getattr(other, name).tobytes()


def test_a_master_flat_is_the_sensitivity():
    dark = master_dark()
    data = CAMERA.expose(1800.0, 200, seed=21)
    stack, _ = run_fold(MasterFlat(), data, capture_of(data, role="flat"), {"dark": dark})
    cool = np.ones(data.shape[1:], bool)
    cool[CAMERA.hot[:, 0], CAMERA.hot[:, 1]] = False
    error = (stack.data / CAMERA.sensitivity - 1)[cool]
    # Photon noise 1800 / 4 ADU^2, read noise 9, of the mean of 200; noise of the dark 9 / 120; about 0.09 %
    expected = np.sqrt((1800 / 4 + 9) / 200 + 9 / 120) / 1800
    assert error.std() == pytest.approx(expected, rel=0.15)
    assert abs(error.mean()) < 2e-4
    assert stack.data.mean() == pytest.approx(1, abs=1e-5)
    assert np.median(stack.noise) == pytest.approx(expected, rel=0.15)


def test_flat_frames_of_changing_brightness():
    # A twilight flat: brightness rises by half; struck pixels are left out of some frames only.
    rising = np.linspace(1200, 1800, 90)[:, None, None]
    data = CAMERA.expose(rising, 90, seed=22)
    data[40:50, 30, 40] = 4095
    stack, _ = run_fold(MasterFlat(), data, capture_of(data), {"dark": master_dark()})
    assert stack.data[30, 40] == pytest.approx(CAMERA.sensitivity[30, 40], rel=0.006)
    assert stack.weight[30, 40] == 80


def test_each_colour_of_a_mosaic_has_a_mean_of_one():
    tint = np.ones((60, 80))
    tint[::2, ::2], tint[1::2, 1::2] = 0.5, 0.7  # red and blue of RGGB
    data = CAMERA.expose(1800.0 * tint, 40, seed=23)
    stack, _ = run_fold(MasterFlat(), data, capture_of(data, cfa="RGGB"), {"dark": master_dark()})
    for y in (0, 1):
        for x in (0, 1):
            assert stack.data[y::2, x::2].mean() == pytest.approx(1, abs=1e-5)


def test_colour_planes_come_first_in_the_stack():
    data = CAMERA.expose(900.0, 6, seed=24)
    colour = np.stack([data, data // 2, data // 3], axis=-1)
    stack, _ = run_fold(MasterDark(), colour, capture_of(colour))
    assert stack.data.shape == (3, 60, 80) and stack.data[0].mean() > 1.9 * stack.data[1].mean()
    stack, _ = run_fold(MasterFlat(), colour, capture_of(colour))
    np.testing.assert_allclose(stack.data.mean(axis=(1, 2)), 1, atol=1e-5)


def test_a_single_float_frame_is_a_master_already():
    wanted = CAMERA.sensitivity.astype(np.float32)
    capture = capture_of(wanted[None], full_scale=1.0)
    stack, context = run_fold(MasterFlat(), wanted[None], capture)
    np.testing.assert_allclose(stack.data, wanted, rtol=3e-6)
    assert stack.noise is None
    assert MasterFlat().choose_aids(capture, {"dark": [capture]}) == {}
    assert not [note for note in context.notes if note.kind == "caution"]
    level = (CAMERA.dark / SCALE).astype(np.float32)
    stack, _ = run_fold(MasterDark(), level[None], capture_of(level[None], full_scale=1.0))
    np.testing.assert_allclose(stack.data, level, atol=1e-6)


@pytest.mark.parametrize(
    ("stage", "light", "words"),
    [
        (MasterDark(), 3000.0, "is no dark"),
        (MasterFlat(), 5000.0, "saturated"),
        (MasterFlat(), 0.0, "light is"),
    ],
)
def test_what_cannot_serve_is_said(stage: Fold, light: float, words: str):
    data = CAMERA.expose(light, 10, seed=30)
    with pytest.raises(CaptureError, match=words):
        run_fold(stage, data, capture_of(data), {"dark": master_dark()} if stage.name == "master-flat" else None)


def test_float_frames_that_are_not_finite_do_no_harm():
    data = np.full((3, 4, 4), 0.25, np.float32)
    data[0, 0, 0], data[1, 1, 1], data[2, 2, 2] = np.nan, np.inf, -np.inf
    values, step = to_integers(data, 1.0)
    assert values.dtype == np.int32 and values[0, 3, 3] * step == 0.25
    assert values[0, 0, 0] == 0 and abs(values).max() <= 8 * 2**20
