"""The ellipsoidal disc, its outlines, derotation and maps: invariants and independent references."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightmill_sky import Disc, disc_from_ephemeris, ephemerides, ephemeris
from nightmill_sky.derotate import apply_derotation, derotation, turn_deg
from nightmill_sky.geometry import centric_from_graphic_deg, graphic_from_centric_deg
from nightmill_sky.maps import cylindrical_map, join_maps, map_header, polar_map
from nightmill_sky.outlines import limb_line, ring_cover, ring_line, ring_radius, terminator_line

discs = st.builds(
    Disc,
    centre_column_px=st.floats(-20, 300),
    centre_row_px=st.floats(-20, 300),
    equatorial_radius_px=st.floats(5, 400),
    flattening=st.floats(0.0, 0.12),
    sub_observer_latitude_deg=st.floats(-89, 89),
    pole_angle_deg=st.floats(0, 360),
    mirrored=st.booleans(),
    central_meridian_deg=st.floats(0, 360),
    west_longitudes=st.booleans(),
    sub_solar_latitude_deg=st.floats(-89, 89),
    sun_east_of_meridian_deg=st.floats(-180, 180),
    distance_radii=st.sampled_from([math.inf, 220.0]),
)


def grid(rows: int, columns: int) -> tuple[Any, Any]:
    row, column = np.mgrid[0:rows, 0:columns].astype(np.float64)
    return column, row


@settings(max_examples=60, deadline=None)
@given(discs)
def test_pixel_to_surface_and_back(disc: Disc) -> None:
    turn = np.linspace(0.1, 6.2, 40)
    reach = np.linspace(0.02, 0.97, 40)
    long, short = (s / disc.equatorial_radius_px for s in disc.semi_axes_px)
    column, row = disc.from_planet_axes(reach * long * np.sin(turn), reach * short * np.cos(turn))
    seen = disc.surface(column, row)
    back_column, back_row, emission, incidence = disc.picture(seen.longitude_deg, seen.latitude_deg)
    np.testing.assert_allclose(back_column, column, atol=1e-6)
    np.testing.assert_allclose(back_row, row, atol=1e-6)
    np.testing.assert_allclose(emission, seen.emission, atol=1e-9)
    np.testing.assert_allclose(incidence, seen.incidence, atol=1e-9)
    assert np.all((seen.longitude_deg >= 0.0) & (seen.longitude_deg < 360.0))


@settings(max_examples=30, deadline=None)
@given(discs)
def test_middle_of_the_disc_is_the_sub_observer_point(disc: Disc) -> None:
    seen = disc.surface(disc.centre_column_px, disc.centre_row_px)
    assert seen.longitude_deg == pytest.approx(disc.central_meridian_deg % 360.0, abs=1e-6) or (
        abs(seen.longitude_deg - disc.central_meridian_deg % 360.0) > 359.99
    )
    point = centric_from_graphic_deg(seen.latitude_deg, disc.flattening)
    assert point == pytest.approx(disc.sub_observer_latitude_deg, abs=1e-6)


@settings(max_examples=30, deadline=None)
@given(discs)
def test_beside_the_globe_there_is_nothing(disc: Disc) -> None:
    column, row = limb_line(disc, 36)
    out_column = disc.centre_column_px + 1.01 * (column - disc.centre_column_px)
    out_row = disc.centre_row_px + 1.01 * (row - disc.centre_row_px)
    beside = disc.surface(out_column, out_row)
    assert np.isnan(beside.latitude_deg).all() and not beside.emission.any()
    in_column = disc.centre_column_px + 0.999 * (column - disc.centre_column_px)
    in_row = disc.centre_row_px + 0.999 * (row - disc.centre_row_px)
    inside = disc.surface(in_column, in_row)
    assert np.isfinite(inside.latitude_deg).all() and inside.emission.max() < 0.1


def test_latitudes_are_those_of_astropys_ellipsoid() -> None:
    """Geodetic latitude of the Earth's ellipsoid, from ERFA: the same quantity as the planetographic one."""
    import erfa

    a, f = 6378137.0, 1.0 / 298.257223563
    graphic = np.radians(np.array([-80.0, -33.0, 0.0, 12.0, 45.0, 89.0]))
    xyz = erfa.gd2gce(a, f, np.zeros(6), graphic, np.zeros(6))
    centric = np.degrees(np.arctan2(xyz[:, 2], xyz[:, 0]))
    np.testing.assert_allclose(graphic_from_centric_deg(centric, f), np.degrees(graphic), atol=1e-10)
    np.testing.assert_allclose(centric_from_graphic_deg(np.degrees(graphic), f), centric, atol=1e-10)


