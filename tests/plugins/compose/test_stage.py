"""The compose stage: grouping of captures and development of groups."""

from __future__ import annotations

import numpy as np
import pytest

from nightmill.artefacts import Capture, Picture
from nightmill.stage import Context
from nightmill_stages.compose import Compose

from ..matching.planets import planet

START = 1_768_255_800.0


def capture(
    filter_: str | None, minutes: float | None = 0.0, *, target: str | None = "mars", planes: int = 1
) -> Capture:
    start = None if minutes is None else START + 60.0 * minutes
    name = f"{target}_{filter_}_{minutes}.ser"
    return Capture(name, name, "test", 1000, 112, 112, planes, target=target, filter=filter_, utc_start=start)


def make(filter_: str, minutes: float, centre: tuple[float, float], *, target: str = "mars", **options) -> Picture:
    data = planet(112, centre, 36.0, noise=0.002, seed=ord(filter_[0]), **options)
    return Picture(
        data,
        captures=(capture(filter_, minutes, target=target),),
        filters=(filter_,),
        noise=np.full_like(data, 0.002),
        half_a=data + np.float32(0.001),
        half_b=data - np.float32(0.001),
        header={"frames_kept": 100, "frames_total": 1000},
        record={"recipe": filter_},
    )


def develop(pictures: list[Picture], *, night: dict | None = None, **parameters) -> tuple[list[Picture], Context]:
    stage = Compose(Compose.Parameters(**parameters))
    context = Context(captures=tuple(c for p in pictures for c in p.captures), night=night or {})
    made = stage.develop(pictures, context)
    return (made if isinstance(made, list) else [made]), context


def names(context: Context, kind: str) -> list[str]:
    return [note.name for note in context.notes if note.kind == kind]


def rgb(**options) -> list[Picture]:
    return [
        make("R", 0, (56.4, 55.2), gain=0.7, **options),
        make("G", 2, (56.0, 56.0), gain=0.5, **options),
        make("B", 4, (54.7, 57.1), gain=0.2, **options),
    ]


def group(*captures: Capture, **parameters) -> list[list[int]]:
    return Compose(Compose.Parameters(**parameters)).group([(c,) for c in captures])


def test_grouping_by_target_filter_and_time():
    units = [
        capture("R", 0),
        capture("RGB", 1, target="jupiter", planes=3),
        capture("G", 2),
        capture("B", 4),
        capture("IR", 6),
        capture("R", 0, target="venus"),
        capture(None, 3),
        capture("R", 200),
    ]
    assert group(*units) == [[0, 2, 3], [1], [4], [5], [6], [7]]


def test_grouping_by_the_channels_that_the_recipe_names():
    units = [capture("ch4", 0), capture("G", 2), capture("UV", 4), capture("R", 6)]
    assert group(*units, channels={"red": "CH4", "blue": "UV"}) == [[0, 1, 2], [3]]


def test_filters_that_are_written_out_make_a_set():
    units = [capture("Red", 0), capture("Green", 2), capture("blue", 4), capture("Luminance", 6), capture("R", 60)]
    assert group(*units) == [[0, 1, 2, 3], [4]]
    named = zip(rgb(), ("Red", "Green", "blue"), strict=True)
    pictures = [one.replace(filters=(word,), captures=(one.captures[0].replace(filter=word),)) for one, word in named]
    made, context = develop(pictures)
    assert [one.filters for one in made] == [("Red", "Green", "blue")]
    assert "channels" not in names(context, "caution")


def test_a_filter_of_unknown_wavelength_is_told():
    picture = make("IR685", 0, (56.0, 56.0))
    _, context = develop([picture])
    (said,) = [note.text for note in context.notes if note.name == "wavelength"]
    assert said.startswith("The wavelength of the filter 'IR685' is not known, and 560 nm were taken")
    for night, filter_ in (({"filters": {"ir685": 750.0}}, "IR685"), ({}, "IR"), ({}, "Methane")):
        _, context = develop([make(filter_, 0, (56.0, 56.0))], night=night)
        assert "wavelength" not in names(context, "caution")


def test_luminance_joins_by_default_only_as_l():
    units = [capture("R", 0), capture("G", 2), capture("B", 4), capture("L", 6), capture("IR", 8)]
    assert group(*units) == [[0, 1, 2, 3], [4]]
    assert group(*units, luminance="none") == [[0, 1, 2], [3], [4]]
    assert group(*units, luminance="IR") == [[0, 1, 2, 4], [3]]


def test_captures_without_time_join_only_when_there_is_no_doubt():
    loose = [capture("R", None), capture("G", None), capture("B", None)]
    assert group(*loose) == [[0, 1, 2]]
    assert group(*loose, capture("B", None)) == [[0], [1], [2], [3]]


