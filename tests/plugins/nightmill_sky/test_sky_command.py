"""The command ``sky``: its contract with users and scripts."""

from __future__ import annotations

import csv
import io
import json

import pytest
from click.testing import CliRunner

from nightmill.cli.sky import sky

AT = ("--at", "2026-01-12T22:10:00")
SITE = ("--site", "47.10,8.50,540")

COMMON = {
    "distance_au",
    "ra_deg",
    "dec_deg",
    "altitude_deg",
    "azimuth_deg",
    "parallactic_angle_deg",
    "equatorial_diameter_arcsec",
    "polar_diameter_arcsec",
    "magnitude",
    "sub_observer_latitude_planetocentric_deg",
    "sub_observer_latitude_planetographic_deg",
    "north_pole_position_angle_deg",
}
LIT = {"phase_angle_deg", "illuminated_fraction", "sub_solar_latitude_planetocentric_deg", "sub_solar_longitude_deg"}
OWN = {
    "mars": {"solar_longitude_deg", "central_meridian_deg"},
    "jupiter": {"central_meridian_deg"},
    "saturn": {"central_meridian_deg", "ring_opening_earth_deg", "ring_opening_sun_deg"},
    "moon": {"libration_longitude_deg", "libration_latitude_deg", "colongitude_deg"},
    "sun": {"sun_p_deg", "sun_b0_deg", "sun_l0_deg", "carrington_rotation"},
    "uranus": {"central_meridian_deg"},
}


def run(*arguments: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(sky, list(arguments))
    return result.exit_code, result.stdout, result.stderr


@pytest.mark.parametrize("target", OWN)
def test_json_has_the_published_keys(target: str) -> None:
    code, out, _ = run(target, *AT, *SITE, "--json")
    found = json.loads(out)
    assert code == 0
    expected = COMMON | OWN[target] | (set() if target == "sun" else LIT)
    assert expected <= set(found)
    for others in OWN.values():
        assert not (others - expected) & set(found)
    assert all(value is not None for value in found.values())


def test_systems_of_longitude() -> None:
    assert set(json.loads(run("jupiter", *AT, "--json")[1])["central_meridian_deg"]) == {"I", "II", "III"}
    assert set(json.loads(run("saturn", *AT, "--json")[1])["central_meridian_deg"]) == {"I", "III"}


def test_without_site_nothing_topocentric() -> None:
    found = json.loads(run("jupiter", *AT, "--json")[1])
    assert not {"altitude_deg", "azimuth_deg", "airmass", "parallactic_angle_deg"} & set(found)


def test_range_is_a_list_with_both_ends() -> None:
    code, out, _ = run("jupiter", *AT, "--every", "10m", "--until", "2026-01-12T23:10:00", "--json")
    rows = json.loads(out)
    assert code == 0
    assert [row["utc"][11:16] for row in rows] == ["22:10", "22:20", "22:30", "22:40", "22:50", "23:00", "23:10"]
    turned = (rows[-1]["central_meridian_deg"]["II"] - rows[0]["central_meridian_deg"]["II"]) % 360.0
    assert turned == pytest.approx(870.27 / 24.0, abs=0.05)  # System II in an hour


def test_csv_has_a_row_an_instant() -> None:
    code, out, _ = run("saturn", *AT, *SITE, "--every", "1h", "--until", "2026-01-13T01:00:00", "--csv")
    rows = list(csv.DictReader(io.StringIO(out)))
    assert code == 0 and len(rows) == 3
    assert float(rows[0]["central_meridian_III_deg"]) != float(rows[1]["central_meridian_III_deg"])
    assert float(rows[0]["site_latitude_deg"]) == 47.10


def test_table_for_people_is_plain_in_a_pipe() -> None:
    code, out, _ = run("mars", *AT, *SITE)
    assert code == 0
    assert "central meridian (west longitude)" in out and "solar longitude Ls" in out
    assert "\x1b" not in out and out.isascii()
    code, out, _ = run("jupiter", *AT, "--every", "1h", "--until", "2026-01-13T00:10")
    assert code == 0 and "CM II" in out and out.count("2026-01-1") == 3
    assert "\x1b" not in out and out.isascii()


def test_sun_comes_with_a_caution() -> None:
    assert "filter" in run("sun", *AT)[1]
    assert "filter" not in run("moon", *AT)[1]


def test_far_dates_are_explained_not_fatal() -> None:
    code, out, err = run("moon", "--at", "2090-01-01", *SITE, "--json")
    assert code == 0 and "altitude_deg" in json.loads(out)
    assert "note:" in err and "leap seconds" in err


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("jupitr", *AT), "Did you mean 'jupiter'"),
        (("jupiter", "--at", "soon"), "'soon' is not a date and time"),
        (("jupiter",), "--at"),
        (("jupiter", *AT, "--site", "97,8"), "latitude 97"),
        (("jupiter", *AT, "--site", "here"), "LAT,LON"),
        (("jupiter", *AT, "--every", "10m"), "go together"),
        (("jupiter", *AT, "--until", "2026-01-13"), "go together"),
        (("jupiter", *AT, "--every", "ten", "--until", "2026-01-13"), "not a length of time"),
        (("jupiter", *AT, "--every", "0m", "--until", "2026-01-13"), "not a length of time"),
        (("jupiter", *AT, "--every", "10m", "--until", "2026-01-12"), "before the start"),
        (("jupiter", *AT, "--every", "1s", "--until", "2027-01-12"), "at most"),
        (("jupiter", *AT, "--json", "--csv"), "exclude each other"),
        (("jupiter", *AT, "--kernel", "missing.bsp"), "cannot be read"),
        (("jupiter", "--at", "0500-01-01"), "years 1000 to 3000"),
    ],
)
def test_wrong_usage_is_2_and_says_why(arguments: tuple[str, ...], message: str) -> None:
    code, out, err = run(*arguments)
    assert code == 2
    assert message in err.replace("\n", " ")
    assert out == ""
