"""Numbers, sizes, quantities and reasons as people write and read them."""

from __future__ import annotations

import errno
from pathlib import Path

import numpy as np
import pytest

from nightmill.stage.parameters import parse_quantity
from nightmill.telling import about, count, size
from nightmill.work.perform import _explain


@pytest.mark.parametrize(
    ("number", "said"),
    [(0, "0 B"), (999, "999 B"), (1000, "1 kB"), (999_600, "1 MB"), (33_420_000, "33 MB"), (4.2e9, "4.2 GB")],
)
def test_sizes(number, said):
    assert size(number) == said


def test_counts():
    assert [count(number, "frame") for number in (0, 1, 2, 1200)] == ["0 frames", "1 frame", "2 frames", "1,200 frames"]


def test_a_file_is_named_once():
    assert about("a/b.ser", "b.ser is cut off") == "a/b.ser is cut off"
    assert about("a/b.ser", "b.serial numbers") == "a/b.ser: b.serial numbers"
    assert about("a/b.ser", "no recipe fits") == "a/b.ser: no recipe fits"


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("203 mm", "mm", 203.0),
        ("20.3cm", "mm", 203.0),
        ("8 in", "mm", 203.2),  # 25.4 mm exactly, by the international definition of 1959
        ("8inch", "mm", 203.2),
        ("47.1°", "deg", 47.1),
        ("-8.5 deg", "deg", -8.5),
        ("0.5arcmin", "arcsec", 30.0),
        ("1e3 nm", "um", 1.0),
        (".5 um", "nm", 500.0),
        ("11000 electron", "electron", 11000.0),
        ("5 eV", "eV", 5.0),
    ],
)
def test_quantities(text, unit, value):
    assert parse_quantity(text, unit) == value


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("47,1 deg", "'47,1 deg': write a point for the comma: '47.1 deg'"),
        ("deg", "'deg' does not begin with a number; write it for example '1 deg'"),
        ("47.1", "needs its unit: write '47.1 deg'"),
        ("47 deg 6 min", "'deg 6 min' cannot be converted to deg; write it for example '1 deg'"),
        ("47 °°", "'°°' is not a unit; write it for example '1 deg'"),
    ],
)
def test_quantities_that_are_none(text, message):
    with pytest.raises(ValueError) as caught:
        parse_quantity(text, "deg")
    assert str(caught.value) == message


def test_a_full_disk_is_known_by_number_and_by_words():
    """NumPy and astropy write by themselves and leave out the system's number; a night pauses and loses nothing."""
    assert _explain(OSError(errno.ENOSPC, "No space left on device"))["kind"] == "disk"
    for words in ("18000 requested and 10256 written", "Not enough space on disk: requested 72000, available 0."):
        assert _explain(OSError(words))["kind"] == "disk"
    assert _explain(OSError("cannot be read"))["kind"] == "capture"
    assert _explain(OSError(errno.EACCES, "Permission denied"))["kind"] == "capture"


def test_numpy_still_says_it_in_these_words():
    """/dev/full takes nothing, and is there on Linux alone."""
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("there is no /dev/full here")
    with full.open("wb", buffering=0) as stream, pytest.raises(OSError, match="requested and") as caught:
        np.zeros(10_000).tofile(stream)
    assert caught.value.errno in (None, errno.ENOSPC)
    assert _explain(caught.value)["kind"] == "disk"
