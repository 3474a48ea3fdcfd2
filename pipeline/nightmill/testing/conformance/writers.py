"""Checks of writers of picture files."""

from __future__ import annotations

import contextlib
import io
import json
import tempfile
import time
import warnings
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from ...artefacts import Picture
from ...errors import NightmillError, UsageError
from ...foreign import attempt
from ...hooks import Writer
from ...plugins.blame import render
from ...plugins.vetting import writer_faults
from .bench import Form, make_bench
from .registry import NotApplicable, check

__all__ = ["WriterSubject", "measure_writer"]

FILM = 5
"""Frames of a picture for writers of sequences."""


@dataclass(frozen=True)
class WriterSubject:
    """A writer under test."""

    writer: Writer

    def picture(self, form: Form = "mono8") -> Picture:
        """Make a picture with a label and a record, and with frames for a writer of sequences."""
        made = make_bench(form).picture()
        planes = made.data if made.data.ndim == 3 else np.repeat(made.data[None], 3, axis=0)
        shown = np.clip(np.moveaxis(planes, 0, -1) * 255, 0, 255).astype(np.uint8)
        extra: dict[str, Any] = {"labelled": np.ascontiguousarray(shown)}
        if getattr(self.writer, "moving", False):
            extra["frames"] = np.stack([np.roll(shown, n, axis=1) for n in range(FILM)])
        return made.replace(record={**made.record, "recipe": "nightmill: 1\n", "title": "Jupiter é"}, **extra)


@check(Writer)
def writer_declared(subject: WriterSubject) -> None:
    """Name, suffix and `write` are declared as the loader demands."""
    faults = list(writer_faults([subject.writer]))
    assert not faults, render(faults)


@check(Writer)
def writes_one_file(subject: WriterSubject) -> None:
    """`write` makes the one file that it is told to and says True, or none and says False, whatever the name."""
    with _folder() as folder:
        path = folder / f"mond über 5 km{subject.writer.suffix}"
        wrote = subject.writer.write(subject.picture(), path)
        assert isinstance(wrote, bool), f"write gave {wrote!r}; True or False is promised"
        left = sorted(one.name for one in folder.iterdir())
        assert left == ([path.name] if wrote else []), f"write gave {wrote}, and there is {left or 'no file'}"
        assert not wrote or path.stat().st_size > 0, "the file is empty"


@check(Writer)
def same_bytes_again(subject: WriterSubject) -> None:
    """The same picture gives the same bytes, a second later and under another name: no date, no name goes in."""
    with _folder() as folder:
        first = _bytes(subject, subject.picture(), folder / f"a{subject.writer.suffix}")
        time.sleep(1.05)
        second = _bytes(subject, subject.picture(), folder / f"another{subject.writer.suffix}")
        assert first == second, "other bytes the second time"


@check(Writer)
def same_bytes_threaded(subject: WriterSubject) -> None:
    """Four threads at once write the bytes that one writes."""
    with _folder() as folder, ThreadPoolExecutor(4) as pool:
        paths = [folder / f"{number}{subject.writer.suffix}" for number in range(4)]
        written = list(pool.map(lambda path: _bytes(subject, subject.picture(), path), paths))
        assert len(set(written)) == 1, "other bytes from a thread"


@check(Writer)
def picture_unchanged(subject: WriterSubject) -> None:
    """The picture is as it was afterwards, and may be read-only."""
    picture = subject.picture()
    arrays = {name: one for name, one in vars(picture).items() if isinstance(one, np.ndarray)}
    before = {name: one.copy() for name, one in arrays.items()}
    record = json.dumps(picture.record, sort_keys=True)
    for one in arrays.values():
        one.flags.writeable = False
    with _folder() as folder:
        subject.writer.write(picture, folder / f"a{subject.writer.suffix}")
    for name, one in arrays.items():
        assert np.array_equal(one, before[name], equal_nan=True), f"it wrote into the picture's {name}"
    assert json.dumps(picture.record, sort_keys=True) == record, "it changed the picture's record"


