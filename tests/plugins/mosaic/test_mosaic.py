"""Panels cut from a real picture of the Moon (scikit-image ships it), turned, scaled, bent, brightened and noised."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
import scipy.ndimage
from numpy.typing import NDArray
from skimage import data as samples

from nightmill.artefacts import Capture, Picture
from nightmill.stage import Context
from nightmill_stages.matching.overlaps import find_links
from nightmill_stages.matching.panels import describe_panel
from nightmill_stages.matching.patches import Matches
from nightmill_stages.matching.placement import to_mosaic, to_panel
from nightmill_stages.mosaic import Mosaic
from nightmill_stages.mosaic.canvas import lay_canvas, own_pixels
from nightmill_stages.mosaic.solve import place_panels
from nightmill_stages.mosaic.stage import _match

NOISE = 0.01
SIZE = 210


@dataclass(frozen=True)
class Cut:
    """A panel and what is true of it: where each of its pixels lies on the Moon, and its gain."""

    picture: Picture
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    gain: float

    def on_moon(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where points (x, y) of the panel lie on the Moon."""
        at = [points[:, 1], points[:, 0]]
        return np.stack([scipy.ndimage.map_coordinates(one, at, order=1) for one in (self.x, self.y)], axis=1)


def panel_of(light, name, minute, noise=NOISE, filter="R"):
    height, width = light.shape[-2:]
    capture = Capture(
        name, name, "ser", 100, height, width, target="moon", filter=filter, utc_start=1.7e9 + 60 * minute
    )
    level = np.full(light.shape, noise, np.float32)
    header = {"scale": 1.0, "frames_kept": 30, "frames_total": 100, "origin_px": [0, 0]}
    return Picture(
        light.astype(np.float32), (capture,), (filter,), noise=level, weight=np.full_like(level, 5), header=header
    )


def cut(moon, middle, rng, name, minute, *, turn_deg=2.0, noise=NOISE, bend_px=0.3):
    """Cut a panel; `middle` is (y, x) on the Moon, `bend_px` the largest bending on each axis."""
    turn, zoom = np.radians(rng.uniform(-turn_deg, turn_deg)), 1 + rng.uniform(-0.004, 0.004)
    y, x = np.mgrid[:SIZE, :SIZE] - (SIZE - 1) / 2
    on = [
        zoom * (np.sin(turn) * x + np.cos(turn) * y) + middle[0],
        zoom * (np.cos(turn) * x - np.sin(turn) * y) + middle[1],
    ]
    for one in on:
        smooth = scipy.ndimage.gaussian_filter(rng.normal(size=y.shape), SIZE / 6, mode="wrap")
        one += bend_px * smooth / np.abs(smooth).max()
    gain, offset = np.exp(rng.uniform(-0.12, 0.12)), rng.uniform(-0.01, 0.01)
    light = gain * scipy.ndimage.map_coordinates(moon, on, order=3) + offset + noise * rng.normal(size=y.shape)
    return Cut(panel_of(light, name, minute, noise), on[1], on[0], gain)


@pytest.fixture(scope="module")
def moon():
    return samples.moon().astype(np.float64) / 255


@pytest.fixture(scope="module")
def cuts(moon):
    """Nine panels, three by three, each overlapping its neighbours by a fourth to a third."""
    rng = np.random.default_rng(2)
    places = [(y, x) for y in (112, 256, 400) for x in (112, 256, 400)]
    return [cut(moon, np.add(p, rng.uniform(-5, 5, 2)), rng, f"m{k}.ser", k) for k, p in enumerate(places)]


@pytest.fixture(scope="module")
def stray(moon):
    """A mirrored part of the same Moon: it looks alike in every statistic, and fits nowhere."""
    return panel_of(moon[150:360, 150:360][:, ::-1], "stray.ser", 20)


@pytest.fixture(scope="module")
def made(cuts, stray):
    pictures = [one.picture for one in cuts] + [stray]
    context = Context(captures=tuple(one.captures[0] for one in pictures))
    (mosaic,) = Mosaic().develop(pictures, context)
    return mosaic, context


@pytest.fixture(scope="module")
def solution(cuts):
    pictures = [one.picture for one in cuts]
    panels = [describe_panel(one) for one in pictures]
    (found,) = place_panels([one.shape for one in panels], _match(pictures, panels, find_links(panels)))
    return found, panels


