"""The stages that ship keep the promises that the kit asks of anybody's."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightmill.plugins import load_registry
from nightmill.stage import Source
from nightmill.testing.conformance import check_stage, stage_checks, writer_checks
from nightmill.testing.conformance.bench import make_bench
from toysupport import write_ser

REGISTRY = load_registry()
SHIPPED = [cls for name, cls in REGISTRY.stages.items() if cls.__module__.startswith("nightmill_stages.")]
CASES = [(cls, check) for cls in SHIPPED if not issubclass(cls, Source) for check in stage_checks(cls)]


@pytest.mark.parametrize("check", [pytest.param(check, id=f"{cls.name}-{check}") for cls, check in CASES])
def test_promise(check) -> None:
    check()


WRITERS = [pytest.param(check, id=f"{one.name}-{check}") for one in REGISTRY.writers for check in writer_checks(one)]


@pytest.mark.parametrize("check", WRITERS)
def test_promise_of_a_writer(check) -> None:
    check()


def test_ingest_on_ser(tmp_path: Path) -> None:
    path = tmp_path / "jupiter_20260112_221000_R.ser"
    write_ser(path, make_bench("mono8").data)
    check_stage(REGISTRY.stage("ingest"), files=[path])
