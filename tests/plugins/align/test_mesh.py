"""The mesh of local shifts against a known smooth bending."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from nightmill_stages.align.bending import place
from nightmill_stages.align.mesh import bend, field_of, measure_mesh, plan_mesh, prepare_mesh


def scene(height: int = 160, width: int = 200) -> np.ndarray:
    rng = np.random.default_rng(11)
    fine = cv2.GaussianBlur(rng.normal(0, 1, (height, width)).astype(np.float32), (0, 0), 2)
    broad = cv2.GaussianBlur(rng.normal(0, 1, (height, width)).astype(np.float32), (0, 0), 8)
    return 1000 + 100 * fine / fine.std() + 200 * broad / broad.std()


def bending(rows: int, columns: int, amplitude: float) -> np.ndarray:
    y, x = np.mgrid[:rows, :columns].astype(np.float32)
    first = amplitude * np.sin(2 * np.pi * y / rows + 1) * np.cos(2 * np.pi * x / columns)
    second = amplitude * np.cos(2 * np.pi * (y / rows + x / columns))
    return np.stack([first, second], axis=-1).astype(np.float32)


@pytest.mark.parametrize("amplitude", [0.5, 1.5])
def test_bending_is_recovered(amplitude: float) -> None:
    picture = scene()
    plan = plan_mesh(320, 400, 20.0)
    reference = prepare_mesh(picture, plan)
    true = bending(plan.rows, plan.columns, amplitude)
    rows, columns = field_of(true, *picture.shape)
    # The frame is the picture pulled the other way: frame(y + u) = picture(y). Invert the map by fixed-point steps.
    grid_y, grid_x = np.mgrid[: picture.shape[0], : picture.shape[1]].astype(np.float32)
    back_y, back_x = grid_y.copy(), grid_x.copy()
    for _ in range(20):
        back_y = grid_y - cv2.remap(rows - grid_y, back_x, back_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        back_x = grid_x - cv2.remap(columns - grid_x, back_x, back_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    frame = cv2.remap(picture, back_x, back_y, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
    noisy = frame + np.random.default_rng(12).normal(0, 20, frame.shape).astype(np.float32)
    shifts, contrast, fit = measure_mesh(noisy.astype(np.float32), reference, plan)
    error = (shifts - true)[1:-1, 1:-1]
    # Windows average over a node's neighbours, which flattens the strongest curvature by some per cent.
    assert np.sqrt((error**2).mean()) < 0.03 + 0.06 * amplitude
    assert fit > 0.95
    assert np.median(contrast) == pytest.approx(1, abs=0.05)


def test_contrast_tells_where_the_air_blurs() -> None:
    picture = scene()
    plan = plan_mesh(320, 400, 20.0)
    reference = prepare_mesh(picture, plan)
    blurred = cv2.GaussianBlur(picture, (0, 0), 1.5)
    frame = picture.copy()
    frame[:, 100:] = blurred[:, 100:]
    _, contrast, _ = measure_mesh(frame, reference, plan)
    half = plan.columns // 2
    assert contrast[:, half + 2 :].mean() < contrast[:, : half - 2].mean() - 0.1


def test_blur_is_no_shift() -> None:
    # Long exposures are a core and a halo: neither moves anything, whatever lies beside a node. Bright rims and
    # shadows, as on the Moon.
    rng = np.random.default_rng(13)
    picture = np.full((160, 200), 1000, np.float32)
    for y, x, size in zip(rng.uniform(0, 160, 90), rng.uniform(0, 200, 90), rng.uniform(2, 14, 90), strict=True):
        cv2.circle(picture, (int(x), int(y)), int(size), float(rng.uniform(100, 2000)), -1)
    picture = cv2.GaussianBlur(picture, (0, 0), 1)
    plan = plan_mesh(320, 400, 24.0)
    reference = prepare_mesh(picture, plan)
    for core, halo in ((0.0, 3.0), (0.0, 5.0), (1.5, 5.0)):
        sharp = cv2.GaussianBlur(picture, (0, 0), core) if core else picture
        frame = (0.5 * sharp + 0.5 * cv2.GaussianBlur(picture, (0, 0), halo)).astype(np.float32)
        shifts, contrast, _ = measure_mesh(frame, reference, plan)
        assert contrast.mean() < 0.85
        # 0.06 camera pixels: hard air averages to 0.1 over 400 frames, to which this must not add much.
        assert np.sqrt((shifts[1:-1, 1:-1] ** 2).mean()) < 0.03


def test_no_bending_no_shift() -> None:
    picture = scene()
    plan = plan_mesh(320, 400, 20.0)
    shifts, _, fit = measure_mesh(picture, prepare_mesh(picture, plan), plan)
    assert np.abs(shifts).max() < 1e-3
    assert fit == pytest.approx(1, abs=1e-5)
    assert np.abs(bend(picture, np.zeros_like(shifts)) - picture).max() < 1e-2


def test_place_moves_whole_cells_and_fills() -> None:
    picture = scene(40, 50)
    fill = np.zeros_like(picture)
    moved = place(picture, 3, -4, fill)
    assert np.array_equal(moved[:37, 4:], picture[3:, :46])
    assert not moved[37:].any()
    assert not moved[:, :4].any()
