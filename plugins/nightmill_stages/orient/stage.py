"""The orient stage: a thin adapter from pictures and the night to the measurements of this folder."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Annotated, Any, Literal

import numpy as np

from nightmill import stage
from nightmill.artefacts import Picture
from nightmill.stage import Context, PictureStage
from nightmill_sky import Ephemeris
from nightmill_sky.filters import wavelength_nm
from nightmill_sky.optics import sampling

from .discs import template_of
from .field import UNLIKELY, mirror_by_field, sky_after, ways_by_west, west_by_drift
from .fit import Placed, place_globe, plane_of
from .known import called, nominal_scale, sky_of
from .moons import find_points, weigh_moons
from .posterior import Known, apart_deg, known, weigh_user

__all__ = ["Orient"]

SURFACES = ("moon", "sun")
AGREE = 0.03
"""By how much telescope and camera may differ from the planet's own measure before it is worth a word."""
DRIFT_SIGMA_DEG = 2.0
"""How well a drift of some seconds shows west (wind and seeing; common practice, no source)."""
WITH_MOONS = ("jupiter", "saturn")
_AXIS_BY = {"jupiter": "belts, outline and phase", "saturn": "rings"}
DARKENING = {"mars": 0.65}
"""Minnaert's exponent where clouds do not make it near 1 (Mars in red to green, from memory 0.6 to 0.7)."""


