"""What a stage is: all that a stage author needs, as `from nightmill import stage`.

A stage is a class of one of five kinds (Source, FrameStage, Survey, Fold, PictureStage) with typed parameters and a few
methods on NumPy arrays, or, for the simple ones, a decorated function. It knows no files but its own format's, no
scheduler, no clock.
"""

from pydantic import Field

from .context import Context, Each, Note, in_turn
from .decorators import frame, picture, survey
from .kinds import Fold, FrameStage, PictureStage, Rows, Source, Stage, State, Survey
from .parameters import Parameters, Unit

API = 1
"""Version of this interface; a plugin may state `nightmill_api = 1` and is refused when it differs."""

__all__ = [
    "API",
    "Context",
    "Each",
    "Field",
    "Fold",
    "FrameStage",
    "Note",
    "Parameters",
    "PictureStage",
    "Rows",
    "Source",
    "Stage",
    "State",
    "Survey",
    "Unit",
    "frame",
    "in_turn",
    "picture",
    "survey",
]
