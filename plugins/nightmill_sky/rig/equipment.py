"""Telescope and camera as numbers, from the sections of a night file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["Camera", "Telescope", "read_equipment"]


@dataclass(frozen=True)
class Telescope:
    """A telescope.

    Parameters
    ----------
    aperture_mm, focal_length_mm : float
        Above 0; focal length without amplifier.
    obstruction : float
        Diameter of the central obstruction over the aperture, 0 to below 1.
    amplifier : float or None
        Factor in use.
    amplifiers : tuple of float
        Factors at hand, besides none at all; empty when not told.
    name : str
    """

    aperture_mm: float
    focal_length_mm: float
    obstruction: float = 0.0
    amplifier: float | None = None
    amplifiers: tuple[float, ...] = ()
    name: str = ""

    @property
    def focal_ratio(self) -> float:
        """Focal length over aperture, without amplifier."""
        return self.focal_length_mm / self.aperture_mm


@dataclass(frozen=True)
class Camera:
    """A camera.

    Parameters
    ----------
    name : str
    pixel_um : float
    width_px, height_px : int or None
        Of the whole sensor.
    bits : int
        Of its converter.
    colour : bool
        Whether it has a colour filter array.
    full_well_e, read_noise_e : float or None
        Electrons.
    rates : tuple of (width_px, height_px, frames_per_s)
        Frame rates by frame size, as measured or stated.
    interface : str or None
        A key of `cameras.LINKS_MB_S`.
    """

    name: str
    pixel_um: float
    width_px: int | None = None
    height_px: int | None = None
    bits: int = 8
    colour: bool = False
    full_well_e: float | None = None
    read_noise_e: float | None = None
    rates: tuple[tuple[int, int, float], ...] = ()
    interface: str | None = None

    @property
    def bytes_per_px(self) -> int:
        """Bytes of a raw sample: one up to 8 bits, two above."""
        return 1 if self.bits <= 8 else 2


def read_equipment(sections: Mapping[str, Mapping[str, Any]]) -> tuple[Telescope, tuple[Camera, ...]]:
    """Read telescope and cameras from the sections of a night file.

    Parameters
    ----------
    sections : mapping
        "telescope", "camera" and "cameras" (by name), in canonical units.

    Returns
    -------
    Telescope, tuple of Camera
        The section "camera" first.

    Raises
    ------
    ValueError
        Aperture, focal length or every pixel size is missing; the message says which and how to write it.
    """
    scope = sections.get("telescope", {})
    lacking = [name for name in ("aperture_mm", "focal_length_mm") if not scope.get(name)]
    if lacking:
        words = " and ".join(name.removesuffix("_mm") for name in lacking)
        raise ValueError(
            f"the telescope's {words} is missing: write telescope: {{aperture: 203 mm, focal_length: 2030 mm}}"
        )
    telescope = Telescope(
        aperture_mm=scope["aperture_mm"],
        focal_length_mm=scope["focal_length_mm"],
        obstruction=scope.get("obstruction") or 0.0,
        amplifier=scope.get("amplifier"),
        amplifiers=tuple(scope.get("amplifiers") or ()),
        name=scope.get("name") or "",
    )
    listed: list[tuple[str, Mapping[str, Any]]] = []
    if sections.get("camera"):
        listed.append((sections["camera"].get("name") or "camera", sections["camera"]))
    listed += list(sections.get("cameras", {}).items())
    cameras = tuple(_camera(name, one) for name, one in listed if one.get("pixel_um"))
    if not cameras:
        raise ValueError("no camera has a pixel size: write camera: {pixel: 3.75 um}, or several under cameras")
    return telescope, cameras


def size_of(text: str) -> tuple[int, int]:
    """Read "640x480" (or with the multiplication sign) as (width, height); raises ValueError."""
    match = re.fullmatch(r"\s*(\d{2,5})\s*[x×]\s*(\d{2,5})\s*", text)
    if match is None:
        raise ValueError(f"{text!r} is not a frame size: write width x height, for example 640x480")
    return int(match[1]), int(match[2])


def _camera(name: str, given: Mapping[str, Any]) -> Camera:
    sensor = size_of(given["sensor"]) if given.get("sensor") else (None, None)
    rates = tuple((*size_of(size), float(rate)) for size, rate in (given.get("frame_rates") or {}).items())
    return Camera(
        name=given.get("name") or name,
        pixel_um=given["pixel_um"],
        width_px=sensor[0],
        height_px=sensor[1],
        bits=given.get("bits") or 8,
        colour=bool(given.get("colours")),
        full_well_e=given.get("full_well_e"),
        read_noise_e=given.get("read_noise_e"),
        rates=tuple(sorted(rates, key=lambda one: (one[0] * one[1], one[0]))),
        interface=given.get("interface"),
    )
