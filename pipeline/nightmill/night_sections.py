"""What the night file says of site, equipment and recordings, section by section."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from .naming import parse_utc
from .stage import Unit

__all__ = ["Camera", "Override", "Reference", "Section", "Site", "Telescope"]

FRAME_SIZE = r"^\d{2,5}[x×]\d{2,5}$"
"""Width and height in pixels."""


class Section(BaseModel):
    """A section, or an entry of one: immutable, no unknown keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    planning: ClassVar[frozenset[str]] = frozenset()
    """Fields that only help to plan an evening: stages do not see them, so changing them makes nothing again."""

    def plain(self, *, planning: bool = False) -> dict[str, Any]:
        """Return what was given, by names with units; with what only serves planning when asked for."""
        return self.model_dump(exclude_none=True, exclude=None if planning else set(self.planning))


class Site(Section):
    """Where the telescope stands."""

    name: str | None = Field(None, max_length=80, description="Name of the site, for labels.")
    latitude_deg: Annotated[float, Unit("deg")] | None = Field(
        None, alias="latitude", ge=-90, le=90, description="Geographic latitude, north positive."
    )
    longitude_deg: Annotated[float, Unit("deg")] | None = Field(
        None, alias="longitude", ge=-180, le=360, description="Geographic longitude, east positive."
    )
    height_m: Annotated[float, Unit("m")] | None = Field(
        None, alias="height", ge=-500, le=9000, description="Height above the sea."
    )
    pressure_hpa: Annotated[float, Unit("hPa")] | None = Field(
        None, alias="pressure", ge=300, le=1100, description="Pressure of the air at the site; else by its height."
    )
    temperature_c: Annotated[float, Unit("deg_C")] | None = Field(
        None, alias="temperature", ge=-60, le=50, description="Temperature of the air in the night, such as 5 deg_C."
    )
    ephemeris: str | None = Field(
        None,
        max_length=500,
        description="A JPL kernel (.bsp file) for places on the sky, instead of the ephemeris that is built in; "
        "relative to this file.",
    )


class Telescope(Section):
    """The telescope and what stands between it and the camera."""

    name: str | None = Field(None, max_length=80, description="Name for labels.")
    aperture_mm: Annotated[float, Unit("mm")] | None = Field(
        None, alias="aperture", gt=10, lt=50_000, description="Diameter of the opening."
    )
    focal_length_mm: Annotated[float, Unit("mm")] | None = Field(
        None, alias="focal_length", gt=10, lt=1e6, description="Focal length without amplifier."
    )
    obstruction: float | None = Field(
        None, ge=0, lt=0.95, description="Diameter of the central obstruction as a fraction of the aperture."
    )
    amplifier: float | None = Field(
        None, gt=0.1, lt=20, description="Factor by which lenses before the camera stretch the focal length."
    )
    amplifiers: list[Annotated[float, Field(gt=0.1, lt=20)]] | None = Field(
        None, max_length=20, description="Factors of the lenses at hand, to choose from: [1.5, 2, 3]."
    )
    planning = frozenset({"amplifiers"})


class Camera(Section):
    """The camera."""

    name: str | None = Field(None, max_length=80, description="Name for labels.")
    pixel_um: Annotated[float, Unit("um")] | None = Field(
        None, alias="pixel", gt=0.3, lt=100, description="Size of a pixel."
    )
    bits: int | None = Field(None, ge=8, le=16, description="Bits of its converter.")
    colours: str | None = Field(
        None, pattern="^[RGB]{4}$", description="Colour filter array, when the files do not say it: RGGB and so on."
    )
    full_well_e: Annotated[float, Unit("electron")] | None = Field(
        None, alias="full_well", gt=100, lt=1e7, description="Electrons that a pixel holds: 14500 electron."
    )
    read_noise_e: Annotated[float, Unit("electron")] | None = Field(
        None, alias="read_noise", gt=0, lt=1000, description="Noise of reading a pixel: 1.2 electron."
    )
    sensor: str | None = Field(
        None, pattern=FRAME_SIZE, description="Pixels of the whole sensor, width x height: 1936x1096."
    )
    frame_rates: dict[Annotated[str, Field(pattern=FRAME_SIZE)], Annotated[float, Unit("Hz")]] | None = Field(
        None, max_length=50, description="Frames a second by frame size: {640x480: 113 Hz}."
    )
    interface: Literal["usb2", "usb3", "usb3.2", "gigabit"] | None = Field(
        None, description="Link to the computer: usb2, usb3, usb3.2 or gigabit."
    )
    planning = frozenset({"sensor", "frame_rates", "interface"})


class Reference(Section):
    """Where a target stands in the sky that others are measured by, such as a star like the Sun."""

    right_ascension_deg: Annotated[float, Unit("deg")] | None = Field(
        None,
        alias="right_ascension",
        ge=0,
        le=360,
        description="Right ascension, J2000.0: 66.4 deg, or 4.427 hourangle.",
    )
    declination_deg: Annotated[float, Unit("deg")] | None = Field(
        None, alias="declination", ge=-90, le=90, description="Declination, J2000.0, north positive."
    )
    altitude_deg: Annotated[float, Unit("deg")] | None = Field(
        None,
        alias="altitude",
        ge=0,
        le=90,
        description="Height above the horizon when it was recorded, if no place is given.",
    )
    colour_index: float | None = Field(
        None, ge=-0.5, le=2.5, description="Its colour B-V in magnitudes, from a catalogue; that of the Sun is 0.653."
    )

    @model_validator(mode="after")
    def _whole_place(self) -> Reference:
        if (self.right_ascension_deg is None) != (self.declination_deg is None):
            raise ValueError("right_ascension and declination go together: give both, or the altitude")
        return self


class Override(Section):
    """What is known of one recording, or of all whose names fit a pattern, beyond name and header."""

    target: str | None = Field(None, max_length=80, description="Target.")
    filter: str | None = Field(None, max_length=40, description="Filter.")
    utc: str | None = Field(None, description="Start, UTC, as 2026-01-12T22:10:00.")
    exposure_s: Annotated[float, Unit("s")] | None = Field(
        None, alias="exposure", gt=0, le=86400, description="Exposure of one frame: 8 ms. SER files do not say it."
    )
    gain: float | None = Field(None, ge=0, le=1e6, description="The camera's gain, in its own unit.")
    skip: bool = Field(False, description="Leave this recording out.")

    @field_validator("utc")
    @classmethod
    def _a_time(cls, text: str | None) -> str | None:
        if text is not None:
            try:
                parse_utc(text)
            except (ValueError, OverflowError):
                raise ValueError(f"{text!r} is not a time; write it like 2026-01-12T22:10:00") from None
        return text