class Orient(PictureStage):
    """Measure how the planet lies on the picture: place, scale, axis, which end is north, mirror image or not.

    A globe with the shape, phase and rings of the ephemeris is fitted to the picture. Its axis, its dark limb, moons
    beside it, features that moved and a field that rotated during the capture tell how it lies. Directions are given
    only with a confidence of at least 95 %, which is stated; the user's own values win. No pixel is changed.
    """

    name = "orient"
    version = "9"
    uses = ("site", "telescope", "camera", "filters")

    class Parameters(stage.Parameters):
        """Parameters of orient."""

        north_angle: Annotated[float, stage.Unit("deg")] | Literal["auto"] = stage.Field(
            "auto",
            description="Direction of celestial north on the picture, counter-clockwise from up; auto measures it "
            "where the picture shows it.",
        )
        mirrored: bool | Literal["auto"] = stage.Field(
            "auto", description="Whether east is clockwise of north, as after an odd number of mirrors."
        )

    def develop(self, pictures: list[Picture], context: Context) -> list[Picture]:
        """Fill in the geometry of each picture."""
        return [
            picture.replace(
                geometry=self._geometry(picture, context.about(picture)),
                # Later stages see that it was tried, also where nothing was found.
                header={**picture.header, "orient": {"version": self.version}},
            )
            for picture in pictures
        ]

    def _geometry(self, picture: Picture, context: Context) -> dict[str, Any]:
        geometry = dict(picture.geometry)
        north, mirrored = self._user()
        if north is not None:
            geometry["north_angle_deg"] = north
        if mirrored is not None:
            geometry["mirrored"] = mirrored
        nominal = nominal_scale(picture, context.night)
        if nominal is not None:
            geometry["scale_arcsec"] = float(f"{nominal:.6g}")
        target = picture.captures[0].target if picture.captures else None
        if target in SURFACES:
            return geometry | self._by_drift(picture, geometry, context)
        sky = sky_of(picture, context)
        if sky is None:
            return geometry
        for note in sky.notes:
            context.caution("ephemeris", note)
        placed = self._fit(picture, sky, context)
        if placed is None:
            return geometry
        geometry |= _measures(placed, sky, nominal, context)
        self._say_sampling(picture, geometry, context)
        placed, heard = _hear(placed, picture, sky, context)
        return geometry | self._directions(placed, sky, heard, context)

    def _by_drift(self, picture: Picture, geometry: dict[str, Any], context: Context) -> dict[str, Any]:
        """North on a piece of the Moon or the Sun, which shows no disc, by its drift over a camera at rest."""
        north, mirrored = self._user()
        if north is not None or "drift" not in picture.header or "scale_arcsec" not in geometry:
            return {}
        sky = sky_of(picture, context) if picture.utc_mid is not None else None
        camera_scale = geometry["scale_arcsec"] * float(picture.header.get("scale", 1.0))
        west = None if sky is None else west_by_drift(picture.header["drift"], camera_scale, sky.dec_deg)
        if west is None:
            return {}
        if mirrored is None:
            context.caution(
                "north_angle",
                "Its drift shows where west is on the picture; give mirrored in the recipe to settle north.",
            )
            return {}
        found = round((west + (-90.0 if mirrored else 90.0)) % 360.0, 2)
        context.choose("north_angle", found, "By the drift over the resting camera, which runs west.")
        return {"north_angle_deg": found}

    def _user(self) -> tuple[float | None, bool | None]:
        north, mirrored = self.parameters.north_angle, self.parameters.mirrored
        return None if north == "auto" else float(north) % 360.0, None if mirrored == "auto" else bool(mirrored)

    def _fit(self, picture: Picture, sky: Ephemeris, context: Context) -> Placed | None:
        """Fit the globe; whatever is wrong with the picture is a caution."""
        north, mirrored = self._user()
        angle = sky.north_pole_position_angle_deg
        hints = []
        if north is not None:
            hints = [north + (-angle if m else angle) for m in ((False, True) if mirrored is None else (mirrored,))]
        plane = plane_of(picture.data)
        # The sky beyond the part that was stacked tells nothing, and costs memory.
        scale = int(picture.header.get("scale", 1))
        region = picture.header.get("region_px")
        top, left, height, width = (int(n) * scale for n in region) if region else (0, 0, *plane.shape)
        try:
            placed = place_globe(
                np.ascontiguousarray(plane[top : top + height, left : left + width]),
                template_of(sky),
                sky.phase_angle_deg or 0.0,
                pole_angles_deg=hints,
                mirrored=mirrored,
                darkening=DARKENING.get(sky.target, 0.9),
            )
            disc = placed.disc
            return replace(placed, disc=disc.moved(disc.centre_column_px + left, disc.centre_row_px + top))
        except (ValueError, ArithmeticError, MemoryError) as error:
            # LinAlgError is a ValueError too: a hopeless picture must not cost the night.
            context.caution("disc", f"The disc could not be measured, so scale and orientation are left open: {error}")
            return None

    def _say_sampling(self, picture: Picture, geometry: dict[str, Any], context: Context) -> None:
        """Compare the focal length really at work with what the telescope and the wavelength ask for."""
        pixel = context.night.get("camera", {}).get("pixel_um")
        aperture = context.night.get("telescope", {}).get("aperture_mm")
        wave = wavelength_nm(picture.filters[0] if picture.filters else None, context.night.get("filters", {}))
        if not pixel or not aperture or wave is None:
            return
        camera_scale = geometry["scale_arcsec"] * float(picture.header.get("scale", 1.0))
        found = sampling(float(pixel), camera_scale, float(aperture), wave)
        text = f"By the disc the true focal length is {found.focal_length_mm:.0f} mm: "
        values = {"focal_length_mm": round(found.focal_length_mm, 1), "focal_ratio": round(found.focal_ratio, 2)}
        context.measure("sampling", values, text + found.sentence[0].lower() + found.sentence[1:])

    def _directions(self, placed: Placed, sky: Ephemeris, heard: list[str], context: Context) -> dict[str, Any]:
        """What is known of axis, ends and mirror, with the confidence of each."""
        north, mirrored = self._user()
        angle = sky.north_pole_position_angle_deg
        ways, contradicted = weigh_user(placed.ways, angle, north, mirrored)
        if contradicted:
            context.caution(
                "north_angle",
                f"The picture shows the axis of {called(sky.target)} more than 15 degrees from where north_angle "
                "puts it; north_angle is believed.",
            )
        if not ways:
            context.caution(
                "north_angle",
                "The picture does not show the planet's axis; give north_angle and mirrored in the recipe where they "
                "matter.",
            )
            return {}
        found = {
            "pole_axis_deg": known(ways, lambda way: way.pole_angle_deg, 180.0),
            "pole_angle_deg": known(ways, lambda way: way.pole_angle_deg),
            "planet_east_deg": known(ways, lambda way: way.planet_east_deg),
            "north_angle_deg": known(ways, lambda way: way.north_deg(angle)),
            "mirrored": known(ways, lambda way: 180.0 * way.mirrored),
        }
        out: dict[str, Any] = {key: round(value.value, 3) for key, value in found.items() if value.sure}
        if "mirrored" in out:
            out["mirrored"] = found["mirrored"].value > 90.0
        if north is not None:
            out["north_angle_deg"] = north
        out["confidence"] = {key: round(value.confidence, 3) for key, value in found.items() if value.sure}
        if math.isfinite(placed.pole_sigma_deg) and not contradicted:
            out["pole_sigma_deg"] = round(placed.pole_sigma_deg, 3)
        self._say_directions(found, heard, context)
        return out

    def _say_directions(self, found: dict[str, Known], heard: list[str], context: Context) -> None:
        north, mirrored = self._user()
        if north is None and found["north_angle_deg"].sure:
            value = round(found["north_angle_deg"].value, 2)
            why = f"By {' and '.join(heard)}; confidence {found['north_angle_deg'].confidence:.1%}."
            context.choose("north_angle", value, why)
        if mirrored is None and found["mirrored"].sure:
            flipped = found["mirrored"].value > 90.0
            why = f"By {' and '.join(heard)}; confidence {found['mirrored'].confidence:.1%}."
            context.choose("mirrored", flipped, why)
        if found["north_angle_deg"].sure or north is not None:
            return
        axis = found["pole_axis_deg"]
        if not axis.sure:
            text = "Two directions of the planet's axis fit, one for a mirrored picture and one for an upright one"
        elif found["pole_angle_deg"].sure:
            text = "The planet's north pole is known, but not whether the picture is mirrored"
        elif found["planet_east_deg"].sure:
            text = "The planet's axis is known and which way it turns, but not which end of the axis is north"
        else:
            text = "The planet's axis is known, but not which end of it is north"
        context.caution("north_angle", f"{text}; give mirrored (and north_angle) in the recipe to settle it.")


