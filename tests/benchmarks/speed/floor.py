"""The floor that speed is measured against: two threads that read every frame once and take one 3x3 Laplacian of it."""

from __future__ import annotations

import itertools
import threading
import time
from pathlib import Path

import cv2
import numpy as np

from nightmill.artefacts import Capture
from nightmill.plugins import load_registry

__all__ = ["measure_floor", "open_capture"]

BATCH = 64


def open_capture(path: Path) -> Capture:
    """Describe a recording by the shipped source."""
    return load_registry().stage("ingest")().open(path)


def measure_floor(path: Path, threads: int = 2) -> float:
    """Return the seconds that `threads` threads need for the whole file, from the page cache."""
    capture = open_capture(path)
    with path.open("rb") as stream:  # into the page cache
        while stream.read(2**24):
            pass
    edges = np.linspace(0, capture.frames, threads + 1).astype(int)

    def work(start: int, stop: int) -> None:
        source = load_registry().stage("ingest")()
        for first in range(start, stop, BATCH):
            for frame in source.read(capture, first, min(first + BATCH, stop)):
                float(cv2.Laplacian(frame, cv2.CV_32F).var())
        source.close()

    cv2.setNumThreads(1)
    best = np.inf
    for _ in range(2):
        began = time.perf_counter()
        crew = [threading.Thread(target=work, args=(int(a), int(b))) for a, b in itertools.pairwise(edges)]
        for one in crew:
            one.start()
        for one in crew:
            one.join()
        best = min(best, time.perf_counter() - began)
    return best