@pytest.mark.parametrize("target", ["mars", "venus", "jupiter", "saturn", "moon"])
@pytest.mark.parametrize("mirrored", [False, True])
def test_lit_part_and_bright_limb_agree_with_the_ephemeris(target: str, mirrored: bool) -> None:
    """Counting lit pixels gives the illuminated part; their middle lies towards the bright limb."""
    found = ephemeris(target, "1992-11-09T00:00:00", satellites=False)
    disc = disc_from_ephemeris(
        found,
        centre_column_px=150.3,
        centre_row_px=149.1,
        scale_arcsec_per_px=found.equatorial_diameter_arcsec / 240.0,
        north_angle_deg=33.0,
        mirrored=mirrored,
    )
    column, row = grid(300, 300)
    seen = disc.surface(column, row)
    on, lit = seen.emission > 0.0, seen.incidence > 0.0
    assert lit.sum() / on.sum() == pytest.approx(found.illuminated_fraction, abs=0.003)
    assert on.sum() == pytest.approx(math.pi * math.prod(disc.semi_axes_px), rel=2e-3)
    if found.phase_angle_deg > 20.0:
        angle = math.degrees(math.atan2(-(column[lit].mean() - 150.3), -(row[lit].mean() - 149.1)))
        sense = -1.0 if mirrored else 1.0
        expected = 33.0 + sense * found.bright_limb_position_angle_deg
        assert (angle - expected + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1.5)


def test_features_move_from_celestial_east_to_west() -> None:
    """Every forward-turning planet: common practice, no source. North up and unmirrored, east is left."""
    early, late = ephemerides("jupiter", ["2026-01-12T22:00:00", "2026-01-12T22:30:00"], satellites=False)
    discs = [
        disc_from_ephemeris(e, centre_column_px=0, centre_row_px=0, scale_arcsec_per_px=0.2) for e in (early, late)
    ]
    spot = discs[0].central_meridian_deg
    columns = [float(d.picture(spot, 0.0)[0]) for d in discs]
    assert columns[1] > columns[0] + 5.0
    mirrored = replace(discs[1], mirrored=True, pole_angle_deg=-discs[1].pole_angle_deg)
    assert float(mirrored.picture(spot, 0.0)[0]) < -5.0


def test_terminator_is_where_the_sun_stands_on_the_horizon() -> None:
    disc = Disc(0, 0, 100, 0.06, 12.0, 20.0, sub_solar_latitude_deg=-5.0, sun_east_of_meridian_deg=70.0)
    column, row = terminator_line(disc)
    assert 150 < len(column) < 200
    np.testing.assert_allclose(disc.surface(column, row).incidence, 0.0, atol=1e-6)
    assert np.hypot(np.diff(column), np.diff(row)).max() < 5.0  # in one piece


def test_rings() -> None:
    saturn = ephemeris("saturn", "2018-06-16T00:00:00", satellites=False)
    disc = disc_from_ephemeris(saturn, centre_column_px=200, centre_row_px=150, scale_arcsec_per_px=0.15)
    column, row, hidden = ring_line(disc, 2.0)
    radius, in_front = ring_radius(disc, column, row)
    np.testing.assert_allclose(radius, 2.0, atol=1e-9)
    assert 0.05 < hidden.mean() < 0.3 and not (hidden & in_front).any()
    # Long and short axis of a ring: handbook, sin B.
    turned = replace(disc, pole_angle_deg=0.0)
    column, row, _ = ring_line(turned, 2.0)
    assert np.ptp(row) / np.ptp(column) == pytest.approx(
        abs(math.sin(math.radians(saturn.ring_opening_earth_deg))), abs=1e-4
    )
    # Seen from the north, the near side of the rings crosses the globe south of its middle.
    x, y = grid(300, 400)
    covered = ring_cover(turned, x, y) & (turned.surface(x, y).emission > 0.0)
    assert covered.any() and y[covered].mean() > 150.0


def scene(disc: Disc, rows: int, columns: int) -> Any:
    """Smooth spots and belts, dark to the limb."""
    column, row = grid(rows, columns)
    seen = disc.surface(column, row)
    lon, lat = np.radians(np.nan_to_num(seen.longitude_deg)), np.radians(np.nan_to_num(seen.latitude_deg))
    paint = 1.0 + 0.3 * np.cos(6.0 * lat) + 0.2 * np.sin(5.0 * lon) * np.cos(lat)
    lit = np.maximum(seen.incidence, 0.0)
    return (np.where(seen.emission > 0.0, paint * lit, 0.0)).astype(np.float32)


