"""Which star of the night balances a picture, and what is said when none can."""

from __future__ import annotations

import numpy as np
import pytest

from nightmill.artefacts import Capture, Picture
from nightmill.stage import Context
from nightmill_sky.extinction import extinction_mag
from nightmill_stages.compose.balance.stars import balanced_by_star, stars_for
from nightmill_stages.compose.balance.white import white_balance

WAVES = (630.0, 530.0, 460.0)
UTC = 1738786200.0  # 2025-02-05 20:10
SITE = {"latitude_deg": 47.1, "longitude_deg": 8.5, "height_m": 540.0}


def capture(target, name, exposure=0.01, *, minutes=0.0, gain=100.0):
    colour = name == "RGB"
    return Capture(
        "",
        f"{target}_{name}.ser",
        "ingest",
        100,
        64,
        64,
        3 if colour else 1,
        target=target,
        filter=name,
        utc_start=UTC + 60 * minutes,
        frame_interval_s=0.01,
        exposure_s=exposure,
        gain=gain,
    )


def seen(one, flux, error=0.004):
    """Return a consulted star as the fold starlight leaves it."""
    flux = flux if isinstance(flux, list) else [flux]
    header = {"starlight": {"flux": flux, "error": [error] * len(flux)}}
    return one, Picture(np.zeros((9, 9), np.float32), (one,), (str(one.filter),), header=header)


def stars(name="mystar", fluxes=(1.0, 2.0, 0.5), **options):
    return tuple(seen(capture(name, f, 0.02, **options), flux) for f, flux in zip("RGB", fluxes, strict=True))


def planet(target="mars", exposures=(0.01, 0.01, 0.01), **options):
    captures = tuple(capture(target, name, one, **options) for name, one in zip("RGB", exposures, strict=True))
    return Picture(np.zeros((3, 9, 9), np.float32), captures, ("R", "G", "B"))


def night(**sections):
    return {"references": {}, "extinction": {}, "site": {}, "filters": {}, **sections}


def told(context, kind=None):
    return {note.name: note for note in context.notes if kind in (None, note.kind)}


def test_stars_are_looked_at_through_the_same_filters():
    recorded = [capture(t, f) for t in ("mystar", "reference", "mars", "other") for f in ("R", "G", "B", "IR", "RGB")]
    names = [one.file for one in recorded]
    held = night(references={"MyStar": {}})
    wanted = ["r", "g", "b"]

    def chosen(captures):
        return {names[k] for k in stars_for(captures, recorded, held, wanted)}

    through = {f"{t}_{f}.ser" for t in ("mystar", "reference") for f in "RGB"}
    assert chosen([capture("mars", f) for f in ("R", "G", "B", "L")]) == through
    assert chosen([capture("mars", "RGB")]) == {"mystar_RGB.ser", "reference_RGB.ser"}
    # No colour comes of these, the star is what it is, and the Sun has a filter of its own.
    assert chosen([capture("mars", "R"), capture("mars", "G")]) == set()
    assert chosen([capture("mystar", f) for f in "RGB"]) == set()
    assert chosen([capture("sun", "RGB")]) == set()


def test_the_air_between_is_that_of_the_heights():
    """Mars stood at 60 degrees (air mass 1.154 by 1 / sin); the star at 30."""
    context = Context(night=night(references={"mystar": {"altitude_deg": 30.0}}, site=SITE), consulted=stars())
    gains = balanced_by_star(planet(), "RGB", WAVES, None, context)
    said = told(context)["reference_star"].value
    assert said["airmass"] == pytest.approx([1.993] * 3, abs=0.005)
    assert 1.0 < said["target_airmass"][0] < 1.25
    taken = extinction_mag(WAVES, 540.0)
    more = np.array(said["target_airmass"]) - np.array(said["airmass"])
    expected = 10 ** (0.4 * taken * more) / np.array([1.0, 2.0, 0.5])
    assert gains == pytest.approx(expected / expected[1], rel=1e-4)
    assert not told(context, "caution")
    assert "measured on the star mystar" in told(context)["balance"].text


