"""The files of a map."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from nightmill_sky.maps import GlobeMap

    from .globes import Placed

__all__ = ["write_map"]


def write_map(joined: GlobeMap, placed: list[Placed], output: Path) -> None:
    """Write a map, joined of pictures, as FITS with its grid in the header, and as PNG beside it."""
    import cv2
    import numpy as np

    from nightmill_sky.maps import map_header

    from ...artefacts.fitsio import image_hdu, record_hdu, write_hdus
    from ...artefacts.srgb import srgb_encode
    from ...errors import MachineError
    from ...files import aside, write_whole

    first = placed[0]
    cards: dict[str, tuple[Any, str]] = {
        "OBJECT": (first.sky.target, "what the map shows"),
        "BUNIT": ("relative", "linear light"),
        "DATE-BEG": (min(one.sky.utc for one in placed).removesuffix("Z"), "first picture, UTC"),
        "DATE-END": (max(one.sky.utc for one in placed).removesuffix("Z"), "last picture, UTC"),
        "MJD-BEG": (_mjd(min(one.sky.utc for one in placed)), "[d] the same as a number"),
        "MJD-END": (_mjd(max(one.sky.utc for one in placed)), "[d] the same as a number"),
        "TIMESYS": ("UTC", "time scale of the dates"),
        "LATTYPE": ("planetographic", "kind of the latitudes"),
        "LONDIR": ("west" if joined.west_longitudes else "east", "longitudes grow towards"),
        "NPICTS": (len(placed), "pictures joined"),
    }
    name = _system(first)
    if name:
        cards["LONSYS"] = (name, "system of the longitudes")
    grid = {key: (value, "") for key, value in map_header(joined, first.sky.target).items()}
    # FITS counts rows upwards; the map has north on top.
    planes = joined.values[::-1] if joined.values.ndim == 2 else np.moveaxis(joined.values[::-1], 2, 0)
    record = {"pictures": [one.path.name for one in placed], "utc": [one.sky.utc for one in placed]}
    hdus = [
        image_hdu(planes.astype(np.float32), cards={**cards, **grid}),
        image_hdu(joined.weight[::-1].astype(np.float32), name="WEIGHT", cards=grid),
        record_hdu(record),
    ]
    seen = joined.weight > 0.0
    bright = joined.values[seen]
    white = max(float(np.percentile(bright, 99.8)), 1e-12) / 0.98
    shown = np.rint(srgb_encode(joined.values / white) * 65535.0).astype(np.uint16)
    _, png = cv2.imencode(".png", shown[..., ::-1] if shown.ndim == 3 else shown)
    try:
        with aside(output) as temporary:
            write_hdus(temporary, hdus)
        write_whole(output.with_suffix(".png"), png.tobytes())
    except OSError as error:
        raise MachineError(f"cannot write {output}: {error.strerror or error}") from None


def _mjd(utc: str) -> float:
    """Modified Julian date of an ISO instant."""
    from datetime import UTC, datetime

    return datetime.fromisoformat(utc.removesuffix("Z")).replace(tzinfo=UTC).timestamp() / 86400.0 + 40587.0


def _system(one: Placed) -> str:
    """Name of the system of longitude that the disc is counted in; empty for the Moon and the Sun."""
    return next(
        (name for name, value in one.sky.central_meridian_deg.items() if value == one.disc.central_meridian_deg), ""
    )