@pytest.fixture(scope="module")
def two() -> tuple[Disc, Disc]:
    early, late = ephemerides("jupiter", ["2026-01-12T22:00:00", "2026-01-12T22:20:00"], satellites=False)
    size = {"scale_arcsec_per_px": early.equatorial_diameter_arcsec / 150.0}
    return (
        disc_from_ephemeris(early, centre_column_px=100, centre_row_px=98, north_angle_deg=20, **size),
        disc_from_ephemeris(late, centre_column_px=103, centre_row_px=95, north_angle_deg=24, **size),
    )


def test_derotation_to_itself_is_the_identity(two: tuple[Disc, Disc]) -> None:
    same = derotation(two[0], two[0], (200, 200))
    column, row = grid(200, 200)
    np.testing.assert_allclose(same.column_px, column, atol=1e-4)
    np.testing.assert_allclose(same.row_px, row, atol=1e-4)
    assert same.weight.min() == same.gain.min() == same.weight.max() == same.gain.max() == 1.0
    assert same.column_px.dtype == same.weight.dtype == np.float32


def test_derotation_there_and_back(two: tuple[Disc, Disc]) -> None:
    picture = scene(two[0], 200, 200)
    there, _ = apply_derotation(picture, derotation(two[0], two[1], (200, 200)))
    back, _ = apply_derotation(there, derotation(two[1], two[0], (200, 200)))
    column, row = grid(200, 200)
    core = two[0].surface(column, row).emission > 0.5
    assert np.abs(back - picture)[core].max() < 0.003  # interpolation of a smooth scene; brightness is about 1


def test_derotation_agrees_with_a_picture_of_the_other_time(two: tuple[Disc, Disc]) -> None:
    turn = derotation(two[0], two[1], (200, 200), system="II", darkening=1.0)
    moved, weight = apply_derotation(scene(two[0], 200, 200), turn)
    truth = scene(two[1], 200, 200)
    column, row = grid(200, 200)
    good = (two[1].surface(column, row).emission > 0.3) & (weight > 0.5)
    assert good.sum() > 12000
    assert np.abs(moved - truth)[good].max() < 0.01
    # The limb that had not yet risen counts nothing, the one seen better earlier counts in full.
    on = two[1].surface(column, row).emission > 0.0
    assert (weight[on] == 0.0).any() and (weight[on] > 0.99).mean() > 0.3


def test_jupiter_turns_by_latitude(two: tuple[Disc, Disc]) -> None:
    days = 20.0 / 1440.0
    turn = turn_deg(two[0], two[1], np.array([0.0, 5.0, -5.0, 30.0, -60.0]))
    np.testing.assert_allclose(turn[:3], 877.900 * days, atol=0.01)
    np.testing.assert_allclose(turn[3:], 870.270 * days, atol=0.01)
    assert turn_deg(two[0], two[1], np.zeros(1), "III") == pytest.approx(870.536 * days, abs=0.01)
    with pytest.raises(ValueError, match="no system of longitude 'IV'"):
        turn_deg(two[0], two[1], np.zeros(1), "IV")


def test_backward_turning_planet_goes_backwards() -> None:
    early, late = ephemerides("uranus", ["2026-01-12T22:00:00", "2026-01-12T23:00:00"], satellites=False)
    discs = [
        disc_from_ephemeris(e, centre_column_px=0, centre_row_px=0, scale_arcsec_per_px=0.1) for e in (early, late)
    ]
    assert turn_deg(discs[0], discs[1], np.zeros(1)) == pytest.approx(-501.16 / 24.0, abs=0.02)


def test_rings_do_not_turn() -> None:
    early, late = ephemerides("saturn", ["2018-06-16T00:00:00", "2018-06-16T00:40:00"], satellites=False)
    discs = [
        disc_from_ephemeris(e, centre_column_px=150, centre_row_px=100, scale_arcsec_per_px=0.2) for e in (early, late)
    ]
    turn = derotation(discs[0], discs[1], (200, 300))
    column, row = grid(200, 300)
    ring = ring_cover(discs[1], column, row)
    assert ring.sum() > 3000
    assert np.abs(turn.column_px - column)[ring].max() < 0.05 and turn.weight[ring].min() == 1.0
    globe = (discs[1].surface(column, row).emission > 0.9) & ~ring
    assert np.abs(turn.column_px - column)[globe].max() > 5.0


