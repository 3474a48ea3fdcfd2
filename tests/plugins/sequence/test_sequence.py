"""Sequences: pictures of one night lie, shine and are turned alike; the frames tell their time."""

from __future__ import annotations

from datetime import UTC, datetime

import cv2
import numpy as np
import pytest

from nightmill.artefacts import Capture, Picture
from nightmill.stage import Context
from nightmill.testing.bodies import Body
from nightmill.testing.textures import banded_map
from nightmill_stages.sequence import Sequence
from nightmill_stages.sequence.placing import Place, Seen, place_all
from nightmill_stages.sequence.stamp import strip_height
from nightmill_stages.sequence.steady import steady, steady_angles
from nightmill_stages.write.display import levels

START = datetime(2025, 2, 5, 20, 0, tzinfo=UTC).timestamp()
BODY = Body(banded_map(128, np.random.default_rng(5)), flattening=0.06487, tilt_deg=2.7, day_hours=9.925)


def capture(minutes: float, filter_: str = "RGB", target: str = "jupiter") -> Capture:
    name = f"{target}_{minutes:g}_{filter_}.ser"
    planes = 3 if filter_ == "RGB" else 1
    return Capture(
        name, name, "test", 100, 120, 120, planes, target=target, filter=filter_, utc_start=START + 60.0 * minutes
    )


def picture(
    minutes: float,
    *,
    centre: tuple[float, float] = (60.0, 60.0),
    radius: float = 36.0,
    north: float = 0.0,
    mirrored: bool = False,
    gain: float = 0.5,
    said: float = 0.0,
    known: bool = True,
    turned_s: float = 0.0,
) -> Picture:
    """A planet at a known place; `said` is how far the north angle told is off."""
    data = BODY.render((120, 120), centre, radius, north_deg=north, time_s=turned_s)
    data = np.stack([cv2.GaussianBlur(plane, (0, 0), 1.5) for plane in data]) * np.float32(gain)
    if mirrored:
        data = np.ascontiguousarray(data[:, :, ::-1])
        centre = (centre[0], 119.0 - centre[1])
        north = -north
    geometry = {"disc": {"x_px": centre[1], "y_px": centre[0], "a_px": radius, "b_px": 0.936 * radius, "angle_deg": 0}}
    geometry |= {"disc_sigma": 0.003, "pole_sigma_deg": 0.5}
    if known:
        geometry |= {"north_angle_deg": (north + said) % 360.0, "mirrored": mirrored}
    return Picture(data.astype(np.float32), captures=(capture(minutes),), filters=("RGB",), geometry=geometry)


def film(pictures: list[Picture], **parameters) -> tuple[Picture, Context]:
    stage = Sequence(Sequence.Parameters(**parameters))
    context = Context(captures=tuple(c for p in pictures for c in p.captures))
    (made,) = stage.develop(pictures, context)
    assert made.frames is not None
    return made, context


def test_frames_lie_alike_whatever_camera_and_mount_did():
    # Moved, turned by half a turn as at the meridian, and of another scale: the frames show the same.
    made, context = film(
        [
            picture(0.0),
            picture(5.0, centre=(57.3, 63.6), north=180.0),
            picture(10.0, centre=(62.2, 58.1), radius=39.6),
        ],
        stamp=False,
    )
    frames = made.frames.astype(np.float64)
    assert [note.text for note in context.notes if note.name == "orientation"] == [
        "The frames lie alike: celestial north up."
    ]
    disc = frames[0].mean(axis=2) > 60
    # 8 bits, blurs of 1.5 px at scales 10 % apart: one and a half grey levels on the disc.
    for other in frames[1:]:
        assert np.abs(other - frames[0])[disc].mean() < 1.5
    cut = frames[0][:, ::-1]
    assert np.abs(cut - frames[0])[disc].mean() > 3.0  # a test that a wrong turn or mirror would not pass


