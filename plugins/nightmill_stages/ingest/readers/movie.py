"""Compressed movies through OpenCV's bundled decoders: MP4, MOV, M4V, MKV, and AVI that is not raw.

Frames are always reached by decoding forward from the start: jumping lands on other frames in some files, and the same
frame number must give the same pixels in every pass. Going back therefore means decoding again.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import Capture
from nightmill.errors import CaptureError

from .base import Options, Reader, Recording, check_size, read_exactly

__all__ = ["MovieReader"]

SUFFIXES = {".mp4", ".mov", ".m4v", ".mkv", ".avi"}
BOXES = {b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot", b"uuid"}
LOSSLESS = {"FFV1", "HFYU", "FFVH", "MPNG", "PNG ", "I420", "IYUV", "ULRG", "ULY0", "RAW "}
BGR24 = int.from_bytes(b"BGR\x18", "little")
LOOKED_AT = 4
"""Frames decoded on opening, to tell grey from colour."""


class MovieReader(Reader):
    """Movies in any coding that OpenCV's FFmpeg decodes."""

    name = "movie"

    def accepts(self, path: Path) -> bool:
        """Look at the extension."""
        return path.suffix.lower() in SUFFIXES and path.is_file()

    def open(self, path: Path, options: Options) -> Capture:
        """Decode the first frames, and settle how many there are."""
        import cv2

        whole = _check_container(path)
        video = _video(path)
        try:
            claimed = _count(video.get(cv2.CAP_PROP_FRAME_COUNT))
            rate = float(video.get(cv2.CAP_PROP_FPS))
            check_size(path.name, int(video.get(cv2.CAP_PROP_FRAME_HEIGHT)), int(video.get(cv2.CAP_PROP_FRAME_WIDTH)))
            code = int(video.get(cv2.CAP_PROP_FOURCC)) & 0xFFFFFFFF
            first: list[NDArray[np.uint8]] = []
            while len(first) < LOOKED_AT and (frame := _decoded(video)) is not None:
                first.append(frame)
            if not first:
                raise CaptureError(
                    f"{path.name} holds no frame that can be decoded. It was broken off or damaged; copy it again or "
                    "leave it out."
                )
            frames = claimed if whole and claimed > len(first) and _reaches(video, claimed - 1) else _counted(path)
        finally:
            video.release()
        height, width = first[0].shape[:2]
        grey = all((frame == frame[..., :1]).all() for frame in first)
        codec = code.to_bytes(4, "little").decode("latin-1").upper()
        cautions = []
        if codec not in LOSSLESS and code:
            shown = "".join(c if c.isalnum() else "?" for c in codec)
            cautions.append(f"Its frames are compressed with loss ({shown}): the finest detail is gone.")
        return Capture(
            path=str(path),
            file="",
            source="ingest",
            frames=frames,
            height=height,
            width=width,
            planes=1 if grey else 3,
            full_scale=float(2 ** min(options.bits or 8, 8) - 1),
            filter=None if grey else "RGB",
            frame_interval_s=1 / rate if 1 / 3600 <= rate <= 1e5 else None,
            frames_missing=max(0, claimed - frames) if claimed < 2**31 else 0,
            cautions=tuple(cautions),
        )

    def recording(self, capture: Capture) -> Recording:
        """Open the file."""
        return _MovieRecording(capture)


class _MovieRecording(Recording):
    def __init__(self, capture: Capture) -> None:
        super().__init__(capture)
        self._video = _video(self.path)
        self._next = 0

    def read(self, start: int, stop: int) -> NDArray[Any]:
        capture = self.capture
        shape = (capture.height, capture.width) + ((3,) if capture.planes == 3 else ())
        out = np.empty((stop - start, *shape), np.uint8)
        if stop == start:
            return out
        if start < self._next:
            self._video.release()
            self._video = _video(self.path)
            self._next = 0
        while self._next < start:
            if not self._video.grab():
                raise self._ended()
            self._next += 1
        for number in range(start, stop):
            frame = _decoded(self._video)
            if frame is None:
                raise self._ended()
            self._next = number + 1
            if frame.shape[:2] != shape[:2]:
                raise CaptureError(
                    f"{self.path.name} changes its frame size from {shape[1]} x {shape[0]} to {frame.shape[1]} x "
                    f"{frame.shape[0]} pixels at frame {number}. Cut it there into two files."
                )
            # The decoder hands out blue, green, red; of equal planes any will do.
            out[number - start] = frame[..., 1] if capture.planes == 1 else frame[..., ::-1]
        return out

    def _ended(self) -> CaptureError:
        return CaptureError(
            f"{self.path.name} can be decoded up to frame {self._next} of {self.capture.frames} only. It is damaged "
            "there; copy it again, or cut off what follows."
        )

    def close(self) -> None:
        self._video.release()


