"""The command ``map``: from finished pictures to maps that other programs understand, and points measured on them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS
from click.testing import CliRunner

from nightmill.artefacts import Capture, Picture
from nightmill.artefacts.fitsio import read_record
from nightmill.cli.main import _nightmill
from nightmill_sky import disc_from_ephemeris, ephemeris

SPOT = (100.0, 25.0)
"""Longitude in System II and planetographic latitude of the one bright spot."""


def save(
    path: Path, utc: str, *, north: float, mirrored: bool = False, colour: bool = False, gain: float = 1.0
) -> Path:
    """A finished picture of Jupiter with one spot, its geometry written down as `orient` does."""
    sky = ephemeris("jupiter", utc, satellites=False)
    disc = disc_from_ephemeris(
        sky,
        centre_column_px=61.3,
        centre_row_px=58.8,
        scale_arcsec_per_px=sky.equatorial_diameter_arcsec / 90.0,
        north_angle_deg=north,
        mirrored=mirrored,
    )
    row, column = np.mgrid[0:120, 0:120].astype(float)
    seen = disc.surface(column, row)
    away = (np.nan_to_num(seen.longitude_deg) - SPOT[0] + 180.0) % 360.0 - 180.0
    spot = 1.0 + np.exp(-(away**2 + (np.nan_to_num(seen.latitude_deg) - SPOT[1]) ** 2) / 60.0)
    light = spot * np.maximum(seen.incidence, 0.0) ** 0.9 * np.maximum(seen.emission, 0.03) ** -0.1
    plane = (gain * np.where(seen.emission > 0.0, light, 0.0)).astype(np.float32)
    start = np.datetime64(utc).astype("datetime64[s]").astype(float)
    capture = Capture("/x", "x.ser", "ser", 1, 9, 9, target="jupiter", filter="G", utc_start=float(start))
    geometry = {
        "disc": {"x_px": 61.3, "y_px": 58.8, "a_px": 45.0, "b_px": 42.0, "angle_deg": 0.0},
        "pole_angle_deg": disc.pole_angle_deg,
        "mirrored": mirrored,
    }
    Picture(np.stack([plane] * 3) if colour else plane, (capture,), ("G",), geometry=geometry).write(path)
    return path


def run(*arguments: object) -> tuple[int, str, str]:
    from nightmill.errors import NightmillError

    result = CliRunner().invoke(_nightmill, ["map", *map(str, arguments)])
    if isinstance(result.exception, NightmillError):
        return result.exception.exit_code, result.stdout, str(result.exception)
    return result.exit_code, result.stdout, result.stderr


@pytest.mark.parametrize("colour", [False, True])
def test_pictures_become_one_map_that_astropy_reads(tmp_path: Path, colour: bool) -> None:
    """The spot lies at its longitude by the header's own coordinates; two pictures show more than one."""
    one = save(tmp_path / "a.fits", "2026-01-12T22:10:00", north=33.0, colour=colour)
    two = save(tmp_path / "b.fits", "2026-01-12T23:40:00", north=200.0, mirrored=True, colour=colour, gain=3.0)
    before = one.read_bytes()
    code, _, said = run(one, two, "-o", tmp_path / "map.fits", "--cells", 1)
    assert code == 0, said
    assert one.read_bytes() == before
    with fits.open(tmp_path / "map.fits") as hdus:
        data, header, weight = hdus[0].data, hdus[0].header, hdus["WEIGHT"].data
    assert data.shape == ((3, 180, 360) if colour else (180, 360)) and weight.shape == (180, 360)
    assert header["LONSYS"] == "II" and header["LONDIR"] == "west" and header["NPICTS"] == 2
    plane = data[1] if colour else data
    excess = np.where(weight > 0.3, np.maximum(plane / np.median(plane[weight > 0.3]) - 1.3, 0.0), 0.0)
    row, column = (float((excess * grid).sum() / excess.sum()) for grid in np.indices(plane.shape))
    lon, lat = WCS(header).celestial.wcs_pix2world(column, row, 0)
    assert float(lon) % 360.0 == pytest.approx(SPOT[0], abs=0.5)
    assert float(lat) == pytest.approx(SPOT[1], abs=0.5)
    # The other gain is taken out: away from the spot the map is even. Lanczos beside the limb rings a little.
    far = (weight > 0.4) & (plane < 1.2 * np.median(plane[weight > 0.4]))
    assert np.std(plane[far]) / np.mean(plane[far]) < 0.04
    assert (tmp_path / "map.png").read_bytes()[:4] == b"\x89PNG"
    # It turned by 54 degrees between the two.
    run(one, "-o", tmp_path / "single.fits", "--cells", 1)
    with fits.open(tmp_path / "single.fits") as hdus:
        assert (weight > 0).sum() > 1.2 * (hdus["WEIGHT"].data > 0).sum()


