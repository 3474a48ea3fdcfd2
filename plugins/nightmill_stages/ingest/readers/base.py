"""What a reader of a file format must offer, and what all of them share: bounded reads and plain errors.

Knows no format. Sizes are Python integers throughout, so that no claim of a header can overflow, and each is held
against the real size of the file before anything is allocated.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, ClassVar

import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import Capture
from nightmill.errors import CaptureError

__all__ = ["MAX_PIXELS", "NotMine", "Options", "Reader", "Recording", "check_size", "read_exactly", "read_into"]

MAX_PIXELS = 256 * 2**20
"""Largest frame that is believed, in pixels; no camera for video comes near."""


class NotMine(Exception):  # noqa: N818 (a signal, not an error)
    """A reader looked and declines; the message, a plain sentence, is shown when no other reader takes the file."""


@dataclass(frozen=True)
class Options:
    """What the recipe states about files; None where they are to speak for themselves.

    Attributes
    ----------
    bits : int or None
        Bits of a sample as digitised, 1 to 16.
    byte_order : {"little", "big"} or None
        Order of bytes in 16-bit SER samples.
    cfa : str or None
        Colour filter array, or "none".
    """

    bits: int | None = None
    byte_order: str | None = None
    cfa: str | None = None


class Recording(ABC):
    """An open recording: made from a Capture alone, in any process.

    Parameters
    ----------
    capture : Capture
        What `Reader.open` returned, perhaps with names and roles added since.
    """

    def __init__(self, capture: Capture) -> None:
        self.capture = capture
        self.path = Path(capture.path)

    @abstractmethod
    def read(self, start: int, stop: int) -> NDArray[Any]:
        """Return frames (n, h, w) or (n, h, w, 3) of `capture.dtype`."""

    def times(self, start: int, stop: int) -> NDArray[np.float64] | None:
        """Return the POSIX seconds of each frame's start when the file itself holds them, else None."""
        return None

    @abstractmethod
    def close(self) -> None:
        """Close the file."""


class Reader(ABC):
    """Knows one family of file formats; without state."""

    name: ClassVar[str]

    @abstractmethod
    def accepts(self, path: Path) -> bool:
        """Say, at a glance, whether `path` looks like one of ours. OSError may pass."""

    @abstractmethod
    def open(self, path: Path, options: Options) -> Capture:
        """Describe the recording; raise CaptureError, or NotMine to let another reader try. OSError may pass."""

    @abstractmethod
    def recording(self, capture: Capture) -> Recording:
        """Open the recording for reading."""

    def files(self, capture: Capture) -> list[Path]:
        """Return the files of the recording."""
        return [Path(capture.path)]


def check_size(name: str, height: int, width: int) -> None:
    """Refuse sizes of frames that no camera makes.

    Raises
    ------
    CaptureError
        A side is not positive, or the frame is larger than `MAX_PIXELS`.
    """
    if width <= 0 or height <= 0 or width * height > MAX_PIXELS:
        raise CaptureError(
            f"{name} has a damaged header: it states frames of {width} x {height} pixels. Copy the file again from "
            "the camera's computer, or leave it out."
        )


def read_exactly(file: BinaryIO, offset: int, count: int) -> bytes:
    """Read up to `count` bytes at `offset`; fewer at the end of the file. For headers: `count` is small."""
    file.seek(offset)
    parts: list[bytes] = []
    while count > 0 and (part := file.read(count)):
        parts.append(part)
        count -= len(part)
    return b"".join(parts)


def read_into(file: BinaryIO, offset: int, array: NDArray[Any], name: str) -> None:
    """Fill a contiguous array with the bytes at `offset`, in one system call where the system allows.

    Raises
    ------
    CaptureError
        The file ends first: it was cut since it was described.
    """
    file.seek(offset)
    view = memoryview(array.reshape(-1).view(np.uint8).data)
    done = 0
    while done < len(view):
        count = file.readinto(view[done:])  # type: ignore[attr-defined]
        if not count:
            raise CaptureError(
                f"{name} has become shorter since it was opened ({len(view) - done} bytes are missing). Was it still "
                "being written or copied? Run again when it is complete."
            )
        done += count
