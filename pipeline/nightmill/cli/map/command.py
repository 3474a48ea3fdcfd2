"""The command ``nightmill map``: maps of a globe from finished pictures, and longitude and latitude of a point.

Reads pictures, asks the sky library, writes files; the arithmetic is `nightmill_sky`'s, loaded when the command runs.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .globes import Placed, place

if TYPE_CHECKING:
    from nightmill_sky import Site
    from nightmill_sky.maps import GlobeMap

__all__ = ["map"]


@click.command()
@click.argument(
    "pictures", nargs=-1, required=True, type=click.Path(path_type=Path, dir_okay=False), metavar="PICTURE..."
)
@click.option("-o", "--output", type=click.Path(path_type=Path), metavar="FILE.fits", help="The new map; a PNG beside.")
@click.option("--around", type=click.Choice(["north", "south"]), help="Map around a pole instead of the whole globe.")
@click.option("--system", metavar="NAME", help="Longitudes of this system: I, II or III. Default: II for Jupiter.")
@click.option(
    "--cells",
    type=click.FloatRange(0.1, 20.0),
    default=2.0,
    show_default=True,
    help="Cells a degree.",
)
@click.option(
    "--darkening",
    type=click.FloatRange(0.0, 1.5),
    default=None,
    metavar="K",
    help="Minnaert's exponent of the limb darkening that is taken off; 0.5 takes off little. Default: as measured.",
)
@click.option("--keep-darkening", is_flag=True, help="Leave the brightness as it is.")
@click.option(
    "--at", "points", multiple=True, metavar="X,Y", help="Say what lies at this column and row instead; 0-based."
)
@click.option("--site", metavar="LAT,LON[,HEIGHT]", help="Where it was seen from, if not in the picture's record.")
@click.option(
    "--disc", metavar="X,Y,RADIUS", help="Middle and equatorial radius, pixels, instead of the measured ones."
)
@click.option("--north-angle", type=float, metavar="DEG", help="Celestial north, counter-clockwise from up.")
@click.option("--mirrored/--upright", default=None, help="Whether the picture is a mirror image.")
@click.option("--json", "as_json", is_flag=True, help="With --at: print JSON.")
def map(
    pictures: tuple[Path, ...],
    output: Path | None,
    around: str | None,
    system: str | None,
    cells: float,
    darkening: float | None,
    keep_darkening: bool,
    points: tuple[str, ...],
    site: str | None,
    disc: str | None,
    north_angle: float | None,
    mirrored: bool | None,
    as_json: bool,
) -> int:
    """Map the globe on each PICTURE (FITS, as `nightmill run` makes them) and join the maps, or measure points on one.

    A map counts each spot by how steeply it was seen; pictures of several times add up to more of the globe. Latitudes
    are planetographic. With --at X,Y no map is made: the longitude and latitude under that pixel are printed.
    """
    from ...errors import UsageError

    if (output is None) == (not points):
        raise click.UsageError("give -o FILE.fits to make a map, or --at X,Y to measure a point.")
    if points and len(pictures) > 1:
        raise click.UsageError("--at measures on one picture; name only one.")
    if darkening is not None and keep_darkening:
        raise click.UsageError("--darkening and --keep-darkening exclude each other.")
    given: dict[str, Any] = {}
    if disc is not None:
        x, y, radius = _numbers(disc, 3, "--disc")
        if radius <= 0.0:
            raise click.BadParameter(f"the radius {radius:g} must be above 0.", param_hint="'--disc'")
        given["disc"] = {"x_px": x, "y_px": y, "a_px": radius}
    if north_angle is not None:
        given["north_angle_deg"] = north_angle % 360.0
    if mirrored is not None:
        given["mirrored"] = mirrored
    where = [_numbers(point, 2, "--at") for point in points]
    placed = [place(path, given, system, _site(site)) for path in pictures]
    if placed[0].sky.target == "sun":
        from ..sky import SUN_CAUTION

        click.echo(SUN_CAUTION, err=True)
    if points:
        _tell(placed[0], where, as_json)
        return 0
    if len({one.sky.target for one in placed}) > 1:
        raise UsageError(f"a map is of one body, not of {' and '.join(sorted({one.sky.target for one in placed}))}")
    if len({one.data.ndim for one in placed}) > 1:
        raise UsageError("colour and monochrome pictures cannot be joined; map them apart")
    assert output is not None
    _make(placed, output, around, cells, None if keep_darkening else _darkening(placed, darkening))
    return 0


def _darkening(placed: list[Placed], given: float | None) -> float:
    """Return the exponent that was given, or the mean of what the pictures show."""
    import numpy as np

    from nightmill_sky.shading import darkening_of

    if given is not None:
        return given
    return float(np.mean([one for part in placed for one in darkening_of(part.data, part.disc)]))


def _numbers(text: str, count: int, option: str) -> list[float]:
    parts = text.split(",")
    try:
        numbers = [float(part) for part in parts]
    except ValueError:
        numbers = []
    if len(numbers) != count or not all(abs(number) < 1e6 for number in numbers):
        raise click.BadParameter(
            f"'{text}' is not {count} numbers with commas between, for example "
            f"{','.join(['120.5', '98', '73.2'][:count])}.",
            param_hint=f"'{option}'",
        )
    return numbers


def _site(text: str | None) -> Site | None:
    from nightmill_sky import parse_site

    try:
        return None if text is None else parse_site(text)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="'--site'") from None


def _tell(one: Placed, where: list[list[float]], as_json: bool) -> None:
    """Print what lies under points of a picture."""
    import math
    from dataclasses import replace

    from nightmill_sky.geometry import centric_from_graphic_deg

    found: list[dict[str, Any]] = []
    for x, y in where:
        seen = one.disc.surface(x, y)
        east = float(seen.east_of_meridian_deg)
        if not math.isfinite(east):
            found.append({"x_px": x, "y_px": y, "on_globe": False})
            continue
        meridians = one.sky.central_meridian_deg or {"": one.disc.central_meridian_deg}
        longitudes = {
            name: float(replace(one.disc, central_meridian_deg=middle).longitude_from_east(east)) % 360.0
            for name, middle in meridians.items()
        }
        graphic = float(seen.latitude_deg)
        found.append(
            {
                "x_px": x,
                "y_px": y,
                "on_globe": True,
                "longitude_deg": longitudes.get("", longitudes),
                "latitude_planetographic_deg": graphic,
                "latitude_planetocentric_deg": float(centric_from_graphic_deg(graphic, one.disc.flattening)),
                "emission_angle_deg": math.degrees(math.acos(min(1.0, float(seen.emission)))),
                "incidence_angle_deg": math.degrees(math.acos(max(-1.0, min(1.0, float(seen.incidence))))),
            }
        )
    if as_json:
        click.echo(json.dumps({"target": one.sky.target, "utc": one.sky.utc, "points": found}, indent=2))
        return
    way = "west" if one.disc.west_longitudes else "east"
    click.echo(f"{one.sky.target.capitalize()}, {one.sky.utc}")
    for point in found:
        spot = f"column {point['x_px']:g}, row {point['y_px']:g}"
        if not point["on_globe"]:
            click.echo(f"{spot}: beside the globe")
            continue
        longitude = point["longitude_deg"]
        if isinstance(longitude, dict):
            shown = ", ".join(
                f"{value:.2f}" if name == "IAU" else f"{value:.2f} in System {name}"
                for name, value in longitude.items()
            )
        else:
            shown = f"{longitude:.2f}"
        click.echo(
            f"{spot}: longitude {shown} ({way}, degrees); latitude {point['latitude_planetographic_deg']:+.2f} "
            f"planetographic, {point['latitude_planetocentric_deg']:+.2f} planetocentric; "
            f"seen at {point['emission_angle_deg']:.0f} degrees from straight above"
        )


def _make(placed: list[Placed], output: Path, around: str | None, cells: float, darkening: float | None) -> None:
    """Map each picture, join the maps, write FITS and PNG."""
    import numpy as np

    from nightmill_sky.maps import cylindrical_map, join_maps, match_maps, polar_map

    from ...errors import UsageError
    from .files import write_map

    if output.suffix.lower() not in (".fits", ".fit"):
        raise UsageError(f"a map is a FITS file: give a name that ends in .fits, not {output.name}")
    for path in (output, output.with_suffix(".png")):
        if path.exists():
            raise UsageError(f"{path} is there already; name a new file")
    maps: list[GlobeMap] = []
    for one in placed:
        plane = np.moveaxis(one.data, 0, 2) if one.data.ndim == 3 else one.data
        plane = np.nan_to_num(plane, nan=0.0)
        if around is None:
            maps.append(cylindrical_map(plane, one.disc, cells_per_degree=cells, darkening=darkening))
        else:
            south = around == "south"
            maps.append(polar_map(plane, one.disc, south=south, cells_per_degree=cells, darkening=darkening))
        if not maps[-1].weight.any():
            raise UsageError(f"nothing of that part of {one.sky.target} is seen on {one.path.name}")
    joined = join_maps(match_maps(maps))
    write_map(joined, placed, output)
    seen = 100.0 * float(np.average(joined.weight > 0.0, weights=np.cos(np.radians(joined.latitude_deg))))
    click.echo(f"wrote {output} and {output.with_suffix('.png').name}: {seen:.0f}% of the map was seen", err=True)
