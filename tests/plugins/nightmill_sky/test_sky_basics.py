"""Names, sites, clocks, rotation data and kernels: what goes in, and what wrong input is told."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import warnings
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import nightmill_sky
from nightmill_sky import BODIES, KernelError, Site, UnknownTargetError, body, ephemeris, parse_site, parse_utc
from nightmill_sky.bodies import pole_unit_vector, prime_meridian_deg, rotation_matrix
from nightmill_sky.spk import Kernel
from nightmill_sky.timescales import instants, isot, read_earth_rotation


def test_every_exported_name_exists() -> None:
    for name in nightmill_sky.__all__:
        assert getattr(nightmill_sky, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        _ = nightmill_sky.nonsense


def test_import_is_cheap() -> None:
    heavy = "{'astropy', 'scipy', 'cv2', 'numpy'}"
    code = f"import sys, nightmill_sky; print(sorted({{m.split('.')[0] for m in sys.modules}} & {heavy}))"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_ephemeris_opens_no_connection() -> None:
    """No socket may even be made, for dates inside and outside of every table."""
    code = (
        "import socket\n"
        "def refuse(*a, **k): raise AssertionError('a connection was tried')\n"
        "socket.socket = refuse; socket.create_connection = refuse; socket.getaddrinfo = refuse\n"
        "import warnings; warnings.simplefilter('error')\n"
        "from nightmill_sky import Site, ephemeris\n"
        "for when in ('1890-01-01', '1955-05-05', '2026-01-01', '2035-01-01', '2150-01-01'):\n"
        "    e = ephemeris('moon', when, Site(47.0, 8.5)); assert e.altitude_deg is not None\n"
        "    print(len(e.notes))\n"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    notes = [int(n) for n in out.stdout.split()]
    assert notes[2] == 0  # a date inside all tables needs no note
    assert min(notes[0], notes[1], notes[4]) > 0


def test_unknown_target_names_the_nearest() -> None:
    assert body(" Jupiter ").name == "jupiter"
    with pytest.raises(UnknownTargetError, match="Did you mean 'saturn'"):
        body("satrun")
    with pytest.raises(UnknownTargetError, match="Known targets: mercury"):
        body("xyzzy")


@pytest.mark.parametrize("name", BODIES)
def test_rotation_matrix_is_a_rotation(name: str) -> None:
    days = np.array([-36525.0, 0.0, 9000.25])
    turn = rotation_matrix(BODIES[name], days)
    np.testing.assert_allclose(turn @ np.swapaxes(turn, 1, 2), np.broadcast_to(np.eye(3), (3, 3, 3)), atol=1e-14)
    np.testing.assert_allclose(np.linalg.det(turn), 1.0, atol=1e-14)
    np.testing.assert_allclose(turn[:, 2], pole_unit_vector(BODIES[name], days), atol=1e-15)


@pytest.mark.parametrize(
    ("name", "hours"),
    # Sidereal rotation periods of the handbooks, hours.
    [("jupiter", 9.92492), ("saturn", 10.65622), ("mars", 24.622962), ("venus", -5832.5), ("uranus", -17.24)],
)
def test_rotation_period(name: str, hours: float) -> None:
    assert 360.0 / BODIES[name].rotation_deg_per_day * 24.0 == pytest.approx(hours, rel=2e-4)


def test_unknown_system_of_longitude() -> None:
    with pytest.raises(ValueError, match="mars has no system of longitude 'II'; it has IAU"):
        prime_meridian_deg(BODIES["mars"], np.zeros(1), "II")


def test_parse_site() -> None:
    assert parse_site("47.10,8.50") == Site(47.10, 8.50, 0.0)
    assert parse_site(" -33.9 , 18.4 , 100 ") == Site(-33.9, 18.4, 100.0)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("47", "expected two or three numbers"),
        ("47,8,500,1", "expected two or three numbers"),
        ("47N,8", "'47N' in the site"),
        ("97,8", "latitude 97 deg is outside -90 to 90"),
        ("47,800", "longitude 800 deg is outside -180 to 360"),
        ("nan,8", "latitude nan deg"),
        ("47,8,1e9", "height 1e\\+09 m is outside"),
    ],
)
def test_parse_site_refuses(text: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        parse_site(text)


@pytest.mark.parametrize(
    "same",
    [
        "2026-01-12T22:10:00",
        "2026-01-12T22:10:00Z",
        "2026-01-12 22:10",
        "2026-01-12T23:10:00+01:00",
        "2026-01-12T16:40-05:30",
    ],
)
def test_forms_of_one_time(same: str) -> None:
    assert sum(parse_utc(same)) == pytest.approx(2461053.423611111, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("yesterday", "is not a date and time"),
        ("2026-13-01", "a field is out of its range"),
        ("2026-02-30", "not a date that exists"),
        ("2026-01-01T25:00", "a field is out of its range"),
        ("12.1.2026", "is not a date and time"),
        ("", "is not a date and time"),
    ],
)
def test_wrong_times(text: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        parse_utc(text)


def test_kinds_of_time_agree() -> None:
    from astropy.time import Time

    moment = datetime(2026, 1, 12, 22, 10)
    forms = ["2026-01-12T22:10:00", moment, moment.replace(tzinfo=UTC)]
    forms.append(moment.replace(tzinfo=timezone(timedelta(hours=2))) + timedelta(hours=2))
    forms += [Time("2026-01-12T22:10:00", scale="utc"), Time("2026-01-12T22:10:00", scale="utc").tt]
    places = [ephemeris("mars", form).ra_deg for form in forms]
    assert np.ptp(places) < 1e-9
    with pytest.raises(TypeError, match="not int"):
        instants(5)
    with pytest.raises(ValueError, match="years 1000 to 3000"):
        instants("0900-01-01")


def test_leap_second_is_counted() -> None:
    """2016 December 31 ended with 23:59:60: TT - UTC went from 68.184 to 69.184 s (IERS Bulletin C 52)."""
    when = instants(["2016-12-31T23:59:59", "2016-12-31T23:59:60", "2017-01-01T00:00:00"])
    seconds = (when.tt[0] - when.tt[0][0] + when.tt[1] - when.tt[1][0]) * 86400.0
    np.testing.assert_allclose(seconds, [0.0, 1.0, 2.0], atol=1e-4)
    assert isot(when)[1] == "2016-12-31T23:59:60.000Z"
    # UT1 runs on evenly through it.
    ut1 = (when.ut1[0] - when.ut1[0][0] + when.ut1[1] - when.ut1[1][0]) * 86400.0
    np.testing.assert_allclose(ut1, [0.0, 1.0, 2.0], atol=2e-3)


def test_earth_rotation_against_astropy() -> None:
    """The bundled table read here and by astropy."""
    from astropy.time import Time
    from astropy.utils import iers

    text = ["1992-03-05T07:00:00", "2005-12-31T18:00:00", "2024-06-01T00:00:00"]
    when = instants(text)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        theirs = Time(text, scale="utc").ut1
    mine_days = (when.ut1[0] - theirs.jd1) + (when.ut1[1] - theirs.jd2)
    assert np.abs(mine_days * 86400.0).max() < 1e-3
    days, values = read_earth_rotation()
    assert len(days) == len(values) > 18000


@settings(max_examples=30, deadline=None)
@given(st.datetimes(min_value=datetime(1900, 1, 1), max_value=datetime(2099, 12, 31)))
def test_ephemeris_is_finite_and_silent(when: datetime) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for name in ("mars", "moon", "sun"):
            values = ephemeris(name, when, Site(-45.0, 170.0, 300.0)).to_json()
            for value in values.values():
                if isinstance(value, float):
                    assert np.isfinite(value)


def test_kernel_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(KernelError, match="cannot be read"):
        ephemeris("mars", "2026-01-01", kernel=tmp_path / "missing.bsp")
    other = tmp_path / "text.bsp"
    other.write_bytes(b"not a kernel" * 200)
    with pytest.raises(KernelError, match="is not a JPL kernel"):
        ephemeris("mars", "2026-01-01", kernel=other)
    assert other.read_bytes() == b"not a kernel" * 200


def _tiny_kernel(order: str) -> bytes:
    """A kernel with one segment: body 10 moves evenly, x = 1000 + 10 t km, over 200 s around J2000."""
    import struct

    head = b"DAF/SPK " + struct.pack(order + "ii", 2, 6) + b" " * 60 + struct.pack(order + "iii", 2, 2, 400)
    head += b"LTL-IEEE" if order == "<" else b"BIG-IEEE"
    summary = struct.pack(order + "3d", 0.0, 0.0, 1.0) + struct.pack(
        order + "2d6i", -100.0, 100.0, 10, 0, 1, 2, 257, 268
    )
    data = struct.pack(order + "12d", 0.0, 100.0, 1000.0, 1000.0, 5.0, 0.0, -7.0, 0.0, -100.0, 200.0, 8.0, 1.0)
    return head.ljust(1024, b"\0") + summary.ljust(1024, b"\0") + data.ljust(1024, b"\0")


@pytest.mark.parametrize("order", ["<", ">"])
def test_kernel_of_either_byte_order(tmp_path: Path, order: str) -> None:
    path = tmp_path / "tiny.bsp"
    path.write_bytes(_tiny_kernel(order))
    kernel = Kernel(path)
    position, velocity = kernel.barycentric(10, np.array([2451545.0]), np.array([50.0 / 86400.0]))
    np.testing.assert_allclose(position[0], [1500.0, 5.0, -7.0], atol=1e-6)
    np.testing.assert_allclose(velocity[0], [10.0, 0.0, 0.0], atol=1e-9)
    with pytest.raises(KernelError, match="does not cover the date"):
        kernel.barycentric(10, np.array([2451546.0]), np.zeros(1))
    with pytest.raises(KernelError, match="no segment for body 4"):
        kernel.barycentric(4, np.array([2451545.0]), np.zeros(1))


def test_damaged_kernels_are_told_apart(tmp_path: Path) -> None:
    good = _tiny_kernel("<")
    generator = np.random.default_rng(5)
    for i in range(60):
        data = bytearray(good)
        for place in generator.integers(0, 2200, 4):
            data[place] = int(generator.integers(0, 256))
        path = tmp_path / f"bad{i}.bsp"
        path.write_bytes(bytes(data))
        with contextlib.suppress(KernelError):  # any other exception fails the test
            Kernel(path).barycentric(10, np.array([2451545.0]), np.zeros(1))
