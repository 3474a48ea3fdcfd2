"""The command ``nightmill sky``: the physical ephemeris of a body as a table, JSON or CSV.

Only reads arguments and prints; the arithmetic is `nightmill_sky`'s, which is loaded when the command runs.
"""

from __future__ import annotations

import csv
import json
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from nightmill_sky.records import Ephemeris

__all__ = ["SUN_CAUTION", "sky"]

_DURATION = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*(s|sec|m|min|h|hour|d|day)s?\s*$", re.IGNORECASE)
_SECONDS = {"s": 1.0, "sec": 1.0, "m": 60.0, "min": 60.0, "h": 3600.0, "hour": 3600.0, "d": 86400.0, "day": 86400.0}
_MOST_ROWS = 20_000

SUN_CAUTION = (
    "Sun: never point a telescope or finder at the Sun without a certified filter over the full aperture; "
    "follow the maker's instructions and your local rules."
)

# Label and number of decimals of each quantity in the table for people.
_LABELS: dict[str, tuple[str, int]] = {
    "distance_au": ("distance, au", 6),
    "light_time_s": ("light time, s", 1),
    "ra_deg": ("right ascension, apparent, of date", 5),
    "dec_deg": ("declination, apparent, of date", 5),
    "altitude_deg": ("altitude, without refraction", 3),
    "azimuth_deg": ("azimuth, from north through east", 3),
    "airmass": ("airmass", 3),
    "parallactic_angle_deg": ("parallactic angle", 2),
    "equatorial_diameter_arcsec": ("equatorial diameter, arcsec", 3),
    "polar_diameter_arcsec": ("polar diameter, arcsec", 3),
    "disc_minor_axis_arcsec": ("short axis of the disc as seen, arcsec", 3),
    "phase_angle_deg": ("phase angle", 3),
    "illuminated_fraction": ("illuminated part", 4),
    "magnitude": ("magnitude", 2),
    "sub_observer_latitude_planetocentric_deg": ("latitude of the disc's middle, planetocentric", 3),
    "sub_observer_latitude_planetographic_deg": ("latitude of the disc's middle, planetographic", 3),
    "sub_solar_latitude_planetocentric_deg": ("latitude under the Sun, planetocentric", 3),
    "sub_solar_longitude_deg": ("longitude under the Sun", 3),
    "north_pole_position_angle_deg": ("position angle of the north pole", 3),
    "bright_limb_position_angle_deg": ("position angle of the bright limb", 2),
    "ring_opening_earth_deg": ("ring opening, seen by the observer", 3),
    "ring_opening_sun_deg": ("ring opening, seen from the Sun", 3),
    "solar_longitude_deg": ("solar longitude Ls", 3),
    "libration_longitude_deg": ("libration in longitude, east", 3),
    "libration_latitude_deg": ("libration in latitude", 3),
    "colongitude_deg": ("colongitude of the Sun", 3),
    "sun_p_deg": ("P, position angle of the axis", 3),
    "sun_b0_deg": ("B0, latitude of the disc's middle", 3),
    "sun_l0_deg": ("L0, Carrington longitude of the middle", 3),
    "carrington_rotation": ("Carrington rotation", 0),
}


def _seconds(text: str) -> float:
    match = _DURATION.match(text)
    if match is None or float(match[1]) <= 0.0:
        raise click.BadParameter(
            f"'{text}' is not a length of time: write a number above 0 and s, m, h or d, for example 10m.",
            param_hint="'--every'",
        )
    return float(match[1]) * _SECONDS[match[2].lower()]


def _times(at: str, every: str | None, until: str | None) -> Any:
    """The instants asked for: one text, or an astropy Time with a row for each step."""
    from nightmill_sky.timescales import parse_utc

    try:
        start = parse_utc(at)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="'--at'") from None
    if (every is None) != (until is None):
        raise click.UsageError("--every and --until go together: give both for a range, or neither for one instant.")
    if every is None or until is None:
        return at
    step_s = _seconds(every)
    try:
        stop = parse_utc(until)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="'--until'") from None
    span_s = ((stop[0] - start[0]) + (stop[1] - start[1])) * 86400.0
    if span_s < 0.0:
        raise click.BadParameter(f"'{until}' is before the start, {at}.", param_hint="'--until'")
    count = int((span_s + 1e-3) / step_s) + 1  # a millisecond forgives the rounding of day fractions
    if count > _MOST_ROWS:
        raise click.BadParameter(
            f"'{every}' gives {count} rows; at most {_MOST_ROWS} at once: take a longer step.", param_hint="'--every'"
        )
    from datetime import datetime, timedelta

    from nightmill_sky.timescales import instants, isot

    first = datetime.fromisoformat(isot(instants(at))[0].removesuffix("Z"))
    return [first + timedelta(seconds=step_s * i) for i in range(count)]


def _flat(row: Ephemeris) -> dict[str, Any]:
    """One row of CSV: nested values become columns."""
    out: dict[str, Any] = {}
    for key, value in row.to_json().items():
        if key == "central_meridian_deg":
            out.update({f"central_meridian_{system}_deg": angle for system, angle in value.items()})
        elif key == "satellites":
            for moon in value:
                stem = moon["name"].lower()
                out[f"{stem}_x_arcsec"] = moon["x_arcsec"]
                out[f"{stem}_y_arcsec"] = moon["y_arcsec"]
                out[f"{stem}_state"] = moon["state"]
        elif key == "site":
            out.update({f"site_{name}": number for name, number in value.items()})
        elif key != "notes":
            out[key] = value
    return out


