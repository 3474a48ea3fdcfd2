"""Mutations of good recordings, and what each reader may do with them: a Capture or a CaptureError, fast and small."""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import tifffile
from astropy.io import fits

from nightmill.errors import CaptureError
from nightmill_stages.ingest import Ingest

from .makers import chunk, dib_rows, scene, write_avi, write_ser

EXTREMES = [0, 1, 0x7F, 0xFF, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 0xFFFFFFFE, 0x10000]


def samples(folder: Path) -> dict[str, Path]:
    """Write one small good recording of each kind; for folders, the first frame is the one that is mutated."""
    grey = scene(12, 24, 32, top=255).astype(np.uint8)
    deep = scene(12, 24, 32, top=4095)
    colour = scene(6, 24, 32, top=255, planes=3).astype(np.uint8)
    rows = [dib_rows(f) for f in colour]
    raw = [f.tobytes() for f in grey]
    found = {
        "ser8": write_ser(folder / "a.ser", grey, times=1.76e9 + np.arange(12.0)),
        "ser16": write_ser(folder / "b.ser", deep, bits=12, colour=8, times=1.76e9 + np.arange(12.0)),
        "avi24": write_avi(folder / "a.avi", rows, width=32, height=24, bits=24),
        "avi8": write_avi(
            folder / "b.avi", raw, width=32, height=24, bits=8, code=b"Y800", segments=2, between=chunk(b"JUNK", b"xyz")
        ),
    }
    for name, array in {"cube": deep, "planes": np.moveaxis(colour, -1, 1).copy(), "float": deep.astype("f4")}.items():
        hdu = fits.PrimaryHDU(array)
        hdu.header.update({"DATE-OBS": "2026-01-12T22:10:00", "EXPTIME": 0.01, "BAYERPAT": "RGGB", "OBJECT": "mars"})
        hdu.writeto(folder / f"{name}.fits")
        found[f"fits-{name}"] = folder / f"{name}.fits"
    tifffile.imwrite(folder / "a.tif", deep, photometric="minisblack")
    tifffile.imwrite(folder / "z.tif", grey, photometric="minisblack", compression="zlib")
    found |= {"tiff": folder / "a.tif", "tiff-zlib": folder / "z.tif"}
    for kind in ("png", "tif", "fits"):
        (folder / kind).mkdir()
        for number in range(3):
            path = folder / kind / f"f{number}.{kind}"
            if kind == "png":
                cv2.imwrite(str(path), deep[number])
            elif kind == "tif":
                tifffile.imwrite(path, deep[number])
            else:
                fits.PrimaryHDU(deep[number]).writeto(path)
        found[f"folder-{kind}"] = folder / kind / f"f0.{kind}"
    return found


def mutations(good: bytes, count: int, seed: int) -> Iterator[bytes]:
    """Yield damaged copies: extreme numbers, flipped bits, cuts, repeats and noise, mostly in the first 3000 bytes."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        data = bytearray(good)
        for _ in range(int(rng.integers(1, 5))):
            reach = min(len(data), int(rng.choice([64, 256, 3000, len(data)])))
            if reach < 12:
                break
            at = int(rng.integers(0, reach - 8))
            match int(rng.integers(0, 7)):
                case 0:
                    size = int(rng.choice([1, 2, 4, 8]))
                    value = int(rng.choice(EXTREMES)) & (256**size - 1)
                    data[at : at + size] = value.to_bytes(size, "little")
                case 1:
                    size = int(rng.choice([2, 4, 8]))
                    value = int(rng.choice(EXTREMES)) & (256**size - 1)
                    data[at : at + size] = value.to_bytes(size, "big")
                case 2:
                    data[at] ^= 1 << int(rng.integers(0, 8))
                case 3:
                    del data[at + int(rng.integers(0, len(data) - at)) :]
                case 4:
                    data[at:at] = data[at : at + int(rng.integers(1, 200))]
                case 5:
                    data[at : at + 8] = rng.integers(0, 256, 8, dtype=np.uint8).tobytes()
                case 6:
                    # Digits of text headers (FITS cards)
                    digits = [i for i in range(reach) if 48 <= data[i] <= 57]
                    if digits:
                        data[int(rng.choice(digits))] = int(rng.integers(45, 58))
        yield bytes(data)


@dataclass
class Verdict:
    """What became of one damaged file."""

    opened: bool
    seconds: float
    peak_bytes: int
    message: str = ""


def try_to_read(path: Path) -> Verdict:
    """Open and read first and last frames; anything but a CaptureError passes through and fails the test."""
    source = Ingest()
    if tracemalloc.is_tracing():
        tracemalloc.reset_peak()
    before = tracemalloc.get_traced_memory()[0]
    start = time.process_time()
    opened, message = False, ""
    try:
        if source.accepts(path):
            capture = source.open(path)
            opened = True
            assert capture.frames >= 1 and 0 < capture.full_scale < 2**33 and capture.to_json()
            first = source.read(capture, 0, min(2, capture.frames))
            last = source.read(capture, capture.frames - 1, capture.frames)
            assert np.isfinite(first).all() and last.dtype == np.dtype(capture.dtype)
            assert len(source.times(capture, 0, min(3, capture.frames))) == min(3, capture.frames)
            assert source.files(capture)
    except CaptureError as error:
        message = str(error)
        assert (message and path.stem in message) or path.parent.name in message
    finally:
        source.close()
    seconds = time.process_time() - start
    return Verdict(opened, seconds, tracemalloc.get_traced_memory()[1] - before, message)
