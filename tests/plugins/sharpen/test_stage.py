"""The stage as a recipe runs it: quality, record, gaps, colour, odd pictures."""

from __future__ import annotations

import numpy as np
import pytest

from nightmill.artefacts import Capture, Picture
from nightmill.stage import Context
from nightmill_stages.sharpen import STAGES, Sharpen
from nightmill_stages.sharpen.spectral import cosine, frequencies

from .scenes import mars, psnr


def picture_of(stacked, colour: bool = False) -> Picture:
    layers = {name: getattr(stacked, name) for name in ("data", "noise", "half_a", "half_b")}
    if colour:
        layers = {name: np.stack([values] * 3) for name, values in layers.items()}
    layers["weight"] = np.ones_like(layers["data"])
    for values in layers.values():
        values.flags.writeable = False
    header = {"share_kept": stacked.share, "jitter_px": stacked.jitter_px, "scale": 1}
    return Picture(filters=("RGB",) if colour else ("R",), header=header, **layers)


def run(picture: Picture, night=None, **parameters):
    context = Context(night=night or {})
    (out,) = Sharpen(Sharpen.Parameters(**parameters)).develop([picture], context)
    return out, context


def test_it_is_shipped():
    assert [Sharpen] == STAGES and Sharpen.summary().startswith("Undo the blur")


@pytest.mark.parametrize(("r0_m", "seed"), [(0.08, 41), (0.045, 42)])
def test_default_comes_close_to_the_perfect_telescope(r0_m, seed):
    stacked = mars(r0_m, seed)
    before = psnr(stacked.data, stacked.truth)
    out, context = run(picture_of(stacked), stacked.night)
    assert out.data.dtype == np.float32 and out.data.shape == stacked.data.shape
    # The goal for a planet is 45 dB with everything unknown; registration is perfect here.
    assert psnr(out.data, stacked.truth) > max(45, before + 8)
    facts = out.header["sharpen"]
    assert facts["method"] == "wiener" and facts["found_by"] == "sky" and facts["cutoff_from"] == "telescope"
    assert facts["resolution_arcsec"][0] == pytest.approx(0.64 / facts["resolution_share"][0], rel=0.01)
    names = {note.name for note in context.notes}
    assert {"seeing", "resolution", "strength", "method"} <= names
    assert out.noise is not None and out.half_a is not None


def test_without_a_night_file_the_spectrum_tells_the_optics():
    stacked = mars(0.08, 41)
    out, context = run(picture_of(stacked))
    assert out.header["sharpen"]["cutoff_from"] == "spectrum"
    assert {"cutoff", "obstruction"} <= {note.name for note in context.notes}
    assert psnr(out.data, stacked.truth) > 45
    # A limb tells more than the spectrum alone, which was 1 to 5 % off.
    assert out.header["sharpen"]["cutoff_cycles_px"][0] == pytest.approx(stacked.cutoff, rel=0.04)
    assert out.header["sharpen"]["obstruction"] == pytest.approx(stacked.obstruction, abs=0.1)
    told, context = run(picture_of(stacked), {"telescope": {"obstruction": stacked.obstruction}})
    assert told.header["sharpen"]["obstruction"] == stacked.obstruction
    assert "obstruction" not in {note.name for note in context.notes}


def test_light_that_nobody_named_is_told_by_the_spectrum():
    # The scene is in light of 630 nm; white light would pass detail finer by an eighth.
    stacked = mars(0.08, 41)
    night = {**stacked.night, "filters": {}}
    unnamed = picture_of(stacked).replace(filters=("L",))
    out, context = run(unnamed, night)
    named, _ = run(picture_of(stacked), night)
    right = named.header["sharpen"]["cutoff_cycles_px"][0]
    assert out.header["sharpen"]["cutoff_cycles_px"][0] == pytest.approx(right, rel=0.05)
    (note,) = (note for note in context.notes if note.name == "cutoff")
    assert "No filter is named" in note.text
    assert out.header["sharpen"]["cutoff_from"] == "spectrum"
    assert psnr(out.data, stacked.truth) > 45
    # Where it is said, it is believed: white light of a file that is named so, too.
    white = Capture("m_L.ser", "m_L.ser", "ser", 9, *stacked.data.shape, target="mars", filter="L")
    named, context = run(unnamed.replace(captures=(white,)), night)
    assert named.header["sharpen"]["cutoff_from"] == "telescope"
    assert "cutoff" not in {note.name for note in context.notes}
    told, context = run(unnamed, {**night, "filters": {"L": 630.0}})
    assert told.header["sharpen"]["cutoff_cycles_px"][0] == pytest.approx(right, rel=1e-6)
    assert "cutoff" not in {note.name for note in context.notes}


