"""Folders of single frames (FITS, TIFF, PNG) as one recording.

A folder is a recording when it holds two or more frames of one format, named alike but for their numbers, of the same
size, type and setting, and no films. Frames follow each other in the order of the numbers in their names.
"""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import Capture
from nightmill.errors import CaptureError

from .. import clock
from .base import Options, Reader, Recording
from .fits import describe_header, scale_of
from .fitsfile import interval_of, number, start_of
from .single import FORMATS, Format, Glance
from .tiff import scale_samples, tidy

__all__ = ["FolderReader", "natural_key"]

FILMS = {".ser", ".avi", ".mp4", ".mov", ".m4v", ".mkv"}
LOOKED_AT = 5
DIGITS = re.compile(r"\d+")


def natural_key(name: str) -> tuple[tuple[tuple[str, int], ...], str]:
    """Return a key that sorts frame_9 before frame_10; the name itself settles ties."""
    parts = DIGITS.split(name), DIGITS.findall(name)
    numbers = [*parts[1], "-1"]
    return tuple((text, int(n[:30])) for text, n in zip(parts[0], numbers, strict=True)), name


class FolderReader(Reader):
    """A folder that directly contains the frames of one recording."""

    name = "folder"

    def accepts(self, path: Path) -> bool:
        """Compare a few frames; most must agree."""
        if not path.is_dir():
            return False
        found = _series(path)
        if found is None:
            return False
        form, names, _ = found
        picks = sorted({round(n) for n in np.linspace(0, len(names) - 1, LOOKED_AT)})
        glances = []
        for n in picks:
            try:
                glances.append(form.glance(path / names[n]))
            except (CaptureError, OSError):
                continue
        alike = Counter(glances).most_common(1)
        return bool(alike) and 2 * alike[0][1] > len(picks) and not _is_master(alike[0][0])

    def open(self, path: Path, options: Options) -> Capture:
        """Look at every file's header, and at the pixels of three frames."""
        found = _series(path)
        if found is None:
            raise CaptureError(
                f"The folder {path.name} holds no series of frames: two or more FITS, TIFF or PNG files of one size, "
                "named alike but for their numbers."
            )
        form, names, others = found
        glances, broken = _glances(path, form, names)
        if not glances:
            raise CaptureError(f"No frame in the folder {path.name} can be read. {broken[0][1]}")
        usual = Counter(glances.values()).most_common(1)[0][0]
        left_out = [*(name for name, _ in broken), *(name for name, glance in glances.items() if glance != usual)]
        good = [name for name in names if name in glances and glances[name] == usual]
        if 2 * len(good) <= len(names) or len(good) < 2:
            raise CaptureError(
                f"The folder {path.name} mixes frames of several sizes or settings, none of them in the majority. Give "
                "each recording a folder of its own."
            )
        cautions = []
        if left_out:
            why = f" ({broken[0][1]})" if broken else ""
            files = "1 file" if len(left_out) == 1 else f"{len(left_out)} files"
            names_them = f"such as {left_out[0]}" if len(left_out) > 1 else left_out[0]
            cautions.append(f"{files} of another size or setting, or damaged, left out: {names_them}{why}.")
        if others:
            files = (
                f"1 file with another name, {others[0]}, is"
                if len(others) == 1
                else f"{len(others)} files with other names, such as {others[0]}, are"
            )
            cautions.append(f"{files} not part of the series.")
        picks = [good[n] for n in sorted({0, len(good) // 2, len(good) - 1})]
        looks = [form.glance(path / name) for name in picks]
        first, last = looks[0], looks[-1].image
        samples = tidy(np.stack([form.pixels(path / name, look) for name, look in zip(picks, looks, strict=True)]))
        scaled = scale_samples(samples, options, path.name)
        described: dict[str, Any] = {}
        if first.image is not None:
            cards = first.image.cards
            shift, full_scale = scale_of(first.image, samples, options, cautions, path.name)
            scaled |= {"shift": shift, "full_scale": full_scale, "cautions": ()}
            described = describe_header(first.image, cautions)
            described["exposure_s"] = number(cards, "EXPTIME", "EXPOSURE", "XPOSURE", None)
            if scaled["planes"] == 1 and described["cfa"] is None and first.planes == 3:
                described["filter"] = None
            scaled["filter"] = described.pop("filter")
            described["frame_interval_s"] = interval_of(cards) or _interval(
                described["utc_start"], start_of(last.cards) if last else None, len(good)
            )
        cautions.extend(scaled.pop("cautions"))
        return Capture(
            path=str(path),
            file="",
            source="ingest",
            frames=len(good),
            height=first.height,
            width=first.width,
            frames_missing=len(broken),
            cautions=tuple(cautions),
            details={
                "format": form.name,
                "left_out": left_out,
                "names": _digest(good),
                "shift": scaled.pop("shift"),
                "timed": described.get("utc_start") is not None and len(good) > 1,
            },
            **scaled,
            **described,
        )

    def recording(self, capture: Capture) -> Recording:
        """List the folder again."""
        return _FolderRecording(capture)

    def files(self, capture: Capture) -> list[Path]:
        """Return the frames' files."""
        return _FolderRecording(capture).paths


class _FolderRecording(Recording):
    def __init__(self, capture: Capture) -> None:
        super().__init__(capture)
        found = _series(self.path)
        left_out = set(capture.details["left_out"])
        names = [] if found is None else [name for name in found[1] if name not in left_out]
        if found is None or found[0].name != capture.details["format"] or _digest(names) != capture.details["names"]:
            raise CaptureError(f"The files in the folder {self.path.name} have changed since it was opened. Run again.")
        self._format = found[0]
        self.paths = [self.path / name for name in names]

    def read(self, start: int, stop: int) -> NDArray[Any]:
        capture = self.capture
        shape = (capture.height, capture.width) + ((3,) if capture.planes == 3 else ())
        out = np.empty((stop - start, *shape), capture.dtype)
        for index, path in enumerate(self.paths[start:stop]):
            frame = tidy(self._format.pixels(path, self._format.glance(path))[None])[0]
            if frame.ndim == 3 and capture.planes == 1:
                frame = frame[..., 1]
            if frame.shape != shape or frame.dtype != out.dtype:
                raise CaptureError(
                    f"{path.name} in the folder {self.path.name} has changed since it was opened. Run again."
                )
            out[index] = frame
        shift = capture.details["shift"]
        return np.right_shift(out, shift, out=out) if shift else out

    def times(self, start: int, stop: int) -> NDArray[np.float64] | None:
        if not self.capture.details["timed"]:
            return None
        glances = [self._format.glance(path) for path in self.paths[start:stop]]
        times = np.array([np.nan if g.image is None else start_of(g.image.cards) for g in glances], np.float64)
        # A time without a fraction on every frame of a fast series says less than a count of frames does.
        interval = self.capture.frame_interval_s
        return None if interval is not None and interval < 0.5 and (times == np.floor(times)).all() else times

    def close(self) -> None:
        pass


def _series(folder: Path) -> tuple[Format, list[str], list[str]] | None:
    """Return the format, the names of the frames in order, and those of its other files; None for no series."""
    names = [entry.name for entry in folder.iterdir() if not entry.name.startswith(".")]
    suffixes = {name: Path(name).suffix.lower() for name in names}
    if FILMS & set(suffixes.values()):
        return None
    best: tuple[Format, list[str], list[str]] | None = None
    for form in FORMATS:
        mine = [name for name in names if suffixes[name] in form.suffixes]
        if len(mine) < 2:
            continue
        patterns = {name: DIGITS.sub("#", name) for name in mine}
        usual, count = min(Counter(patterns.values()).items(), key=lambda item: (-item[1], item[0]))
        if count < 2 or "#" not in usual or 2 * count < len(mine):
            continue
        series = sorted((name for name in mine if patterns[name] == usual), key=natural_key)
        others = sorted(name for name in mine if patterns[name] != usual)
        if best is None or len(series) > len(best[1]):
            best = form, series, others
    return best


def _glances(folder: Path, form: Format, names: list[str]) -> tuple[dict[str, Glance], list[tuple[str, str]]]:
    glances, broken = {}, []
    for name in names:
        try:
            # Headers of thousands of frames would fill the memory: they are read again where they are needed.
            glances[name] = replace(form.glance(folder / name), image=None)
        except (CaptureError, OSError) as error:
            broken.append((name, str(error)))
    return glances, broken


def _is_master(glance: Glance) -> bool:
    """Masters of several nights lie in one folder and are no series."""
    cards = {} if glance.image is None else glance.image.cards
    kind = str(cards.get("IMAGETYP", "")).lower()
    return "master" in kind or str(cards.get("BUNIT", "")).lower().startswith("fraction")


def _interval(first: float | None, last: float | None, count: int) -> float | None:
    if first is None or last is None or count < 2 or not clock.plausible(last):
        return None
    interval = (last - first) / (count - 1)
    return interval if 1e-5 <= interval <= 3600 else None


def _digest(names: list[str]) -> str:
    return hashlib.sha256("\n".join(names).encode("utf-8", "surrogateescape")).hexdigest()