def test_a_mirrored_night_comes_out_right_way_round():
    plain, _ = film([picture(0.0, north=20.0), picture(5.0, north=20.0)], stamp=False)
    mirrored, _ = film([picture(0.0, north=20.0, mirrored=True), picture(5.0, north=20.0, mirrored=True)], stamp=False)
    size = min(plain.frames.shape[2], mirrored.frames.shape[2])
    cut = [
        f[0][(f.shape[1] - size) // 2 :, (f.shape[2] - size) // 2 :][:size, :size]
        for f in (plain.frames, mirrored.frames)
    ]
    assert np.abs(cut[0].astype(float) - cut[1]).mean() < 1.0


def test_brightness_is_common_and_nothing_of_the_disc_clips():
    made, context = film([picture(0.0, gain=0.3), picture(5.0, gain=0.6), picture(10.0, gain=0.45)], stamp=False)
    bright = [frame[frame > 60].mean() for frame in made.frames]
    assert max(bright) - min(bright) < 0.5
    assert made.frames.max() < 255
    (spread,) = [note.value for note in context.notes if note.name == "brightness"]
    assert spread == pytest.approx(2.0, rel=0.01)
    assert made.display["white"] >= levels(picture(0.0, gain=0.45).data)[1] * 0.98


def test_what_is_said_wrongly_by_an_error_does_not_make_it_tremble():
    # North is off by up to a degree on each, its error is half a degree: the frames share the mean.
    offs = [0.9, -0.8, 0.4, -0.5, 0.0]
    made, _ = film([picture(5.0 * k, said=off) for k, off in enumerate(offs)], stamp=False)
    frames = made.frames.astype(np.float64)
    assert np.abs(frames[1:] - frames[0]).max() <= 1.0


def test_time_is_written_below_and_never_over_the_picture():
    bare, _ = film([picture(0.0), picture(5.0)], stamp=False)
    made, _ = film([picture(0.0), picture(5.0)])
    high = strip_height(made.frames.shape[2])
    assert made.frames.shape[1] == bare.frames.shape[1] + high
    assert made.frames.shape[1] % 2 == made.frames.shape[2] % 2 == 0
    np.testing.assert_array_equal(made.frames[:, :-high], bare.frames)
    assert (made.frames[0, -high:] != made.frames[1, -high:]).any()
    assert made.header["film"]["utc"] == pytest.approx([START + 0.5 * 100 * 0, START + 300.0], abs=60.0)
    assert made.header["film"]["seconds"][-1] > made.header["film"]["seconds"][0]


def test_orientation_of_some_is_taken_from_their_neighbours_and_said():
    made, context = film([picture(0.0, north=90.0), picture(5.0, north=90.0, known=False), picture(10.0, north=90.0)])
    assert np.abs(made.frames[1].astype(float) - made.frames[0]).mean() < 2.0
    (note,) = [note for note in context.notes if note.kind == "caution"]
    assert note.value == 1


def test_groups_by_target_filters_and_pauses():
    units = [
        (capture(0, "R"), capture(2, "G"), capture(4, "B")),
        (capture(6, "R"), capture(8, "G"), capture(10, "B")),
        (capture(12, "IR"),),
        (capture(5, "RGB", "mars"),),
        (capture(300, "R"), capture(302, "G"), capture(304, "B")),
        (capture(310, "R"), capture(312, "G"), capture(314, "B")),
    ]
    assert Sequence().group(units) == [[0, 1], [4, 5]]
    joined = (*units[0], *units[1])
    assert Sequence().group([*units, joined, joined]) == [[0, 1], [4, 5]]  # what was added of the same captures
    assert Sequence(Sequence.Parameters(gap="10 h")).group(units) == [[0, 1, 4, 5]]


def test_nothing_to_show_is_said():
    context = Context()
    assert Sequence().develop([picture(0.0)], context) == []
    assert "fewer than two" in context.notes[0].text


def test_without_a_disc_the_light_decides():
    seen = [Seen(0.0, (100, 100), {}, 1.0, (50.0, 49.0, 20.0)), Seen(60.0, (100, 100), {}, 1.0, (53.0, 47.0, 20.1))]
    places, words, guessed = place_all(seen) or pytest.fail("not placed")
    assert (words, guessed) == ("as the camera saw it", 0)
    assert [place.column_px for place in places] == [50.0, 53.0]
    assert places[0].unit_px == pytest.approx(places[1].unit_px)
    assert place_all([seen[0], Seen(0.0, (9, 9), {}, 1.0, None)]) is None


def test_a_place_maps_up_to_north():
    # Analytic: north is 90 degrees counter-clockwise from up, so it lies to the left of the middle.
    matrix = Place(50.0, 40.0, 20.0, 90.0, mirrored=False).matrix((10.0, 10.0), 20.0)
    np.testing.assert_allclose(matrix @ [10.0, 10.0, 1.0], [50.0, 40.0])
    np.testing.assert_allclose(matrix @ [10.0, 5.0, 1.0], [45.0, 40.0], atol=1e-9)
    np.testing.assert_allclose(matrix @ [15.0, 10.0, 1.0], [50.0, 35.0], atol=1e-9)


def test_steady_takes_the_simplest_course():
    times = np.arange(8.0)
    rng = np.random.default_rng(1)
    noise = rng.normal(0.0, 0.3, 8)
    flat = steady(5.0 + noise, np.full(8, 0.3), times, floor=0.0)
    assert np.ptp(flat) < 1e-9
    assert flat[0] == pytest.approx(5.0, abs=0.3)
    line = steady(2.0 * times + noise, np.full(8, 0.3), times, floor=0.0)
    np.testing.assert_allclose(line, 2.0 * times, atol=0.7)
    assert np.abs(np.diff(line, 2)).max() < 1e-9
    jumps = np.array([0, 0, 180, 180, np.nan, 0, 0, 0.0])
    np.testing.assert_array_equal(steady(jumps, np.full(8, 0.3), times, floor=0.5), [0, 0, 180, 180, 180, 0, 0, 0])
    # Over the seam of the circle there is no jump.
    turned = steady_angles([359.8, 0.2, 359.9], [0.5] * 3, [0, 1, 2], period_deg=360.0)
    assert np.ptp(turned) < 1e-9
    assert np.isnan(steady([np.nan, np.nan], [1, 1], [0, 1], floor=0.0)).all()
