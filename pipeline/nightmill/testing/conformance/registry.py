"""The list of checks: each a named function with a sentence on what the engine relies on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

from ...hooks import Writer
from ...stage import Fold, FrameStage, PictureStage, Source, Stage, Survey

__all__ = ["CHECKS", "FRAMES", "Check", "NotApplicable", "check"]

S = TypeVar("S")
"""What a check is run on: a stage or a writer with what is known of it."""

FRAMES: tuple[type[Stage], ...] = (FrameStage, Survey, Fold, PictureStage)
"""The kinds that work on arrays."""


class NotApplicable(Exception):  # noqa: N818 - no error: the check has nothing to look at
    """A check has nothing to look at in this stage; the text says why."""


@dataclass(frozen=True)
class Check:
    """One check.

    Attributes
    ----------
    name : str
        Short, unique.
    promise : str
        What the engine relies on, one sentence.
    kinds : tuple of type
        Kinds of stage that it is for, or Writer.
    run : callable
        Raises AssertionError when the promise is broken, NotApplicable when there is nothing to check.
    """

    name: str
    promise: str
    kinds: tuple[type[Stage] | type[Writer], ...]
    run: Callable[[Any], None]


CHECKS: dict[str, Check] = {}
"""All checks by name, in the order in which they are run."""


def check(*kinds: type[Stage] | type[Writer]) -> Callable[[Callable[[S], None]], Callable[[S], None]]:
    """Enter a function into the list; its name is the check's, its docstring the promise."""

    def enter(function: Callable[[S], None]) -> Callable[[S], None]:
        name = function.__name__.replace("_", "-")
        promise = " ".join((function.__doc__ or "").split())
        CHECKS[name] = Check(name, promise, kinds or (Source, *FRAMES), function)
        return function

    return enter