def _hear(placed: Placed, picture: Picture, sky: Ephemeris, context: Context) -> tuple[Placed, list[str]]:
    """Let all that tells how the planet lies weigh in on what the disc shows; says what was heard."""
    heard = [_AXIS_BY.get(sky.target, "the phase")] if placed.ways else []
    camera_scale = 0.5 * sky.equatorial_diameter_arcsec / placed.disc.equatorial_radius_px
    camera_scale *= float(picture.header.get("scale", 1.0))
    west = west_by_drift(picture.header.get("drift", {}), camera_scale, sky.dec_deg)
    ways = list(placed.ways)
    if west is not None:
        ways = ways_by_west(ways, west, sky.north_pole_position_angle_deg)
        heard.append("the drift over the resting camera")
    if not ways:
        return placed, heard
    if not placed.ways:
        placed = replace(placed, pole_sigma_deg=DRIFT_SIGMA_DEG)
    if sky.target in WITH_MOONS:
        full = sky_of(picture, context, satellites=True)
        points = find_points(plane_of(picture.data), placed.disc, placed.blur_px)
        share = placed.radius_sigma_px / placed.disc.equatorial_radius_px
        ways, found = weigh_moons(ways, points, placed.disc, full or sky, share, placed.pole_sigma_deg)
        if found:
            heard.append(f"the moon{'s' * (len(found) > 1)} {', '.join(found)}")
    mirrored = mirror_by_field(picture.header.get("turned", {}), sky, sky_after(picture, context))
    if mirrored is not None:
        ways = [replace(way, weight=way.weight * (1.0 if way.mirrored == mirrored else UNLIKELY)) for way in ways]
        heard.append("the rotation of the field")
    east = picture.header.get("turned", {}).get("planet_east_deg")
    if east is not None:
        ways = [
            replace(way, weight=way.weight * (1.0 if apart_deg(way.planet_east_deg, float(east)) < 45.0 else UNLIKELY))
            for way in ways
        ]
        heard.append("the movement of features during the capture")
    return replace(placed, ways=tuple(ways)), heard


def _measures(placed: Placed, sky: Ephemeris, nominal: float | None, context: Context) -> dict[str, Any]:
    """Disc and scale, and how the scale compares with telescope and camera."""
    long, short = placed.disc.semi_axes_px
    tilt = placed.disc.pole_angle_deg if placed.ways or placed.disc.flattening < 0.001 else 0.0
    share = placed.radius_sigma_px / long
    scale = 0.5 * sky.equatorial_diameter_arcsec / long
    context.measure(
        "scale_arcsec",
        float(f"{scale:.5g}"),
        f"Arcseconds per pixel by the planet's diameter of {sky.equatorial_diameter_arcsec:.2f} arcsec, which spans "
        f"{2.0 * long:.1f} px; good to {share:.1%}.",
    )
    if nominal is not None and abs(scale / nominal - 1.0) > max(AGREE, 3.0 * share):
        context.caution(
            "scale_arcsec",
            f"By telescope and camera a pixel is {nominal:.3g} arcsec, by the planet's diameter {scale:.3g} arcsec; "
            "the planet is believed. Check focal length, amplifier and pixel size in the night file.",
            float(f"{scale:.4g}"),
        )
    return {
        "scale_arcsec": float(f"{scale:.6g}"),
        "disc": {
            "x_px": round(placed.disc.centre_column_px, 3),
            "y_px": round(placed.disc.centre_row_px, 3),
            "a_px": round(long, 3),
            "b_px": round(short, 3),
            "angle_deg": round((tilt + 90.0) % 180.0 - 90.0, 3),
        },
        "disc_sigma": float(f"{share:.3g}"),
    }
