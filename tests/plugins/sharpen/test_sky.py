"""The blur found blindly on simulated stacks whose air is known; screens independent of those behind the table."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from nightmill_stages.sharpen.blur import Blur
from nightmill_stages.sharpen.canvas import has_sky, sky_level
from nightmill_stages.sharpen.fit import Prior, fit_sky
from nightmill_stages.sharpen.measured import measure_blur
from nightmill_stages.sharpen.optics import Optics, drop_blur
from nightmill_stages.sharpen.seeing import prior_from_header, ratio_from_jitter
from nightmill_stages.sharpen.signal import measure_signal
from nightmill_stages.sharpen.sky import Channel
from nightmill_stages.sharpen.spectral import cosine, frequencies, uncosine

from .scenes import mars


def prepared(stacked):
    optics = Optics(stacked.cutoff, stacked.obstruction, 630.0)
    noise = float(np.sqrt(np.mean(stacked.noise**2)))
    signal = measure_signal(stacked.data, stacked.half_a, stacked.half_b, noise, optics.cutoff)
    return optics, signal, noise


def true_transfer(stacked, f, cutoff):
    """Return the mean ratio of the stack's spectrum to the truth's around each frequency of `f`."""
    at, y, t = frequencies(stacked.data.shape), cosine(stacked.data.astype(float)), cosine(stacked.truth)
    values = []
    for one in f:
        near = np.abs(at - one) < 0.03 * cutoff
        values.append((y * t)[near].sum() / (t * t)[near].sum())
    return np.array(values)


@pytest.mark.parametrize(("r0_m", "seed"), [(0.08, 41), (0.045, 42)])
def test_blur_is_found_from_the_sky_alone(r0_m, seed):
    stacked = mars(r0_m, seed)
    optics, signal, noise = prepared(stacked)
    found = fit_sky([Channel(stacked.data, optics, signal, noise)], Prior(3.0, 2.0, 0.5, 0.5))
    # The stack was made of the better moments, and some hundred frames are a small sample of the air.
    assert 0.55 < found.ratio / stacked.ratio < 1.25
    assert found.misfit < 2
    f = np.linspace(0.1, 0.7, 7) * stacked.cutoff
    curve = Blur(found.ratio, found.share, optics.obstruction).transfer(f, optics.cutoff)
    np.testing.assert_allclose(curve, true_transfer(stacked, f, stacked.cutoff), atol=0.1)


def test_statistics_of_the_frames_agree_with_the_air():
    stacked = mars(0.045, 42)
    optics = Optics(stacked.cutoff, stacked.obstruction)
    assert ratio_from_jitter(float(np.mean(stacked.jitter_px)), optics) == pytest.approx(stacked.ratio, rel=0.4)
    prior, by_motion = prior_from_header({"share_kept": 0.1, "jitter_px": [2.0, 4.6]}, optics)
    assert by_motion == pytest.approx(ratio_from_jitter(2.0, optics))
    assert prior.share == pytest.approx(0.3)
    assert prior_from_header({}, optics)[1] is None
    bent, _ = prior_from_header({"jitter_px": [2.0, 2.0], "bending_px": [1.5, 1.5]}, optics, field=True)
    assert bent.ratio == pytest.approx(ratio_from_jitter(2.5, optics))


def test_motion_beyond_the_table_stays_within_it():
    optics = Optics(0.3, 0.33)
    assert ratio_from_jitter(1e-3, optics) == 0.3
    assert ratio_from_jitter(1e3, optics) == 12.5
    steps = [ratio_from_jitter(value, optics) for value in (0.3, 0.8, 1.5, 3.0)]
    assert steps == sorted(steps)


def test_object_and_surface_are_told_apart():
    stacked = mars(0.08, 41)
    assert has_sky(stacked.data)
    assert not has_sky(stacked.data[70:130, 70:130])
    assert abs(sky_level(stacked.data + 0.1) - sky_level(stacked.data) - 0.1) < 1e-6
    optics, signal, noise = prepared(stacked)
    inner = stacked.data[70:130, 70:130]
    ways = [
        measure_blur([inner], [optics], [signal], [noise], header).way
        for header in ({}, {"jitter_px": [2.0, 2.0], "share_kept": 0.2})
    ]
    assert ways == ["guess", "motion"]


def test_finer_sampling_and_a_large_frame_change_nothing():
    stacked = mars(0.08, 41)
    optics, signal, noise = prepared(stacked)
    prior = Prior(3.0, 2.0, 0.5, 0.5)
    plain = fit_sky([Channel(stacked.data, optics, signal, noise)], prior)
    # The same picture on a grid twice as fine: the spectrum is continued by zeros.
    fine = np.zeros((2 * stacked.data.shape[0], 2 * stacked.data.shape[1]), np.float32)
    fine[: stacked.data.shape[0], : stacked.data.shape[1]] = 2 * cosine(stacked.data)
    fine = uncosine(fine)
    finer = replace(optics, cutoff=optics.cutoff / 2)
    found = fit_sky([Channel(fine, finer, replace(signal, frequency=signal.frequency / 2), noise * 2)], prior)
    assert found.ratio == pytest.approx(plain.ratio, rel=0.04)
    large = np.pad(stacked.data, ((40, 150), (100, 60)), mode="edge")
    found = fit_sky([Channel(large, optics, signal, noise)], prior)
    assert found.ratio == pytest.approx(plain.ratio, rel=0.04)


def test_blur_of_drops_is_that_of_two_boxes():
    assert drop_blur({"scale": 1}) == 0.0
    x = np.linspace(-4, 4, 8001)
    box = [(np.abs(x) < width / 2).astype(float) for width in (2 * 0.6, 1.0)]
    kernel = np.convolve(*box, mode="same")
    expected = np.sqrt((kernel * x**2).sum() / kernel.sum())
    assert drop_blur({"scale": 2, "drop": 0.6}) == pytest.approx(expected, rel=1e-3)