def similar(source, target):
    """Residual (n, 2) after the best shift, turn and scale from source to target."""
    one, zero = np.ones(len(source)), np.zeros(len(source))
    matrix = np.stack(
        [
            np.stack([source[:, 0], -source[:, 1], one, zero], axis=1),
            np.stack([source[:, 1], source[:, 0], zero, one], axis=1),
        ],
        axis=1,
    ).reshape(-1, 4)
    found = np.linalg.lstsq(matrix, target.ravel(), rcond=None)[0]
    return (matrix @ found).reshape(-1, 2) - target


def test_panels_lie_where_they_belong_to_half_a_pixel(cuts, solution):
    found, _ = solution
    assert found.members == list(range(9))
    y, x = np.mgrid[6 : SIZE - 6 : 12, 6 : SIZE - 6 : 12]
    grid = np.stack([x.ravel(), y.ravel()], axis=1).astype(float)
    mosaic = np.concatenate([to_mosaic(found.placements[k], grid) for k in range(9)])
    truth = np.concatenate([one.on_moon(grid) for one in cuts])
    rest = similar(mosaic, truth)
    # The truth holds each panel's own bending of 0.3 px, which nothing shows where it is alone.
    assert np.sqrt((rest**2).sum(axis=1).mean()) < 0.3
    assert np.hypot(*rest.T).max() < 1.0


def test_two_panels_show_the_same_at_one_place_to_half_a_pixel(cuts, solution):
    found, _ = solution
    y, x = np.mgrid[6 : SIZE - 6 : 8, 6 : SIZE - 6 : 8]
    grid = np.stack([x.ravel(), y.ravel()], axis=1).astype(float)
    apart = []
    for i in range(9):
        there = to_mosaic(found.placements[i], grid).astype(np.float32)
        for j in range(i + 1, 9):
            x, y = (one.ravel() for one in to_panel(found.placements[j], there[:, :1], there[:, 1:]))
            both = (np.minimum(x, y) > 5) & (np.maximum(x, y) < SIZE - 6)
            if both.any():
                apart.append(cuts[i].on_moon(grid[both]) - cuts[j].on_moon(np.stack([x, y], axis=1)[both]))
    distance = np.hypot(*np.concatenate(apart).T)
    assert len(distance) > 2000
    assert np.sqrt((distance**2).mean()) < 0.2
    assert np.percentile(distance, 99) < 0.5


def test_what_the_mosaic_says_of_its_residuals_is_true(made, cuts, solution):
    found, _ = solution
    assert made[0].header["mosaic"]["residual_px"] < 0.25
    # Matched points against the truth: noise of the matches is what the residual consists of.
    rest = [cuts[one.first].on_moon(one.here) - cuts[one.second].on_moon(one.there) for one in found.used]
    assert found.residual_px == pytest.approx(np.sqrt((np.concatenate(rest) ** 2).mean()), rel=0.4)


def seam_steps(picture, owner, truth):
    """Steps of (picture - truth) across the borders between owners, each the mean over 32 by 4 pixels a side."""
    rest = picture - truth
    steps = []
    for turned, own in ((rest, owner), (rest.T, owner.T)):
        clear = np.ones(own.shape, bool)
        clear[:, :5] = clear[:, -5:] = False
        edge = (own[:, :-1] != own[:, 1:]) & (own[:, :-1] >= 0) & (own[:, 1:] >= 0) & clear[:, 1:] & clear[:, :-1]
        rows, columns = np.nonzero(edge)
        left = np.stack([turned[rows, columns - k] for k in range(4)])
        right = np.stack([turned[rows, columns + 1 + k] for k in range(4)])
        step = np.nanmean(right, axis=0) - np.nanmean(left, axis=0)
        steps += [step[k : k + 32].mean() for k in range(0, len(step) - 31, 32)]
    return np.array(steps)


def truth_and_owner(cuts, solution, panels, moon):
    canvas = lay_canvas(solution.placements)
    owner = own_pixels(canvas, panels, dict.fromkeys(range(9), 1.0))
    y, x = np.mgrid[: canvas.shape[0], : canvas.shape[1]].astype(np.float32)
    truth = np.full(canvas.shape, np.nan)
    single = np.full(canvas.shape, np.nan)
    for k, one in enumerate(cuts):
        px, py = to_panel(canvas.placements[k], x, y)
        own = owner == k
        at = one.on_moon(np.stack([px[own], py[own]], axis=1).astype(float))
        truth[own] = scipy.ndimage.map_coordinates(moon, at[:, ::-1].T, order=3)
        single[own] = scipy.ndimage.map_coordinates(one.picture.data, [py[own], px[own]], order=3)
    return truth, owner, single


