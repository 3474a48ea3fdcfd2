"""Transforms of a window give what transforms of the whole picture give there."""

from __future__ import annotations

import numpy as np
import pytest

from nightmill_stages.sharpen.spectral import cosine, uncosine
from nightmill_stages.sharpen.window import Window, passed

SHAPE = (60, 48)


@pytest.fixture
def inside() -> np.ndarray:
    mask = np.zeros(SHAPE, bool)
    mask[20:41, 5:30] = np.random.default_rng(1).random((21, 25)) > 0.2
    return mask


def test_it_is_what_the_whole_picture_gives(inside: np.ndarray) -> None:
    transfer = np.zeros(SHAPE, np.float32)
    transfer[:33, :25] = 0.7
    transfer[0, 0] = 0.0
    keep = passed(transfer)
    assert keep == (33, 25)
    window = Window.around(inside, keep)
    picture = np.random.default_rng(2).normal(size=SHAPE).astype(np.float32) * inside
    kept = window.cosine(window.cut(picture))
    # float32 rounding of sums of some thousand terms of order one.
    assert np.allclose(kept, cosine(picture)[:33, :25], atol=1e-5)
    wanted = uncosine(cosine(picture) * transfer)
    assert np.allclose(window.uncosine(kept * transfer[:33, :25]), window.cut(wanted), atol=1e-5)
    assert np.allclose(uncosine(kept * transfer[:33, :25], SHAPE), wanted, atol=1e-5)


def test_nothing_set_is_all_of_the_picture(inside: np.ndarray) -> None:
    window = Window.around(np.zeros_like(inside), SHAPE)
    picture = np.random.default_rng(3).normal(size=SHAPE).astype(np.float32)
    assert window.cut(picture).shape == SHAPE
    assert np.allclose(window.uncosine(window.cosine(picture)), picture, atol=1e-5)