def _video(path: Path) -> Any:
    """Open with the FFmpeg backend, one thread, and quietly: what goes wrong is said in our own words."""
    os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")
    import cv2

    logs = cv2.utils.logging
    level = logs.setLogLevel(logs.LOG_LEVEL_SILENT)
    try:
        video = cv2.VideoCapture()
        video.setExceptionMode(False)
        # An absolute path, so that no name can be taken for an address or a numbered sequence.
        opened = video.open(str(path.absolute()), cv2.CAP_FFMPEG, [cv2.CAP_PROP_N_THREADS, 1])
    finally:
        logs.setLogLevel(level)
    if not opened:
        raise CaptureError(
            f"{path.name} cannot be opened as a movie: its index is missing (the recording was broken off), it is "
            "damaged, or its coding is not known. Convert it to SER or raw AVI, or leave it out."
        )
    if video.get(cv2.CAP_PROP_CODEC_PIXEL_FORMAT) == BGR24 and not video.get(cv2.CAP_PROP_FOURCC):
        # OpenCV 5.0 writes outside its memory when plain BGR24 stands bottom up. Our own reader takes such AVI files.
        video.release()
        raise CaptureError(
            f"{path.name} holds plain BGR pixels in a wrapping that nightmill cannot read. Save it as AVI."
        )
    return video


def _decoded(video: Any) -> NDArray[np.uint8] | None:
    """Decode the next frame, shape (h, w, 3) in blue, green, red; None at the end."""
    ok, frame = video.read()
    if not ok or frame is None:
        return None
    return np.repeat(frame.reshape(*frame.shape[:2], 1), 3, axis=2) if frame.ndim == 2 else frame


def _count(value: float) -> int:
    return int(value) if 0 < value < 2**31 else 0


def _reaches(video: Any, number: int) -> bool:
    """Say whether the last frame that is claimed can be decoded."""
    import cv2

    return bool(video.set(cv2.CAP_PROP_POS_FRAMES, number)) and bool(video.grab())


def _counted(path: Path) -> int:
    """Count the frames by decoding them all: slow, and only for files that are cut or claim nothing."""
    video = _video(path)
    try:
        frames = 0
        while video.grab():
            frames += 1
    finally:
        video.release()
    return frames


def _check_container(path: Path) -> bool:
    """Refuse what is no movie (play lists that name other files, for one); say whether all parts are whole.

    FFmpeg looks at content, not at names: without this check a text file called .mp4 could make it open others.
    """
    with path.open("rb", buffering=0) as file:
        size = file.seek(0, 2)
        head = read_exactly(file, 0, 12)
        if head[:4] == b"RIFF" and head[8:] == b"AVI ":
            pos, order, first = 0, "little", 4
        elif head[4:8] in BOXES:
            pos, order, first = 0, "big", 0
        elif head[:4] == b"\x1a\x45\xdf\xa3":
            return False  # Matroska states a duration, not a count
        else:
            raise CaptureError(f"{path.name} does not begin like a movie. It was renamed or damaged; copy it again.")
        for _ in range(10_000):
            part = read_exactly(file, pos, 16)
            if len(part) < 8:
                return pos == size
            length = int.from_bytes(part[first : first + 4], order)  # type: ignore[arg-type]
            if order == "little":
                length += 8 + length % 2
            elif length == 1:
                length = int.from_bytes(part[8:16], "big")
            elif length == 0:
                return True
            if length < 8 or pos + length > size:
                return False
            pos += length
    return False