def test_a_set_becomes_one_registered_balanced_picture():
    pictures = rgb()
    originals = [p.data.copy() for p in pictures]
    (made,), context = develop(pictures, night={"filters": {"R": 630.0, "G": 530.0, "B": 460.0}})
    assert made.data.shape == (3, 112, 112)
    assert made.data.dtype == np.float32
    assert made.filters == ("R", "G", "B")
    assert [c.filter for c in made.captures] == ["R", "G", "B"]
    assert made.header["frames_kept"] == 300
    assert made.header["frames_total"] == 3000
    assert made.header["members"]["B"] == {"frames_kept": 100, "frames_total": 1000}
    moved = next(n.value for n in context.notes if n.name == "channel_offsets_px")
    assert moved["R"] == pytest.approx([0.4, -0.8], abs=0.1)
    assert moved["B"] == pytest.approx([-1.3, 1.1], abs=0.1)
    # No coloured rim: channels of the same scene agree to 1 % of the disc on average and nowhere differ by more than
    # 5 %, which is four times the noise of the blue one.
    seen = np.isfinite(made.data).all(axis=0)
    share = made.data / np.array([made.data[i][seen].sum() for i in range(3)])[:, None, None]
    disc = share[1][seen].max()
    assert np.abs(share[0] - share[1])[seen].max() < 0.05 * disc
    assert np.abs((share[0] - share[1])[seen]).mean() < 0.01 * disc
    # The sky is at zero, the halves went the same way, white is above all.
    assert abs(np.median(made.data[:, 10:20, 10:20])) < 1e-3
    np.testing.assert_allclose((0.5 * (made.half_a + made.half_b))[:, seen], made.data[:, seen], atol=2e-4)
    # Black lies 0.6 % of white above the sky, so that the glow of diffraction does not grey it.
    assert made.display["black"] == pytest.approx(0.006 * made.display["white"], rel=1e-9)
    assert made.display["white"] > np.nanmax(made.data)
    for before, after in zip(originals, pictures, strict=True):
        np.testing.assert_array_equal(before, after.data)


def test_balance_by_hand_and_none():
    (plain,), _ = develop(rgb(), balance="none")
    (by_hand,), context = develop(rgb(), balance=[2.0, 1.0, 0.5])
    assert by_hand.header["gains"] == [2.0, 1.0, 0.5]
    assert "balance" not in names(context, "choice")
    seen = np.isfinite(plain.data[0])
    np.testing.assert_allclose(by_hand.data[0][seen], 2.0 * plain.data[0][seen], rtol=1e-6)


def test_luminance_picture_gives_the_brightness():
    light = make("L", 6, (56.9, 56.3), gain=0.9, blur=0.8)
    (made,), context = develop([*rgb(), light])
    assert made.filters == ("R", "G", "B", "L")
    assert "luminance" in names(context, "choice")
    (without,), _ = develop(rgb())
    # Detail as sharp as in the luminance: the steepest slope is larger than that of the colours alone.
    assert np.nanmax(np.abs(np.diff(made.data[1], axis=0))) > 1.1 * np.nanmax(np.abs(np.diff(without.data[1], axis=0)))


def test_a_missing_channel_gives_what_can_be_made_and_says_so():
    made, context = develop(rgb()[:2])
    assert [p.filters for p in made] == [("R",), ("G",)]
    assert all(p.data.ndim == 2 for p in made)
    caution = next(n for n in context.notes if n.kind == "caution")
    assert "through B " in caution.text
    assert caution.value == ["b"]


def test_a_single_lunar_capture_through_red_is_no_mistake():
    picture = make("R", 0, (56.0, 56.0), target="moon")
    _, context = develop([picture])
    assert names(context, "caution") == []


def test_one_shot_colour_is_registered_within_a_tenth_of_a_pixel():
    # Dispersion by the air moves red and blue apart; 0.1 px is the project's goal.
    planes = [
        planet(112, (56.0 + d, 56.0), 36.0, limb=k, gain=g, noise=0.002, seed=i)
        for i, (d, k, g) in enumerate([(0.7, 0.9, 0.5), (0.0, 0.8, 0.6), (-1.1, 0.7, 0.3)])
    ]
    source = Picture(np.stack(planes), captures=(capture("RGB", 0, target="jupiter", planes=3),), filters=("RGB",))
    (made,), context = develop([source])
    moved = next(n.value for n in context.notes if n.name == "channel_offsets_px")
    assert moved["red"] == pytest.approx([0.7, 0.0], abs=0.1)
    assert moved["blue"] == pytest.approx([-1.1, 0.0], abs=0.1)
    (again,), context = develop([made.replace(header={})])
    left = next(n.value for n in context.notes if n.name == "channel_offsets_px")
    assert np.abs([left["red"], left["blue"]]).max() < 0.1
    assert again.data.shape == made.data.shape


def test_a_set_of_a_fast_planet_is_cautioned():
    pictures = [p.replace(captures=(p.captures[0].replace(target="jupiter"),)) for p in rgb()]
    _, context = develop(pictures)
    # Jupiter turns 870.5 degrees a day: 2.4 degrees in 4 minutes, 1.5 px at a radius of 36 px.
    caution = next(n for n in context.notes if n.name == "rotation")
    assert caution.value == pytest.approx(2.42, abs=0.01)
    _, context = develop(rgb())
    assert "rotation" not in names(context, "caution")


def test_surface_keeps_its_level_and_becomes_neutral():
    rng = np.random.default_rng(2)
    ground = (0.2 + 0.2 * rng.random((80, 90))).astype(np.float32)
    moon = capture("RGB", 0, target="moon", planes=3)
    source = Picture(np.stack([ground, 0.8 * ground, 0.5 * ground]), captures=(moon,), filters=("RGB",))
    (made,), _ = develop([source], register_channels=False)
    assert made.header["sky_level"] == [0.0, 0.0, 0.0]
    np.testing.assert_allclose(made.data, np.broadcast_to(0.8 * ground, made.data.shape), rtol=0.01)
    assert made.display["black"] == 0.0


def test_same_input_same_bits():
    first, second = develop(rgb())[0][0], develop(rgb())[0][0]
    assert first.data.tobytes() == second.data.tobytes()
