"""A pytest plugin for authors' own suites: one test for each promise of a stage or a writer.

In conftest.py ``pytest_plugins = ["nightmill.testing.pytest_plugin"]``, then::

    @pytest.mark.nightmill_stage(MyGrade, MyReader, MyWriter(), files=["tests/short.abc"])
    def test_promises(stage_check):
        stage_check()
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

__all__ = ["pytest_configure", "pytest_generate_tests"]


def pytest_configure(config: Any) -> None:
    """Register the marker."""
    config.addinivalue_line(
        "markers",
        "nightmill_stage(*classes, files=(), skip=()): give the test `stage_check`, once for each promise of a stage",
    )


def pytest_generate_tests(metafunc: Any) -> None:
    """Give `stage_check` the checks of the stages in the marker."""
    if "stage_check" not in metafunc.fixturenames:
        return
    from ..hooks import Writer
    from .conformance import stage_checks, writer_checks

    checks, names = [], []
    for marker in metafunc.definition.iter_markers("nightmill_stage"):
        files = [Path(metafunc.config.rootpath) / one for one in marker.kwargs.get("files", ())]
        for cls in marker.args:
            skip = marker.kwargs.get("skip", ())
            bound = (
                writer_checks(cls, skip=skip) if isinstance(cls, Writer) else stage_checks(cls, files=files, skip=skip)
            )
            checks += bound
            names += [f"{cls.name}:{one}" for one in bound]
    metafunc.parametrize("stage_check", checks, ids=names)
