"""The stages that ship keep the promises that the kit asks of anybody's."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from nightmill.plugins import load_registry
from nightmill.stage import Source
from nightmill.testing.conformance import check_stage, stage_checks
from nightmill.testing.conformance.bench import make_bench

REGISTRY = load_registry()
SHIPPED = [cls for name, cls in REGISTRY.stages.items() if cls.__module__.startswith("nightmill_stages.")]
CASES = [(cls, check) for cls in SHIPPED if not issubclass(cls, Source) for check in stage_checks(cls)]


@pytest.mark.parametrize("check", [pytest.param(check, id=f"{cls.name}-{check}") for cls, check in CASES])
def test_promise(check) -> None:
    check()


def test_ingest_on_ser(tmp_path: Path) -> None:
    """A SER recording (version 3: head of 178 bytes, frames, a trailer of time stamps)."""
    path = tmp_path / "jupiter_20260112_221000_R.ser"
    data = make_bench("mono8").data
    numbers = np.array([0, 0, 0, data.shape[2], data.shape[1], 8, len(data)], "<i4").tobytes()
    times = 639_038_598_000_000_000 + 100_000 * np.arange(len(data), dtype="<i8")
    head = b"NIGHTMILL-TEST" + numbers + b" " * 120 + times[:1].tobytes() * 2
    assert len(head) == 178
    path.write_bytes(head + data.tobytes() + times.tobytes())
    check_stage(REGISTRY.stage("ingest"), files=[path])
