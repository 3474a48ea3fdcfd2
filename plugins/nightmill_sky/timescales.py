"""Clocks: reading UTC, and the scales an ephemeris needs (TT, TDB, UT1) without a network.

Nothing here opens a connection. The rotation of the Earth comes from the table that ships with astropy
(`astropy_iers_data`); after its end UT1 - UTC stays at its last value, before its beginning it is taken as 0, which the
definition of UTC keeps true to 0.9 s (0.004 degrees in hour angle). Every such makeshift is returned as a note in
words.
"""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Instants", "instants", "isot", "parse_utc", "read_earth_rotation"]

J2000_JD = 2_451_545.0
_MJD_JD = 2_400_000.5
_ISO = re.compile(
    r"^(\d{4})-(\d{1,2})-(\d{1,2})(?:[T ](\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d*)?))?)?\s*(Z|UTC|[+-]\d{2}:?\d{2})?$",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Instants:
    """Instants in the scales that an ephemeris needs.

    Parameters
    ----------
    utc, ut1, tt, tdb : tuple of two ndarray of float64, shape (n,)
        Two-part Julian dates (their sum is the date).
    polar_motion_rad : ndarray of float64, shape (n, 2)
        Coordinates of the pole.
    notes : tuple of str
        What the user should know about the accuracy, in words.
    """

    utc: tuple[NDArray[np.float64], NDArray[np.float64]]
    ut1: tuple[NDArray[np.float64], NDArray[np.float64]]
    tt: tuple[NDArray[np.float64], NDArray[np.float64]]
    tdb: tuple[NDArray[np.float64], NDArray[np.float64]]
    polar_motion_rad: NDArray[np.float64]
    notes: tuple[str, ...] = ()

    @property
    def tdb_days(self) -> NDArray[np.float64]:
        """TDB days since J2000.0, shape (n,)."""
        return (self.tdb[0] - J2000_JD) + self.tdb[1]

    def __len__(self) -> int:
        return len(self.utc[0])


def parse_utc(text: str) -> tuple[float, float]:
    """Read a UTC date and time.

    Parameters
    ----------
    text : str
        ISO 8601: ``2026-01-12T22:10:00Z``, seconds and the letter optional, a blank instead of the T allowed, a date
        alone means 0 h, an offset such as ``+01:00`` is taken off. Without offset the time is UTC.

    Returns
    -------
    tuple of float
        Two-part UTC Julian date (ERFA's quasi-JD: a day with a leap second is stretched).

    Raises
    ------
    ValueError
        The text is no such date, or the date does not exist.
    """
    import erfa

    match = _ISO.match(text.strip())
    if match is None:
        raise ValueError(
            f"'{text}' is not a date and time: write UTC as YYYY-MM-DDTHH:MM:SS, for example 2026-01-12T22:10:00."
        )
    year, month, day = (int(match[i]) for i in (1, 2, 3))
    hour, minute, second = int(match[4] or 0), int(match[5] or 0), float(match[6] or 0.0)
    if not (1 <= month <= 12 and hour < 24 and minute < 60 and second < 61):
        raise ValueError(f"'{text}' is not a date and time that exists: a field is out of its range.")
    try:
        datetime(year, month, day, tzinfo=UTC)
    except ValueError as error:
        raise ValueError(f"'{text}' is not a date that exists: {error}.") from None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", erfa.ErfaWarning)
        try:
            one, two = erfa.dtf2d(b"UTC", year, month, day, hour, minute, second)
        except erfa.ErfaError as error:
            raise ValueError(f"'{text}' is not a date that can be used: {error}.") from None
    offset = match[7] or ""
    if offset[:1] in "+-" and offset:
        digits = offset[1:].replace(":", "")
        minutes = int(digits[:2]) * 60 + int(digits[2:])
        two = two - (minutes if offset[0] == "+" else -minutes) / 1440.0
    return float(one), float(two)


def _one_utc(when: Any) -> tuple[float, float]:
    if isinstance(when, str):
        return parse_utc(when)
    if isinstance(when, datetime):
        moment = when if when.tzinfo is None else when.astimezone(UTC)
        return parse_utc(moment.replace(tzinfo=None).isoformat())
    raise TypeError(f"a time must be ISO text, a datetime or an astropy Time, not {type(when).__name__}.")


@lru_cache(maxsize=2)
def read_earth_rotation(path: Path | None = None) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Read the Earth-rotation table.

    Parameters
    ----------
    path : Path, optional
        A file in the fixed-column ``finals2000A`` format of the IERS; by default the one that ships with astropy.

    Returns
    -------
    mjd : ndarray of float64, shape (n,)
        Modified Julian date (UTC), one a day.
    values : ndarray of float64, shape (n, 3)
        UT1 - UTC in seconds and the pole's x and y in arcseconds. Empty arrays when there is no table.

    Notes
    -----
    Columns after the IERS's readme.finals2000A: date 8-15, pole 19-27 and 38-46, UT1-UTC 59-68 (bulletin A).
    """
    if path is None:
        try:
            from astropy_iers_data import IERS_A_FILE
        except ImportError:
            return np.empty(0), np.empty((0, 3))
        path = Path(IERS_A_FILE)
    rows = [
        (line[7:15], line[58:68], line[18:27], line[37:46])
        for line in path.read_text(encoding="ascii").splitlines()
        if line[58:68].strip() and line[18:27].strip()
    ]
    table = np.array(rows, dtype=np.float64).reshape(-1, 4)
    return table[:, 0], table[:, 1:]


def _earth_rotation(mjd: NDArray[np.float64], notes: list[str]) -> NDArray[np.float64]:
    days, values = read_earth_rotation()
    out = np.zeros((len(mjd), 3))
    if not len(days):
        notes.append("No Earth-rotation table is installed (astropy_iers_data): UT1 is taken equal to UTC.")
        return out
    # UT1-UTC jumps by a second at a leap second; the continuous UT1-TAI would need the leap table, so the
    # interpolation instead unwraps the jump between neighbouring days.
    place = np.clip(np.searchsorted(days, mjd, side="right") - 1, 0, len(days) - 2)
    low, high = values[place], values[place + 1].copy()
    high[:, 0] -= np.round(high[:, 0] - low[:, 0])
    fraction = (mjd - days[place])[:, None]
    inside = (mjd >= days[0]) & (mjd <= days[-1])
    out[inside] = (low + fraction * (high - low))[inside]
    out[mjd > days[-1]] = values[-1]
    if not inside.all():
        notes.append(
            "The date is outside the table of the Earth's rotation: UT1 - UTC is taken as its last value (0 before "
            "1973), so altitude and azimuth may be off by 0.004 degrees (more in the far past or future)."
        )
    return out


def instants(when: Any) -> Instants:
    """Bring one or several UTC instants into all scales.

    Parameters
    ----------
    when : str, datetime, astropy Time, or a sequence of str or datetime
        UTC (a naive datetime is UTC; an astropy Time of another scale is converted).

    Returns
    -------
    Instants
        n = 1 for a single instant.

    Raises
    ------
    ValueError
        A time cannot be read or lies where the ephemerides are not defined (outside the years 1000 to 3000).
    TypeError
        Not a time at all.
    """
    import erfa

    notes: list[str] = []
    if hasattr(when, "scale") and hasattr(when, "jd1"):  # an astropy Time, without importing astropy for the test
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", erfa.ErfaWarning)
            utc = when.utc
        one, two = np.atleast_1d(utc.jd1).astype(np.float64), np.atleast_1d(utc.jd2).astype(np.float64)
    else:
        many = [when] if isinstance(when, str | datetime) or not hasattr(when, "__iter__") else list(when)
        if not many:
            raise ValueError("no time was given.")
        pairs = np.array([_one_utc(w) for w in many], dtype=np.float64)
        one, two = pairs[:, 0].copy(), pairs[:, 1].copy()
    jd = one + two
    if not np.all(np.isfinite(jd)):
        raise ValueError("a time is not finite.")
    if jd.min() < 2_086_308.0 or jd.max() > 2_816_788.0:
        raise ValueError("the time is outside the years 1000 to 3000, for which the planetary theories hold.")
    if jd.min() < 2_415_020.5 or jd.max() > 2_488_070.5:
        notes.append("The date is outside 1900 to 2100: the built-in ephemeris is less accurate there.")
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", erfa.ErfaWarning)
        tai = erfa.utctai(one, two)
        tt = erfa.taitt(*tai)
    if any("dubious year" in str(w.message) for w in caught):
        notes.append(
            "The leap seconds of that date are not known (UTC did not exist yet, or they have not been announced): "
            "the rotation angles may be off by a few thousandths of a degree for each second of difference."
        )
    rotation = _earth_rotation(jd - _MJD_JD, notes)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", erfa.ErfaWarning)
        ut1 = erfa.utcut1(one, two, rotation[:, 0])
    # TDB - TT at the geocentre: 1.7 ms at most; the topocentric part (2 microseconds) does not matter here.
    tdb = erfa.tttdb(*tt, erfa.dtdb(*tt, 0.0, 0.0, 0.0, 0.0))
    pole = np.radians(rotation[:, 1:] / 3600.0)
    return Instants((one, two), ut1, tt, tdb, pole, tuple(notes))


def isot(when: Instants) -> tuple[str, ...]:
    """UTC as ISO 8601 text to the millisecond, one for each instant."""
    import erfa

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", erfa.ErfaWarning)
        year, month, day, clock = erfa.d2dtf(b"UTC", 3, *when.utc)
    return tuple(
        f"{y:04d}-{m:02d}-{d:02d}T{c['h']:02d}:{c['m']:02d}:{c['s']:02d}.{c['f']:03d}Z"
        for y, m, d, c in zip(year, month, day, clock, strict=True)
    )
