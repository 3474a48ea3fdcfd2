"""The compose stage: a thin adapter from pictures and their notes to the arithmetic of this folder."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray

from nightmill import stage
from nightmill.artefacts import Capture, Picture
from nightmill.stage import Context, PictureStage
from nightmill_sky.filters import ONE_SHOT_NM, filter_key, wavelength_nm

from ..matching.outline import find_object
from ..matching.register import NO_OFFSET
from .balance.stars import stars_for
from .balance.white import white_balance
from .dispersion import say_dispersion
from .finish import choose_display, finish, skies_of
from .luminance import apply_luminance
from .members import (
    carried,
    joined_header,
    limbs_of,
    moved,
    resampled,
    say_derotated,
    say_turned,
    sensed,
    shifted_channels,
    turned_px,
)
from .offsets import measured_offsets
from .repeats import chosen, with_repeats
from .resolution import equalised, sharpness_of, sharpness_within
from .sets import Shot, find_sets
from .smear import say_smear
from .surfaces import SURFACES, is_surface, surface_ways
from .turn.globes import agree

__all__ = ["Channels", "Compose"]

NAMES = ("red", "green", "blue")
LITTLE_TURN_PX = 0.1
"""Turn of the planet below which features lie at the same place in all members of a set."""
Gain = Annotated[float, stage.Field(gt=0, le=100)]


class Channels(stage.Parameters):
    """Which filter is shown in which colour."""

    red: str = stage.Field("R", min_length=1, description="Filter shown in red.")
    green: str = stage.Field("G", min_length=1, description="Filter shown in green.")
    blue: str = stage.Field("B", min_length=1, description="Filter shown in blue.")


class Compose(PictureStage):
    """Make colour pictures: channels registered, the sky's level taken out, white balanced, all in linear light.

    A one-shot-colour picture stays alone; captures of one target through the filters of `channels` join to a set. A
    capture whose set is not complete, or through another filter, is finished as a picture of its own. Values come out
    as (value - sky) * gain, in fractions of the camera's full scale; on a surface that fills the picture no sky is
    seen and none is taken out.
    """

    name = "compose"
    version = "14"
    uses = ("extinction", "filters", "references", "site", "telescope")

    class Parameters(stage.Parameters):
        """Parameters of compose."""

        channels: Channels = stage.Field(Channels(), description="Filter shown in red, green and blue.")
        luminance: str = stage.Field(
            "auto",
            min_length=1,
            description="Filter that gives the brightness of a set: auto (L where there is one), none, or its name.",
        )
        window: Annotated[float, stage.Unit("min")] = stage.Field(
            "15 min", gt=0, description="Longest time from the first to the last start of a filter set."
        )
        register_channels: bool = stage.Field(True, description="Move the channels onto one another.")
        one_resolution: Literal["sets", "all", "off"] = stage.Field(
            "sets",
            description="Make colour at the resolution of the softest channel, so that no limb is coloured; brightness "
            "keeps its detail: of filter sets, of all colour (one-shot colour otherwise shows in each channel what the "
            "telescope passes there), or off.",
        )
        balance: Literal["auto", "published", "none"] | tuple[Gain, Gain, Gain] = stage.Field(
            "auto",
            description="White balance: auto (by a star like the Sun where the night has one as a reference, else as "
            "published), published (the planet's published colour; a neutral Moon or Sun), none, or the factors for "
            "red, green and blue.",
        )
        derotate: Literal["auto", "off"] = stage.Field(
            "auto",
            description="Turn the planet on every filter's picture of a set to the middle of their times: auto where "
            "it is known which way it turns (by the stage orient), or off.",
        )
        singles: bool = stage.Field(False, description="Also give the picture through each filter of a full set.")

    def group(self, units: Sequence[tuple[Capture, ...]]) -> list[list[int]]:
        """Group single-filter captures of a target into sets; everything else stays alone."""
        wanted = self._wanted()
        luminance = self._luminance()
        also = [] if luminance is None else [luminance]
        by_target: dict[str, list[int]] = {}
        alone: list[list[int]] = []
        for index, captures in enumerate(units):
            first = captures[0]
            fits = len(captures) == 1 and not first.colour and filter_key(first.filter) in {*wanted, *also}
            if fits and first.target and len(set(wanted)) == 3:
                by_target.setdefault(first.target, []).append(index)
            else:
                alone.append([index])
        groups = list(alone)
        for members in by_target.values():
            timed = [i for i in members if units[i][0].utc_start is not None]
            shots = [Shot(i, filter_key(units[i][0].filter), float(units[i][0].utc_start or 0.0)) for i in timed]
            window_s = 60.0 * self.parameters.window
            groups += with_repeats(find_sets(shots, wanted, also=also, window_s=window_s), shots, wanted, window_s)
            # Without times only a night with one capture a filter leaves no doubt about what belongs together.
            loose = [i for i in members if units[i][0].utc_start is None]
            shots = [Shot(i, filter_key(units[i][0].filter), 0.0) for i in loose]
            once = len({s.filter for s in shots}) == len(shots)
            groups += find_sets(shots, wanted, also=also) if once else [[i] for i in loose]
        return sorted(groups, key=min)

    def consult(
        self, captures: Sequence[Capture], recorded: Sequence[Capture], night: Mapping[str, Mapping[str, Any]]
    ) -> list[int]:
        """Look at the stars that colours may be measured by."""
        return stars_for(captures, recorded, night, self._wanted()) if self.parameters.balance == "auto" else []

    def develop(self, pictures: list[Picture], context: Context) -> Picture | list[Picture]:
        """Make the colour picture of a set, or finish the pictures that can be made."""
        by_filter = {filter_key(_filter(p)): p for p in pictures if p.data.ndim == 2}
        spare: list[Picture] = []
        if len(by_filter) < len(pictures):
            also = [name for name in [self._luminance()] if name is not None]
            by_filter, spare = chosen(pictures, self._wanted(), also, 60.0 * self.parameters.window, context)
        if len(by_filter) > 1 and all(name in by_filter for name in self._wanted()):
            made = self._set(by_filter, context)
            singles = [self._single(picture, context) for picture in spare]
            return [*(made if isinstance(made, list) else [made]), *singles] if singles else made
        self._say_missing(pictures, context)
        return [self._single(picture, context) for picture in pictures]

    def _wanted(self) -> list[str]:
        channels = self.parameters.channels
        return [filter_key(getattr(channels, name)) for name in NAMES]

    def _luminance(self) -> str | None:
        name = filter_key(self.parameters.luminance)
        chosen = {"none": "", "auto": "l"}.get(name, name)
        return None if not chosen or chosen in self._wanted() else chosen

    def _say_missing(self, pictures: list[Picture], context: Context) -> None:
        """Caution about colour that could not be made, where somebody set out to make it."""
        wanted = self._wanted()
        there = [filter_key(_filter(p)) for p in pictures if p.data.ndim == 2]
        planned = {filter_key(capture.filter) for capture in context.captures} & set(wanted)
        missing = [name for name in wanted if name not in there]
        planet = pictures[0].captures[0].target not in SURFACES if pictures[0].captures else False
        if there and missing and any(name in wanted for name in there) and (len(planned) > 1 or planet):
            written = [getattr(self.parameters.channels, name) for name in NAMES]
            text = " and ".join(name for name in written if filter_key(name) in missing)
            context.caution(
                "channels",
                f"No colour picture: nothing usable through {text} within {self.parameters.window:g} min of these "
                "captures; the pictures through the single filters are given instead.",
                missing,
            )

    def _single(self, picture: Picture, context: Context) -> Picture:
        context = context.about(picture)
        if picture.data.ndim == 3:
            return self._one_shot(picture, context)
        _say_unknown_light(picture, context)
        mask = find_object(picture.data)
        return choose_display(finish(picture, (1.0,), mask, context), mask, context)

    def _one_shot(self, picture: Picture, context: Context) -> Picture:
        """Register and balance the channels of one colour stack."""
        if self.parameters.register_channels:
            planes = list(picture.data)
            offsets = measured_offsets(planes, NAMES, context, most_px=0.1 * min(picture.data.shape[1:]))
            say_dispersion(picture, offsets, ONE_SHOT_NM, 1, context)
            if any(offset is not NO_OFFSET for offset in offsets):
                picture = shifted_channels(picture, offsets, context.each)
        mask = find_object(picture.data)
        sharpness = sharpness_within(picture, context) if self.parameters.one_resolution == "all" else None
        if sharpness is not None:
            picture = equalised(picture, sharpness, mask, skies_of(picture.data, mask), context)
        gains = white_balance(picture, mask, "RGB", ONE_SHOT_NM, self.parameters.balance, context)
        balanced = finish(picture, gains, mask, context)
        return choose_display(balanced, mask, context)

    def _set(self, by_filter: dict[str, Picture], context: Context) -> Picture | list[Picture]:
        """Make one colour picture of the pictures through single filters."""
        wanted = self._wanted()
        luminance = self._luminance()
        names = [*wanted, luminance] if luminance in by_filter and luminance is not None else wanted
        members = [by_filter[name] for name in names]
        context = context.about(*members)
        labels = [_filter(member) for member in members]
        if self.parameters.derotate == "auto":
            members = sensed(members, context)
        globes = agree(members, 1, derotate=self.parameters.derotate == "auto")
        if globes is not None and globes.turned_deg is not None:
            say_derotated(members, labels, globes, context)
        else:
            say_turned(members, context)
        offsets = [NO_OFFSET] * len(members)
        zooms = [1.0] * len(members) if globes is None else globes.zooms
        sharpness = sharpness_of(members, zooms, context)
        limbs = [] if globes is None else limbs_of(members, globes, sharpness)
        if limbs and sharpness is not None:
            sharpness = sharpness.with_blurs([limb.blur_px2 * zoom**2 for limb, zoom in zip(limbs, zooms, strict=True)])
        say_smear(members, labels, context)
        surface = self.parameters.register_channels and globes is None and is_surface(members[1])
        if self.parameters.register_channels and not surface:
            planes = (
                [m.data for m in members] if globes is None else list(carried(members, globes, offsets, limbs)["data"])
            )
            turned = globes is not None and globes.turned_deg is not None
            offsets = measured_offsets(
                planes,
                labels,
                context,
                sharpness=sharpness,
                disc=globes.target if globes is not None and turned else None,
                features=turned or turned_px(members) < LITTLE_TURN_PX,
            )
        if surface:
            ways = surface_ways(members, labels, context)
            if ways is None:
                return [self._single(picture, context) for picture in by_filter.values()]
            layers = resampled(members, ways, context.each)
        else:
            layers = moved(members, offsets) if globes is None else carried(members, globes, offsets, limbs)
        brightness = {name: None if v is None or len(names) == 3 else v[3] for name, v in layers.items()}
        companions: dict[str, Any] = {n: None if v is None else v[:3] for n, v in layers.items() if n != "data"}
        colour = Picture(
            layers["data"][:3],
            **companions,
            captures=tuple(capture for member in members for capture in member.captures),
            filters=tuple(labels),
            geometry=dict(members[1].geometry if globes is None else globes.geometry),
            header=joined_header(members, labels),
        )
        mask = find_object(colour.data)
        if self.parameters.one_resolution != "off" and sharpness is not None:
            colour = equalised(colour, sharpness.of(0, 1, 2), mask, skies_of(colour.data, mask), context)
        waves = [wavelength_nm(name, context.night.get("filters", {}), broad=True) for name in wanted]
        gains = white_balance(colour, mask, labels[:3], waves, self.parameters.balance, context)
        colour = finish(colour, gains, mask, context)
        if len(names) == 4:
            colour = self._with_luminance(colour, brightness, labels[3], mask, context)
        colour = choose_display(colour, mask, context)
        rest = [picture for name, picture in by_filter.items() if name not in names or self.parameters.singles]
        return [colour, *(self._single(picture, context) for picture in rest)] if rest else colour

    def _with_luminance(
        self,
        colour: Picture,
        brightness: dict[str, NDArray[np.float32] | None],
        label: str,
        mask: NDArray[np.bool_] | None,
        context: Context,
    ) -> Picture:
        """Lend the set the brightness of its luminance picture, in all layers for which that makes sense."""
        changed: dict[str, Any] = {"noise": None, "weight": None}
        for name in ("data", "half_a", "half_b"):
            own, other = getattr(colour, name), brightness[name]
            changed[name] = None
            if own is not None and other is not None:
                changed[name] = apply_luminance(own, other - np.float32(skies_of(other, mask)[0]))
        context.choose(
            "luminance", label, "The set has a capture through it, which gives the brightness of all pixels."
        )
        return colour.replace(**changed)


def _say_unknown_light(picture: Picture, context: Context) -> None:
    """Caution about a filter that has a name and no wavelength: what rests on it was done as for white light."""
    known = context.night.get("filters", {})
    name = picture.captures[0].filter if picture.captures else None
    if name and wavelength_nm(name, known) is None:
        context.caution(
            "wavelength",
            f"The wavelength of the filter {name!r} is not known, and {wavelength_nm('L', known):.0f} nm were taken "
            f"for what the telescope can show; write it into night.yaml: filters: {{{name}: ... nm}}.",
        )


def _filter(picture: Picture) -> str:
    return picture.filters[0] if picture.filters else ""
