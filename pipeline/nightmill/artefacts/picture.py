"""A finished, or nearly finished, picture with its geometry and its full record."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .capture import Capture
from .fitsio import image_hdu, read_record, record_hdu, write_hdus
from .stack import Stack

__all__ = ["Picture"]


@dataclass(frozen=True)
class Picture:
    """A linear picture on its way through the picture stages.

    Attributes
    ----------
    data : ndarray of float32, shape (h, w) or (3, h, w) in R, G, B
        Linear light, camera orientation. 1.0 is the full scale of the camera for a picture straight from a stack.
    captures : tuple of Capture
        The captures it was made from.
    filters : tuple of str
        The filters it was made through, in channel order; ("RGB",) for one-shot colour.
    noise, weight, half_a, half_b : ndarray of float32, shape of `data`, or None
        As in `Stack`; a stage that changes `data` without them sets them to None.
    labelled : ndarray of uint8, shape (h2, w2, 3), or None
        The display form with a label, ready to be written; R, G, B.
    geometry : dict
        JSON values, absent when not known: "scale_arcsec" (per pixel), "north_angle_deg" (position of celestial
        north, counter-clockwise from up), "mirrored", "disc" ({"x_px", "y_px", "a_px", "b_px", "angle_deg"});
        stages may add others (nightmill_stages.orient tells of the pole's axis and of confidences).
    display : dict
        Display transform wanted: "black" and "white", linear values shown as black and white, "gamma" (extra power
        1 / gamma applied before sRGB, 1 for none) and, where the tones are bent, "softening" (arcsinh, as a share of
        white).
    header, record : dict
        JSON values: what the stack knew; how the picture came about.
    frames : ndarray of uint8, shape (n, h2, w2, 3), or None
        For what is shown as a sequence: its frames in the display form, R, G, B, ready to be written. Then `data` is
        only what stands for it as a still, and "film" in the header tells "seconds" (how long each frame is shown),
        "formats" (those wanted, by the names of the writers' files) and "utc" (POSIX seconds of what is shown).
    kind : str
        What it is where it comes besides the pictures of its captures, in one lower-case word, such as "mosaic"; the
        word becomes a part of its name. Empty for the pictures of captures and filter sets themselves.
    """

    data: NDArray[np.float32]
    captures: tuple[Capture, ...] = ()
    filters: tuple[str, ...] = ()
    noise: NDArray[np.float32] | None = None
    weight: NDArray[np.float32] | None = None
    half_a: NDArray[np.float32] | None = None
    half_b: NDArray[np.float32] | None = None
    labelled: NDArray[np.uint8] | None = None
    frames: NDArray[np.uint8] | None = None
    geometry: dict[str, Any] = field(default_factory=dict)
    display: dict[str, Any] = field(default_factory=dict)
    header: dict[str, Any] = field(default_factory=dict)
    record: dict[str, Any] = field(default_factory=dict)
    kind: str = ""

    @classmethod
    def from_stack(cls, stack: Stack, capture: Capture) -> Picture:
        """Start the picture stages from a capture's stack."""
        return cls(
            data=stack.data,
            captures=(capture,),
            filters=(capture.filter or ("RGB" if capture.colour else "L"),),
            noise=stack.noise,
            weight=stack.weight,
            half_a=stack.half_a,
            half_b=stack.half_b,
            header=dict(stack.header),
            record=dict(stack.record),
        )

    def replace(self, **changes: Any) -> Picture:
        """Return a copy with some attributes changed."""
        return dataclasses.replace(self, **changes)

    @property
    def utc_mid(self) -> float | None:
        """POSIX seconds of the mean of the captures' middles, or None when one is not known."""
        times = [capture.utc_mid for capture in self.captures]
        known = [time for time in times if time is not None]
        return sum(known) / len(known) if known and len(known) == len(times) else None

    def write(self, path: Path, cards: Mapping[str, tuple[Any, str]] | None = None) -> None:
        """Write the linear picture as FITS, float32, with its record."""
        base = {"BUNIT": ("fraction", "linear light"), **self._cards(), **(cards or {})}
        described = {
            "geometry": self.geometry,
            "display": self.display,
            "header": self.header,
            "record": self.record,
            "filters": list(self.filters),
            "captures": [capture.to_json() for capture in self.captures],
        }
        hdus = [image_hdu(self.data.astype(np.float32), cards=base)]
        if self.kind:
            described["kind"] = self.kind
            # Where several pictures were joined, data alone do not tell how much stands behind a pixel.
            hdus += [] if self.weight is None else [image_hdu(self.weight.astype(np.float32), name="WEIGHT")]
        write_hdus(path, [*hdus, record_hdu(described)])

    def _cards(self) -> dict[str, tuple[Any, str]]:
        from datetime import UTC, datetime

        first = self.captures[0] if self.captures else None
        cards: dict[str, tuple[Any, str]] = {}
        if first is not None and first.target:
            cards["OBJECT"] = (first.target, "target")
        if self.filters:
            cards["FILTER"] = (",".join(self.filters), "filters, in channel order")
        if self.utc_mid is not None:
            middle = datetime.fromtimestamp(self.utc_mid, UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3]
            cards["DATE-AVG"] = (middle, "middle of the captures")
            cards["TIMESYS"] = ("UTC", "time scale of DATE-AVG")
        if "scale_arcsec" in self.geometry:
            cards["PIXSCALE"] = (float(self.geometry["scale_arcsec"]), "[arcsec] scale of a pixel")
        if "north_angle_deg" in self.geometry:
            comment = "[deg] north, counter-clockwise from up"
            cards["NORTHANG"] = (float(self.geometry["north_angle_deg"]), comment)
        if "mirrored" in self.geometry:
            cards["MIRRORED"] = (bool(self.geometry["mirrored"]), "east is clockwise of north")
        if self.display.get("softening"):
            comment = "arcsinh softening in TIFF, PNG; here linear"
            cards["DISPSOFT"] = (float(self.display["softening"]), comment)
        disc = self.geometry.get("disc")
        if disc:
            cards["DISC_X"] = (float(disc["x_px"]), "[px] disc centre, 0-based column")
            cards["DISC_Y"] = (float(disc["y_px"]), "[px] disc centre, 0-based row")
            cards["DISC_A"] = (float(disc["a_px"]), "[px] disc semi-major axis")
            cards["DISC_B"] = (float(disc["b_px"]), "[px] disc semi-minor axis")
            cards["DISC_PA"] = (float(disc["angle_deg"]), "[deg] major axis, counter-clockwise from +x")
        return cards

    def save(self, folder: Path) -> None:
        """Write `picture.fits` and the layers that later stages may want into `folder`."""
        self.write(folder / "picture.fits")
        layers = {n: getattr(self, n) for n in ("noise", "weight", "half_a", "half_b", "labelled", "frames")}
        # The npy format alone: no pickle, and the bytes depend on the content only (a zip would carry dates).
        for name, values in layers.items():
            if values is not None:
                np.save(folder / f"{name}.npy", values, allow_pickle=False)

    @classmethod
    def load(cls, folder: Path) -> Picture:
        """Read what `save` wrote."""
        from astropy.io import fits

        with fits.open(folder / "picture.fits", memmap=False) as hdus:
            data = hdus[0].data.astype(np.float32)
        kept = read_record(folder / "picture.fits")
        layers = {}
        for name in ("noise", "weight", "half_a", "half_b", "labelled", "frames"):
            if (folder / f"{name}.npy").exists():
                layers[name] = np.load(folder / f"{name}.npy", allow_pickle=False)
        return cls(
            data=data,
            captures=tuple(Capture.from_json(values) for values in kept["captures"]),
            filters=tuple(kept["filters"]),
            geometry=kept["geometry"],
            display=kept["display"],
            header=kept["header"],
            record=kept["record"],
            kind=kept.get("kind", ""),
            **layers,
        )
