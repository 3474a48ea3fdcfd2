"""One recording: where it lies and what is known about it before a frame is decoded."""

from __future__ import annotations

import dataclasses
import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ..files import json_bytes

__all__ = ["Capture"]


@dataclass(frozen=True)
class Capture:
    """One recording, described by its source stage; the frames stay in the original file.

    Attributes
    ----------
    path : str
        Absolute path of the file or folder as this machine sees it.
    file : str
        The same relative to the night's folder, with forward slashes.
    source : str
        Name of the source stage that opened it and can read it.
    frames : int
        Number of whole frames that can be read, at least 1.
    height, width : int
        Size of a frame, in pixels.
    planes : int
        1 (monochrome, or raw behind a colour filter array) or 3 (R, G, B).
    dtype : str
        NumPy dtype of frames as read: "uint8", "uint16" or "float32"; always native byte order, values as
        right-aligned integers in ADU.
    full_scale : float
        The value at which a sample saturates, in ADU (255, 4095, 65535 ...; 1.0 for float frames).
    cfa : str or None
        Colour filter array, the four letters of the top left 2x2 block row by row ("RGGB"), or None.
    role : str
        "light", or the name of an aid ("dark", "flat").
    target, filter : str or None
        Lower-case target; filter as the night writes it. A colour capture has the filter "RGB".
    utc_start : float or None
        POSIX seconds of the start of the first frame.
    frame_interval_s, exposure_s : float or None
        Seconds from frame to frame; exposure of one frame.
    gain : float or None
        As the camera states it, in its own unit; only compared for equality.
    camera : str or None
        Free text from the header.
    frames_missing : int
        How many frames the header claims beyond those that are whole.
    cautions : tuple of str
        What a person should know about this file, one plain sentence each.
    details : dict
        What the source stage needs for reading (JSON values only).
    """

    path: str
    file: str
    source: str
    frames: int
    height: int
    width: int
    planes: int = 1
    dtype: str = "uint8"
    full_scale: float = 255.0
    cfa: str | None = None
    role: str = "light"
    target: str | None = None
    filter: str | None = None
    utc_start: float | None = None
    frame_interval_s: float | None = None
    exposure_s: float | None = None
    gain: float | None = None
    camera: str | None = None
    frames_missing: int = 0
    cautions: tuple[str, ...] = ()
    details: dict[str, Any] = field(default_factory=dict)

    @property
    def colour(self) -> bool:
        """Whether one frame carries R, G and B, by planes or by a colour filter array."""
        return self.planes == 3 or self.cfa is not None

    @property
    def duration_s(self) -> float | None:
        """Seconds from the start of the first frame to the end of the last, or None when not known."""
        if self.frame_interval_s is None:
            return None
        return self.frames * self.frame_interval_s

    @property
    def utc_mid(self) -> float | None:
        """POSIX seconds of the middle of the recording, or of its start when the rate is not known."""
        if self.utc_start is None:
            return None
        return self.utc_start + 0.5 * (self.duration_s or 0.0)

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame as read."""
        import numpy as np

        return self.height * self.width * self.planes * np.dtype(self.dtype).itemsize

    def replace(self, **changes: Any) -> Capture:
        """Return a copy with some attributes changed."""
        return dataclasses.replace(self, **changes)

    def to_json(self) -> dict[str, Any]:
        """Return the capture as JSON values."""
        return {**dataclasses.asdict(self), "cautions": list(self.cautions)}

    @classmethod
    def from_json(cls, values: dict[str, Any]) -> Capture:
        """Rebuild a capture from `to_json`."""
        return cls(**{**values, "cautions": tuple(values.get("cautions", ()))})

    def save(self, folder: Path) -> None:
        """Write `capture.json` into `folder`."""
        text = json.dumps(self.to_json(), indent=1, sort_keys=True)
        (folder / "capture.json").write_bytes(json_bytes(text))

    @classmethod
    def load(cls, folder: Path) -> Capture:
        """Read `capture.json` from `folder`."""
        return cls.from_json(json.loads((folder / "capture.json").read_text(encoding="utf-8")))
