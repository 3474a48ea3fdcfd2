"""Finds filter sets among the captures of a night: pure functions on what the captures say of themselves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["Shot", "find_sets"]


@dataclass(frozen=True)
class Shot:
    """One capture as the search sees it.

    Attributes
    ----------
    index : int
        The caller's own number for it.
    filter : str
        Filter as the night writes it.
    time_s : float
        POSIX seconds of its start.
    """

    index: int
    filter: str
    time_s: float


def find_sets(
    shots: Sequence[Shot], needed: Sequence[str], *, also: Sequence[str] = (), window_s: float = 900.0
) -> list[list[int]]:
    """Group the captures of one target into filter sets.

    Parameters
    ----------
    shots : sequence of Shot
        All captures of the target, in any order. A filter that is neither in `needed` nor in `also` stays alone.
    needed : sequence of str
        Filters of a full set, each once.
    also : sequence of str
        Filters that join a full set when there is a capture of them in time (luminance).
    window_s : float
        Longest time from the first to the last start of a set, seconds.

    Returns
    -------
    list of list of int
        Indices, in order of time of the first member; within a set in the order of `needed`, then `also`. Every
        capture appears exactly once: in a full set, in a part of a set (captures of different needed filters within
        the window, for which no full set is left) or alone.

    Notes
    -----
    As many full sets as can be had are made, by taking the earliest unused capture of each filter and giving up the
    first of them when the others come too late: with one queue a filter and a window of fixed length no choice gives
    more. Then a member is exchanged for an unused capture of its filter when that makes the set shorter.
    """
    order = sorted(shots, key=lambda shot: (shot.time_s, shot.index))
    queues = {name: [s for s in order if s.filter == name] for name in needed}
    full: list[dict[str, Shot]] = []
    spare: list[Shot] = []
    while needed and all(queues.values()):
        heads = {name: queue[0] for name, queue in queues.items()}
        first = min(heads.values(), key=lambda s: (s.time_s, s.index))
        if max(s.time_s for s in heads.values()) - first.time_s <= window_s:
            full.append(heads)
            for queue in queues.values():
                queue.pop(0)
        else:
            spare.append(queues[first.filter].pop(0))
    spare = sorted(spare + [s for queue in queues.values() for s in queue], key=lambda s: (s.time_s, s.index))
    for members in full:
        _shorten(members, spare)
    for name in also:
        unused = [s for s in order if s.filter == name]
        for members in full:
            near = _nearest_fit(members, unused, window_s)
            if near is not None:
                members[name] = near
                unused.remove(near)
    rank = {name: place for place, name in enumerate([*needed, *also])}
    groups = [sorted(members.values(), key=lambda s: rank[s.filter]) for members in full]
    taken = {s.index for group in groups for s in group}
    groups += [sorted(part, key=lambda s: rank[s.filter]) for part in _parts(spare, taken, window_s)]
    taken |= {s.index for group in groups for s in group}
    groups += [[s] for s in order if s.index not in taken]
    groups.sort(key=lambda group: min((s.time_s, s.index) for s in group))
    return [[s.index for s in group] for group in groups]


def _span(members: Sequence[Shot]) -> float:
    times = [s.time_s for s in members]
    return max(times) - min(times)


def _shorten(members: dict[str, Shot], spare: list[Shot]) -> None:
    """Exchange members for spare captures of the same filter as long as the set gets shorter."""
    while True:
        trials = [(_span([*(m for n, m in members.items() if n != s.filter), s]), s) for s in spare]
        best = min(trials, key=lambda trial: (trial[0], trial[1].time_s, trial[1].index), default=None)
        if best is None or best[0] >= _span(list(members.values())):
            return
        spare.remove(best[1])
        spare.append(members[best[1].filter])
        spare.sort(key=lambda s: (s.time_s, s.index))
        members[best[1].filter] = best[1]


def _nearest_fit(members: dict[str, Shot], unused: list[Shot], window_s: float) -> Shot | None:
    """The unused capture nearest to the set's middle that keeps it within the window."""
    times = [s.time_s for s in members.values()]
    middle = 0.5 * (min(times) + max(times))
    fitting = [s for s in unused if _span([*members.values(), s]) <= window_s]
    return min(fitting, key=lambda s: (abs(s.time_s - middle), s.time_s, s.index), default=None)


def _parts(spare: list[Shot], taken: set[int], window_s: float) -> list[list[Shot]]:
    """Chain what is left in order of time; a part closes when a filter repeats or the window is over."""
    parts: list[list[Shot]] = []
    for shot in (s for s in spare if s.index not in taken):
        last = parts[-1] if parts else None
        if last and shot.filter not in {s.filter for s in last} and shot.time_s - last[0].time_s <= window_s:
            last.append(shot)
        else:
            parts.append([shot])
    return parts