def test_seams_lie_below_the_noise(made, cuts, solution, moon):
    found, panels = solution
    mosaic, _ = made
    truth, owner, single = truth_and_owner(cuts, found, panels, moon)
    assert mosaic.data.shape == truth.shape
    scale = np.nanmedian(mosaic.data / truth)
    steps = seam_steps(mosaic.data / scale, owner, truth)
    assert len(steps) > 30
    # Chance alone: noise of 2 x 128 pixels.
    assert np.sqrt((steps**2).mean()) < 0.25 * NOISE
    assert np.abs(steps).max() < NOISE
    # The same panels laid side by side as they are show steps many times the noise.
    raw = seam_steps(single, owner, truth)
    assert np.sqrt((raw**2).mean()) > 1.5 * NOISE
    # Neither sharper nor softer than its panels: the noise is still there.
    rest = (mosaic.data / scale - truth)[owner >= 0]
    assert 0.85 * NOISE < 1.4826 * np.median(np.abs(rest - np.median(rest))) < 1.15 * NOISE


def test_gains_are_found(made, cuts):
    listed = {one["file"]: one for one in made[0].header["mosaic"]["panels"]}
    products = np.array([one.gain * listed[f"m{k}.ser"]["gain"][0] for k, one in enumerate(cuts)])
    # Offsets of 0.01 on a brightness of 0.45 are told from gains only as far as the overlaps have contrast.
    assert np.ptp(products) < 0.03


def test_what_is_not_covered_is_said(made):
    mosaic, context = made
    empty = np.isnan(mosaic.data)
    assert 0.005 < empty.mean() < 0.3
    assert (mosaic.weight[empty] == 0).all()
    assert (mosaic.weight[~empty] == 5).all()
    assert np.isnan(mosaic.noise[empty]).all()
    assert mosaic.header["mosaic"]["covered"] == pytest.approx(1 - empty.mean(), abs=1e-3)
    assert "NaN in FITS" in next(note.text for note in context.notes if note.name == "covered")
    assert mosaic.kind == "mosaic"
    assert mosaic.header["frames_kept"] == 9 * 30
    assert "origin_px" not in mosaic.header
    assert [one.file for one in mosaic.captures] == [f"m{k}.ser" for k in range(9)]


def test_a_panel_that_fits_nowhere_is_named(made):
    _, context = made
    (caution,) = [note for note in context.notes if note.kind == "caution"]
    assert caution.name == "overlap"
    assert "stray.ser" in caution.text
    assert caution.value == ["stray.ser"]


def test_pictures_without_overlap_make_no_mosaic(moon, stray):
    lonely = [stray, panel_of(moon[:200, :200], "corner.ser", 0), panel_of(moon[300:, 300:], "other.ser", 1)]
    context = Context()
    assert Mosaic().develop(lonely, context) == []
    assert "overlap" in context.notes[0].text
    assert context.notes[0].kind == "choice"


def test_pictures_of_one_field_make_no_mosaic(moon):
    rng = np.random.default_rng(3)
    same = [cut(moon, np.add((256, 256), rng.uniform(-4, 4, 2)), rng, f"s{k}.ser", k).picture for k in range(3)]
    context = Context()
    assert Mosaic().develop(same, context) == []
    assert "same field" in context.notes[0].text


def test_every_filter_has_a_mosaic_of_its_own(moon):
    # As they come where a set could not be put together in colour: all of two fields, through two filters.
    rng = np.random.default_rng(4)
    middles = {"left": (256, 180), "right": (256, 320)}
    pictures = []
    for number, filter in enumerate("RG"):
        for side, middle in middles.items():
            one = cut(moon, middle, rng, f"{side}_{filter}.ser", number).picture
            capture = replace(one.captures[0], filter=filter)
            pictures.append(one.replace(captures=(capture,), filters=(filter,)))
    made = Mosaic().develop(pictures, Context())
    assert [one.filters for one in made] == [("R",), ("G",)]
    for one in made:
        assert {capture.filter for capture in one.captures} == set(one.filters)
        assert one.data.ndim == 2
        assert one.data.shape[1] > 1.5 * SIZE


