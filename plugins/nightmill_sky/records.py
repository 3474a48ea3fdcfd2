"""What an ephemeris says: the records that `physical` fills, and their published form in JSON.

Longitudes of the planets are west longitudes, as observers count them, so that the central meridian grows with time on
every planet that turns forwards; for Venus and Uranus, which turn backwards, the west longitude falls with time and
the IAU's planetographic longitude is 360 degrees minus it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from nightmill_sky.site import Site

__all__ = ["JSON_KEYS", "Ephemeris", "Satellite"]


@dataclass(frozen=True)
class Satellite:
    """A moon beside its planet.

    Parameters
    ----------
    name : str
    x_arcsec, y_arcsec : float
        Offset from the middle of the planet on the sky, east and north positive (true north of date).
    state : str
        The first that is true: "occulted" (behind the planet), "eclipsed" (in its shadow), "behind the rings" (the
        dense ones, A and B), "transit" (before the planet), "shadow transit" (its shadow lies on it), "visible".
    shadow_x_arcsec, shadow_y_arcsec : float or None
        Where its shadow lies on the planet, while it does.
    """

    name: str
    x_arcsec: float
    y_arcsec: float
    state: str
    shadow_x_arcsec: float | None = None
    shadow_y_arcsec: float | None = None

    def to_json(self) -> dict[str, Any]:
        """Plain object for JSON; the shadow's place only while it lies on the planet."""
        shadow = (
            {}
            if self.shadow_x_arcsec is None
            else {"shadow_x_arcsec": self.shadow_x_arcsec, "shadow_y_arcsec": self.shadow_y_arcsec}
        )
        return {
            "name": self.name,
            "x_arcsec": self.x_arcsec,
            "y_arcsec": self.y_arcsec,
            "state": self.state,
            **shadow,
        }


