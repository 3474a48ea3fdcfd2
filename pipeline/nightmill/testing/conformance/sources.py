"""Checks of sources: they need example recordings."""

from __future__ import annotations

import hashlib
import pickle
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from ...artefacts import Capture
from ...errors import CaptureError
from ...stage import Source
from .registry import NotApplicable, check
from .subject import Subject

__all__: list[str] = []

READ = 64
"""Frames of an example that are read at most."""


@check(Source)
def accepts_at_a_glance(subject: Subject) -> None:
    """`accepts` answers yes or no for anything, also for what does not exist, is empty or is a folder."""
    source = _source(subject)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "empty").write_bytes(b"")
        (folder / "text.txt").write_text("no recording", encoding="utf-8")
        for path in (folder, folder / "empty", folder / "text.txt", folder / "missing", *subject.files):
            answer = source.accepts(path)
            assert isinstance(answer, bool), f"accepts({path.name!r}) gave {answer!r}"
    for path in subject.files:
        assert source.accepts(path), f"its own example {path.name} is not accepted"


@check(Source)
def nonsense_is_refused(subject: Subject) -> None:
    """`open` refuses what is no recording by CaptureError with a sentence, whatever its suffix promises."""
    suffixes = {path.suffix for path in _examples(subject) if path.is_file()}
    if not suffixes:
        raise NotApplicable("the examples are folders")
    rng = np.random.default_rng(3)
    with tempfile.TemporaryDirectory() as name:
        for suffix in suffixes:
            for size in (0, 1, 300):
                path = Path(name) / f"nonsense{size}{suffix}"
                path.write_bytes(rng.integers(0, 256, size, dtype=np.uint8).tobytes())
                _refuses(subject, path)


@check(Source)
def cut_short(subject: Subject) -> None:
    """A recording that ends early is refused in a sentence, or opened with the frames that are whole."""
    for example in _examples(subject):
        if not example.is_file():
            continue
        with tempfile.TemporaryDirectory() as name:
            path = Path(name) / example.name
            content = example.read_bytes()
            for share in (0.03, 0.5, 0.97):
                path.write_bytes(content[: int(share * len(content))])
                with _opened(subject, path, refusal=True) as (source, capture):
                    if capture is not None:
                        last = capture.frames - 1
                        source.read(capture, last, last + 1)


@check(Source)
def frames_as_described(subject: Subject) -> None:
    """Frames have the size and the type that `open` described, and values up to the stated full scale."""
    for path in _examples(subject):
        with _opened(subject, path) as (source, capture):
            assert capture is not None
            assert capture.frames >= 1 and capture.height >= 1 and capture.width >= 1, "it has no whole frame"
            count = min(READ, capture.frames)
            data = np.asarray(source.read(capture, 0, count))
            shape = (count, capture.height, capture.width) + ((3,) if capture.planes == 3 else ())
            assert data.shape == shape, f"read gave {data.shape} for {shape}"
            assert str(data.dtype) == capture.dtype, f"read gave {data.dtype}, open said {capture.dtype}"
            assert data.dtype in (np.uint8, np.uint16, np.float32), f"{data.dtype} is no type of frames"
            assert float(data.max()) <= capture.full_scale, f"a value of {data.max()} is above full scale"


@check(Source)
def any_range(subject: Subject) -> None:
    """Frames read one by one, from the end, or in pieces have the bits that they have read at once."""
    for path in _examples(subject):
        with _opened(subject, path) as (source, capture):
            assert capture is not None
            count = min(READ, capture.frames)
            whole = np.array(source.read(capture, 0, count))
            for start, stop in [*((n, n + 1) for n in range(count)[::-1]), (0, count // 2), (count // 2, count)]:
                if stop > start:
                    part = np.asarray(source.read(capture, start, stop))
                    assert np.array_equal(part, whole[start:stop]), f"frames {start} to {stop} have other bits"


@check(Source)
def times_of_frames(subject: Subject) -> None:
    """`times` gives one float64 a frame, the same in pieces, never falling; NaN where not known."""
    for path in _examples(subject):
        with _opened(subject, path) as (source, capture):
            assert capture is not None
            whole = np.asarray(source.times(capture, 0, capture.frames))
            assert whole.shape == (capture.frames,), f"times gave shape {whole.shape} for {capture.frames} frames"
            assert whole.dtype == np.float64, f"times gave {whole.dtype}"
            half = capture.frames // 2
            pieces = [source.times(capture, 0, half), source.times(capture, half, capture.frames)]
            assert np.array_equal(np.concatenate(pieces), whole, equal_nan=True), "pieces give other times"
            assert not np.any(np.diff(whole[np.isfinite(whole)]) < 0), "times fall"


@check(Source)
def original_unchanged(subject: Subject) -> None:
    """The recording has the same bytes, size and time of change after it was read."""
    for path in _examples(subject):
        with _opened(subject, path) as (source, capture):
            assert capture is not None
            files = source.files(capture)
            assert files and all(file.is_file() for file in files), f"files gave {files!r}"
            before = [(_sum(file), file.stat().st_mtime_ns) for file in files]
            source.read(capture, 0, min(READ, capture.frames))
        assert [(_sum(file), file.stat().st_mtime_ns) for file in files] == before, f"{path.name} was changed"


@check(Source)
def reads_elsewhere(subject: Subject) -> None:
    """A capture that went through JSON, and a source that went to another process, read the same frames.

    The recording may have moved meanwhile: only the path in the capture says where it lies.
    """
    for path in _examples(subject):
        with tempfile.TemporaryDirectory() as name:
            moved = Path(name) / path.name
            (shutil.copytree if path.is_dir() else shutil.copy2)(path, moved)
            with _opened(subject, path) as (source, capture):
                assert capture is not None
                whole = np.array(source.read(capture, 0, min(READ, capture.frames)))
                other = pickle.loads(pickle.dumps(source))
                again = Capture.from_json({**capture.to_json(), "path": str(moved)})
                try:
                    found = np.asarray(other.read(again, 0, len(whole)))
                    assert np.array_equal(found, whole), "other bits elsewhere"
                finally:
                    other.close()


def _source(subject: Subject) -> Source:
    source = subject.make()
    assert isinstance(source, Source)
    return source


def _examples(subject: Subject) -> tuple[Path, ...]:
    if not subject.files:
        raise NotApplicable("no example recording was given")
    return subject.files


@contextmanager
def _opened(subject: Subject, path: Path, *, refusal: bool = False) -> Iterator[tuple[Source, Capture | None]]:
    source = _source(subject)
    try:
        try:
            capture: Capture | None = source.open(path).replace(source=source.name)
        except CaptureError as error:
            assert refusal, f"its example {path.name} is refused: {error}"
            assert str(error).strip(), "CaptureError without a sentence"
            capture = None
        yield source, capture
    finally:
        source.close()


def _refuses(subject: Subject, path: Path) -> None:
    with _opened(subject, path, refusal=True) as (_, capture):
        assert capture is None, f"{path.name} was taken for a recording of {capture.frames if capture else 0} frames"


def _sum(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