def test_colour_panels_with_gaps_turned_far(moon):
    """Two one-shot-colour panels, one turned by 25 degrees as by an alt-azimuth mount, with NaN corners."""
    rng = np.random.default_rng(4)
    pair = [
        cut(moon, (200, 200), rng, "a.ser", 0, turn_deg=0.0).picture,
        cut(moon, (230, 310), rng, "b.ser", 1, turn_deg=25.0).picture,
    ]
    tint = np.array([1.0, 0.9, 0.8], np.float32)[:, None, None]
    colour = []
    for one in pair:
        light = one.data * tint
        light[:, :20, :20] = np.nan
        layers = {"noise": one.noise * np.ones_like(tint), "weight": None}
        colour.append(one.replace(data=light.astype(np.float32), filters=("RGB",), **layers))
    (mosaic,) = Mosaic().develop(colour, Context())
    assert mosaic.data.shape[0] == 3
    assert mosaic.weight.max() == 1.0
    good = np.isfinite(mosaic.data).all(axis=0)
    np.testing.assert_allclose(np.median(mosaic.data[2][good] / mosaic.data[0][good]), 0.8, atol=0.01)
    # The gap of one panel is filled where the other has data.
    assert np.isfinite(mosaic.data).any(axis=0).sum() > 1.25 * SIZE**2


def test_order_of_levels_and_bits(moon, cuts):
    """Without levelling and bending the panels keep their brightness; the same input gives the same bits."""
    pictures = [cuts[k].picture for k in (0, 1, 3, 4)]
    stage = Mosaic(Mosaic.Parameters(level=False, bend=False))
    first, second = (stage.develop(list(pictures), Context())[0] for _ in range(2))
    np.testing.assert_array_equal(first.data, second.data)
    assert all(one["gain"] == [1.0] and one["bend_px"] < 0.01 for one in first.header["mosaic"]["panels"])


def test_a_false_match_is_left_out(solution, cuts):
    found, panels = solution
    wrong = replace(found.used[0], there=found.used[0].there + 40.0)
    shapes = [panel.shape for panel in panels]
    (again,) = place_panels(shapes, [wrong, *found.used[1:]])
    assert len(again.used) == len(found.used) - 1
    assert all(one.there is not wrong.there for one in again.used)
    assert again.residual_px < 1.2 * found.residual_px


def test_a_large_mosaic_keeps_its_size():
    """Twelve panels of 2 megapixels, by their matched points alone; one pair of panels is false."""
    rng = np.random.default_rng(5)
    shape = (1250, 1600)
    truth = []
    for k in range(12):
        turn, zoom = rng.uniform(-0.02, 0.02), 1 + rng.uniform(-0.003, 0.003)
        a, b = zoom * np.cos(turn), zoom * np.sin(turn)
        truth.append(np.array([[a, -b, 1250 * (k % 4)], [b, a, 970 * (k // 4)], [0, 0, 1.0]]))
    pairs = []
    for i in range(12):
        for j in range(i + 1, 12):
            far = abs(i % 4 - j % 4) + abs(i // 4 - j // 4)
            if far > 1 and (i, j) != (0, 10):
                continue
            # Points of the first panel that lie in the second, too; the false pair shares none.
            here = rng.uniform(0, 1, (400, 2)) * [1599, 1249]
            there = (np.c_[here, np.ones(400)] @ (np.linalg.inv(truth[j]) @ truth[i]).T)[:, :2]
            inside = ((there > 0) & (there < [1599, 1249])).all(axis=1) | (far > 1)
            here = here[inside][:60]
            there = there[inside][:60] if far == 1 else rng.normal(0, 1, here.shape) + here + 30
            there += rng.normal(0, 0.1, there.shape)
            pairs.append(Matches(i, j, here, there, np.tile(100.0 * np.eye(2), (len(here), 1, 1)), 0.9))
    (found,) = place_panels([shape] * 12, pairs)
    assert (0, 10) not in [(one.first, one.second) for one in found.used]
    assert len(found.used) == len(pairs) - 1 == 17
    middles = np.array([[(799.5, 624.5)]] * 12, float)
    placed = np.concatenate([to_mosaic(found.placements[k], middles[k]) for k in range(12)])
    real = np.concatenate([middles[k] @ truth[k][:2, :2].T + truth[k][:2, 2] for k in range(12)])
    rest = similar(placed, real)
    assert np.hypot(*rest.T).max() < 0.5
    # As large as its fixed panel says, to what 60 points with 0.1 px of noise over an overlap can tell.
    size = np.linalg.norm(placed[11] - placed[0]) / np.linalg.norm(real[11] - real[0])
    assert size * np.hypot(*truth[found.fixed][:2, 0]) == pytest.approx(1.0, abs=5e-4)
