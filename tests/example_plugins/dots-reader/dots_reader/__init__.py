"""A reader for a made-up format: a head of JSON in one line, then frames of 8-bit samples, rows from the bottom up."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import Capture
from nightmill.errors import CaptureError
from nightmill.hooks import implementation

nightmill_api = 1

LONGEST_HEAD = 4096


class DotsReader(stage.Source):
    """Read .dots recordings."""

    name = "dots-reader"
    version = "1"

    def accepts(self, path: Path) -> bool:
        """Go by the suffix."""
        return path.suffix.lower() == ".dots" and path.is_file()

    def open(self, path: Path) -> Capture:
        """Read the head; what it claims counts as far as the size of the file bears it out."""
        with path.open("rb") as stream:
            line = stream.readline(LONGEST_HEAD)
        try:
            head = json.loads(line)
            rows, columns, start, fps = (head[key] for key in ("rows", "columns", "start", "fps"))
            size = int(rows) * int(columns)
            frames = (path.stat().st_size - len(line)) // size
        except (ValueError, KeyError, TypeError, ZeroDivisionError):
            raise CaptureError(f"{path.name} does not begin with the head of a .dots recording") from None
        if size < 1 or frames < 1 or not fps > 0:
            raise CaptureError(f"{path.name} holds no whole frame")
        return Capture(
            str(path),
            "",
            self.name,
            frames,
            int(rows),
            int(columns),
            cfa=head.get("mosaic"),
            utc_start=float(start),
            frame_interval_s=1 / fps,
            details={"head": len(line)},
        )

    def read(self, capture: Capture, start: int, stop: int) -> NDArray[np.uint8]:
        """Read a range of frames."""
        size = capture.height * capture.width
        with Path(capture.path).open("rb") as stream:
            stream.seek(capture.details["head"] + start * size)
            data = np.frombuffer(stream.read((stop - start) * size), np.uint8)
        if len(data) != (stop - start) * size:
            raise CaptureError(f"{Path(capture.path).name} ends before frame {stop}")
        return data.reshape(-1, capture.height, capture.width)[:, ::-1]


def write_dots(path: Path, data: NDArray[np.uint8], *, start: float, fps: float, mosaic: str | None = None) -> None:
    """Write a recording, for tests."""
    head = {"rows": data.shape[1], "columns": data.shape[2], "start": start, "fps": fps, "mosaic": mosaic}
    path.write_bytes(json.dumps(head).encode() + b"\n" + data[:, ::-1].tobytes())


@implementation
def nightmill_stages() -> list[type[stage.Stage]]:
    """Hand the reader over."""
    return [DotsReader]
