"""The action "preview": small copies of finished pictures, each with frame and stack on the same grid for comparing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ..artefacts import Picture
from ..store import DamagedError
from . import looks
from .sheet import PREVIEW_PX
from .task import Task

__all__ = ["SMALL_PX", "preview"]

MOVING_PX = 280
MOVING_FRAMES = 40
"""Longest side and number of frames of what moves in the page: enough to see whether the whole is worth opening."""

SMALL_PX = 380
"""Longer side of the small copies, for nights with many pictures."""

Array = NDArray[np.float32]


def preview(task: Task, folder: Path, meta: dict[str, Any]) -> None:
    """Write NN.webp and NN.small.webp for every picture of a product, and the same of frame and stack."""
    source = task.store.open(task.inputs["member:00"])
    shown = []
    for place in sorted(path for path in source.iterdir() if path.is_dir()):
        try:
            shown.append(_one(task, folder, place))
        except (DamagedError, OSError, MemoryError):
            raise
        except looks.FAULTS as error:  # a courtesy, as the sheet: said, and that is all
            shown.append({"missing": f"{type(error).__name__}: {error}"})
    meta["shown"] = shown


def _one(task: Task, folder: Path, place: Path) -> dict[str, Any]:
    picture = Picture.load(place)
    if picture.frames is not None:
        return _moving(folder, place, picture.frames, picture.header.get("film", {}).get("seconds", []))
    light = looks.shrink(looks.to_planes_last(picture.data), PREVIEW_PX)
    black, white = looks.levels(light)
    black, white = picture.display.get("black", black), picture.display.get("white", white)
    gamma, softening = float(picture.display.get("gamma", 1.0)), picture.display.get("softening")
    layers = {"": light, **_before(task, light, tuple(picture.data.shape[-2:]))}
    for name, layer in layers.items():
        # A raw frame is mostly noise, which costs bytes and tells nothing.
        fine, coarse = (55, 32) if name == "frame." else (82, 76)
        for suffix, side, quality in (("webp", PREVIEW_PX, fine), ("small.webp", SMALL_PX, coarse)):
            bytes8 = looks.to_bytes(looks.shrink(layer, side), black, white, gamma, softening)
            (folder / f"{place.name}.{name}{suffix}").write_bytes(looks.encode(bytes8, quality))
    return {
        "place": place.name,
        "width": light.shape[1],
        "height": light.shape[0],
        "before": [n[:-1] for n in layers if n],
    }


def _moving(folder: Path, place: Path, frames: NDArray[np.uint8], seconds: list[float]) -> dict[str, Any]:
    """Write a sequence, small, as animated WebP."""
    from PIL import Image

    step = -(-len(frames) // MOVING_FRAMES)
    shown_s = [sum(seconds[k : k + step]) or 0.1 * step for k in range(0, len(frames), step)]
    small = [looks.shrink(np.asarray(frame, np.float32), MOVING_PX) for frame in frames[::step]]
    images = [Image.fromarray(np.rint(one).astype(np.uint8)) for one in small]
    images[0].save(
        folder / f"{place.name}.small.webp",
        save_all=True,
        append_images=images[1:],
        duration=[max(20, round(1000.0 * one)) for one in shown_s],
        loop=0,
        quality=68,
        method=4,
    )
    return {"place": place.name, "width": images[0].width, "height": images[0].height, "before": []}


def _before(task: Task, light: Array, full: tuple[int, ...]) -> dict[str, Array]:
    """Return the best frame and the stack, as bright as the picture and laid onto it."""
    if "sheet" not in task.inputs:
        return {}
    sheet = task.store.open(task.inputs["sheet"])
    if not (sheet / "frame.npy").exists():
        return {}
    loaded = {n: np.load(sheet / f"{n}.npy", allow_pickle=False).astype(np.float32) for n in ("frame", "stack")}
    stack = loaded["stack"]
    if stack.shape[:2] != light.shape[:2]:
        # Cut, enlarged or laid out anew: without the same outline a comparison would only mislead.
        if abs(stack.shape[0] / stack.shape[1] - full[0] / full[1]) > 0.01:
            return {}
        loaded = {name: _resized(one, light.shape[:2]) for name, one in loaded.items()}
    dx, dy = _offset(loaded["stack"], light)
    matrix = np.array([[1.0, 0.0, dx], [0.0, 1.0, dy]])
    moved = {
        f"{name}.": np.asarray(
            cv2.warpAffine(one, matrix, light.shape[1::-1], borderMode=cv2.BORDER_REPLICATE), np.float32
        )
        for name, one in loaded.items()
    }
    return {name: looks.match(one, light) for name, one in moved.items()}


def _resized(picture: Array, shape: tuple[int, ...]) -> Array:
    return np.asarray(cv2.resize(picture, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR), np.float32)


def _offset(first: Array, second: Array) -> tuple[float, float]:
    """Measure how far the picture stages moved the object: (dx, dy) in preview pixels, 0 where it is not clear."""
    grey = [np.nan_to_num(one.mean(axis=2) if one.ndim == 3 else one).astype(np.float32) for one in (first, second)]
    window = cv2.createHanningWindow(grey[0].shape[::-1], cv2.CV_32F)
    (dx, dy), response = cv2.phaseCorrelate(grey[0], grey[1], window)
    if response < 0.1 or abs(dx) > 0.2 * grey[0].shape[1] or abs(dy) > 0.2 * grey[0].shape[0]:
        return 0.0, 0.0
    return float(dx), float(dy)
