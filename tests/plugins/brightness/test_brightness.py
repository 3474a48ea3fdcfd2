"""Limb darkening, trends and faint light, on discs whose law is known."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.ndimage
from astropy.io import fits

from nightmill.artefacts import Capture, Picture
from nightmill.stage import Context
from nightmill_stages.brightness import Brightness
from nightmill_stages.brightness.limb import find_limb
from nightmill_stages.write.display import render, softening_of

U, V = 0.42, 0.23
"""White light near 550 nm: 0.88 and -0.23 in the form of Cox 2000 with mu and mu^2, converted (from memory)."""

NOISE = 0.004


def sun(shape=(400, 420), centre=(200.3, 215.6), radius=170.0, spots=True, prominence=0.0, target="sun"):
    """Draw a Sun with its law, a spot, blur and noise; sky at 0.003. Returns the picture and mu."""
    rng = np.random.default_rng(1)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    y, x = y - centre[0], x - centre[1]
    out = np.hypot(x, y)
    mu = np.sqrt(np.clip(1 - (out / radius) ** 2, 0, 1))
    light = 0.8 * (1 - U * (1 - mu) - V * (1 - mu) ** 2) * np.clip(radius - out + 0.5, 0, 1)
    if spots:
        light *= 1 - 0.7 * np.exp(-((((x - 40) ** 2 + (y + 30) ** 2) / 12**2) ** 2))
    arch = np.exp(-(((out - 1.06 * radius) / (0.02 * radius)) ** 2) - ((np.arctan2(y, x) - 0.5) / 0.25) ** 2)
    light = scipy.ndimage.gaussian_filter(light + prominence * arch, 1.5) + 0.003
    data = (light + NOISE * rng.normal(size=shape)).astype(np.float32)
    capture = Capture("a", "a.ser", "ser", 9, *shape, target=target, filter="W", utc_start=1.7e9)
    display = {"black": 0.006, "white": 0.82, "gamma": 1.0}
    noise = np.full(shape, NOISE, np.float32)
    return Picture(data, (capture,), ("W",), noise=noise, display=display, header={"sky_level": [0.0]}), mu


def develop(picture, **parameters):
    context = Context(captures=picture.captures)
    (made,) = Brightness(Brightness.Parameters(**parameters)).develop([picture], context)
    return made, context


def test_nothing_is_done_unless_asked_for():
    picture, _ = sun()
    made, context = develop(picture)
    assert made is picture
    assert context.notes == []


def test_the_law_is_found_and_taken_out():
    picture, mu = sun()
    made, context = develop(picture, limb_darkening="remove")
    (note,) = context.notes
    assert note.value["u"] == pytest.approx(U, abs=0.02)
    assert note.value["v"] == pytest.approx(V, abs=0.03)  # u and v trade against each other
    assert note.value["radius_px"] == pytest.approx(170.0, abs=0.5)
    disc = (mu > 0.25) & (mu < 0.97)
    rings = [made.data[(mu > a) & (mu < a + 0.1)] for a in np.arange(0.25, 0.9, 0.1)]
    medians = np.array([np.median(ring) for ring in rings])
    assert np.ptp(medians) / medians.mean() < 0.01
    assert np.ptp([np.median(picture.data[(mu > a) & (mu < a + 0.1)]) for a in (0.25, 0.85)]) > 0.2
    # The spot is as dark as it was against its surroundings, and the noise grows as the light does.
    assert made.data[170, 255] / np.median(made.data[disc]) == pytest.approx(0.3, abs=0.03)
    np.testing.assert_allclose(made.noise / picture.noise, made.data / picture.data, rtol=1e-4)
    assert made.header["brightness"]["u"] == note.value["u"]
    # Black rises with the sky, which was divided as well: half of it lies below black as before.
    assert made.display["black"] == pytest.approx(0.006 / (1 - note.value["u"] - note.value["v"]), rel=1e-3)
    assert np.median(render(made.data, made.display)[mu == 0]) == 0


def test_a_part_of_the_limb_is_enough_for_the_circle():
    picture, _ = sun(shape=(300, 320), centre=(420.0, -180.0), radius=480.0, spots=False)
    found = find_limb(picture.data, np.ones(picture.data.shape, bool))
    assert found is not None
    assert found.radius_px == pytest.approx(480.0, rel=0.02)
    assert abs(found.radius_px / 480.0 - 1) < 4 * found.radius_error + 0.002
    assert 20 < found.arc_deg < 90


def test_without_a_limb_it_is_said_and_the_trend_evens_the_field():
    picture, mu = sun(centre=(250.0, 700.0), radius=1000.0)
    assert (mu > 0).all()
    same, context = develop(picture, limb_darkening="remove")
    assert same is picture
    assert [note.kind for note in context.notes] == ["caution"]
    made, context = develop(picture, limb_darkening="remove", trend="remove")
    assert {note.name for note in context.notes} == {"limb_darkening", "trend"}
    before, after = (scipy.ndimage.uniform_filter(one.data, 60)[40:-40:60, 40:-40:60] for one in (picture, made))
    assert np.ptp(before) / before.mean() > 0.08
    assert np.ptp(after) / after.mean() < 0.015
    assert np.median(made.data / picture.data) == pytest.approx(1.0, abs=0.03)


def test_only_the_sun_is_darkened_towards_its_limb():
    picture, _ = sun(target="moon")
    same, context = develop(picture, limb_darkening="remove")
    assert same is picture
    assert "Sun" in context.notes[0].text


def test_faint_light_is_lifted_on_the_display_alone(tmp_path):
    picture, _ = sun(prominence=0.05)
    made, context = develop(picture, lift="auto")
    assert made.data is picture.data
    (note,) = context.notes
    assert 2 < note.value < 60
    assert "FITS stays linear" in note.text
    before, after = (render(one.data, one.display).astype(float) / 65535 for one in (picture, made))
    arch = np.s_[283:289, 370:376]  # on the prominence, 1.06 radii out, at 0.5 rad
    sky = np.s_[:20, :20]
    assert after[arch].mean() > 1.4 * before[arch].mean()
    assert after[arch].mean() - after[sky].mean() > 0.2
    # Monotonic, and white stays white.
    order = np.argsort(picture.data, axis=None)
    assert (np.diff(after.ravel()[order]) >= 0).all()
    assert after.max() == pytest.approx(before.max(), abs=0.02)
    made.write(tmp_path / "p.fits")
    assert fits.getheader(tmp_path / "p.fits")["DISPSOFT"] == pytest.approx(made.display["softening"])
    np.testing.assert_array_equal(fits.getdata(tmp_path / "p.fits"), picture.data)


def test_a_filled_field_is_not_lifted_by_itself():
    picture, _ = sun(centre=(200.0, 200.0), radius=600.0)
    same, context = develop(picture, lift="auto")
    assert same is picture
    assert context.notes[0].value == 1


@pytest.mark.parametrize("lift", [1.5, 10.0, 300.0])
def test_the_lift_is_the_slope_at_zero(lift):
    soft = softening_of(lift)
    tiny = 1e-6 * soft
    assert np.arcsinh(tiny / soft) / np.arcsinh(1 / soft) / tiny == pytest.approx(lift, rel=1e-6)
    made, _ = develop(sun()[0], lift=lift)
    assert made.header["lift"] == lift


def test_no_lift_has_no_softening():
    assert softening_of(1.0) is None
    with pytest.raises(ValueError, match="softening"):
        render(np.ones((4, 4)), {"black": 0.0, "white": 2.0, "softening": 0.0})


def test_a_short_piece_of_the_limb_is_enough_where_the_scale_is_known():
    """Four degrees of the limb, nearly straight; telescope and camera say the radius to a per cent."""
    picture, mu = sun(shape=(300, 320), centre=(150.0, -3750.0), radius=4000.0, spots=False)
    good = np.ones(picture.data.shape, bool)
    found = find_limb(picture.data, good, 4040.0)
    assert found is not None
    assert found.radius_px == pytest.approx(4000.0, rel=0.03)
    np.testing.assert_allclose(found.mu(picture.data.shape)[mu > 0.1], mu[mu > 0.1], atol=0.02)
