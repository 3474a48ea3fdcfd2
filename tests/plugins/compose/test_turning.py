"""Taking the turn and differences of scale out of a set, against simulated planets drawn at other times and scales."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from functools import lru_cache

import numpy as np
import pytest
from scipy import fft, ndimage

from nightmill.artefacts import Capture, Picture
from nightmill.stage import Context
from nightmill.testing import make_scene
from nightmill_stages.compose import Compose
from nightmill_stages.compose.turn.carry import carrier, carry
from nightmill_stages.compose.turn.globes import agree
from nightmill_stages.compose.turn.limbs import Limb, limb_of
from nightmill_stages.compose.turn.sense import find_sense
from nightmill_stages.matching.register import Offset
from nightmill_stages.orient.discs import disc_of
from nightmill_stages.orient.known import sky_at

# The night for which the simulated Jupiter has the ephemeris' aspect.
MIDDLE = datetime(2025, 2, 5, 20, 10, tzinfo=UTC).timestamp()
RADIUS = 60.0
NORTH = 12.0


@lru_cache(maxsize=16)
def drawn(minutes: float, radius: float = RADIUS, size: int = 160):
    """One plane of a simulated Jupiter, turned by its own rotation, blurred by 1.2 px, noise of 0.4 %."""
    scene = make_scene("jupiter", 1)
    scale = scene.diameter_arcsec / 2.0 / radius
    centre = (size / 2.0 - 0.3, size / 2.0 + 0.4)
    fine = tuple(2.0 * c + 0.5 for c in centre)
    plane = scene.draw((2 * size, 2 * size), scale / 2.0, fine, NORTH, 60.0 * minutes)[1]
    plane = ndimage.gaussian_filter(plane.reshape(size, 2, size, 2).mean(axis=(1, 3)), 1.2)
    noise = np.random.default_rng(int(minutes) + 50).standard_normal(plane.shape)
    return (0.5 * plane + 0.02 + 0.002 * noise).astype(np.float32), centre


def member(filter_: str, minutes: float, *, known: bool = True, shift=(0.0, 0.0), radius: float = RADIUS, **header):
    data, (row, column) = drawn(minutes, radius, round(160 * radius / RADIUS))
    data = ndimage.shift(data, shift, order=5, mode="nearest").astype(np.float32)
    b = 0.9355 * radius
    disc = {"x_px": column + shift[1], "y_px": row + shift[0], "a_px": radius, "b_px": b, "angle_deg": NORTH}
    geometry = {"disc": disc, "disc_sigma": 0.0005, "pole_axis_deg": NORTH, "pole_sigma_deg": 0.4}
    if known:
        geometry |= {"planet_east_deg": NORTH - 90.0 + 360.0, "confidence": {"planet_east_deg": 0.99}}
    start = MIDDLE + 60.0 * minutes - 0.5
    source = Capture(
        "/x", f"{filter_}.ser", "ser", 2, 9, 9, target="jupiter", filter=filter_, utc_start=start, frame_interval_s=1.0
    )
    return Picture(
        data,
        captures=(source,),
        filters=(filter_,),
        geometry=geometry,
        noise=np.full_like(data, 0.002),
        weight=np.full_like(data, 100.0),
        half_a=data,
        half_b=data,
        header=header,
    )


def compose(members: list[Picture], **parameters) -> tuple[Picture, Context]:
    stage = Compose(Compose.Parameters(balance="none", window="30 min", **parameters))
    context = Context(captures=tuple(c for p in members for c in p.captures))
    made = stage.develop(members, context)
    assert isinstance(made, Picture)
    return made, context


def feature_shift(one, other) -> tuple[float, float]:
    """Shift (rows, columns) of the features in the middle of the disc along and across the belts.

    Turned pole up, without the mean of each row, because belts do not show any turn; then the peak of the correlation.
    """
    crops = []
    for plane in (one, other):
        high = ndimage.gaussian_filter(plane, 1.0) - ndimage.gaussian_filter(plane, 6.0)
        upright = ndimage.rotate(np.nan_to_num(high).astype(float), -NORTH, reshape=False, order=3)
        middle = upright[56:104, 56:104]
        crops.append((middle - middle.mean(axis=1, keepdims=True)) * np.outer(np.hanning(48), np.hanning(48)))
    spectrum = np.conj(fft.fft2(crops[0], (480, 480))) * fft.fft2(crops[1], (480, 480))
    surface = ndimage.zoom(
        np.fft.fftshift(fft.ifft2(spectrum).real)[228:253, 228:253], 20, order=3, mode="grid-constant", grid_mode=True
    )
    row, column = np.unravel_index(int(surface.argmax()), surface.shape)
    return (row + 0.5) / 20 - 12.5, (column + 0.5) / 20 - 12.5


def notes(context: Context, kind: str) -> list[str]:
    return [note.name for note in context.notes if note.kind == kind]


def test_features_of_a_set_come_together_and_without_turning_smear():
    members = [member("R", -6), member("G", 0, shift=(0.7, -1.2)), member("B", 6, shift=(-0.4, 0.6))]
    whole, context = compose(members)
    smeared, other = compose(members, derotate="off")
    # 3.63 degrees in 6 minutes are 3.8 px at the middle of a disc of 60 px radius.
    for channel, sign in ((0, 1.0), (2, -1.0)):
        assert np.hypot(*feature_shift(whole.data[1], whole.data[channel])) < 0.3
        apart = feature_shift(smeared.data[1], smeared.data[channel])
        # Features move towards planet east, to the right of the pole: earlier they were further left.
        assert apart == (pytest.approx(0.0, abs=0.5), pytest.approx(-3.8 * sign, abs=0.5))
    choice = next(note for note in context.notes if note.name == "derotate")
    assert choice.value["R"] == pytest.approx(-3.63, abs=0.01)
    assert "rotation" not in notes(context, "caution")
    assert "rotation" in notes(other, "caution")
    # The limb stays where it is, without a coloured rim: the plain set has its limb registered, the turned one too.
    seen = np.isfinite(whole.data).all(axis=0)
    column, row = whole.geometry["disc"]["x_px"], whole.geometry["disc"]["y_px"]
    y, x = np.mgrid[0:160, 0:160]
    rim = seen & (np.abs(np.hypot(x - column, (y - row) / 0.9355) - 60.0) < 3.0)
    assert np.abs(whole.data[0] - whole.data[2])[rim].mean() < 0.02 * np.nanmax(whole.data)
    assert whole.geometry["planet_east_deg"] == pytest.approx(282.0)
    # Companions went the same way.
    np.testing.assert_allclose(whole.half_a[:, seen], whole.data[:, seen], atol=1e-6)
    assert np.nanmax(whole.weight) <= 100.0 * 1.0001
    again, _ = compose(members)
    np.testing.assert_array_equal(again.data, whole.data)


def test_features_tell_the_sense_that_the_limb_does_not():
    members = [member("R", -6, known=False), member("G", 0, known=False), member("B", 6, known=False)]
    assert agree(members, 1, derotate=True) is None
    east, confidence = find_sense(members, 1)
    assert east == pytest.approx(NORTH + 270.0)
    assert confidence > 0.99
    # The same pictures in a mirror turn the other way.
    flipped = [
        one.replace(
            data=one.data[:, ::-1].copy(),
            geometry={
                **one.geometry,
                "disc": {**one.geometry["disc"], "x_px": 159.0 - one.geometry["disc"]["x_px"]},
                "pole_axis_deg": 180.0 - NORTH,
            },
        )
        for one in members
    ]
    assert find_sense(flipped, 1)[0] == pytest.approx(90.0 - NORTH)
    made, context = compose(members)
    assert "planet_east" in notes(context, "choice")
    assert np.hypot(*feature_shift(made.data[1], made.data[0])) < 0.3
    assert made.geometry["planet_east_deg"] == pytest.approx(282.0)


def test_features_overrule_a_doubtful_shading():
    members = [member("R", -6, known=False), member("G", 0, known=False), member("B", 6, known=False)]
    wrong = {"planet_east_deg": (NORTH + 90.0) % 360.0, "confidence": {"planet_east_deg": 0.97}}
    misled = [members[0].replace(geometry={**members[0].geometry, **wrong}), *members[1:]]
    made, context = compose(misled)
    assert "planet_east" in notes(context, "caution")
    assert made.geometry["planet_east_deg"] == pytest.approx(282.0)
    # What the user said stands, whatever the features show.
    told = {**wrong, "confidence": {"planet_east_deg": 1.0}}
    kept, context = compose([one.replace(geometry={**one.geometry, **told}) for one in members])
    assert kept.geometry["planet_east_deg"] == pytest.approx((NORTH + 90.0) % 360.0)
    assert "planet_east" not in notes(context, "caution")


def test_the_unknown_sense_is_not_guessed():
    # Three planets without features in common say nothing.
    members = [member("R", -6, known=False), member("G", 0, known=False), member("B", 6, known=False)]
    bare = [one.replace(data=ndimage.gaussian_filter(one.data, 9.0)) for one in members]
    noise = np.random.default_rng(5).standard_normal((3, 160, 160)).astype(np.float32)
    bare = [one.replace(data=one.data + 0.01 * more) for one, more in zip(bare, noise, strict=True)]
    assert find_sense(bare, 1) is None
    _, context = compose(bare)
    assert "derotate" not in notes(context, "choice")
    assert "rotation" in notes(context, "caution")
    # One member that knows is enough for all, unless another contradicts it.
    lent = [*members[:2], member("B", 6)]
    assert agree(lent, 1, derotate=True).turned_deg is not None
    east = {"planet_east_deg": (NORTH + 90.0) % 360.0, "confidence": {"planet_east_deg": 0.96}}
    contrary = members[0].replace(geometry={**members[0].geometry, **east})
    assert agree([contrary, *lent[1:]], 1, derotate=True) is None


def test_members_of_other_scales_are_brought_to_one():
    finer = member("B", 0, radius=1.5 * RADIUS, known=False, scale=1.5)
    made, context = compose([member("R", 0, known=False), member("G", 0, known=False), finer])
    assert made.data.shape == (3, 160, 160)
    seen = np.isfinite(made.data).all(axis=0)
    # A blur of 1.2 px on the finer grid is 0.8 px here, which leaves differences at the belts and the limb.
    assert np.abs(made.data[2] - made.data[1])[seen].mean() < 0.01 * np.nanmax(made.data)
    assert np.hypot(*feature_shift(made.data[1], made.data[2])) < 0.1
    assert notes(context, "caution") == []


def test_differences_within_the_errors_are_not_believed():
    near = member("B", 0, known=False)
    geometry = {**near.geometry, "disc": {**near.geometry["disc"], "a_px": 1.004 * RADIUS}, "disc_sigma": 0.003}
    members = [member("R", 0, known=False), member("G", 0, known=False), near.replace(geometry=geometry)]
    assert agree(members, 1, derotate=True) is None
    # Limbs darken differently through each filter: small differences are not believed however sure the fit is.
    assert agree([*members[:2], near.replace(geometry={**geometry, "disc_sigma": 0.0002})], 1, derotate=True) is None
    larger = {**geometry["disc"], "a_px": 1.009 * RADIUS}
    sure = near.replace(geometry={**geometry, "disc": larger, "disc_sigma": 0.0002})
    globes = agree([*members[:2], sure], 1, derotate=True)
    assert globes is not None
    assert globes.turned_deg is None
    assert globes.sources[2].equatorial_radius_px == pytest.approx(1.009 * RADIUS, rel=1e-4)


@pytest.mark.parametrize("minutes", [-6.0, 6.0])
def test_a_turned_limb_is_as_bright_as_the_limb_of_that_time(minutes):
    # Turned by 3.6 degrees. What is left is noise (0.7 % a pixel, 0.15 % in a place, 0.5 % in the worst of 200) and
    # features that had not come into view. By the law of darkening alone, which knows no blur, 1 to 2 % of the
    # disc are wrong in some place.
    (before, (row, column)), (there, _) = drawn(minutes), drawn(0.0)
    source, target = (
        disc_of(member("G", m).geometry, sky_at("jupiter", MIDDLE + 60.0 * m), any_end=True) for m in (minutes, 0.0)
    )
    assert source is not None
    assert target is not None
    y, x = np.indices(there.shape)
    radius, sector = np.hypot(y - row, x - column) / RADIUS, np.floor(np.arctan2(y - row, x - column) / np.pi * 6.0)
    level = there[radius < 0.8].mean() - 0.02

    def worst(limb: Limb) -> float:
        turned = carry(before, carrier(source, target, there.shape, Offset(0.0, 0.0, 1.0), limb), sky=0.02)
        wrong = (turned - there) / level
        places = [
            (np.abs(radius - ring) < 0.7 / RADIUS) & (sector == k)
            for ring in np.arange(0.88, 1.1, 1.0 / RADIUS)
            for k in range(-6, 6)
        ]
        return max(abs(float(wrong[place].mean())) for place in places)

    limb = limb_of(before - np.float32(0.02), source)
    assert limb.bare is not None
    assert worst(limb) < 0.009
    assert worst(limb) < 0.8 * worst(replace(limb, bare=None))


def test_carrying_to_the_same_time_and_place_changes_nothing():
    one = member("G", 0)
    disc = disc_of(one.geometry, sky_at("jupiter", MIDDLE), any_end=True)
    assert disc is not None
    same = carry(one.data, carrier(disc, disc, (160, 160), Offset(0.0, 0.0, 1.0)))
    np.testing.assert_allclose(same, one.data, atol=1e-4)
    gap = one.data.copy()
    gap[:5] = np.nan
    held = carry(gap, carrier(disc, replace(disc), (160, 160), Offset(2.0, 0.0, 1.0)))
    # What the offset of two rows brings in from the gap, and from beyond the edge, has no data.
    assert np.isnan(held[:3]).all()
    assert np.isnan(held[158:]).all()
    assert np.isfinite(held[4:157]).all()
