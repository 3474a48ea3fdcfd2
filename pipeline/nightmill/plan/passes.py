"""Which survey stages share a pass over the file."""

from __future__ import annotations

from collections.abc import Sequence

from ..recipe import Call
from ..stage import Survey

__all__ = ["cut_passes"]


def cut_passes(calls: Sequence[Call]) -> list[list[Call]]:
    """Group survey stages in recipe order; a stage that needs columns of the pass at hand begins a new one.

    Stages that measure all frames and stages that measure only the kept ones do not share a pass either.
    """
    passes: list[list[Call]] = []
    given: set[str] = set()
    for call in calls:
        stage = call.stage
        assert issubclass(stage, Survey)
        alike = bool(passes) and getattr(passes[-1][0].stage, "rows", "all") == stage.rows
        if alike and not given & set(stage.needs):
            passes[-1].append(call)
        else:
            passes.append([call])
            given = set()
        given |= set(stage.gives)
    return passes