def test_the_star_at_the_height_of_the_target_is_taken():
    places = {"low": {"altitude_deg": 25.0}, "near": {"altitude_deg": 62.0}}
    both = stars("low") + stars("near", (1.0, 1.0, 1.0))
    context = Context(night=night(references=places, site=SITE), consulted=both)
    balanced_by_star(planet(), "RGB", WAVES, None, context)
    assert told(context)["reference_star"].value["star"] == "near"
    # One that cannot be used gives way to the other.
    wrong = {**places, "near": {"altitude_deg": 62.0, "colour_index": 1.3}}
    context = Context(night=night(references=wrong, site=SITE), consulted=both)
    balanced_by_star(planet(), "RGB", WAVES, None, context)
    assert told(context)["reference_star"].value["star"] == "low"


def test_in_colour_nothing_but_the_light_is_needed():
    star = capture("reference", "RGB", None, gain=None)
    picture = Picture(np.zeros((3, 9, 9), np.float32), (capture("jupiter", "RGB", None, gain=None),), ("RGB",))
    context = Context(night=night(), consulted=(seen(star, [2.0, 4.0, 1.0]),))
    assert balanced_by_star(picture, "RGB", WAVES, None, context) == (2.0, 1.0, 4.0)
    # The height of neither is known here, and that is said.
    assert list(told(context, "caution")) == ["extinction"]
    assert "right_ascension" in told(context)["extinction"].text


@pytest.mark.parametrize(
    ("consulted", "words"),
    [
        (stars()[:2], "the star mystar has nothing usable through B"),
        ((*stars()[:2], (capture("mystar", "B"), None)), "mystar_B.ser was set aside; the star mystar has nothing"),
        (tuple((one, p.replace(header={})) for one, p in stars()), "does not measure its light (stage starlight)"),
        (
            tuple((one.replace(exposure_s=None), p) for one, p in stars()),
            "captures: {'mystar_R.ser': {exposure: 8 ms}}",
        ),
        ((), "no capture of mystar through R, G, B is in this night"),
    ],
)
def test_without_a_usable_star_the_published_colour_serves(consulted, words):
    context = Context(night=night(references={"mystar": {"altitude_deg": 50.0}}, site=SITE), consulted=consulted)
    disc = np.hypot(*(np.mgrid[:40, :40] - 20)) < 8
    picture = planet().replace(data=np.stack([disc * v for v in (0.3, 0.3, 0.3)]).astype(np.float32))
    gains = white_balance(picture, disc, "RGB", WAVES, "auto", context)
    caution = told(context, "caution")["reference_star"].text
    assert words in caution
    assert caution.startswith("No reference star was used: ")
    assert gains[0] > 1 > gains[2]
    assert "published colour of mars" in told(context)["balance"].text


def test_the_recipe_may_leave_the_star_out():
    disc = np.hypot(*(np.mgrid[:40, :40] - 20)) < 8
    picture = planet().replace(data=np.stack([disc * v for v in (0.3, 0.3, 0.3)]).astype(np.float32))
    context = Context(night=night(), consulted=stars("reference"))
    assert white_balance(picture, disc, "RGB", WAVES, "published", context)[0] > 1
    assert white_balance(picture, disc, "RGB", WAVES, (1.5, 1.0, 2.0), context) == (1.5, 1.0, 2.0)
    assert "reference_star" not in told(context)


def test_a_gain_that_is_not_known_and_a_colour_far_from_the_published_are_told():
    held = night(references={"mystar": {"altitude_deg": 60.0}}, site=SITE)
    context = Context(night=held, consulted=stars(gain=None))
    balanced_by_star(planet(gain=None), "RGB", WAVES, (2.0, 1.0, 3.0), context)
    cautions = told(context, "caution")
    assert "was the same through all filters" in cautions["gain"].text
    assert "Blue by the star is" in cautions["balance"].text
    assert "more than by the published colour of Mars" in cautions["balance"].text
    context = Context(night=held, consulted=stars())
    balanced_by_star(planet(), "RGB", WAVES, (2.0, 1.0, 3.9), context)
    assert not told(context, "caution")
