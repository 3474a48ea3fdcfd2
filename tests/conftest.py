"""What the engine's tests share: the toy plugin, and small nights for it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import settings

from nightmill.run import Options, Result, run_night
from nightmill.run.progress import Progress
from toysupport import TOY, TOY_RECIPE

# Two tests run side by side, with workers of their own: a slow example says nothing of the code.
settings.register_profile("nightmill", deadline=None)
settings.load_profile("nightmill")


@pytest.fixture
def toy_night(tmp_path: Path) -> Path:
    """Make a night of three toy recordings and a dark."""
    night = tmp_path / "night"
    night.mkdir()
    rng = np.random.default_rng(1)
    for name in ("mars_20250205_203000_R", "mars_20250205_203200_G", "moon_20250205_213000_R"):
        np.save(night / f"{name}.npy", rng.integers(10, 200, (700, 24, 32)).astype(np.uint8))
    np.save(night / "dark_20250205_100000.npy", rng.integers(0, 5, (50, 24, 32)).astype(np.uint8))
    (tmp_path / "toy.yaml").write_text(TOY_RECIPE, encoding="utf-8")
    return night


@pytest.fixture
def run_toy(toy_night: Path) -> Callable[..., Result]:
    """Run the toy night in this process (or as told); the recipe can be edited beside it."""

    def run(out: str = "out", recipe: str = "toy.yaml", **options: object) -> Result:
        chosen = {"using": "serial", "plugins": (str(TOY),), "recipe": str(toy_night.parent / recipe), **options}
        return run_night(toy_night, toy_night.parent / out, Options(**chosen), Progress(quiet=True))  # type: ignore[arg-type]

    return run
