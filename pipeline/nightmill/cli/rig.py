"""`nightmill rig`: what the equipment gives on tonight's targets, as tables, JSON and one plot.

Only reads the night file and prints; the arithmetic is `nightmill_sky.rig`, loaded when the command runs.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

__all__ = ["rig"]

USUAL_TARGETS = ("jupiter", "saturn", "mars", "moon")


@click.command()
@click.argument("night", type=click.Path(path_type=Path), metavar="NIGHT.yaml")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.option(
    "--plot",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.svg",
    help="Draw altitude and dispersion through the night.",
)
def rig(night: Path, as_json: bool, plot: Path | None) -> None:
    """Show what the equipment in NIGHT.yaml gives: sampling, frames, data and how long a capture may last.

    NIGHT.yaml is a night file, or a folder that holds night.yaml. It needs telescope and camera; targets, date and
    site add what depends on them.
    """
    from nightmill_sky.rig import make_sheet, read_equipment

    from ..errors import UsageError
    from ..night import NIGHT_FILE, read_night_file

    path = night / NIGHT_FILE if night.is_dir() else night
    if not path.is_file():
        raise UsageError(f"there is no night file {path}; the guide and the demo show how to write one")
    if plot is not None and plot.suffix.lower() != ".svg":
        raise UsageError(f"the plot is an SVG picture: give a name that ends in .svg, not {plot.name}")
    settings = read_night_file(path)
    sections = {
        "telescope": settings.telescope.plain(planning=True),
        "camera": settings.camera.plain(planning=True),
        "cameras": {name: camera.plain(planning=True) for name, camera in settings.cameras.items()},
    }
    notes = []
    date = settings.date
    if date is None:
        date = datetime.now(UTC).strftime("%Y-%m-%d")
        notes.append(f"no date in {path.name}: taking today, {date}")
    targets = settings.targets
    if not targets:
        targets = list(USUAL_TARGETS)
        notes.append(f"no targets in {path.name}: taking {', '.join(targets)}")
    site = _site(settings.site.plain())
    if site is None:
        notes.append(f"no site with latitude and longitude in {path.name}: no altitudes, no dispersion")
    try:
        telescope, cameras = read_equipment(sections)
        sheet = make_sheet(telescope, cameras, filters=settings.filters, targets=targets, date=date, site=site)
    except ValueError as error:
        raise UsageError(f"{path}: {error}") from None
    if plot is not None:
        _draw(sheet, plot)
    notes += [f"not in {path.name}: {one}" for one in sheet["missing"]]
    for note in notes:
        click.echo(f"note: {note}", err=True)
    if as_json:
        click.echo(json.dumps(sheet, indent=2, allow_nan=False))
    else:
        _print(sheet)


def _site(given: dict[str, Any]) -> Any:
    from nightmill_sky import Site

    if "latitude_deg" not in given or "longitude_deg" not in given:
        return None
    return Site(given["latitude_deg"], given["longitude_deg"], given.get("height_m", 0.0), given.get("name", ""))


def _draw(sheet: dict[str, Any], path: Path) -> None:
    from ..errors import MachineError, UsageError
    from ..files import write_whole
    from ..report.evening import evening_svg

    try:
        drawn = evening_svg(sheet)
    except ValueError as error:
        raise UsageError(str(error)) from None
    try:
        write_whole(path, drawn.encode("utf-8"))
    except OSError as error:
        raise MachineError(f"cannot write {path}: {error.strerror or error}") from None


def _print(sheet: dict[str, Any]) -> None:
    from rich import box
    from rich.console import Console

    console = Console(file=sys.stdout, highlight=False, width=None if sys.stdout.isatty() else 120)
    lines = box.SIMPLE if console.is_terminal else None
    for caution in sheet["cautions"]:
        console.print(caution, style="bold", markup=False)
        console.print()
    scope = sheet["telescope"]
    periods = ", ".join(f"{value:.2f} in {name}" for name, value in scope["finest_period_arcsec"].items())
    console.print(
        f"Telescope: {scope['aperture_mm']:g} mm, f/{scope['focal_ratio']:.1f}. "
        f"Rayleigh {scope['rayleigh_arcsec']:.2f} "
        f"arcsec at 550 nm, Dawes {scope['dawes_arcsec']:.2f}; finest period, arcsec: {periods}.",
        markup=False,
    )
    console.print()
    tables = [_cameras(sheet, lines)]
    if sheet["targets"]:
        tables.append(_targets(sheet, lines))
    if any(part["night"] for part in sheet["targets"]):
        tables.append(_night(sheet, lines))
    for table in tables:
        console.print(table)
        if lines is None:
            console.print()
    for verdict in sheet["verdicts"]:
        console.print(f"- {verdict}", markup=False)


def _cameras(sheet: dict[str, Any], lines: Any) -> Any:
    from rich.table import Table

    cameras = sheet["cameras"]
    table = Table(box=lines, title="Cameras", title_justify="left", title_style="bold")
    table.add_column("")
    for camera in cameras:
        table.add_column(camera["name"], justify="right")
    bands = list(sheet["telescope"]["finest_period_arcsec"])
    low = [f"f/{camera['working_ratios'][0]:.0f} to f/{camera['working_ratios'][1]:.0f}" for camera in cameras]
    table.add_row("pixel, um", *(f"{camera['pixel_um']:g}" for camera in cameras))
    _row(table, "sensor, px", (_by(camera["sensor_px"]) for camera in cameras))
    for band in bands:
        ratios = (f"f/{camera['critical_ratio'][band]:.1f}" for camera in cameras)
        table.add_row(f"two pixels to the finest period, {band}", *ratios)
    table.add_row("usual range", *low)
    table.add_row("amplifier", *(_lens(camera["lens"]) for camera in cameras))
    table.add_row("focal ratio with it", *(f"f/{camera['focal_ratio']:.1f}" for camera in cameras))
    table.add_row("best amplifier", *(_lens(camera["best_lens"]) for camera in cameras))
    table.add_row("arcsec per pixel", *(f"{camera['scale_arcsec']:.3f}" for camera in cameras))
    _row(table, "field, arcmin", (_by(camera["field_arcmin"], ".1f") for camera in cameras))
    _row(table, "range of a pixel, stops", (_or(camera["stops"], ".1f") for camera in cameras))
    _row(table, "electrons a step", (_or(camera["electrons_per_step"], ".1f") for camera in cameras))
    for k in range(max(len(camera["rates"]) for camera in cameras)):
        table.add_row("frames a second" if k == 0 else "", *(_rate(camera["rates"], k) for camera in cameras))
    return table


def _row(table: Any, name: str, cells: Iterable[str]) -> None:
    """Add a row, unless no camera has anything to say in it."""
    found = list(cells)
    if any(found):
        table.add_row(name, *found)


def _rate(rates: list[dict[str, Any]], k: int) -> str:
    if k >= len(rates):
        return ""
    one = rates[k]
    load = f"{one['mb_per_s']:.0f} MB/s"
    if one["link_carries_it"] is False:
        load += f", link carries {one['link_mb_per_s']:.0f}"
    return f"{one['width_px']}x{one['height_px']}: {one['frames_per_s']:.0f}, {load}"


def _targets(sheet: dict[str, Any], lines: Any) -> Any:
    from rich.table import Table

    table = Table(box=lines, title="Targets", title_justify="left", title_style="bold")
    heads = ["target", "camera", "arcsec", "px", "frame", "frames/s", "exposure, ms", "1 element in", "1 px in"]
    heads += ["frames", "GB"]
    rows: list[tuple[str, ...]] = []
    table.caption = "1 element in, 1 px in: longest capture before\nrotation smears so much in the middle of the disc"
    table.caption_justify = "left"
    for part in sheet["targets"]:
        for k, pair in enumerate(part["cameras"]):
            frame = pair.get("frame") or {}
            size = f"{frame['width_px']}x{frame['height_px']}" if frame else ""
            rows.append(
                (
                    part["target"] if k == 0 else "",
                    pair["name"],
                    f"{part['diameter_arcsec']:.1f}",
                    _by(pair["size_px"], ".0f"),
                    "does not fit" if pair.get("too_small") else size,
                    _or(frame.get("frames_per_s"), ".0f"),
                    _or(frame.get("longest_exposure_ms"), ".1f"),
                    _seconds(part["longest_s"]),
                    _seconds(pair["one_px_s"]),
                    _or(frame.get("frames"), ",.0f"),
                    _or(frame.get("gigabytes"), ".1f"),
                )
            )
    shown = [k for k in range(len(heads)) if any(row[k] for row in rows)]
    for k in shown:
        right = heads[k] not in ("target", "camera")
        table.add_column(heads[k], justify="right" if right else "left", no_wrap=heads[k] in ("target", "px", "frame"))
    for row in rows:
        table.add_row(*(row[k] for k in shown))
    return table


def _night(sheet: dict[str, Any], lines: Any) -> Any:
    """Tabulate altitude and dispersion every hour."""
    from rich.table import Table

    span = [part for part in sheet["targets"] if part["night"] and part["target"] != "sun"] or sheet["targets"]
    title = f"Altitude, deg, and spread of colours, arcsec, from {sheet['date']}"
    table = Table(box=lines, title=title, title_justify="left", title_style="bold")
    table.add_column("UTC")
    for part in span:
        table.add_column(part["target"], justify="right")
    times = span[0]["night"]["utc"]
    for k in range(0, len(times), 6):
        cells = []
        for part in span:
            night = part["night"]
            spread = night["dispersion_arcsec"][k]
            cells.append(f"{night['altitude_deg'][k]:.0f}  {spread:4.1f}" if night["useful"][k] and spread else "")
        if any(cells):
            table.add_row(times[k][11:16], *cells)
    return table


def _by(pair: list[float] | None, form: str = "d") -> str:
    return "" if not pair else f"{pair[0]:{form}} x {pair[1]:{form}}"


def _or(value: float | None, form: str) -> str:
    return "" if value is None else f"{value:{form}}"


def _lens(factor: float) -> str:
    return "none" if factor == 1 else f"{factor:g}x"


def _seconds(seconds: float) -> str:
    if seconds < 600:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.0f} h"