@pytest.mark.parametrize("mirrored", [False, True])
def test_cylindrical_map_of_several_pictures(mirrored: bool) -> None:
    """Over an hour of pictures a feature stays at its longitude to 0.3 degrees."""
    times = [f"2026-01-12T22:{m:02d}:00" for m in (0, 20, 40)] + ["2026-01-12T23:00:00"]
    maps, peaks = [], []
    for found in ephemerides("jupiter", times, satellites=False):
        disc = disc_from_ephemeris(
            found,
            centre_column_px=100.3,
            centre_row_px=99.7,
            scale_arcsec_per_px=found.equatorial_diameter_arcsec / 150.0,
            north_angle_deg=140.0,
            mirrored=mirrored,
        )
        column, row = grid(200, 200)
        seen = disc.surface(column, row)
        away = (np.nan_to_num(seen.longitude_deg) - 35.0 + 180.0) % 360.0 - 180.0
        spot = 0.5 * np.exp(-(away**2 + (np.nan_to_num(seen.latitude_deg) + 22.0) ** 2) / 50.0)
        picture = np.where(seen.emission > 0, (1.0 + spot) * np.maximum(seen.incidence, 0.0), 0.0)
        one = cylindrical_map(picture, disc, darkening=1.0)
        maps.append(one)
        near = (np.abs(one.longitude_deg - 35.0) < 15.0) & (np.abs(one.latitude_deg + 22.0) < 15.0)
        excess = np.where(near, np.maximum(one.values - 1.02, 0.0), 0.0)
        peaks.append((excess * one.longitude_deg).sum() / excess.sum())
    assert np.abs(np.array(peaks) - 35.0).max() < 0.3
    joined = join_maps(maps)
    assert (joined.weight > 0).sum() > (maps[0].weight > 0).sum()
    far = (joined.weight > 0.1) & (np.abs(joined.latitude_deg + 22.0) > 30.0)
    np.testing.assert_allclose(joined.values[far], 1.0, atol=0.03)  # Lanczos beside the limb
    with pytest.raises(ValueError, match="different grids"):
        join_maps([maps[0], polar_map(np.ones((200, 200)), disc)])
    with pytest.raises(ValueError, match="no map"):
        join_maps([])


@pytest.mark.parametrize("kind", ["cylindrical", "north", "south"])
@pytest.mark.parametrize("west", [True, False])
def test_map_header_is_understood_by_astropy(kind: str, west: bool) -> None:
    """astropy.wcs (the standard of Calabretta & Greisen 2002) finds the same longitudes and latitudes."""
    from astropy.io import fits
    from astropy.wcs import WCS

    disc = Disc(25, 25, 20, west_longitudes=west)
    picture = np.ones((50, 50), np.float32)
    made = (
        cylindrical_map(picture, disc, cells_per_degree=1.0)
        if kind == "cylindrical"
        else polar_map(picture, disc, south=kind == "south", cells_per_degree=1.0)
    )
    rows, columns = made.weight.shape
    header = fits.Header({"NAXIS": 2, "NAXIS1": columns, "NAXIS2": rows})
    header.update(map_header(made, "jupiter"))
    row, column = np.array([70, 100, 110]), np.array([60, 75, 120])
    lon, lat = WCS(header).wcs_pix2world(column + 1, rows - row, 1)
    difference = (lon - made.longitude_deg[row, column] + 180.0) % 360.0 - 180.0
    np.testing.assert_allclose(difference, 0.0, atol=1e-6)
    np.testing.assert_allclose(lat, made.latitude_deg[row, column], atol=1e-6)


def test_wrong_numbers_are_refused() -> None:
    with pytest.raises(ValueError, match="equatorial_radius_px must be above 0"):
        Disc(0, 0, 0.0)
    with pytest.raises(ValueError, match="flattening must lie"):
        Disc(0, 0, 1.0, flattening=1.0)
    found = ephemeris("mars", "2026-01-01")
    with pytest.raises(ValueError, match="no system of longitude 'II'"):
        disc_from_ephemeris(found, centre_column_px=0, centre_row_px=0, scale_arcsec_per_px=0.1, system="II")
    with pytest.raises(ValueError, match="scale_arcsec_per_px"):
        disc_from_ephemeris(found, centre_column_px=0, centre_row_px=0, scale_arcsec_per_px=0.0)
    with pytest.raises(ValueError, match="cells_per_degree"):
        cylindrical_map(np.ones((5, 5)), Disc(2, 2, 2), cells_per_degree=0.0)
