"""Simple stages as decorated functions: `@stage.survey(gives=...)`, `@stage.frame`, `@stage.picture`.

Keyword-only arguments of the function become the parameters, with annotation and default::

    @stage.survey(gives={"contrast": "standard deviation over mean, 0 to 1"})
    def contrast(data, *, power: float = 1.0):
        "Grade frames by plain contrast."
        return (data.std(axis=(1, 2)) / data.mean(axis=(1, 2))) ** power
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from typing import Any, TypeVar, get_type_hints, overload

import numpy as np
from numpy.typing import NDArray
from pydantic import create_model

from ..artefacts import Frames, FrameTable, Picture
from .context import Context
from .kinds import FrameStage, PictureStage, Rows, Stage, Survey
from .parameters import Parameters

__all__ = ["frame", "picture", "survey"]

S = TypeVar("S", bound=Stage)
Function = Callable[..., Any]


def survey(
    *bare: Function,
    gives: Mapping[str, str] | None = None,
    name: str | None = None,
    version: str = "1",
    rows: Rows = "all",
) -> Callable[[Function], type[Survey]]:
    """Make a survey stage of a function on frames.

    The function gets float32 frames of shape (n, h, w) or (n, h, w, 3) and returns one value a frame, shape (n,), or a
    dict of such by column name when `gives` names several.

    Parameters
    ----------
    gives : mapping of str to str
        Columns it adds, each with what it is, unit and range; must be given.
    name, version, rows
        As in `Survey`; the name is the function's by default, with "-" for "_".
    """
    if bare or not gives:
        raise TypeError("say what it measures: @stage.survey(gives={'contrast': 'what that is, its unit and range'})")
    columns = dict(gives)

    def make(function: Function) -> type[Survey]:
        class FunctionSurvey(Survey):
            def measure(self, frames: Frames, rows: FrameTable, context: Context) -> Mapping[str, NDArray[Any]]:
                values = function(frames.data.astype(np.float32, copy=False), **_arguments(self))
                return values if isinstance(values, Mapping) else {next(iter(columns)): np.asarray(values)}

        FunctionSurvey.gives = columns
        FunctionSurvey.rows = rows
        return _dress(FunctionSurvey, function, name, version)

    return make


@overload
def frame(function: Function, /) -> type[FrameStage]: ...
@overload
def frame(*, name: str | None = None, version: str = "1") -> Callable[[Function], type[FrameStage]]: ...
def frame(
    function: Function | None = None, /, *, name: str | None = None, version: str = "1"
) -> type[FrameStage] | Callable[[Function], type[FrameStage]]:
    """Make a frame stage of a function from float32 frames (n, h, w[, 3]) to frames of the same shape."""

    def make(function: Function) -> type[FrameStage]:
        class FunctionFrame(FrameStage):
            def apply(self, frames: Frames, context: Context) -> Frames:
                return frames.replace(data=function(frames.data.astype(np.float32, copy=False), **_arguments(self)))

        return _dress(FunctionFrame, function, name, version)

    return make if function is None else make(function)


@overload
def picture(function: Function, /) -> type[PictureStage]: ...
@overload
def picture(*, name: str | None = None, version: str = "1") -> Callable[[Function], type[PictureStage]]: ...
def picture(
    function: Function | None = None, /, *, name: str | None = None, version: str = "1"
) -> type[PictureStage] | Callable[[Function], type[PictureStage]]:
    """Make a picture stage of a function from a linear float32 picture (h, w) or (3, h, w) to another."""

    def make(function: Function) -> type[PictureStage]:
        class FunctionPicture(PictureStage):
            def develop(self, pictures: list[Picture], context: Context) -> list[Picture]:
                # The layers no longer belong to the changed data, so they are dropped rather than left wrong.
                return [
                    one.replace(
                        data=np.asarray(function(one.data, **_arguments(self)), np.float32),
                        noise=None,
                        half_a=None,
                        half_b=None,
                        labelled=None,
                    )
                    for one in pictures
                ]

        return _dress(FunctionPicture, function, name, version)

    return make if function is None else make(function)


def _arguments(stage: Stage) -> dict[str, Any]:
    return {name: getattr(stage.parameters, name) for name in type(stage.parameters).model_fields}


def _dress(cls: type[S], function: Function, name: str | None, version: str) -> type[S]:
    """Give the class the function's identity, so that it pickles, documents and validates as if written out."""
    hints = get_type_hints(function, include_extras=True)
    fields: dict[str, Any] = {}
    for argument in inspect.signature(function).parameters.values():
        if argument.kind is inspect.Parameter.KEYWORD_ONLY:
            default = ... if argument.default is inspect.Parameter.empty else argument.default
            fields[argument.name] = (hints.get(argument.name, Any), default)
    cls.Parameters = create_model("Parameters", __base__=Parameters, __module__=function.__module__, **fields)
    # Where pickle finds it again: under the name of the function, which is now the class.
    cls.Parameters.__qualname__ = f"{function.__qualname__}.Parameters"
    cls.name = name or function.__name__.replace("_", "-")
    cls.version = version
    cls.__name__, cls.__qualname__ = function.__name__, function.__qualname__
    cls.__module__ = function.__module__
    cls.__doc__ = function.__doc__
    return cls
