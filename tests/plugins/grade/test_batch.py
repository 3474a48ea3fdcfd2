"""Filters on stacks of pictures: the same bits as one by one, the same numbers as OpenCV on single pictures."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from nightmill_stages.grade.band import Band, respond, sharpness, sharpness_of
from nightmill_stages.grade.batch import blur3, gather, gaussian, halved, median3, planes_of
from nightmill_stages.grade.luminance import grey, halve
from nightmill_stages.grade.stage import _checksums


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
@pytest.mark.parametrize("shape", [(7, 40, 52), (5, 41, 53), (3, 40, 52, 3), (1, 3, 3)])
def test_halving_and_blurring_a_stack_is_halving_and_blurring_each(dtype, shape) -> None:
    frames = np.random.default_rng(1).integers(0, 250, shape).astype(dtype)
    planes = planes_of(frames)
    half = halved(planes)
    for frame, plane, small, smooth in zip(frames, planes, half, blur3(half), strict=True):
        assert np.array_equal(plane, grey(frame))
        assert np.array_equal(small, halve(grey(frame)))
        # A different order of sums: some units in the last place.
        assert np.allclose(smooth, cv2.blur(small.astype(np.float32), (3, 3)), rtol=1e-6)


def test_samples_of_float_frames_that_are_not_numbers_count_as_dark() -> None:
    frames = np.ones((3, 8, 8), np.float32)
    frames[1, 2, 3] = np.nan
    assert planes_of(frames)[1, 2, 3] == 0
    assert np.isnan(frames[1, 2, 3])


@pytest.mark.parametrize(("fine", "size"), [(0.6, 40), (1.3, 33), (2.6, 9)])
def test_boxes_are_filtered_as_if_alone(fine: float, size: int) -> None:
    rng = np.random.default_rng(2)
    boxes = rng.normal(100, 10, (6, size, size)).astype(np.float32)
    start = np.zeros(6, np.int64)
    calm = median3(gather(boxes, start, start, size, size, 16), 16)
    near = gaussian(calm, 16, fine)
    for box, one in zip(boxes, near, strict=True):
        half = int(np.ceil(2.5 * fine))
        expected = cv2.GaussianBlur(cv2.medianBlur(box, 3), (2 * half + 1, 2 * half + 1), fine)
        assert np.allclose(one[16:-16], expected, rtol=1e-5)


def test_neighbours_change_no_bit_of_a_frames_sharpness() -> None:
    rng = np.random.default_rng(3)
    planes = rng.normal(90, 9, (300, 60, 64)).astype(np.float32)
    top, left = rng.integers(0, 12, 300), rng.integers(0, 16, 300)
    band = Band(1.0, 2.0, limit=0.2)
    level, share = rng.uniform(60, 90, 300), rng.uniform(0.5, 1, 300)
    together = sharpness_of(planes, top, left, (48, 48), band, level, share)
    for i in range(0, 300, 7):
        box = planes[i, top[i] : top[i] + 48, left[i] : left[i] + 48]
        assert sharpness(box, band, float(level[i]), float(share[i])) == together[i]
    assert respond(planes[0], 1.0, 2.0).shape == (60, 64)


def test_checksums_tell_single_counts_and_match_for_copies_alone() -> None:
    frames = np.random.default_rng(4).integers(0, 200, (4, 33, 31), dtype=np.uint8)
    frames[2] = frames[0]
    frames[3] = frames[1]
    frames[3, 17, 5] += 1
    sums = _checksums(frames, blur3(halved(planes_of(frames))))
    assert sums[0] == sums[2]
    assert len(set(sums.tolist())) == 3
