"""What is gathered for the report: half-set correlation, courses, small pictures; and that it costs no capture."""

from __future__ import annotations

import io
import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightmill.artefacts import FrameTable
from nightmill.run import Options, run_night
from nightmill.run.progress import Progress
from nightmill.work import looks, series, sheet
from nightmill.work.halves import THRESHOLD, half_set_correlation
from toysupport import TOY, TOY_RECIPE, events


def band_limited(rng, size, limit):
    spectrum = np.fft.fft2(rng.normal(size=(size, size)))
    radius = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.fftfreq(size)[None, :])
    return np.fft.ifft2(spectrum * (radius < limit)).real


def test_halves_agree_up_to_where_the_signal_ends():
    rng = np.random.default_rng(1)
    truth = band_limited(rng, 256, 0.2)
    noise = 0.02 * truth.std()
    curve = half_set_correlation(
        truth + noise * rng.normal(size=truth.shape), truth + noise * rng.normal(size=truth.shape)
    )
    # A ring is 1/128 wide, and the window smears so strong a signal over two more frequencies of 1/256.
    assert curve.limit == pytest.approx(0.2, abs=2 / 128)
    assert (curve.correlation[curve.frequency < 0.15] > 0.99).all()
    assert np.abs(curve.correlation[curve.frequency > 0.25]).max() < 0.2


def test_the_correlation_is_that_of_theory():
    """With equal white noise of variance n on a white signal of variance s the expected value is s / (s + n)."""
    rng = np.random.default_rng(2)
    truth = rng.normal(size=(256, 256))
    curve = half_set_correlation(truth + rng.normal(size=truth.shape), truth + rng.normal(size=truth.shape))
    # A ring at half the Nyquist frequency holds about 800 independent values: a standard error of some 0.03.
    assert curve.correlation[20:].mean() == pytest.approx(0.5, abs=0.02)
    assert curve.limit == 0.5


def test_noise_alone_reaches_nowhere_and_nonsense_is_refused():
    rng = np.random.default_rng(3)
    first, second = rng.normal(size=(2, 128, 128))
    limit = half_set_correlation(first, second).limit
    assert limit is None or limit < 0.02
    with pytest.raises(ValueError, match="one shape"):
        half_set_correlation(first, second[:64])
    with pytest.raises(ValueError, match="no pixels in common"):
        half_set_correlation(np.full((64, 64), np.nan), second[:64, :64])


def test_pixels_without_data_do_not_correlate():
    rng = np.random.default_rng(4)
    first, second = rng.normal(size=(2, 128, 128)) + 50.0
    first[:20], second[:, 100:] = np.nan, np.nan
    curve = half_set_correlation(first, second)
    assert np.abs(curve.correlation[5:]).mean() < THRESHOLD


def test_a_course_keeps_the_median_and_leaves_gaps():
    values = np.concatenate([np.full(500, 2.0), np.full(500, np.nan)])
    course = series.course(values, np.arange(1000.0))
    assert len(course["x"]) == series.POINTS
    assert set(course["middle"][:59]) == {2.0}
    assert set(course["middle"][61:]) == {None}
    assert course["x"][0] < course["x"][-1] < 1000


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=300), st.integers(0, 2**32 - 1))
def test_a_distribution_counts_every_frame_once(values, seed):
    array = np.array(values)
    used = np.random.default_rng(seed).random(len(values)) < 0.5
    found = series.distribution(array, used)
    assert sum(found["all"]) == len(values)
    assert sum(found["used"]) == used.sum()
    assert all(a >= b for a, b in zip(found["all"], found["used"], strict=True))


def test_motion_is_measured_about_the_drift():
    rng = np.random.default_rng(5)
    utc = 1e9 + np.arange(4000) * 0.01
    drift = 0.05 * (utc - utc[0])
    table = FrameTable(
        {
            "number": np.arange(4000),
            "utc": utc,
            "dx_px": drift + rng.normal(0, 0.7, 4000),
            "dy_px": rng.normal(0, 0.7, 4000),
        }
    )
    # 4000 frames on two axes: one per cent of statistical error, and a drift of 0.07 px rms inside five seconds.
    assert series.jitter_px(table) == pytest.approx(0.7, rel=0.03)
    assert series.drift(table)["dx_px"][-1] == pytest.approx(1.0, abs=0.3)


def test_a_frame_is_laid_onto_the_stack_by_its_shift():
    """frame(y + dy, x + dx) = reference(y, x), as the contract of shifts says."""
    y, x = np.mgrid[:60, :80]

    def spot(row, column):
        return np.exp(-((y - row) ** 2 + (x - column) ** 2) / 18).astype(np.float32)

    laid = looks.on_grid(spot(30 + 2.5, 40 - 4.0), (60, 80), {"scale": 1, "origin_px": [0, 0]}, 2.5, -4.0)
    # Bilinear interpolation blunts a peak of sigma 3 px by at most 1.4 %.
    assert np.abs(laid - spot(30, 40))[5:-5, 5:-5].max() < 0.02
    double = looks.on_grid(spot(20, 30), (100, 100), {"scale": 2, "origin_px": [5, 10]}, np.nan, np.nan)
    assert np.unravel_index(double.argmax(), double.shape) == (30, 40)


