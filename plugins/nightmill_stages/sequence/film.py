"""What a sequence is besides its frames: pace, formats and the words for the record."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from nightmill import stage

__all__ = ["FilmParameters", "film_header", "frame_seconds"]

_WHOLE_S = 6.0
_HOLD_S = 1.0


class FilmParameters(stage.Parameters):
    """Parameters of every stage that makes a sequence."""

    formats: tuple[Literal["png", "gif", "mp4"], ...] = stage.Field(
        ("png", "mp4"), description="What is written: png (animated, every colour kept), mp4 (H.264), gif."
    )
    rate: Annotated[float, stage.Field(gt=0, le=50)] | Literal["auto"] = stage.Field(
        "auto", description="Frames a second; auto shows the whole in about six seconds."
    )


def frame_seconds(count: int, rate: float | None, *, hold: bool) -> list[float]:
    """How long each frame is shown, seconds.

    Parameters
    ----------
    count : int
        Frames.
    rate : float or None
        Frames a second; None for a pace at which the whole takes about six seconds, 2 to 12 frames a second.
    hold : bool
        Show the last frame longer, so that the eye sees where it begins again.
    """
    pace = float(min(max(count / _WHOLE_S, 2.0), 12.0)) if rate is None else rate
    # Whole milliseconds: what all formats can keep.
    each = round(1000.0 / pace) / 1000.0
    seconds = [each] * count
    if hold:
        seconds[-1] = max(each, round(_HOLD_S / each) * each)
    return [round(one, 3) for one in seconds]


def film_header(seconds: list[float], formats: tuple[str, ...], times_s: list[float]) -> dict[str, Any]:
    """What the writers and the summary need to know of a sequence."""
    return {"film": {"seconds": seconds, "formats": list(formats), "utc": [round(t, 3) for t in times_s]}}
