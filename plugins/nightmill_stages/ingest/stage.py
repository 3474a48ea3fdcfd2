"""The source stage that stands first in every recipe and hands each file or folder to the reader that knows it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import Capture
from nightmill.errors import CaptureError

from .readers import READERS, NotMine, Options, Reader, Recording

__all__ = ["Ingest"]

KEPT_OPEN = 4
"""Recordings whose files stay open at a time in one instance."""

T = TypeVar("T")


class Ingest(stage.Source):
    """Read SER, AVI, MP4/MOV, FITS (cubes and folders), TIFF and PNG (folders and multi-page) recordings."""

    name = "ingest"

    class Parameters(stage.Parameters):
        """What a file says wrongly, or not at all, can be put right here."""

        bits: Annotated[int, stage.Field(ge=1, le=16)] | Literal["auto"] = stage.Field(
            "auto", description="Bits of a sample as the camera digitises it; by default from the header and the data."
        )
        byte_order: Literal["auto", "little", "big"] = stage.Field(
            "auto", description="Order of the two bytes of SER samples; by default from the data."
        )
        cfa: Literal["auto", "none", "RGGB", "GRBG", "GBRG", "BGGR"] = stage.Field(
            "auto", description="Colour filter array of single-plane frames; by default what the file says."
        )

    def __init__(self, parameters: stage.Parameters | None = None) -> None:
        super().__init__(parameters)
        self._recordings: dict[str, Recording] = {}

    def __getstate__(self) -> dict[str, Any]:
        """Open files stay behind when the stage travels to another process."""
        return {**self.__dict__, "_recordings": {}}

    def accepts(self, path: Path) -> bool:
        """Say whether some reader knows this kind of file or folder."""
        try:
            return any(reader.accepts(path) for reader in READERS)
        except OSError:
            return False

    def open(self, path: Path) -> Capture:
        """Describe the recording at `path`.

        Raises
        ------
        CaptureError
            The file cannot be opened, is damaged, or holds what nightmill cannot use; the sentence says which.
        """
        given = self.parameters
        options = Options(
            bits=None if given.bits == "auto" else given.bits,
            byte_order=None if given.byte_order == "auto" else given.byte_order,
            cfa=None if given.cfa == "auto" else given.cfa,
        )
        return _plainly(path, lambda: self._open(path, options))

    def _open(self, path: Path, options: Options) -> Capture:
        if not path.exists():
            raise CaptureError(f"{path.name} cannot be read: it is no longer there; was it moved or removed?")
        reasons: list[str] = []
        for reader in READERS:
            if not reader.accepts(path):
                continue
            try:
                capture = reader.open(path, options)
            except NotMine as reason:
                reasons.append(str(reason))
                continue
            details = {**capture.details, "reader": reader.name}
            return _with_cfa(capture.replace(source=self.name, details=details), options.cfa)
        what = " ".join(reasons) or "Its kind of file is not one that nightmill reads."
        raise CaptureError(f"{path.name} cannot be read. {what}")

    def read(self, capture: Capture, start: int, stop: int) -> NDArray[Any]:
        """Return frames `start` to `stop` (exclusive) in native byte order, right-aligned."""
        if not 0 <= start <= stop <= capture.frames:
            raise ValueError(f"frames {start} to {stop} asked of a recording of {capture.frames}")
        return _plainly(Path(capture.path), lambda: self._recording(capture).read(start, stop))

    def times(self, capture: Capture, start: int, stop: int) -> NDArray[np.float64]:
        """Return the POSIX seconds of the start of each frame: the file's own, else start plus interval."""
        times = _plainly(Path(capture.path), lambda: self._recording(capture).times(start, stop))
        return super().times(capture, start, stop) if times is None else times

    def files(self, capture: Capture) -> list[Path]:
        """Return the files of the recording, in the order of their frames."""
        return _plainly(Path(capture.path), lambda: _reader(capture).files(capture))

    def close(self) -> None:
        """Close all files."""
        while self._recordings:
            self._recordings.popitem()[1].close()

    def _recording(self, capture: Capture) -> Recording:
        recording = self._recordings.pop(capture.path, None)
        if recording is not None and recording.capture != capture:
            recording.close()
            recording = None
        if recording is None:
            recording = _reader(capture).recording(capture)
        self._recordings[capture.path] = recording  # the latest last: the first is the one to close
        while len(self._recordings) > KEPT_OPEN:
            self._recordings.pop(next(iter(self._recordings))).close()
        return recording


def _reader(capture: Capture) -> Reader:
    name = capture.details.get("reader")
    for reader in READERS:
        if reader.name == name:
            return reader
    raise CaptureError(f"{Path(capture.path).name} was described by a reader {name!r} that is not there any more.")


def _with_cfa(capture: Capture, cfa: str | None) -> Capture:
    """Let the recipe overrule what the file says of its colour filter array."""
    if cfa is None:
        return capture
    if capture.planes == 3:
        text = f"The recipe states the colour filter array {cfa}, but the frames carry three colours already."
        return capture.replace(cautions=(*capture.cautions, text))
    known = None if cfa == "none" else cfa
    colour = capture.filter in (None, "RGB")
    return capture.replace(cfa=known, filter=("RGB" if known else None) if colour else capture.filter)


def _plainly(path: Path, action: Callable[[], T]) -> T:
    """Turn the operating system's errors into a sentence; the cause stays attached."""
    try:
        return action()
    except OSError as error:
        why = error.strerror or str(error)
        raise CaptureError(
            f"{path.name} cannot be read: {why}. See that it is there and readable, and that its disk is connected."
        ) from error
