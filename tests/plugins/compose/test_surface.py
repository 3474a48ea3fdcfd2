"""Filter sets of a real picture of the Moon (scikit-image ships it): turned, scaled, bent, of different contrast."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import scipy.ndimage
from skimage import data as samples

from nightmill.artefacts import Capture, Picture
from nightmill.stage import Context
from nightmill_stages.compose import Compose
from nightmill_stages.matching.bending import find_bending, spread
from nightmill_stages.matching.surface import Way, carry_way, find_way, places

SHAPE = (380, 420)
FILTERS = {"R": 1.3, "G": 1.0, "B": 0.8}
"""Powers of the light that stand for the filters: bright and dark ground differ by other factors in each."""


@cache
def moon():
    return samples.moon().astype(np.float64) / 255


def picture(light, filter, noise, minute=0):
    capture = Capture(
        f"{filter}.ser",
        f"{filter}.ser",
        "ser",
        100,
        *light.shape,
        target="moon",
        filter=filter,
        utc_start=1.7e9 + 60 * minute,
    )
    level = np.full(light.shape, noise, np.float32)
    plane = light.astype(np.float32)
    return Picture(
        plane, (capture,), (filter,), noise=level, weight=np.full_like(level, 5), half_a=plane, half_b=plane.copy()
    )


def shot(
    filter, *, turn=0.0, zoom=1.0, shift=(0.0, 0.0), bend=0.0, noise=0.005, blur=0.7, seed=0, source=None, shape=SHAPE
):
    """A picture through a filter, and where on the Moon each of its pixels lies, (2, h, w), y first."""
    rng = np.random.default_rng(seed)
    height, width = shape
    source = moon() if source is None else source
    y, x = np.mgrid[:height, :width] - np.array([(height - 1) / 2, (width - 1) / 2])[:, None, None]
    a = np.radians(turn)
    middle = [(n - 1) / 2 for n in source.shape]
    at = np.stack(
        [
            zoom * (np.sin(a) * x + np.cos(a) * y) + middle[0] + shift[0],
            zoom * (np.cos(a) * x - np.sin(a) * y) + middle[1] + shift[1],
        ]
    )
    for one in at:
        smooth = scipy.ndimage.gaussian_filter(rng.normal(size=shape), 60.0, mode="wrap")
        one += bend * smooth / smooth.std()
    light = np.maximum(scipy.ndimage.map_coordinates(source, at, order=3, mode="nearest"), 0) ** FILTERS[filter]
    light = scipy.ndimage.gaussian_filter(light, blur) + noise * rng.normal(size=shape)
    return picture(light, filter, noise), at


def errors(way, reference, moving):
    """What the way is off by at every pixel of the reference that both show, (2, n), and whether it is near an edge."""
    shape = reference.shape[1:]
    at = places(way, shape, slice(0, shape[0]))
    got = np.stack([scipy.ndimage.map_coordinates(one, at, order=1, mode="constant", cval=np.nan) for one in moving])
    off = got - reference
    seen = np.isfinite(off).all(axis=0)
    edge = np.ones(shape, bool)
    edge[24:-24, 24:-24] = False
    return off[:, seen], edge[seen]


def rms(values):
    return float(np.sqrt((values**2).mean()))


@pytest.mark.parametrize(
    ("turn", "zoom", "shift"), [(0.0, 1.0, (0.4, -0.7)), (3.0, 1.01, (20.0, -30.0)), (-1.0, 0.992, (-45.0, 60.0))]
)
def test_shift_turn_and_scale_against_the_truth(turn, zoom, shift):
    (reference, truth), (moving, other) = (
        shot("G", seed=1),
        shot("R", turn=turn, zoom=zoom, shift=shift, blur=1.0, seed=2),
    )
    way = find_way(reference, moving)
    assert way is not None
    assert way.mesh is None  # nothing was bent, so nothing is taken out
    assert way.scale == pytest.approx(1 / zoom, abs=3e-4)  # 0.06 px at the edge
    assert way.turn_deg == pytest.approx(-turn, abs=0.02)
    off, _ = errors(way, truth, other)
    assert rms(off) < 0.05
    assert np.abs(off).max() < 0.15


def test_bending_is_taken_out_to_a_tenth_of_a_pixel():
    (reference, truth), (moving, other) = (
        shot("G", seed=3),
        shot("B", turn=1.0, zoom=1.004, shift=(8.0, -6.0), bend=0.3, seed=4),
    )
    way = find_way(reference, moving)
    assert way is not None
    assert way.mesh is not None
    off, edge = errors(way, truth, other)
    without, _ = errors(Way(way.matrix), truth, other)
    assert rms(without) > 0.2
    assert rms(off[:, ~edge]) < 0.1
    # Within half a patch of the border there is nothing to one side.
    assert rms(off[:, edge]) < 0.15


def test_a_limb_in_the_field():
    """Dark sky over a third of the picture: patches of noise alone say nothing."""
    y, x = np.mgrid[: moon().shape[0], : moon().shape[1]]
    ground = np.where(np.hypot(y - 256, x - 520) < 330, moon(), 0.0)
    (reference, truth), (moving, other) = (
        shot("G", source=ground, seed=5),
        shot("R", source=ground, turn=0.5, zoom=1.003, shift=(6.0, 4.0), seed=6),
    )
    way = find_way(reference, moving)
    assert way is not None
    on_moon = scipy.ndimage.map_coordinates(ground, truth, order=0) > 0
    at = places(way, SHAPE, slice(0, SHAPE[0]))
    got = np.stack([scipy.ndimage.map_coordinates(one, at, order=1, mode="constant", cval=np.nan) for one in other])
    off = (got - truth)[:, on_moon]
    assert rms(off[np.isfinite(off)]) < 0.08


def test_different_ground_is_not_registered():
    other = picture(moon()[::-1, ::-1][60:440, 40:460].T.copy(), "R", 0.005)
    assert find_way(shot("G")[0], other) is None


def test_carrying_by_an_analytic_case():
    """A sinusoid has a known value anywhere; what the picture has not seen is NaN."""

    def wave(y, x):
        return 0.5 + 0.2 * np.sin(0.3 * x + 0.1 * y) + 0.1 * np.cos(0.25 * y)

    y, x = np.mgrid[:90, :110].astype(float)
    plane = wave(y, x).astype(np.float32)
    plane[40:43, 50:53] = np.nan
    matrix = np.array([[1.004, -0.02, 3.3], [0.02, 1.004, -2.6], [0, 0, 1.0]])
    mesh = np.zeros((3, 3, 2))
    mesh[1, 1] = (0.4, -0.3)
    way = Way(matrix, mesh)
    made = carry_way(plane, way, (90, 110))
    at = places(way, (90, 110), slice(0, 90))
    inside = (at[0] >= 0) & (at[0] <= 89) & (at[1] >= 0) & (at[1] <= 109)
    far = inside & (np.hypot(at[0] - 41, at[1] - 51) > 12)
    border = (at[0] > 8) & (at[0] < 81) & (at[1] > 8) & (at[1] < 101)
    assert np.isnan(made[~inside & (np.minimum(at[0], at[1]) < -0.02)]).all()
    assert np.isnan(made[inside & (np.hypot(at[0] - 41, at[1] - 51) < 1)]).all()
    # The fifth-order spline is exact to a thousandth at twenty pixels a period; the mirrored border less so.
    np.testing.assert_allclose(made[far & border], wave(*at)[far & border], atol=1e-4)
    np.testing.assert_allclose(made[far], wave(*at)[far], atol=0.02)


def test_bending_only_where_patches_bear_it_out():
    rng = np.random.default_rng(7)
    x, y = (one.ravel() for one in np.meshgrid(np.arange(15.5, 400, 16), np.arange(15.5, 360, 16)))
    points = np.stack([x, y], axis=1)
    worth = np.tile(np.eye(2) / 0.1**2, (len(points), 1, 1))
    noise = 0.1 * rng.normal(size=points.shape)
    assert find_bending(points, noise, worth, SHAPE, 16.0) is None
    true = np.stack([0.3 * np.sin(x / 40), 0.3 * np.cos(y / 50)], axis=1)
    off = true + noise
    off[::23] += 2.0  # jumps
    found = find_bending(points, off, worth, SHAPE, 16.0)
    assert found is not None
    assert not found.inside[::23].any()
    field = spread(found.mesh, SHAPE, slice(0, SHAPE[0]))
    got = np.stack([scipy.ndimage.map_coordinates(field[..., k], [y, x], order=1) for k in (0, 1)], axis=1)
    assert rms(got - true) < 0.06  # smoothing gains on the 0.1 px of one patch


def develop(members):
    context = Context(captures=tuple(one.captures[0] for one in members))
    made = Compose(Compose.Parameters()).develop(members, context)
    return made, context


def test_a_set_becomes_one_colour_picture_without_fringes():
    members = [
        shot("R", turn=0.8, zoom=1.006, shift=(5.0, -9.0), bend=0.2, seed=8)[0],
        shot("G", seed=9)[0],
        shot("B", turn=-0.6, zoom=0.997, shift=(-7.0, 3.0), bend=0.2, seed=10)[0],
    ]
    before = [one.data.copy() for one in members]
    made, context = develop(members)
    notes = {note.name: note for note in context.notes}
    # The bending has a trend of its own, of its 0.2 px over half the picture: 0.001, or 0.06 degrees.
    assert notes["channel_scales"].value["R"] == pytest.approx(1 / 1.006, abs=1e-3)
    assert notes["channel_turns_deg"].value["B"] == pytest.approx(0.6, abs=0.06)
    assert set(notes["bend_channels"].value) == {"R", "B"}
    assert min(notes["channel_patches"].value.values()) > 100
    assert not [note for note in context.notes if note.kind == "caution"]
    seen = np.isfinite(made.data).all(axis=0)
    assert 0.85 < seen.mean() < 1.0  # the corners were not in all three
    for layer in (made.half_a, made.half_b, made.noise):
        np.testing.assert_array_equal(np.isfinite(layer).all(axis=0), seen)
    # Undone the filters' contrast, the channels are the same picture: what differs is noise, and no edge of a crater.
    gains = np.array(made.header.get("gains", [1.0, 1.0, 1.0]))
    red, green, blue = (np.maximum(made.data[k] / gains[k], 0) ** (1 / FILTERS[f]) for k, f in enumerate("RGB"))
    assert rms((red - green)[seen]) < 0.02
    assert rms((blue - green)[seen]) < 0.02
    for kept, one in zip(before, members, strict=True):
        np.testing.assert_array_equal(kept, one.data)


def test_a_channel_of_other_ground_is_told_of():
    members = [
        shot("R", seed=11)[0],
        shot("G", seed=12)[0],
        picture(0.4 + 0.005 * np.random.default_rng(1).normal(size=SHAPE), "B", 0.005),
    ]
    made, context = develop(members)
    assert made.data.shape == (3, *SHAPE)
    cautions = [note for note in context.notes if note.kind == "caution" and note.name == "register_channels"]
    assert len(cautions) == 1
    assert "B channel" in str(cautions[0])


def test_panels_of_a_mosaic_are_not_taken_for_a_set():
    # As by a telescope that went to the next panel before the filter was changed: two fifths of the field are common.
    apart = (0.0, 0.6 * SHAPE[1])
    source = np.tile(moon(), (1, 2))
    members = [
        shot("R", shift=apart, source=source, seed=13)[0],
        shot("G", source=source, seed=14)[0],
        shot("B", shift=apart, source=source, seed=15)[0],
    ]
    made, context = develop(members)
    assert [one.filters for one in made] == [("R",), ("G",), ("B",)]
    (caution,) = (note for note in context.notes if note.kind == "caution")
    assert caution.name == "fields"
    assert caution.value == pytest.approx({"R": 0.4, "G": 1.0, "B": 0.4}, abs=0.01)
    assert "R 40%" in caution.text
