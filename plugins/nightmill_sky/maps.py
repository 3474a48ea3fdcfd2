"""Maps of a globe from pictures of it: cylindrical and polar projections, joined with weights.

A map is laid out so that north is up and, for planets with west longitudes, longitudes grow to the left as on the
sky. Its grid is described for a FITS header by `map_header`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill_sky.geometry import Disc
from nightmill_sky.shading import DARKENING, shading, visibility

__all__ = ["GlobeMap", "cylindrical_map", "join_maps", "map_header", "match_maps", "polar_map"]

_WELL = 0.4  # weight from which a spot was seen well enough to compare brightness by it

Array = NDArray[np.float64]
Image = NDArray[np.float32]


@dataclass(frozen=True)
class GlobeMap:
    """A map of a globe.

    Parameters
    ----------
    values : ndarray of float32, shape (rows, columns) or (rows, columns, channels)
        0 where nothing was seen.
    weight : ndarray of float32, shape (rows, columns)
        0 (not seen) to 1 (seen from straight above, in full light).
    longitude_deg, latitude_deg : ndarray of float64, shape (rows, columns)
        Of each cell; latitude planetographic.
    projection : str
        "cylindrical", "north" or "south".
    cells_per_degree : float
    west_longitudes : bool
    """

    values: Image
    weight: Image
    longitude_deg: Array
    latitude_deg: Array
    projection: str
    cells_per_degree: float
    west_longitudes: bool = field(default=True)


def _sample(
    picture: NDArray[np.floating], disc: Disc, longitude: Array, latitude: Array, darkening: float | None
) -> tuple[Image, Image]:
    column, row, emission, incidence = disc.picture(longitude, latitude)
    image = np.ascontiguousarray(picture, dtype=np.float32)
    values = cv2.remap(
        image, column.astype(np.float32), row.astype(np.float32), cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_CONSTANT
    )
    weight = visibility(disc, column, row, emission, incidence, image.shape)
    if darkening is not None:
        flat = shading(emission, incidence, darkening).astype(np.float32)
        values = values / (flat if values.ndim == 2 else flat[:, :, None])
    seen = weight > 0.0
    return np.where(seen if values.ndim == 2 else seen[:, :, None], values, 0.0).astype(np.float32), weight.astype(
        np.float32
    )


def cylindrical_map(
    picture: NDArray[np.floating], disc: Disc, *, cells_per_degree: float = 2.0, darkening: float | None = DARKENING
) -> GlobeMap:
    """Map a picture onto longitude and latitude.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns) or (rows, columns, channels)
        Linear brightness above the background.
    disc : Disc
    cells_per_degree : float
        Above 0 to 20.
    darkening : float or None
        Minnaert's exponent of the limb darkening to take off; None leaves the brightness as it is.

    Returns
    -------
    GlobeMap
        360 x 180 degrees; the first column is centred half a cell from longitude 360 (planets) or 0.

    Raises
    ------
    ValueError
        `cells_per_degree` outside its range.
    """
    if not 0.0 < cells_per_degree <= 20.0:
        raise ValueError(f"cells_per_degree must lie above 0 and up to 20, got {cells_per_degree}.")
    columns, rows = round(360 * cells_per_degree), round(180 * cells_per_degree)
    along = (np.arange(columns) + 0.5) * 360.0 / columns
    longitude = 360.0 - along if disc.west_longitudes else along
    latitude = 90.0 - (np.arange(rows) + 0.5) * 180.0 / rows
    lon, lat = np.meshgrid(longitude, latitude)
    values, weight = _sample(picture, disc, lon, lat, darkening)
    return GlobeMap(values, weight, lon, lat, "cylindrical", columns / 360.0, disc.west_longitudes)


def polar_map(
    picture: NDArray[np.floating],
    disc: Disc,
    *,
    south: bool = False,
    edge_latitude_deg: float = 0.0,
    cells_per_degree: float = 2.0,
    darkening: float | None = DARKENING,
) -> GlobeMap:
    """Map a picture around a pole, distance from the middle proportional to the polar distance.

    Parameters
    ----------
    picture, disc, cells_per_degree, darkening
        See `cylindrical_map`.
    south : bool
        Around the south pole, seen from above it.
    edge_latitude_deg : float
        Latitude of the rim (its sign does not matter), 0 to below 90.

    Returns
    -------
    GlobeMap
        Square, with the pole in the middle of its middle cell and longitude 0 downwards; cells beyond the rim have
        weight 0.

    Raises
    ------
    ValueError
        An argument outside its range.
    """
    if not 0.0 < cells_per_degree <= 20.0:
        raise ValueError(f"cells_per_degree must lie above 0 and up to 20, got {cells_per_degree}.")
    reach = 90.0 - abs(edge_latitude_deg)
    if not reach > 0.0:
        raise ValueError(f"edge_latitude_deg must lie below 90, got {edge_latitude_deg}.")
    half = math.ceil(reach * cells_per_degree)
    down, right = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float64)
    distance = np.hypot(down, right) / cells_per_degree
    # From above the north pole east runs counter-clockwise; from above the south pole clockwise.
    east = np.degrees(np.arctan2(right, down)) * (-1.0 if south else 1.0)
    lon = np.mod(-east if disc.west_longitudes else east, 360.0)
    beyond = distance > reach
    lat = (90.0 - np.minimum(distance, 90.0)) * (-1.0 if south else 1.0)
    values, weight = _sample(picture, disc, lon, lat, darkening)
    weight = np.where(beyond, 0.0, weight).astype(np.float32)
    values = np.where(beyond if values.ndim == 2 else beyond[:, :, None], 0.0, values).astype(np.float32)
    return GlobeMap(values, weight, lon, lat, "south" if south else "north", cells_per_degree, disc.west_longitudes)


def join_maps(maps: Sequence[GlobeMap]) -> GlobeMap:
    """Join maps of the same grid, each counting by its weight.

    Parameters
    ----------
    maps : sequence of GlobeMap
        At least one; the same projection, size and channels.

    Returns
    -------
    GlobeMap
        The weighted mean; its weight is the largest of the single ones.

    Raises
    ------
    ValueError
        No map, or maps that do not fit together.
    """
    if not maps:
        raise ValueError("no map was given.")
    first = maps[0]
    total = np.zeros(first.values.shape, dtype=np.float64)
    count = np.zeros(first.weight.shape, dtype=np.float64)
    for one in maps:
        same = one.projection == first.projection and one.values.shape == first.values.shape
        if not same or one.west_longitudes != first.west_longitudes:
            raise ValueError(
                f"maps of different grids cannot be joined: {one.projection} {one.values.shape} and "
                f"{first.projection} {first.values.shape}."
            )
        weight = one.weight.astype(np.float64)
        total += one.values * (weight if total.ndim == 2 else weight[:, :, None])
        count += weight
    safe = np.where(count > 0.0, count, 1.0)
    values = (total / (safe if total.ndim == 2 else safe[:, :, None])).astype(np.float32)
    return GlobeMap(
        values,
        np.max([one.weight for one in maps], axis=0),
        first.longitude_deg,
        first.latitude_deg,
        first.projection,
        first.cells_per_degree,
        first.west_longitudes,
    )


def match_maps(maps: Sequence[GlobeMap]) -> list[GlobeMap]:
    """Bring maps to the brightness of the first: exposure and air differ from picture to picture.

    Parameters
    ----------
    maps : sequence of GlobeMap
        Of the same grid.

    Returns
    -------
    list of GlobeMap
        Each one times a single factor: the median ratio where it was seen well together with those before it. A map
        that shares less than a hundredth of the grid with them keeps the ratio of the medians.
    """
    out: list[GlobeMap] = []
    for one in maps:
        if not out:
            out.append(one)
            continue
        so_far = join_maps(out)
        levels = [m.values if m.values.ndim == 2 else m.values.mean(axis=2) for m in (so_far, one)]
        well = [m.weight > _WELL for m in (so_far, one)]
        both = well[0] & well[1] & (levels[1] > 0.0)
        if both.sum() >= 0.01 * both.size:
            factor = float(np.median(levels[0][both] / levels[1][both]))
        else:
            middles = [float(np.median(v[w])) if w.any() else 0.0 for v, w in zip(levels, well, strict=True)]
            factor = middles[0] / middles[1] if min(middles) > 0.0 else 1.0
        out.append(replace(one, values=(one.values * np.float32(factor)).astype(np.float32)))
    return out


_PREFIX = {
    "mercury": "ME",
    "venus": "VE",
    "moon": "SE",
    "mars": "MA",
    "jupiter": "JU",
    "saturn": "SA",
    "uranus": "UR",
    "neptune": "NE",
    "sun": "SO",
}


def map_header(globe_map: GlobeMap, target: str) -> dict[str, str | float]:
    """The grid of a map as FITS keywords.

    Parameters
    ----------
    globe_map : GlobeMap
        Its values written with the top row last, as FITS counts rows upwards.
    target : str
        One of `nightmill_sky.TARGETS`.

    Returns
    -------
    dict
        World coordinates in degrees: plate carree (CAR) or azimuthal equidistant (ARC).

    Notes
    -----
    Calabretta & Greisen (2002), "Representations of celestial coordinates in FITS", A&A 395, 1077; names of the axes
    after Marmo et al. (2018), "FITS format for planetary surfaces", doi:10.1029/2018EA000388.
    """
    rows, columns = globe_map.weight.shape
    prefix = _PREFIX[target]
    cylindrical = globe_map.projection == "cylindrical"
    code = "CAR" if cylindrical else "ARC"
    sense = -1.0 if globe_map.west_longitudes else 1.0
    step = 1.0 / globe_map.cells_per_degree
    header: dict[str, str | float] = {
        "CTYPE1": f"{prefix}LN-{code}",
        "CTYPE2": f"{prefix}LT-{code}",
        "CUNIT1": "deg",
        "CUNIT2": "deg",
        "CRPIX1": (columns + 1) / 2.0,
        "CRPIX2": (rows + 1) / 2.0,
    }
    if cylindrical:
        return header | {"CRVAL1": 180.0, "CRVAL2": 0.0, "CDELT1": sense * step, "CDELT2": step}
    south = globe_map.projection == "south"
    # A zenithal map with the pole in the middle; longitude 0 points down.
    return header | {
        "CRVAL1": 0.0,
        "CRVAL2": -90.0 if south else 90.0,
        "CDELT1": sense * step,
        "CDELT2": step,
        "LONPOLE": 0.0 if south else 180.0,
    }
