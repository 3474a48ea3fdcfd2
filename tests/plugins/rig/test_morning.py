"""What a night says about the next: each sentence with its figure, and none without a reason."""

from __future__ import annotations

import pytest

from nightmill_sky.rig import morning
from nightmill_sky.rig.morning import MOST_SENTENCES, seeing_from_motion_arcsec

NIGHT = {
    "site": {"latitude_deg": 47.1, "longitude_deg": 8.5},
    "telescope": {"aperture_mm": 203.0, "focal_length_mm": 2030.0, "amplifier": 2.0},
    "camera": {"pixel_um": 3.75},
    "filters": {"R": 630.0},
}


def capture(**changes):
    """A capture without fault, at the nominal scale of 0.1905 arcsec."""
    sheet = {
        "brightness": {"peak": 0.7, "clipped": 0.0},
        "halves": {"limit_per_px": 0.30},
        "jitter_px": 1.5,
        "drift": {"dx_px": [0.0, 3.0], "dy_px": [0.0, 2.0]},
    }
    base = {
        "file": "jupiter.ser",
        "target": "jupiter",
        "filter": "R",
        "utc_mid": "2026-01-12T22:10:00.000Z",
        "duration_s": 60.0,
        "frames_missing": 0,
        "width": 640,
        "height": 480,
        "pictures": [],
    }
    return {**base, **{k: v for k, v in changes.items() if k in base}, "sheet": {**sheet, **changes.get("sheet", {})}}


def advice(*captures, night=None):
    return morning(night or NIGHT, captures)["advice"]


def test_a_good_night_is_told_to_go_on():
    (only,) = advice(capture())
    assert "keep what you did" in only
    # 0.1905 / 0.30 = 0.635 arcsec; the telescope at 630 nm ends at 0.640.
    assert "0.64 arcsec" in only


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"sheet": {"brightness": {"peak": 1.0, "clipped": 0.02}}}, "1 of 1 captures clipped, at most 2.00%"),
        ({"sheet": {"brightness": {"peak": 0.12, "clipped": 0.0}}}, "the dimmest 12%"),
        ({"frames_missing": 1500}, "1,500 frames are missing at the end of 1 of 1"),
        ({"sheet": {"drift": {"dx_px": [0.0, 200.0], "dy_px": [0.0, 0.0]}}}, "200 px in jupiter.ser, 200 px a minute"),
        ({"pictures": [{"geometry": {"scale_arcsec": 0.2381}, "header": {"scale": 1}}]}, "write amplifier: 1.60"),
        ({"sheet": {"halves": {"limit_per_px": 0.1}}}, "reached only 1.91 arcsec"),
    ],
)
def test_each_fault_gets_its_sentence(changes, words):
    assert any(words in one for one in advice(capture(**changes))), advice(capture(**changes))


def test_at_most_five_sentences_whatever_went_wrong():
    bad = capture(
        frames_missing=10,
        pictures=[{"geometry": {"scale_arcsec": 0.8}, "header": {}}],
        sheet={
            "brightness": {"peak": 1.0, "clipped": 0.02},
            "drift": {"dx_px": [0.0, 400.0], "dy_px": [0.0, 0.0]},
            "halves": {"limit_per_px": 0.05},
        },
    )
    dim = capture(sheet={"brightness": {"peak": 0.1, "clipped": 0.0}})
    said = advice(bad, dim)
    assert len(said) == MOST_SENTENCES
    assert all(any(letter.isdigit() for letter in one) for one in said)


def test_sampling_is_judged_without_any_measured_scale():
    night = {**NIGHT, "telescope": {**NIGHT["telescope"], "amplifier": 5.0}}
    assert any("f/50.0" in one and "larger and dimmer" in one for one in advice(capture(), night=night))


def test_an_empty_night_and_an_empty_night_file_say_nothing():
    assert morning({}, []) == {"curves": [], "captures": {}, "advice": [], "cautions": []}
    found = morning({}, [{**capture(), "sheet": {}}])
    assert found["advice"] == []
    assert found["curves"] == []
    assert found["captures"] == {"jupiter.ser": {"facts": []}}


def test_altitudes_come_with_every_known_target():
    found = morning(NIGHT, [capture(), capture(file="x.ser", target="comet"), capture(file="s.ser", target="sun")])
    assert [curve["target"] for curve in found["curves"]] == ["jupiter", "sun"]
    assert "certified filter" in found["cautions"][0]
    curve = found["curves"][0]
    assert len(curve["utc"]) == len(curve["altitude_deg"])
    # Jupiter near its culmination: 90 - 47.1 + 22 degrees of declination.
    assert max(curve["altitude_deg"]) == pytest.approx(65.0, abs=1.5)


def test_seeing_inverts_the_formula_of_image_motion():
    """Sarazin & Roddier (1990): r0 = 0.1 m at 500 nm and D = 0.2 m.

    0.179 (5e-7)^2 0.2^(-1/3) 0.1^(-5/3) rad^2 = 3.55e-12 rad^2, 1.88e-6 rad = 0.389 arcsec; FWHM 0.98 lambda / r0 =
    1.01 arcsec.
    """
    motion = (0.179 * 5e-7**2 * 0.2 ** (-1 / 3) * 0.1 ** (-5 / 3)) ** 0.5 * 206264.8
    assert seeing_from_motion_arcsec(motion, 200.0, 500.0) == pytest.approx(0.98 * 5e-7 / 0.1 * 206264.8, rel=1e-6)


def test_a_star_that_others_are_measured_by_is_not_judged_by_its_detail():
    dim = capture(file="star.ser", target="mystar", brightness={"share": 0.05, "clipped": 0.0})
    named = {**NIGHT, "references": {"MyStar": {}}}
    assert morning(named, [dim])["advice"] == []
    assert "star.ser" in morning(named, [dim])["captures"]