def test_before_and_after_look_equally_bright():
    rng = np.random.default_rng(6)
    wanted = rng.random((50, 60, 3)).astype(np.float32) * np.array([1.0, 0.5, 0.2], np.float32)
    for other in (wanted * 0.3 + 0.1, (wanted * 0.3 + 0.1).mean(axis=2)):
        matched = looks.match(other, wanted)
        goal = wanted if matched.ndim == 3 else wanted.mean(axis=2)
        assert np.allclose(np.percentile(matched, [20, 80]), np.percentile(goal, [20, 80]), atol=0.02)


def test_small_pictures_keep_black_white_and_srgb():
    """IEC 61966-2-1: 0.2159 is the linear light of 128 in 255."""
    light = np.array([[0.0, 0.2159, 1.0, np.nan, -1.0, 9.0]], np.float32)
    assert looks.to_bytes(light, 0.0, 1.0)[0].tolist() == [0, 128, 255, 0, 0, 255]
    data = looks.encode(np.zeros((20, 30), np.uint8))
    assert data[:4] == b"RIFF"
    assert data[8:12] == b"WEBP"
    assert looks.shrink(np.zeros((400, 200), np.float32), 100).shape == (100, 50)
    assert looks.shrink(np.zeros((40, 20), np.float32), 100).shape == (40, 20)


def test_a_mosaic_is_shown_in_its_colours():
    mosaic = np.zeros((8, 8), np.uint8)
    mosaic[0::2, 0::2], mosaic[0::2, 1::2], mosaic[1::2, 0::2], mosaic[1::2, 1::2] = 200, 100, 100, 50
    for cfa, shift in (("RGGB", (0, 0)), ("GRBG", (0, 1)), ("GBRG", (1, 0)), ("BGGR", (1, 1))):
        colour = looks.demosaic(np.roll(mosaic, shift, axis=(0, 1)), cfa, 255.0)
        assert colour[3:5, 3:5].reshape(-1, 3) * 255 == pytest.approx(np.tile([200, 100, 50], (4, 1)), abs=0.1)


def make_toy_night(folder):
    folder.mkdir()
    rng = np.random.default_rng(7)
    for minute in (10, 20):
        frames = (1000 + 500 * rng.random((40, 48, 64))).astype(np.uint16)
        np.save(folder / f"jupiter_20260112_22{minute}00_L.npy", frames)
    return folder


def run_toy(folder, tmp_path):
    recipe = tmp_path / "toy.yaml"
    recipe.write_text(TOY_RECIPE, encoding="utf-8")
    options = Options(recipe=str(recipe), using="serial", plugins=(str(TOY),))
    return run_night(folder, tmp_path / "out", options, Progress(io.StringIO(), quiet=True))


def test_a_run_leaves_a_page_with_every_capture(tmp_path):
    result = run_toy(make_toy_night(tmp_path / "night"), tmp_path)
    assert result.exit_code == 0
    page = (tmp_path / "out" / "report" / "index.html").read_text(encoding="utf-8")
    assert page.count('class="finished"') == 2
    assert page.count('data-layer="frame"') == 2
    assert page.count('data-layer="stack"') == 2
    assert 'data-state="finished"' in page
    sheets = sorted((tmp_path / "out" / ".store").rglob("sheet.json"))
    assert len(sheets) == 2
    found = json.loads(sheets[0].read_text(encoding="utf-8"))
    assert found["missing"] == []
    assert found["used"] == found["frames"] == 40
    assert [one["label"] for one in found["pictures"]["frames"]] == ["first", "middle", "last"]


def test_a_sheet_that_fails_costs_no_capture(tmp_path, monkeypatch):
    def broken(*given):
        raise RuntimeError("made to fail")

    monkeypatch.setattr(sheet, "_pictures", broken)
    monkeypatch.setattr(sheet, "_courses", broken)
    result = run_toy(make_toy_night(tmp_path / "night"), tmp_path)
    assert result.exit_code == 0
    assert {one["status"] for one in result.summary["captures"]} == {"done"}
    page = (tmp_path / "out" / "report" / "index.html").read_text(encoding="utf-8")
    assert page.count('class="finished"') == 2
    assert 'data-layer="frame"' not in page


def test_a_page_that_fails_costs_no_night(tmp_path, monkeypatch):
    from nightmill.report import page

    def broken(*given):
        raise KeyError("made to fail")

    monkeypatch.setattr(page, "build_view", broken)
    result = run_toy(make_toy_night(tmp_path / "night"), tmp_path)
    assert result.exit_code == 0
    told = events(tmp_path / "out", "report incomplete")
    assert len(told) == 1
    assert "made to fail" in told[0]["reason"]
