"""Finished pictures with the globe on them, read from their files: for commands that measure on them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from nightmill_sky import Disc, Ephemeris, Site

__all__ = ["Placed", "place"]


@dataclass(frozen=True)
class Placed:
    """A picture with the globe on it."""

    path: Path
    data: NDArray[np.float32]
    sky: Ephemeris
    disc: Disc


def _read(path: Path) -> tuple[NDArray[np.float32], dict[str, Any], Any]:
    """Picture, record and header of a FITS file."""
    import warnings

    import numpy as np
    from astropy.io import fits

    from ...artefacts.fitsio import read_record
    from ...errors import UsageError

    if not path.is_file():
        raise UsageError(f"there is no picture {path}")
    with path.open("rb") as stream:
        if stream.read(6) != b"SIMPLE":
            raise UsageError(f"{path} is no FITS file; name the .fits that nightmill wrote beside it")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of a file that is cut off, data that are too few tell enough
            with fits.open(path, memmap=False) as hdus:
                header, data = hdus[0].header.copy(), hdus[0].data
            kept = read_record(path)
    except (OSError, ValueError, TypeError, KeyError) as error:
        raise UsageError(f"{path} cannot be read as a FITS picture; is it cut off? {error}") from None
    if data is None or data.ndim not in (2, 3) or (data.ndim == 3 and len(data) != 3):
        raise UsageError(f"{path} holds no picture of one or three planes")
    return np.asarray(data, np.float32), kept, header


def place(path: Path, given: dict[str, Any], system: str | None, site: Site | None) -> Placed:
    """Read a picture and find the globe on it by its record, or by what was given instead."""
    from nightmill_sky import disc_from_geometry

    from ...errors import UsageError

    data, kept, header = _read(path)
    captures = kept.get("captures") or [{}]
    target = captures[0].get("target") or header.get("OBJECT")
    sky = _ephemeris(path, target, header, site)
    geometry = {**kept.get("geometry", {}), **given}
    if "north_angle_deg" in given:
        # The user's word moves the pole too.
        for key in ("pole_angle_deg", "planet_east_deg"):
            geometry.pop(key, None)
    elif given.get("mirrored", kept.get("geometry", {}).get("mirrored")) != kept.get("geometry", {}).get("mirrored"):
        # In the mirror the Sun's side, and with it the planet's east, stays; the pole changes ends.
        geometry.pop("pole_angle_deg", None)
    missing = [
        words
        for key, words in (
            ("disc", "where the disc lies (--disc X,Y,RADIUS)"),
            ("mirrored", "whether it is a mirror image (--mirrored or --upright)"),
        )
        if geometry.get(key) is None
    ]
    if all(geometry.get(key) is None for key in ("north_angle_deg", "pole_angle_deg", "planet_east_deg")):
        missing.append("where north is (--north-angle DEG)")
    if missing:
        raise UsageError(f"the record of {path.name} does not say {', nor '.join(missing)}; give it")
    try:
        disc = disc_from_geometry(geometry, sky, system=system)
    except ValueError as error:
        raise UsageError(str(error)) from None
    assert disc is not None
    return Placed(path, data, sky, disc)


def _ephemeris(path: Path, target: Any, header: Any, site: Site | None) -> Ephemeris:
    from nightmill_sky import UnknownTargetError, ephemeris

    from ...errors import UsageError

    when = header.get("DATE-AVG") or header.get("DATE-OBS")
    if not target or not when:
        raise UsageError(f"{path} does not say what it shows and when (keywords OBJECT and DATE-AVG)")
    try:
        sky = ephemeris(str(target).strip().lower(), str(when), site, satellites=False)
    except UnknownTargetError as error:
        raise UsageError(f"{path}: {error}") from None
    except ValueError as error:
        raise UsageError(f"{path}: the time {when!r} is of no use: {error}") from None
    for note in sky.notes:
        click.echo(f"note: {note}", err=True)
    return sky
