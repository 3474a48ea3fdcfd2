"""The annotate stage: a thin adapter from pictures and the night to geometry and label."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from nightmill import stage
from nightmill.artefacts import Picture
from nightmill.stage import Context, PictureStage
from nightmill_sky import TARGETS, Ephemeris, Site, ephemeris

from ..write.display import render
from .disc import Ellipse, fit_disc
from .draw import draw_labelled
from .facts import SOLAR_CAUTION, facts, title
from .layout import LEAST_PANEL, enlargement, lay_out

__all__ = ["Annotate"]

AGREE = 0.03
"""Two values of the scale agree when they differ by less: the limb fit is not better than that on small discs."""


class Annotate(PictureStage):
    """Measure the disc and the scale, and make a labelled copy: a panel below an untouched picture.

    The scale comes from telescope and camera; where the planet's own diameter says otherwise by more than 3 %, it is
    the planet that is believed, because amplifiers seldom work at their nominal distance. The orientation is never
    guessed: without `north_angle` or an earlier stage that measured it, the label says that it is not known.
    """

    name = "annotate"
    version = "1"
    uses = ("site", "telescope", "camera", "filters")

    class Parameters(stage.Parameters):
        """Parameters of annotate."""

        north_angle: Annotated[float, stage.Unit("deg")] | Literal["auto"] = stage.Field(
            "auto",
            description="Direction of celestial north on the picture, counter-clockwise from up; auto takes what an "
            "earlier stage measured.",
        )
        mirrored: bool | Literal["auto"] = stage.Field(
            "auto", description="Whether east is clockwise of north, as after an odd number of mirrors."
        )
        label: bool = stage.Field(True, description="Make the labelled copy.")

    def develop(self, pictures: list[Picture], context: Context) -> list[Picture]:
        """Fill in geometry and label of each picture."""
        return [self._annotate(picture, context) for picture in pictures]

    def _annotate(self, picture: Picture, context: Context) -> Picture:
        sky = _ephemeris(picture, context)
        picture = picture.replace(geometry=self._geometry(picture, sky, context))
        if not self.parameters.label:
            return picture
        geometry = picture.geometry
        factor = enlargement(picture.data.shape[-1], picture.data.shape[-2])
        scale = geometry.get("scale_arcsec")
        solar = bool(picture.captures) and picture.captures[0].target == "sun"
        panel = lay_out(
            max(factor * picture.data.shape[-1], LEAST_PANEL),
            title(picture),
            facts(picture, context.night, sky),
            scale_arcsec=None if not scale else scale / factor,
            north_deg=geometry.get("north_angle_deg"),
            mirrored=geometry.get("mirrored"),
            cautions=[SOLAR_CAUTION] if solar else [],
        )
        return picture.replace(labelled=draw_labelled(render(picture.data, picture.display), factor, panel))

    def _geometry(self, picture: Picture, sky: Ephemeris | None, context: Context) -> dict[str, Any]:
        """What is known of scale, disc and orientation; the recipe's own values win."""
        geometry = dict(picture.geometry)
        if self.parameters.north_angle != "auto":
            geometry["north_angle_deg"] = float(self.parameters.north_angle) % 360.0
        if self.parameters.mirrored != "auto":
            geometry["mirrored"] = bool(self.parameters.mirrored)
        if "north_angle_deg" not in geometry:
            context.caution(
                "north_angle", "The orientation is not known; give north_angle (and mirrored) in the recipe."
            )
        disc = _disc(picture, sky)
        if disc is not None and "disc" not in geometry:
            geometry["disc"] = disc.to_json()
        if "scale_arcsec" not in geometry:
            scale = _scale(disc, _nominal_scale(picture, context.night), sky, context)
            if scale is not None:
                geometry["scale_arcsec"] = float(f"{scale:.6g}")
        return geometry


def _ephemeris(picture: Picture, context: Context) -> Ephemeris | None:
    """The ephemeris for the middle of the captures, from the site if there is one."""
    target = picture.captures[0].target if picture.captures else None
    if target not in TARGETS:
        return None
    if picture.utc_mid is None:
        context.caution("utc", "The time of the captures is not known, so diameter and central meridian are left out.")
        return None
    place = context.night.get("site", {})
    site = None
    if "latitude_deg" in place and "longitude_deg" in place:
        site = Site(float(place["latitude_deg"]), float(place["longitude_deg"]), float(place.get("height_m", 0.0)))
    when = datetime.fromtimestamp(picture.utc_mid, UTC)
    try:
        sky = ephemeris(str(target), when, site, satellites=False)
    except ValueError as error:
        context.caution("utc", f"No ephemeris for this picture: {error}")
        return None
    for note in sky.notes:
        context.caution("ephemeris", note)
    if sky.altitude_deg is not None and sky.altitude_deg < 0.0:
        context.caution(
            "site",
            f"{_called(str(target))} was {-sky.altitude_deg:.0f} degrees below the horizon at that time and site: "
            "check the time (UTC?), latitude and longitude (east positive).",
        )
    return sky


def _called(target: str) -> str:
    """The target as a sentence begins with it."""
    return f"The {target.capitalize()}" if target in ("sun", "moon") else target.capitalize()


def _disc(picture: Picture, sky: Ephemeris | None) -> Ellipse | None:
    """The fitted outline, where it is that of a globe: no rings, nearly full."""
    if sky is None or sky.ring_opening_earth_deg is not None:
        return None
    if sky.illuminated_fraction is not None and sky.illuminated_fraction < 0.97:
        return None
    return fit_disc(picture.data)


def _nominal_scale(picture: Picture, night: Mapping[str, Mapping[str, Any]]) -> float | None:
    """Arcseconds per picture pixel by telescope and camera, or None when the night file does not say."""
    pixel = night.get("camera", {}).get("pixel_um")
    focal = night.get("telescope", {}).get("focal_length_mm")
    if not pixel or not focal:
        return None
    amplified = float(focal) * float(night["telescope"].get("amplifier", 1.0))
    return 206.264806 * float(pixel) / amplified / float(picture.header.get("scale", 1.0))


def _scale(disc: Ellipse | None, nominal: float | None, sky: Ephemeris | None, context: Context) -> float | None:
    """Choose between the scale by the equipment and that by the planet's diameter."""
    measured = None
    if disc is not None and sky is not None:
        measured = 0.5 * sky.equatorial_diameter_arcsec / disc.a_px
        context.measure(
            "scale_by_disc", float(f"{measured:.4g}"), "Arcseconds per pixel by the planet's diameter on the picture."
        )
    if measured is None or nominal is None:
        return measured or nominal
    if abs(measured / nominal - 1.0) <= AGREE:
        return nominal
    context.caution(
        "scale_arcsec",
        f"By telescope and camera a pixel is {nominal:.3g} arcsec, by the planet's diameter {measured:.3g} arcsec; the "
        "planet is believed. Check focal length, amplifier and pixel size in the night file.",
        float(f"{measured:.4g}"),
    )
    return measured
