"""The invented scenes by name: planets as discs, lunar and solar surfaces as fields, drawn in linear light.

A `DiscScene` can be drawn at any time, position and angle; a `FieldScene` is drawn once. Both give (3, rows, columns)
float32 in R, G, B (630, 530, 460 nm); `mix` makes one plane for a given wavelength of it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .bodies import Body, Rings
from .surfaces import lunar_field, solar_field
from .textures import MAP_WAVELENGTHS_NM, banded_map, ochre_map

__all__ = ["SCENES", "DiscScene", "FieldScene", "StarScene", "make_scene", "mix"]

Float = NDArray[np.float32]


@dataclass(frozen=True)
class DiscScene:
    """A planet on a dark sky.

    Attributes
    ----------
    body : Body
        The planet.
    diameter_arcsec : float
        Equatorial diameter.
    extent : float
        Largest reach from the centre, rings included, in equatorial radii.
    """

    body: Body
    diameter_arcsec: float
    extent: float = 1.0

    def draw(
        self,
        shape: tuple[int, int],
        scale_arcsec: float,
        centre_px: tuple[float, float],
        north_deg: float,
        time_s: float,
    ) -> Float:
        """Draw the planet; parameters as in `Body.render`, scale in arc seconds a pixel."""
        radius = self.diameter_arcsec / 2 / scale_arcsec
        return self.body.render(shape, centre_px, radius, north_deg=north_deg, time_s=time_s)


@dataclass(frozen=True)
class StarScene(DiscScene):
    """A star: a point that gives as much light as a square arc second of a white surface, times its colour.

    Attributes
    ----------
    colour : tuple of float
        Light in R, G and B.
    """

    colour: tuple[float, float, float] = (1.0, 1.0, 1.0)

    def draw(
        self,
        shape: tuple[int, int],
        scale_arcsec: float,
        centre_px: tuple[float, float],
        north_deg: float,
        time_s: float,
    ) -> Float:
        """Draw the point, shared among the four pixels around `centre_px`; see `DiscScene.draw`."""
        picture = np.zeros((3, *shape), np.float32)
        (y, dy), (x, dx) = ((int(np.floor(at)), at - np.floor(at)) for at in centre_px)
        for row, column, share in (
            (y, x, (1 - dy) * (1 - dx)),
            (y, x + 1, (1 - dy) * dx),
            (y + 1, x, dy * (1 - dx)),
            (y + 1, x + 1, dy * dx),
        ):
            if share:
                picture[:, row, column] = np.asarray(self.colour, np.float32) * np.float32(share / scale_arcsec**2)
        return picture


@dataclass(frozen=True)
class FieldScene:
    """A surface that fills the frame.

    Attributes
    ----------
    kind : str
        "lunar" or "solar".
    seed : int
        Seed of the drawing.
    tint : tuple of float
        Colour in R, G, B.
    options : mapping
        Further arguments of the drawing function.
    """

    kind: str
    seed: int
    tint: tuple[float, float, float]
    options: Mapping[str, Any] = field(default_factory=dict)

    def draw(self, shape: tuple[int, int], scale_arcsec: float) -> Float:
        """Draw the field at a scale in arc seconds a pixel; (3, rows, columns) float32."""
        rng = np.random.default_rng([self.seed, 0x5C])
        if self.kind == "lunar":
            # One arc second is 1.86 km at the mean distance of the Moon.
            plane = lunar_field(shape, rng, px_per_km=1 / (1.86 * scale_arcsec), **self.options)
        else:
            plane = solar_field(shape, rng, px_per_arcsec=1 / scale_arcsec, **self.options)
        return np.stack([plane * np.float32(tint) for tint in self.tint])


Scene = DiscScene | FieldScene


def mix(planes: Float, wavelength_nm: float) -> Float:
    """Interpolate (3, rows, columns) in wavelength; clamped beyond the ends. Returns (rows, columns) float32."""
    ends = MAP_WAVELENGTHS_NM[::-1]
    weights = [np.interp(wavelength_nm, ends, unit) for unit in np.eye(3)]
    picture = np.zeros(planes.shape[1:], np.float32)
    for plane, weight in zip(planes[::-1], weights, strict=True):
        if weight:
            picture += plane * np.float32(weight)
    return picture


# Sizes, tilts and illumination are those of the presets' dates (see there), so that an ephemeris fits the pictures.


def _jupiter(seed: int, *, diameter_arcsec: float = 42.736, map_rows: int = 768, **body: Any) -> Scene:
    albedo = banded_map(map_rows, np.random.default_rng([seed, 0x01]))
    shape: dict[str, Any] = {"flattening": 0.06487, "tilt_deg": 2.689, "day_hours": 9.92492, "meridian_deg": 29.49}
    shape |= {"sun_latitude_deg": 2.588, "sun_west_deg": 10.196}
    return DiscScene(Body(albedo, **(shape | body)), diameter_arcsec)


def _mars(seed: int, *, diameter_arcsec: float = 13.260, map_rows: int = 512, **body: Any) -> Scene:
    albedo = ochre_map(map_rows, np.random.default_rng([seed, 0x02]))
    shape: dict[str, Any] = {"flattening": 0.00589, "tilt_deg": 7.544, "day_hours": 24.62296, "meridian_deg": 80.50}
    shape |= {"sun_latitude_deg": 15.972, "sun_west_deg": 14.636, "minnaert": (0.65, 0.70, 0.80)}
    return DiscScene(Body(albedo, **(shape | body)), diameter_arcsec)


def _saturn(seed: int, *, diameter_arcsec: float = 20.185, map_rows: int = 512, **body: Any) -> Scene:
    rng = np.random.default_rng([seed, 0x03])
    albedo = banded_map(map_rows, rng, contrast=0.4, ovals=3, great_oval=False)
    albedo *= np.array([0.95, 0.86, 0.70], np.float32)[:, None, None]
    shape: dict[str, Any] = {"flattening": 0.09796, "tilt_deg": -17.711, "day_hours": 10.65622, "meridian_deg": 355.50}
    shape |= {"sun_latitude_deg": -18.222, "sun_west_deg": 0.612, "rings": Rings()}
    return DiscScene(Body(albedo, **(shape | body)), diameter_arcsec, extent=2.3)


def _moon(seed: int, **options: Any) -> Scene:
    return FieldScene("lunar", seed, (1.0, 0.93, 0.84), options)


def _sun(seed: int, **options: Any) -> Scene:
    return FieldScene("solar", seed, (0.96, 1.0, 0.97), options)


def _star(seed: int, *, colour: tuple[float, float, float] = (1.0, 1.0, 1.0)) -> Scene:
    # A star has no map; the globe only stands for where it is and that it does not turn.
    return StarScene(Body(np.ones((3, 2, 4), np.float32), day_hours=1e6), 0.01, colour=colour)


SCENES: Mapping[str, Callable[..., Scene]] = {
    "jupiter": _jupiter,
    "mars": _mars,
    "saturn": _saturn,
    "moon": _moon,
    "sun": _sun,
    "star": _star,
}
"""Makers of scenes: name -> f(seed, **options)."""


def make_scene(name: str, seed: int, **options: Any) -> Scene:
    """Make a scene.

    Parameters
    ----------
    name : str
        A key of `SCENES`.
    seed : int
        Seed; the same seed gives the same scene.
    **options
        For planets `diameter_arcsec`, `map_rows` and the fields of `Body`; for the Moon `sun_altitude_deg`; for the
        Sun `limb_distance_arcsec`; for a star `colour`.

    Returns
    -------
    DiscScene or FieldScene
        The scene.

    Raises
    ------
    ValueError
        If the name is not known.
    """
    if name not in SCENES:
        raise ValueError(f"no scene is called {name!r}; there are {', '.join(SCENES)}")
    return SCENES[name](seed, **options)
