"""Frames of one capture, read in fixed chunks and passed through the recipe's frame stages."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..artefacts import Capture, Frames
from ..errors import CaptureError
from ..plan.ranges import chunk_frames
from ..stage import Context, FrameStage, Source
from .calling import calling

__all__ = ["Feed"]


class Feed:
    """Reads frames of one capture.

    Parameters
    ----------
    capture : Capture
        With a path that holds on this machine.
    source : Source
        The stage that reads it.
    stages : sequence of (FrameStage, Context)
        Applied in order; already prepared.
    """

    def __init__(self, capture: Capture, source: Source, stages: Sequence[tuple[FrameStage, Context]]) -> None:
        self.capture, self.source, self.stages = capture, source, stages
        self.chunk = chunk_frames(capture)

    def chunks(self, start: int, stop: int, mask: NDArray[np.bool_] | None = None) -> Iterator[Frames]:
        """Iterate over the frames of a range, a chunk at a time; with a mask over all frames, only those.

        Chunk borders lie at multiples of the capture's chunk size, whatever the range.
        """
        for first in range(start - start % self.chunk, stop, self.chunk):
            numbers = np.arange(max(first, start), min(first + self.chunk, stop), dtype=np.int64)
            if mask is not None:
                numbers = numbers[mask[numbers]]
            if len(numbers):
                yield self.read(numbers)

    def read(self, numbers: NDArray[np.int64]) -> Frames:
        """Read some frames by number, increasing, through the frame stages."""
        parts, times = [], []
        for first, last in _runs(numbers):
            with calling(self.source.name, "read"):
                parts.append(self.source.read(self.capture, first, last))
                times.append(self.source.times(self.capture, first, last))
        data = parts[0] if len(parts) == 1 else np.concatenate(parts)
        frames = Frames(data, numbers, np.concatenate(times), self.capture.full_scale, self.capture.cfa)
        self._check(frames)
        for stage, context in self.stages:
            with calling(stage.name, "apply"):
                frames = _kept(stage.apply(frames, context), frames)
        return frames

    def times(self) -> NDArray[np.float64]:
        """Return the time of every frame."""
        with calling(self.source.name, "times"):
            return np.asarray(self.source.times(self.capture, 0, self.capture.frames), np.float64)

    def _check(self, frames: Frames) -> None:
        size = (self.capture.height, self.capture.width)
        expected = (len(frames), *size, 3) if self.capture.planes == 3 else (len(frames), *size)
        if frames.data.shape != expected:
            found = "x".join(map(str, frames.data.shape))
            wanted = "x".join(map(str, expected))
            raise CaptureError(f"the reader gave an array of {found} for frames of {wanted}; the file may be damaged")


def _kept(made: object, given: Frames) -> Frames:
    """Return what a frame stage made of some frames when it is such; the stages that follow would be blamed for it.

    Raises
    ------
    TypeError, ValueError
        No frames; frames of another number or size; no number left in a frame that had some.
    """
    if not isinstance(made, Frames) or not isinstance(made.data, np.ndarray):
        what = made.data if isinstance(made, Frames) else made
        raise TypeError(f"it returned {type(what).__name__} instead of frames")
    if made.data.ndim not in (3, 4) or made.data.shape[:3] != given.data.shape[:3]:
        found, wanted = ("x".join(map(str, one.data.shape)) for one in (made, given))
        raise ValueError(f"it returned an array of {found} for frames of {wanted}")
    # A few samples tell whether there is anything to look at.
    gaps = made.data.dtype.kind == "f" and np.isnan(made.data[0, ::16, ::16]).all()
    if gaps and np.isnan(made.data[0]).all() and not np.isnan(given.data[0]).all():
        raise ValueError(f"it left nothing but gaps (NaN) of frame {int(given.numbers[0])}")
    return made


def _runs(numbers: NDArray[Any]) -> Iterator[tuple[int, int]]:
    """Cut increasing numbers into runs of consecutive ones."""
    breaks = np.flatnonzero(np.diff(numbers) != 1) + 1
    for run in np.split(numbers, breaks):
        yield int(run[0]), int(run[-1]) + 1
