"""What a fold makes of a capture: a linear picture with its weight, its noise and two independent halves."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .fitsio import image_hdu, read_record, record_hdu, write_hdus

__all__ = ["Stack"]

LAYERS = {"weight": "WEIGHT", "noise": "NOISE", "half_a": "HALF_A", "half_b": "HALF_B"}


@dataclass(frozen=True)
class Stack:
    """A linear stack.

    Attributes
    ----------
    data : ndarray of float32, shape (h, w) or (3, h, w)
        Linear light as a fraction of the camera's full scale; pixels without data are NaN.
    weight, noise, half_a, half_b : ndarray of float32, shape of `data`, or None
        Weight (sum of frame weights that reached the pixel), standard error of `data`, and the means of two
        disjoint halves of the frames.
    header : dict
        What the fold knows, as JSON values: at least "frames_kept", "scale" (output pixels per camera pixel),
        "origin_px" ([row, column] of output pixel (0, 0) in the camera frame's pixels).
    record : dict
        How it came about; written by the engine.
    """

    data: NDArray[np.float32]
    weight: NDArray[np.float32] | None = None
    noise: NDArray[np.float32] | None = None
    half_a: NDArray[np.float32] | None = None
    half_b: NDArray[np.float32] | None = None
    header: dict[str, Any] = field(default_factory=dict)
    record: dict[str, Any] = field(default_factory=dict)

    def layers(self) -> Iterator[tuple[str, NDArray[np.float32]]]:
        """Iterate over the companion pictures that exist, by attribute name."""
        for name in LAYERS:
            values = getattr(self, name)
            if values is not None:
                yield name, values

    def write(self, path: Path, cards: Mapping[str, tuple[Any, str]] | None = None) -> None:
        """Write one FITS file: the picture, extensions WEIGHT, NOISE, HALF_A, HALF_B, and the record."""
        base = {"BUNIT": ("fraction", "linear, of the full scale of the camera"), **(cards or {})}
        hdus = [image_hdu(self.data.astype(np.float32), cards=base)]
        hdus += [image_hdu(v.astype(np.float32), name=LAYERS[n]) for n, v in self.layers()]
        hdus.append(record_hdu({"header": self.header, "record": self.record}))
        write_hdus(path, hdus)

    @classmethod
    def read(cls, path: Path) -> Stack:
        """Read a stack from `write`."""
        from astropy.io import fits

        with fits.open(path, memmap=False) as hdus:
            named = {n: hdus[e].data.astype(np.float32) for n, e in LAYERS.items() if e in hdus}
            data = hdus[0].data.astype(np.float32)
        kept = read_record(path)
        return cls(data, **named, header=kept.get("header", {}), record=kept.get("record", {}))

    def save(self, folder: Path) -> None:
        """Write `stack.fits` into `folder`."""
        self.write(folder / "stack.fits")

    @classmethod
    def load(cls, folder: Path) -> Stack:
        """Read `stack.fits` from `folder`."""
        return cls.read(folder / "stack.fits")