def test_around_a_pole(tmp_path: Path) -> None:
    one = save(tmp_path / "a.fits", "2026-01-12T22:10:00", north=33.0)
    code, _, said = run(one, "-o", tmp_path / "north.fits", "--around", "north", "--cells", 1)
    assert code == 0, said
    with fits.open(tmp_path / "north.fits") as hdus:
        data, header = hdus[0].data, hdus[0].header
    x, y = WCS(header).wcs_world2pix(*SPOT, 0)
    near = data[round(float(y)) - 2 : round(float(y)) + 3, round(float(x)) - 2 : round(float(x)) + 3]
    assert near.mean() > 1.7 * np.median(data[data > 0])


@pytest.mark.parametrize("mirrored", [False, True])
def test_a_point_is_measured(tmp_path: Path, mirrored: bool) -> None:
    """Where the library puts the spot, the command reads its longitude and latitude again."""
    utc = "2026-01-12T22:10:00"
    one = save(tmp_path / "a.fits", utc, north=33.0, mirrored=mirrored)
    sky = ephemeris("jupiter", utc, satellites=False)
    kept = {"centre_column_px": 61.3, "centre_row_px": 58.8, "north_angle_deg": 33.0, "mirrored": mirrored}
    disc = disc_from_ephemeris(sky, scale_arcsec_per_px=sky.equatorial_diameter_arcsec / 90.0, **kept)
    column, row, emission, _ = disc.picture(sky.central_meridian_deg["II"] + 20.0, -30.0)
    assert emission > 0
    code, out, said = run(one, "--at", f"{float(column)},{float(row)}", "--at", "1,1", "--json")
    assert code == 0, said
    found, beside = json.loads(out)["points"]
    assert found["longitude_deg"]["II"] == pytest.approx((sky.central_meridian_deg["II"] + 20.0) % 360.0, abs=0.01)
    assert found["longitude_deg"]["I"] == pytest.approx((sky.central_meridian_deg["I"] + 20.0) % 360.0, abs=0.01)
    assert found["latitude_planetographic_deg"] == pytest.approx(-30.0, abs=0.01)
    assert -30.0 < found["latitude_planetocentric_deg"] < -26.0
    assert beside == {"x_px": 1.0, "y_px": 1.0, "on_globe": False}
    code, out, _ = run(one, "--at", "60,60")
    assert code == 0 and "System II" in out and "planetographic" in out


