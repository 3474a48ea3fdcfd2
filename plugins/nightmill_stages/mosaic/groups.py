"""Which pictures may belong to one mosaic, by what the captures say of themselves. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from nightmill.artefacts import Capture

__all__ = ["group_panels", "split_times"]


def group_panels(units: Sequence[tuple[Capture, ...]], window_s: float) -> list[list[int]]:
    """Group pictures of one target through the same filter, taken within a time window.

    Parameters
    ----------
    units : sequence of tuple of Capture
        The captures behind each picture.
    window_s : float
        Longest time from the first to the last start of a group, seconds.

    Returns
    -------
    list of list of int
        Groups of at least two, in order of time. Captures without a time of their target and filter are one group.
    """
    kinds: dict[tuple[str, ...], list[int]] = {}
    for index, captures in enumerate(units):
        first = captures[0]
        if first.target:
            filters = [(one.filter or "").casefold() for one in captures]
            kinds.setdefault((first.target, str(first.colour), *filters), []).append(index)
    groups: list[list[int]] = []
    for members in kinds.values():
        timed = [(float(t), i) for i in members if (t := units[i][0].utc_start) is not None]
        groups += [[i for _, i in part] for part in split_times(sorted(timed), window_s)]
        groups.append([i for i in members if units[i][0].utc_start is None])
    return sorted(group for group in groups if len(group) > 1)


def split_times(timed: Sequence[tuple[float, int]], window_s: float) -> list[list[tuple[float, int]]]:
    """Split what is sorted by time at its longest pauses until every part fits into the window."""
    if not timed or timed[-1][0] - timed[0][0] <= window_s:
        return [list(timed)] if timed else []
    pauses = [later[0] - earlier[0] for earlier, later in pairwise(timed)]
    cut = pauses.index(max(pauses)) + 1
    return split_times(timed[:cut], window_s) + split_times(timed[cut:], window_s)
