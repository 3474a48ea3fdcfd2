"""A planet that turns while it is recorded comes out as at the middle of the capture, without smear."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from nightmill.artefacts import Capture, Frames, FrameTable, Stack
from nightmill.stage import Context
from nightmill_sky import Disc
from nightmill_stages.orient.discs import template_of
from nightmill_stages.orient.known import sky_at
from nightmill_stages.stack import StackFrames
from nightmill_stages.stack.phases import Layout
from nightmill_stages.stack.settle import settle
from nightmill_stages.stack.turning import Turning, globe_fields

SIZE, COUNT, SPAN_S, MIDDLE_S = 112, 60, 600.0, 1738786500.0
RADIUS = 40.0


def globe(late_s: float, north_deg: float = 25.0) -> Disc:
    """Jupiter by the ephemeris."""
    seen = template_of(sky_at("jupiter", MIDDLE_S + late_s))
    return replace(
        seen, centre_row_px=55.3, centre_column_px=56.2, equatorial_radius_px=RADIUS, pole_angle_deg=north_deg
    )


def picture(late_s: float, north_deg: float = 25.0, features: bool = True) -> np.ndarray:
    """What a telescope shows: belts and spots that turn by the ephemeris (System II), limb darkening, blur; ADU."""
    fine = 2
    disc = globe(late_s, north_deg)
    grid = (np.mgrid[: SIZE * fine, : SIZE * fine] + 0.5) / fine - 0.5
    surface = disc.surface(grid[1], grid[0])
    longitude, latitude = np.radians(np.nan_to_num(surface.longitude_deg)), np.nan_to_num(surface.latitude_deg)
    belts = 1 - 0.25 * np.exp(-(((np.abs(latitude) - 14) / 5) ** 2))
    if features:
        # Spots outside the equatorial current, so that one system of longitude holds for all of them.
        band = np.exp(-(((np.abs(latitude) - 28) / 9) ** 2))
        belts = belts * (1 + 0.25 * band * (np.cos(9 * longitude) + np.cos(14 * longitude + 0.1 * latitude)))
    light = 150 * belts * np.maximum(surface.emission, 0) ** 0.8
    return cv2.GaussianBlur(cv2.resize(light, (SIZE, SIZE), interpolation=cv2.INTER_AREA), (0, 0), 1.3) + 6


@cache
def made(features: bool, field_deg_s: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(11)
    late = np.linspace(-SPAN_S / 2, SPAN_S / 2, COUNT)
    shifts = rng.uniform(-1.5, 1.5, (COUNT, 2))
    frames = []
    for time, (dy, dx) in zip(late, shifts, strict=True):
        angle = field_deg_s * time
        # An anticlockwise turn about the disc's middle, then the shift.
        matrix = cv2.getRotationMatrix2D((56.2, 55.3), angle, 1.0) + np.array([[0, 0, dx], [0, 0, dy]])
        drawn = picture(time, features=features)
        frames.append(cv2.warpAffine(drawn, matrix, (SIZE, SIZE), flags=cv2.INTER_CUBIC, borderValue=6))
    frames = np.stack(frames) + rng.normal(0, 1.0, (COUNT, SIZE, SIZE))
    return frames.astype(np.float32), late + MIDDLE_S, shifts


def stacked(
    features: bool = True, field_deg_s: float = 0.0, **parameters: object
) -> tuple[Stack, list[tuple[str, str]]]:
    frames, utc, shifts = made(features, field_deg_s)
    capture = Capture("x", "x", "test", COUNT, SIZE, SIZE, dtype="float32", full_scale=255.0, target="jupiter")
    table = FrameTable(
        {
            "number": np.arange(COUNT),
            "utc": utc,
            "kept": np.ones(COUNT, bool),
            "sharpness": np.ones(COUNT),
            "dy_px": shifts[:, 0],
            "dx_px": shifts[:, 1],
            "level": np.full(COUNT, 100 / 255),
            "background": np.full(COUNT, 6 / 255),
            "y_px": 55.3 + shifts[:, 0],
            "x_px": 56.2 + shifts[:, 1],
            "extent_px": np.full(COUNT, 2 * RADIUS),
            "fills_frame": np.zeros(COUNT, bool),
            "mesh": np.zeros((COUNT, 1, 1, 2), np.float32),
            "contrast": np.ones((COUNT, 1, 1), np.float32),
        }
    )

    def read(numbers: np.ndarray) -> Frames:
        return Frames(frames[numbers], numbers, utc[numbers], 255.0, None)

    fold = StackFrames(StackFrames.Parameters(share=1.0, **parameters))
    context = Context((capture,), reader=read)
    state = fold.prepare(table, context)
    after = Context((capture,), state=state)
    stack = fold.finish(fold.fold(None, read(np.arange(COUNT)), table, after), table, after)
    return stack, [(note.kind, note.name) for note in context.notes]


def error(stack: Stack) -> float:
    """Root mean square against the truth at mid-time within 0.9 radii, ADU."""
    y, x = np.mgrid[:SIZE, :SIZE]
    inside = np.hypot(y - 55.3, x - 56.2) < 0.9 * RADIUS
    return float(np.sqrt(np.mean((stack.data * 255 - picture(0.0))[inside] ** 2)))


def test_ten_minutes_of_jupiter_stack_without_smear() -> None:
    sharp, notes = stacked()
    smeared, _ = stacked(derotate="off")
    assert ("choice", "derotate") in notes
    assert sharp.header["turned"]["globe"]
    # The spots move by 4 px. Left: noise of 0.13, the fit of the globe (half a pixel is some 2 ADU of limb darkening).
    assert error(sharp) < 0.45 * error(smeared)
    assert error(sharp) < 2.0
    assert sharp.noise is not None
    assert np.isfinite(sharp.data[20:-20, 20:-20]).all()


def test_a_globe_without_features_is_not_turned_and_this_is_said() -> None:
    stack, notes = stacked(features=False)
    assert ("caution", "derotate") in notes
    assert "turned" not in stack.header


def test_rotation_of_the_field_is_found_and_followed() -> None:
    stack, _ = stacked(field_deg_s=0.02)
    # Twelve degrees in all: a tenth of a degree is 0.07 px at the limb.
    assert stack.header["turned"]["field_deg_s"] == pytest.approx(0.02, abs=0.0005)
    assert error(stack) < 2.2
    still, _ = stacked(field_deg_s=0.0)
    assert abs(still.header["turned"]["field_deg_s"]) < 0.0005


def test_maps_agree_with_the_ephemeris_at_any_time_between() -> None:
    """A spot's place by the maps against its place by the ellipsoid; System II, outside the equatorial current."""
    disc = globe(0.0)
    times = (-310.0, 0.0, 310.0)
    meridians = [
        {"central_meridian_deg": one.central_meridian_deg, "central_meridians_deg": dict(one.central_meridians_deg)}
        for one in (globe(t) for t in times)
    ]
    maps = globe_fields(disc, meridians, (SIZE, SIZE))
    turning = Turning(MIDDLE_S, (55.3, 56.2), 0.0, (0, 0), (0, 0), times, *maps)
    grid = np.mgrid[:SIZE, :SIZE].astype(np.float32)
    (rows, columns), seen = turning.moved((grid[0], grid[1]), MIDDLE_S + 200.0)
    surface = disc.surface(grid[1], grid[0])
    column, row, *_ = globe(200.0).picture(surface.longitude_deg, surface.latitude_deg)
    far = (np.abs(np.nan_to_num(surface.latitude_deg)) > 13) & (surface.emission > 0.5)
    assert np.abs(rows - row)[far].max() < 0.02
    assert np.abs(columns - column)[far].max() < 0.02
    assert isinstance(seen.weight, np.ndarray)
    # Spots near the limb were seen less well on one side; the sky was seen as ever.
    assert 0 < seen.weight.min() < 0.95
    assert seen.weight[0, 0] == 1


def test_small_shifts_and_rotations_are_measured() -> None:
    model = picture(0.0).astype(np.float32)
    matrix = cv2.getRotationMatrix2D((56.2, 55.3), 2.5, 1.0) + np.array([[0, 0, 0.6], [0, 0, -0.4]])
    moved = 1.2 * cv2.warpAffine(model, matrix, (SIZE, SIZE), flags=cv2.INTER_CUBIC, borderValue=6)
    found = settle(moved, model, RADIUS, (55.3, 56.2))
    assert found.rotation_deg == pytest.approx(2.5, abs=0.05)
    assert (found.dy_px, found.dx_px) == pytest.approx((-0.4, 0.6), abs=0.02)


def test_only_the_asked_part_is_covered() -> None:
    layout = Layout(10, 12, 1, None, 1, 4, 6, (40, 50))
    assert layout.overlap(-4, 0) == ((slice(0, 10), slice(0, 12)), (slice(0, 10), slice(6, 18)))
    assert layout.overlap(-20, 0) is None
