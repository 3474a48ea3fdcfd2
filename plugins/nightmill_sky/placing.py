"""From an ephemeris and a picture's scale and orientation to the disc on that picture."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from nightmill_sky.bodies import body
from nightmill_sky.geometry import Disc
from nightmill_sky.records import Ephemeris

__all__ = ["disc_from_ephemeris", "disc_from_geometry", "offset_px"]


def disc_from_ephemeris(
    ephemeris: Ephemeris,
    *,
    centre_column_px: float,
    centre_row_px: float,
    scale_arcsec_per_px: float,
    north_angle_deg: float = 0.0,
    mirrored: bool = False,
    system: str | None = None,
) -> Disc:
    """The disc on a picture, from an ephemeris and the picture's scale and orientation.

    Parameters
    ----------
    ephemeris : Ephemeris
        For the picture's mid-time.
    centre_column_px, centre_row_px : float
        Middle of the globe.
    scale_arcsec_per_px : float
        Above 0.
    north_angle_deg : float
        Direction of celestial north from the picture's up, counter-clockwise as displayed.
    mirrored : bool
        East is clockwise from north, as after an odd number of reflections.
    system : str, optional
        System of longitude for `central_meridian_deg`; by default II for Jupiter, else the body's own.

    Returns
    -------
    Disc

    Raises
    ------
    ValueError
        The scale is not above 0 or the body has no such system.
    """
    if not scale_arcsec_per_px > 0.0:
        raise ValueError(f"scale_arcsec_per_px must be above 0, got {scale_arcsec_per_px}.")
    globe = body(ephemeris.target)
    own = globe.first_system
    if globe.west_longitudes:
        name = system or ("II" if "II" in globe.meridians else own)
        if name not in ephemeris.central_meridian_deg:
            raise ValueError(
                f"{globe.name} has no system of longitude '{name}'; it has {', '.join(ephemeris.central_meridian_deg)}."
            )
        meridian, own_meridian = ephemeris.central_meridian_deg[name], ephemeris.central_meridian_deg[own]
    else:
        middle = ephemeris.libration_longitude_deg if globe.name == "moon" else ephemeris.sun_l0_deg
        meridian = own_meridian = middle or 0.0
    sun_east = 0.0
    sun_latitude = ephemeris.sub_observer_latitude_planetocentric_deg
    if ephemeris.sub_solar_longitude_deg is not None and ephemeris.sub_solar_latitude_planetocentric_deg is not None:
        sun_latitude = ephemeris.sub_solar_latitude_planetocentric_deg
        difference = ephemeris.sub_solar_longitude_deg - own_meridian
        sun_east = (-difference if globe.west_longitudes else difference) % 360.0
        sun_east = sun_east - 360.0 if sun_east > 180.0 else sun_east
    angle = ephemeris.north_pole_position_angle_deg
    sine = math.sin(math.radians(ephemeris.equatorial_diameter_arcsec / 7200.0))
    return Disc(
        centre_column_px=centre_column_px,
        centre_row_px=centre_row_px,
        equatorial_radius_px=0.5 * ephemeris.equatorial_diameter_arcsec / scale_arcsec_per_px,
        flattening=globe.flattening,
        sub_observer_latitude_deg=ephemeris.sub_observer_latitude_planetocentric_deg,
        pole_angle_deg=(north_angle_deg - angle if mirrored else north_angle_deg + angle) % 360.0,
        mirrored=mirrored,
        central_meridian_deg=meridian,
        central_meridians_deg=dict(ephemeris.central_meridian_deg),
        west_longitudes=globe.west_longitudes,
        sub_solar_latitude_deg=sun_latitude,
        sun_east_of_meridian_deg=sun_east,
        distance_radii=1.0 / sine if globe.name in ("moon", "sun") else math.inf,
        rings_radii=tuple(
            (inner / globe.equatorial_radius_km, outer / globe.equatorial_radius_km)
            for _, inner, outer in globe.rings_km
        ),
    )


def disc_from_geometry(geometry: Mapping[str, Any], ephemeris: Ephemeris, *, system: str | None = None) -> Disc | None:
    """The disc on a picture whose geometry was measured and written down.

    Parameters
    ----------
    geometry : mapping
        "disc" with "x_px", "y_px" (0-based column and row of the middle) and "a_px" (long half axis); "mirrored"; and
        a direction, counter-clockwise from up: "pole_angle_deg" of the planet's pole, "planet_east_deg" of its east
        or "north_angle_deg" of celestial north; the first that is there.
    ephemeris : Ephemeris
        For the time that is wanted.
    system : str, optional
        See `disc_from_ephemeris`.

    Returns
    -------
    Disc or None
        None when one of these is missing.
    """
    disc, mirrored = geometry.get("disc"), geometry.get("mirrored")
    pole, north = geometry.get("pole_angle_deg"), geometry.get("north_angle_deg")
    east = geometry.get("planet_east_deg")
    if pole is None and east is not None and mirrored is not None:
        pole = float(east) + (-90.0 if mirrored else 90.0)
    if not disc or mirrored is None or (pole is None and north is None):
        return None
    globe = disc_from_ephemeris(
        ephemeris,
        centre_column_px=float(disc["x_px"]),
        centre_row_px=float(disc["y_px"]),
        scale_arcsec_per_px=0.5 * ephemeris.equatorial_diameter_arcsec / float(disc["a_px"]),
        north_angle_deg=float(north or 0.0),
        mirrored=bool(mirrored),
        system=system,
    )
    return globe if pole is None else replace(globe, pole_angle_deg=float(pole) % 360.0)


def offset_px(
    east_arcsec: float, north_arcsec: float, scale_arcsec_per_px: float, north_angle_deg: float, mirrored: bool
) -> tuple[float, float]:
    """Turn an offset on the sky into one on the picture.

    Parameters
    ----------
    east_arcsec, north_arcsec : float
        As of `Satellite`.
    scale_arcsec_per_px : float
        Above 0.
    north_angle_deg : float
        Direction of celestial north from the picture's up, counter-clockwise as displayed.
    mirrored : bool
        East is clockwise from north.

    Returns
    -------
    right_px, down_px : float
        To be added to a column and a row.
    """
    right = (1.0 if mirrored else -1.0) * east_arcsec / scale_arcsec_per_px
    up = north_arcsec / scale_arcsec_per_px
    turn = math.radians(north_angle_deg)
    return right * math.cos(turn) - up * math.sin(turn), -right * math.sin(turn) - up * math.cos(turn)