@dataclass(frozen=True)
class Ephemeris:
    """The physical ephemeris of one body at one instant.

    Angles in degrees. What does not apply to the body, or needs a site that was not given, is None.

    Parameters
    ----------
    target, utc : str
        Name; ISO 8601 instant.
    site : Site or None
        None: seen from the centre of the Earth.
    distance_au, light_time_s : float
        Distance that the light travelled.
    ra_deg, dec_deg : float
        Apparent place, true equator and equinox of date, topocentric when there is a site.
    altitude_deg, azimuth_deg, parallactic_angle_deg : float or None
        Without refraction; azimuth from north through east. The parallactic angle is the position angle of the
        zenith, positive west of the meridian.
    refracted_altitude_deg : float or None
        Altitude in air of 1010 hPa and 10 degrees Celsius; None below -1 degree.
    airmass : float or None
        None below the horizon.
    equatorial_diameter_arcsec, polar_diameter_arcsec : float
        Angular size of the two axes of the globe.
    disc_minor_axis_arcsec : float
        Size of the short axis of the outline as seen: larger than the polar diameter when a pole leans towards us.
    phase_angle_deg, illuminated_fraction : float or None
        Angle Sun - body - observer; lit part of the disc (of a sphere), 0 to 1.
    magnitude : float
        Visual, outside the air.
    sub_observer_latitude_planetocentric_deg, sub_observer_latitude_planetographic_deg : float
        Latitude of the middle of the disc.
    central_meridian_deg : dict of str to float
        West longitude of the middle of the disc, by system: I, II, III or IAU. Empty for the Moon and the Sun.
    sub_solar_latitude_planetocentric_deg, sub_solar_latitude_planetographic_deg : float or None
        Latitude of the point under the Sun.
    sub_solar_longitude_deg : float or None
        Its longitude, counted as the central meridian, in the body's own system (III, IAU); east on the Moon.
    north_pole_position_angle_deg : float
        From true north through east, 0 to 360.
    bright_limb_position_angle_deg : float or None
        Direction to the Sun on the picture, from north through east, 0 to 360.
    ring_opening_earth_deg, ring_opening_sun_deg : float or None
        Saturn: elevation of the observer and of the Sun above the ring plane, north positive.
    solar_longitude_deg : float or None
        Mars: Ls, 0 at the northern spring equinox.
    libration_longitude_deg, libration_latitude_deg, colongitude_deg : float or None
        Moon: selenographic east longitude and latitude of the middle of the disc; colongitude of the Sun.
    sun_p_deg, sun_b0_deg, sun_l0_deg, carrington_rotation : float or None
        Sun: position angle of the axis (-180 to 180), latitude and Carrington longitude of the middle of the disc.
    satellites : tuple of Satellite
    notes : tuple of str
        What limits the accuracy, in words.
    """

    target: str
    utc: str
    site: Site | None
    distance_au: float
    light_time_s: float
    ra_deg: float
    dec_deg: float
    equatorial_diameter_arcsec: float
    polar_diameter_arcsec: float
    disc_minor_axis_arcsec: float
    magnitude: float
    sub_observer_latitude_planetocentric_deg: float
    sub_observer_latitude_planetographic_deg: float
    north_pole_position_angle_deg: float
    central_meridian_deg: dict[str, float] = field(default_factory=dict)
    altitude_deg: float | None = None
    azimuth_deg: float | None = None
    refracted_altitude_deg: float | None = None
    airmass: float | None = None
    parallactic_angle_deg: float | None = None
    phase_angle_deg: float | None = None
    illuminated_fraction: float | None = None
    sub_solar_latitude_planetocentric_deg: float | None = None
    sub_solar_latitude_planetographic_deg: float | None = None
    sub_solar_longitude_deg: float | None = None
    bright_limb_position_angle_deg: float | None = None
    ring_opening_earth_deg: float | None = None
    ring_opening_sun_deg: float | None = None
    solar_longitude_deg: float | None = None
    libration_longitude_deg: float | None = None
    libration_latitude_deg: float | None = None
    colongitude_deg: float | None = None
    sun_p_deg: float | None = None
    sun_b0_deg: float | None = None
    sun_l0_deg: float | None = None
    carrington_rotation: int | None = None
    satellites: tuple[Satellite, ...] = ()
    notes: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Plain object with the published keys; what does not apply is left out.

        Returns
        -------
        dict
            ``target``, ``utc`` and the quantities, in the order of `JSON_KEYS`; ``notes`` when there are any.
        """
        out: dict[str, Any] = {"target": self.target, "utc": self.utc}
        if self.site is not None:
            out["site"] = {
                "latitude_deg": self.site.latitude_deg,
                "longitude_deg": self.site.longitude_deg,
                "height_m": self.site.height_m,
            }
        for key in JSON_KEYS:
            value = getattr(self, key)
            if key == "satellites":
                if value:
                    out[key] = [s.to_json() for s in value]
            elif value is not None and value != {}:
                out[key] = value
        if self.notes:
            out["notes"] = list(self.notes)
        return out


JSON_KEYS: tuple[str, ...] = (
    "distance_au",
    "ra_deg",
    "dec_deg",
    "altitude_deg",
    "azimuth_deg",
    "airmass",
    "parallactic_angle_deg",
    "equatorial_diameter_arcsec",
    "polar_diameter_arcsec",
    "phase_angle_deg",
    "illuminated_fraction",
    "magnitude",
    "sub_observer_latitude_planetocentric_deg",
    "sub_observer_latitude_planetographic_deg",
    "central_meridian_deg",
    "sub_solar_latitude_planetocentric_deg",
    "sub_solar_longitude_deg",
    "north_pole_position_angle_deg",
    "bright_limb_position_angle_deg",
    "ring_opening_earth_deg",
    "ring_opening_sun_deg",
    "solar_longitude_deg",
    "libration_longitude_deg",
    "libration_latitude_deg",
    "colongitude_deg",
    "sun_p_deg",
    "sun_b0_deg",
    "sun_l0_deg",
    "carrington_rotation",
    "satellites",
)
"""Keys of `Ephemeris.to_json`, in order."""