@pytest.mark.parametrize("mirrored", [False, True])
def test_a_known_east_needs_only_a_word_on_mirrors(tmp_path: Path, mirrored: bool) -> None:
    """As `orient` leaves a picture whose dark limb showed which way the planet turns."""
    utc = "2026-01-12T22:10:00"
    whole = save(tmp_path / "a.fits", utc, north=33.0, mirrored=mirrored)
    _, meant, _ = run(whole, "--at", "50,50", "--json")
    picture = read_record(whole)["geometry"]
    east = (picture.pop("pole_angle_deg") + (90.0 if mirrored else -90.0)) % 360.0
    picture.pop("mirrored")
    half = tmp_path / "b.fits"
    capture = Capture("/x", "x.ser", "ser", 1, 9, 9, target="jupiter", utc_start=1_768_255_800.0)
    geometry = {**picture, "planet_east_deg": east}
    Picture(fits.getdata(whole).astype(np.float32), (capture,), ("G",), geometry=geometry).write(half)
    code, _, said = run(half, "--at", "50,50")
    assert code == 2 and "mirror" in said and "north" not in said
    code, out, said = run(half, "--at", "50,50", "--mirrored" if mirrored else "--upright", "--json")
    assert code == 0, said
    for one, other in zip(json.loads(out)["points"], json.loads(meant)["points"], strict=True):
        assert one["latitude_planetographic_deg"] == pytest.approx(other["latitude_planetographic_deg"], abs=1e-4)
        assert one["longitude_deg"]["II"] == pytest.approx(other["longitude_deg"]["II"], abs=1e-3)


def test_what_a_picture_does_not_say_can_be_given(tmp_path: Path) -> None:
    path = tmp_path / "moon.fits"
    fits.PrimaryHDU(
        np.ones((90, 90), np.float32), fits.Header({"OBJECT": "Moon", "DATE-OBS": "2026-01-12T22:10:00"})
    ).writeto(path)
    code, _, said = run(path, "--at", "45,45")
    assert code == 2 and "--disc" in said and "--north-angle" in said and "--upright" in said
    code, out, said = run(
        path, "--at", "45,45", "--disc", "45,45,40", "--north-angle", 0, "--upright", "--site", "47.1,8.5", "--json"
    )
    assert code == 0, said
    moon = ephemeris("moon", "2026-01-12T22:10:00", __import__("nightmill_sky").Site(47.1, 8.5))
    (found,) = json.loads(out)["points"]
    assert (found["longitude_deg"] - moon.libration_longitude_deg + 180.0) % 360.0 - 180.0 == pytest.approx(0, abs=1e-6)
    assert found["latitude_planetocentric_deg"] == pytest.approx(moon.libration_latitude_deg, abs=1e-6)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("a.fits",), "-o FILE.fits"),
        (("a.fits", "a.fits", "--at", "5,5"), "only one"),
        (("a.fits", "--at", "5"), "2 numbers"),
        (("a.fits", "--at", "5,nan"), "2 numbers"),
        (("a.fits", "--at", "5,5", "--disc", "5,5,0"), "must be above 0"),
        (("a.fits", "--at", "5,5", "--system", "IV"), "no system of longitude 'IV'"),
        (("a.fits", "--at", "5,5", "--site", "here"), "LAT,LON"),
        (("none.fits", "--at", "5,5"), "no picture"),
        (("text.fits", "--at", "5,5"), "text.fits is no FITS file; name the .fits that nightmill wrote"),
        (("cut.fits", "--at", "5,5"), "cannot be read"),
        (("a.fits", "-o", "map.png"), "ends in .fits"),
        (("a.fits", "-o", "a.fits"), "there already"),
        (("a.fits", "-o", "map.fits", "--darkening", "1", "--keep-darkening"), "exclude"),
        (("a.fits", "a.fits", "-o", "map.fits", "--cells", "50"), "50"),
    ],
)
def test_wrong_usage_is_2_and_says_why(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], message: str
) -> None:
    monkeypatch.chdir(tmp_path)
    save(tmp_path / "a.fits", "2026-01-12T22:10:00", north=33.0)
    (tmp_path / "text.fits").write_text("no picture")
    (tmp_path / "cut.fits").write_bytes((tmp_path / "a.fits").read_bytes()[:4000])
    code, out, said = run(*arguments)
    assert code == 2
    assert message in said.replace("\n", " ")
    assert out == ""
    assert not (tmp_path / "map.fits").exists()