@pytest.mark.parametrize("method", ["richardson-lucy", "wavelet"])
def test_the_other_methods_sharpen_too(method):
    stacked = mars(0.08, 41)
    out, _ = run(picture_of(stacked), stacked.night, method=method)
    assert psnr(out.data, stacked.truth) > psnr(stacked.data, stacked.truth) + 6
    assert out.header["sharpen"]["method"] == method
    assert out.half_a is None


def test_nothing_is_added_beyond_the_cutoff():
    stacked = mars(0.08, 41)
    out, _ = run(picture_of(stacked), stacked.night)
    beyond = frequencies(out.data.shape) > 1.01 * stacked.cutoff
    assert np.abs(cosine(out.data.astype(np.float64)))[beyond].max() < 1e-5


def test_noise_map_says_what_the_halves_say():
    stacked = mars(0.08, 41)
    out, _ = run(picture_of(stacked), stacked.night)
    by_halves = np.sqrt(np.mean(((out.half_a - out.half_b) / 2) ** 2))
    assert np.sqrt(np.mean(out.noise**2)) == pytest.approx(by_halves, rel=0.15)


def test_gaps_stay_gaps_and_input_is_left_alone():
    stacked = mars(0.08, 41)
    picture = picture_of(stacked)
    data, weight = picture.data.copy(), picture.weight.copy()
    data[:5] = np.nan
    weight[:, -4:] = 0
    kept = data.copy()
    out, _ = run(picture.replace(data=data, weight=weight), stacked.night)
    assert np.array_equal(data, kept, equal_nan=True)
    assert np.isnan(out.data[:5]).all() and np.isnan(out.data[:, -4:]).all()
    assert np.isfinite(out.data[5:, :-4]).all()
    inner = np.s_[20:-20, 20:-20]
    assert psnr(out.data[inner], stacked.truth[inner]) > 40


def test_colour_and_same_bits_again():
    stacked = mars(0.08, 41)
    picture = picture_of(stacked, colour=True)
    once, _ = run(picture, stacked.night, seeing=2.0, core_share=0.3)
    again, _ = run(picture, stacked.night, seeing=2.0, core_share=0.3)
    assert once.data.shape == (3, *stacked.data.shape)
    assert once.data.tobytes() == again.data.tobytes()
    # Blue sees stronger air than red.
    ratios = [one["seeing"] for one in once.header["sharpen"]["blur"]]
    assert ratios[0] == pytest.approx(2.0) and ratios[2] == pytest.approx(2.0 * (460 / 630) ** -1.2, rel=1e-3)


def test_numbers_in_the_recipe_are_obeyed():
    stacked = mars(0.08, 41)
    picture = picture_of(stacked)
    weak, _ = run(picture, stacked.night, seeing=2.0, core_share=0.3, strength=0.3)
    full, _ = run(picture, stacked.night, seeing=2.0, core_share=0.3)
    assert weak.header["sharpen"]["strength"] == 0.3
    assert np.std(np.diff(weak.data)) < np.std(np.diff(full.data))
    plain, _ = run(picture, stacked.night, method="wavelet", gains=(1.0, 1.0, 1.0), threshold=0)
    np.testing.assert_allclose(plain.data, picture.data, atol=1e-6)
    three, _ = run(picture, stacked.night, method="richardson-lucy", iterations=3, seeing=2.0, core_share=0.3)
    assert three.header["sharpen"]["iterations"] == [3]


@pytest.mark.parametrize("value", [0.0, 0.4])
def test_a_constant_picture_is_left_as_it_is(value):
    picture = Picture(np.full((64, 80), value, np.float32))
    out, context = run(picture)
    assert np.array_equal(out.data, picture.data)
    assert any(note.kind == "caution" for note in context.notes)


def test_a_picture_without_any_data_is_left_as_it_is():
    out, context = run(Picture(np.full((64, 80), np.nan, np.float32)))
    assert np.isnan(out.data).all() and context.notes


def test_none_does_nothing():
    stacked = mars(0.08, 41)
    out, _ = run(picture_of(stacked), method="none")
    assert out.data is picture_of(stacked).data or np.array_equal(out.data, stacked.data)
    assert out.header["sharpen"] == {"method": "none"}


def test_without_halves_noise_and_header_it_still_works():
    stacked = mars(0.08, 41)
    out, _ = run(Picture(stacked.data, filters=("R",)), stacked.night)
    assert psnr(out.data, stacked.truth) > 44
    bare, context = run(Picture(stacked.data[64:128, 64:128].copy()))
    assert np.isfinite(bare.data).all()
    assert any(note.kind == "caution" and note.name == "blur" for note in context.notes)
