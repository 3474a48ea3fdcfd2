"""The conformance kit: whether a stage keeps the promises that the engine relies on.

In an author's own tests, each check by its name::

    import pytest
    from nightmill.testing.conformance import stage_checks
    from my_plugin import MyGrade

    @pytest.mark.parametrize("check", stage_checks(MyGrade), ids=str)
    def test_my_grade(check):
        check()

or all in one, `check_stage(MyGrade)`. A source needs example recordings: `check_stage(MyReader, files=[path])`. A
writer of pictures has checks of its own: `writer_checks(MyWriter())`, `check_writer(MyWriter())`. From the command
line: `nightmill plugin test FILE.py`. What ships passes the same checks.
"""

from __future__ import annotations

from .kit import (
    Measured,
    Outcome,
    check_stage,
    check_writer,
    measure_stage,
    run_checks,
    stage_checks,
    writer_checks,
)
from .registry import CHECKS, Check
from .writers import measure_writer

__all__ = [
    "CHECKS",
    "Check",
    "Measured",
    "Outcome",
    "check_stage",
    "check_writer",
    "measure_stage",
    "measure_writer",
    "run_checks",
    "stage_checks",
    "writer_checks",
]
