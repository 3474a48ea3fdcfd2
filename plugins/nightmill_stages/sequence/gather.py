"""Which pictures of a night belong into one sequence, and what is known of each before it is moved."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import Capture, Picture

from ..matching.outline import find_object
from .placing import Seen

__all__ = ["by_filters", "find_nights", "see"]


def find_nights(units: Sequence[tuple[Capture, ...]], *, gap_s: float) -> list[list[int]]:
    """Group pictures to be: one target, the same filters, no long pause; in order of time.

    Parameters
    ----------
    units : sequence of tuple of Capture
        The captures of each picture.
    gap_s : float
        Longest time from one picture to the next, seconds.

    Returns
    -------
    list of list of int
        Groups of two and more. Of pictures that share a capture only the first counts: the others were added.
    """
    kinds: dict[tuple[object, ...], list[tuple[float, int]]] = {}
    taken: set[str] = set()
    for index, captures in enumerate(units):
        files = {capture.file for capture in captures}
        if files & taken:
            continue  # what an earlier stage added of the same captures
        taken |= files
        starts = [capture.utc_start for capture in captures]
        known = [start for start in starts if start is not None]
        if captures[0].target and len(known) == len(starts):
            filters = tuple(sorted((capture.filter or "").casefold() for capture in captures))
            kinds.setdefault((captures[0].target, filters, captures[0].colour), []).append((min(known), index))
    groups: list[list[int]] = []
    for members in kinds.values():
        part: list[tuple[float, int]] = []
        for start, index in sorted(members):
            if part and start - part[-1][0] > gap_s:
                groups.append([i for _, i in part])
                part = []
            part.append((start, index))
        groups.append([i for _, i in part])
    return sorted(group for group in groups if len(group) > 1)


def by_filters(pictures: Iterable[Picture]) -> dict[tuple[str, ...], list[tuple[float, int]]]:
    """Sort finished pictures by their filters and, within, by time: (time, index) each; those without time are left
    out. A set that lacked a channel gave other pictures than planned, and joins nothing here.
    """
    kinds: dict[tuple[str, ...], list[tuple[float, int]]] = {}
    for index, picture in enumerate(pictures):
        if picture.utc_mid is not None and not picture.kind:
            kinds.setdefault(picture.filters, []).append((picture.utc_mid, index))
    return {filters: sorted(members) for filters, members in kinds.items()}


def see(picture: Picture) -> Seen:
    """Note what is needed of a picture to place it; its pixels are looked at only where no disc was measured."""
    disc = picture.geometry.get("disc")
    return Seen(
        time_s=picture.utc_mid or 0.0,
        shape=(picture.data.shape[-2], picture.data.shape[-1]),
        geometry=picture.geometry,
        finer=float(picture.header.get("scale") or 1.0),
        centroid=None if disc else _centroid(picture.data),
    )


def _centroid(data: NDArray[np.float32]) -> tuple[float, float, float] | None:
    """Middle and size of the object by its light; None on a surface that fills the picture."""
    mask = find_object(data)
    if mask is None:
        return None
    light = np.nan_to_num(np.asarray(data.mean(axis=0) if data.ndim == 3 else data, np.float64))
    weights = np.where(mask, np.maximum(light, 0.0), 0.0)
    total = float(weights.sum())
    row, column = np.indices(mask.shape, np.float64)
    radius = float(np.sqrt(mask.sum() / np.pi))
    return float((column * weights).sum() / total), float((row * weights).sum() / total), radius