def _print_csv(rows: tuple[Ephemeris, ...]) -> None:
    flat = [_flat(row) for row in rows]
    names = list(dict.fromkeys(name for row in flat for name in row))
    writer = csv.DictWriter(sys.stdout, fieldnames=names, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(flat)


def _print_one(row: Ephemeris) -> None:
    from rich.table import Table

    console = _console()
    console.print(f"{row.target.capitalize()}, {row.utc}, {_place(row)}")
    table = Table(box=_box(console))
    table.add_column("quantity (angles in degrees)")
    table.add_column("value", justify="right")
    for key, (label, decimals) in _LABELS.items():
        value = getattr(row, key)
        if value is not None:
            table.add_row(label, f"{value:.{decimals}f}")
        if key == "sub_observer_latitude_planetographic_deg":
            for system, angle in row.central_meridian_deg.items():
                name = "" if system == "IAU" else f", System {system}"
                table.add_row(f"central meridian{name} (west longitude)", f"{angle:.3f}")
    console.print(table)
    if row.satellites:
        console.print("Satellites: offset from the planet's middle")
        moons = Table(box=_box(console))
        for heading in ("name", "x east, arcsec", "y north, arcsec", "state"):
            moons.add_column(heading, justify="right" if "arcsec" in heading else "left")
        for moon in row.satellites:
            moons.add_row(moon.name, f"{moon.x_arcsec:.1f}", f"{moon.y_arcsec:.1f}", moon.state)
        console.print(moons)


def _print_many(rows: tuple[Ephemeris, ...]) -> None:
    from rich.table import Table

    first = rows[0]
    console = _console()
    console.print(f"{first.target.capitalize()}, {_place(first)}, angles in degrees")
    table = Table(box=_box(console))
    columns: list[tuple[str, str, int]] = [
        ("altitude", "altitude_deg", 2),
        ("azimuth", "azimuth_deg", 2),
        ("diameter, arcsec", "equatorial_diameter_arcsec", 2),
        ("phase angle", "phase_angle_deg", 2),
        ("Ls", "solar_longitude_deg", 2),
        ("ring opening", "ring_opening_earth_deg", 2),
        ("libration long.", "libration_longitude_deg", 2),
        ("libration lat.", "libration_latitude_deg", 2),
        ("colongitude", "colongitude_deg", 2),
        ("P", "sun_p_deg", 2),
        ("B0", "sun_b0_deg", 2),
        ("L0", "sun_l0_deg", 2),
    ]
    columns = [c for c in columns if any(getattr(row, c[1]) is not None for row in rows)]
    table.add_column("UTC")
    for label, _, _ in columns:
        table.add_column(label, justify="right")
    for system in first.central_meridian_deg:
        table.add_column("CM" if system == "IAU" else f"CM {system}", justify="right")
    for row in rows:
        values = [getattr(row, key) for _, key, _ in columns]
        cells = ["" if v is None else f"{v:.{d}f}" for v, (_, _, d) in zip(values, columns, strict=True)]
        table.add_row(row.utc[:19], *cells, *(f"{angle:.2f}" for angle in row.central_meridian_deg.values()))
    console.print(table)


def _place(row: Ephemeris) -> str:
    if row.site is None:
        return "seen from the centre of the Earth"
    return (
        f"seen from {row.site.latitude_deg:+.4f}, {row.site.longitude_deg:+.4f} (north, east), {row.site.height_m:g} m"
    )


def _console() -> Any:
    from rich.console import Console

    return Console(file=sys.stdout, highlight=False, width=None if sys.stdout.isatty() else 160)


def _box(console: Any) -> Any:
    """Lines for a terminal, blanks alone for a pipe or a file."""
    from rich import box

    return box.SIMPLE if console.is_terminal else None


@click.command()
@click.argument("target")
@click.option("--at", required=True, metavar="UTC", help="Date and time, for example 2026-01-12T22:10:00 (UTC).")
@click.option(
    "--site", metavar="LAT,LON[,HEIGHT]", help="Degrees, north and east positive; metres. Default: geocentric."
)
@click.option("--every", metavar="STEP", help="Step of a range, for example 10m, 1h or 1d; needs --until.")
@click.option("--until", metavar="UTC", help="Last instant of a range; needs --every.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, or a list of them for a range.")
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV, one row an instant.")
@click.option(
    "--kernel",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="A JPL kernel (.bsp) to use instead of the built-in ephemeris. Nothing is downloaded.",
)
def sky(
    target: str,
    at: str,
    site: str | None,
    every: str | None,
    until: str | None,
    as_json: bool,
    as_csv: bool,
    kernel: Path | None,
) -> None:
    """Show where TARGET is, how big, and how it is turned.

    TARGET is mercury, venus, mars, jupiter, saturn, uranus, neptune, moon or sun. Longitudes of the planets are west
    longitudes, as observers count them; site longitudes are east positive.
    """
    from nightmill_sky import UnknownTargetError, body, ephemerides, parse_site

    if as_json and as_csv:
        raise click.UsageError("--json and --csv exclude each other.")
    try:
        body(target)
    except UnknownTargetError as error:
        raise click.BadParameter(str(error), param_hint="'TARGET'") from None
    try:
        place = None if site is None else parse_site(site)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="'--site'") from None
    when = _times(at, every, until)
    try:
        rows = ephemerides(target, when, place, kernel=kernel)
    except ValueError as error:
        raise click.UsageError(str(error)) from None
    for note in rows[0].notes:
        click.echo(f"note: {note}", err=True)
    if as_json:
        objects = [row.to_json() for row in rows]
        click.echo(json.dumps(objects if every else objects[0], indent=2, allow_nan=False))
    elif as_csv:
        _print_csv(rows)
    else:
        (_print_many if every else lambda many: _print_one(many[0]))(rows)
        if rows[0].target == "sun":
            click.echo(SUN_CAUTION)
