"""The annotate stage: a thin adapter from pictures and the night to geometry and label."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from nightmill import stage
from nightmill.artefacts import Picture
from nightmill.stage import Context, PictureStage
from nightmill_sky import Ephemeris

from ..orient.discs import disc_of
from ..orient.known import called, sky_of
from ..orient.stage import Orient
from ..write.display import render
from .draw import draw_labelled
from .facts import SOLAR_CAUTION, facts, orientation, title
from .layout import LEAST_PANEL, enlargement, lay_out
from .overlay import lay_overlay

__all__ = ["Annotate"]


class Annotate(PictureStage):
    """Make a labelled copy: a panel below the picture, and on request lines and names over the planet.

    Disc, scale and orientation are those that the stage orient measured; where it does not stand in the recipe, they
    are measured here, from the finished picture. The orientation is never guessed: what is not known the label says.
    """

    name = "annotate"
    version = "3"
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

        overlay: Literal["none", "graticule"] = stage.Field(
            "none",
            description="What is drawn over the planet on the labelled copy: none, or graticule (with central "
            "meridian, terminator, the ends of the axis and the names of moons).",
        )

    def develop(self, pictures: list[Picture], context: Context) -> list[Picture]:
        """Fill in geometry and label of each picture."""
        return [self._annotate(picture, context.about(picture)) for picture in pictures]

    def _annotate(self, picture: Picture, context: Context) -> Picture:
        picture = picture.replace(geometry=self._geometry(picture, context))
        sky = sky_of(picture, context, satellites=self.parameters.overlay != "none")
        if sky is not None:
            _say_sky(sky, context, oriented="orient" in picture.header)
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
            unknown=orientation(geometry),
        )
        overlay = None
        if self.parameters.overlay != "none":
            globe = None if sky is None else disc_of(geometry, sky, any_end=True)
            shape = picture.data.shape
            overlay = lay_overlay((shape[-2], shape[-1]), factor, geometry, globe, sky)
        return picture.replace(labelled=draw_labelled(render(picture.data, picture.display), factor, panel, overlay))

    def _geometry(self, picture: Picture, context: Context) -> dict[str, Any]:
        """What is known of scale, disc and orientation: measured here only where no earlier stage did."""
        north, mirrored = self.parameters.north_angle, self.parameters.mirrored
        if "orient" not in picture.header and "disc" not in picture.geometry:
            word: dict[str, Any] = {"mirrored": mirrored}
            word["north_angle"] = north if north == "auto" else f"{float(north):.12g} deg"
            (measured,) = Orient(Orient.Parameters(**word)).develop([picture], context)
            # What an earlier stage or a plugin knew stays.
            return {**measured.geometry, **picture.geometry, **self._word()}
        geometry = {**picture.geometry, **self._word()}
        said = {note.name for note in context.notes}
        if "north_angle_deg" not in geometry and "north_angle" not in said and "orient" not in picture.header:
            context.caution(
                "north_angle", "The orientation is not known; give north_angle (and mirrored) in the recipe."
            )
        return geometry

    def _word(self) -> dict[str, Any]:
        """The user's own values, which win."""
        word: dict[str, Any] = {}
        if self.parameters.north_angle != "auto":
            word["north_angle_deg"] = float(self.parameters.north_angle) % 360.0
        if self.parameters.mirrored != "auto":
            word["mirrored"] = bool(self.parameters.mirrored)
        return word


def _say_sky(sky: Ephemeris, context: Context, *, oriented: bool) -> None:
    """Cautions about the ephemeris, those left out that an earlier stage gave."""
    said = {note.text for note in context.notes}
    for note in sky.notes:
        if not oriented and note not in said:
            context.caution("ephemeris", note)
    if sky.altitude_deg is not None and sky.altitude_deg < 0.0:
        context.caution(
            "site",
            f"{called(sky.target)} was {-sky.altitude_deg:.0f} degrees below the horizon at that time and site: "
            "check the time (UTC?), latitude and longitude (east positive).",
        )