@check(Writer)
def picture_mono_and_colour(subject: WriterSubject) -> None:
    """Pictures of one plane and of three are written, or refused in a sentence."""
    for form in ("mono8", "colour"):
        _written(subject, subject.picture(form), f"{form} picture")


@check(Writer)
def difficult_pictures(subject: WriterSubject) -> None:
    """NaN, all black, negative light and a picture of one pixel raise nothing but a plain sentence."""
    whole = subject.picture()
    holes = whole.data.copy()
    holes[3:6, 4:9] = np.nan
    for what, data in {
        "NaN pixels": holes,
        "all black": np.zeros_like(holes),
        "negative light": -np.ones_like(holes),
        "one pixel": np.ones((1, 1), np.float32),
    }.items():
        layers = {"noise": None, "weight": None, "half_a": None, "half_b": None}
        _written(subject, whole.replace(data=data, **layers), what)


@check(Writer)
def record_travels(subject: WriterSubject) -> None:
    """`read_record` gives back what the picture's record held when it was written, or None where none can travel."""
    picture = subject.picture()
    with _folder() as folder:
        path = folder / f"a{subject.writer.suffix}"
        if not subject.writer.write(picture, path):
            raise NotApplicable("it writes no file of this picture")
        found = subject.writer.read_record(path)
    if found is None:
        raise NotApplicable("no record travels in this format; 'nightmill recipe from' will not work on it")
    for name, value in picture.record.items():
        assert found.get(name) == value, f"{name!r} of the record came back as {str(found.get(name))[:60]!r}"


@check(Writer)
def damaged_files(subject: WriterSubject) -> None:
    """`read_record` of a file cut short, of nonsense or of another format gives None or a plain sentence."""
    with _folder() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        path = folder / f"a{subject.writer.suffix}"
        wrote = subject.writer.write(subject.picture(), path)
        content = path.read_bytes() if wrote else b""
        nonsense = np.random.default_rng(5).integers(0, 256, 300, dtype=np.uint8).tobytes()
        for number, data in enumerate((b"", content[: len(content) // 2], content[:40], nonsense)):
            for suffix in (subject.writer.suffix, ".other"):
                bad = folder / f"bad{number}{suffix}"
                bad.write_bytes(data)
                tried = attempt(partial(subject.writer.read_record, bad))
                if isinstance(tried.error, UsageError):
                    assert str(tried.error).strip(), "UsageError without a sentence"
                    continue
                assert tried.error is None, f"{bad.name}: {type(tried.error).__name__}: {tried.error}"


@check(Writer)
def writes_quietly(subject: WriterSubject) -> None:
    """Nothing is printed and nothing warned of."""
    out = io.StringIO()
    with _folder() as folder, warnings.catch_warnings():
        warnings.simplefilter("error")
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
            subject.writer.write(subject.picture(), folder / f"a{subject.writer.suffix}")
    assert not out.getvalue(), f"it printed {out.getvalue()[:80]!r}"


def measure_writer(writer: Writer) -> tuple[float, int]:
    """Return milliseconds and bytes of a colour picture of 64 x 64 pixels."""
    subject = WriterSubject(writer)
    with _folder() as folder:
        path = folder / f"a{writer.suffix}"
        began = time.perf_counter()
        wrote = writer.write(subject.picture("colour"), path)
        return 1000 * (time.perf_counter() - began), path.stat().st_size if wrote else 0


@contextmanager
def _folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as name:
        yield Path(name)


def _bytes(subject: WriterSubject, picture: Picture, path: Path) -> bytes:
    return path.read_bytes() if subject.writer.write(picture, path) else b""


def _written(subject: WriterSubject, picture: Picture, what: str) -> None:
    with _folder() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        tried = attempt(partial(subject.writer.write, picture, folder / f"a{subject.writer.suffix}"))
    if isinstance(tried.error, NightmillError):
        assert str(tried.error).strip(), f"{what}: an error without a sentence"
        return
    assert tried.error is None, (
        f"{what}: {type(tried.error).__name__}: {tried.error}; raise nightmill.errors.CaptureError with a sentence"
    )
