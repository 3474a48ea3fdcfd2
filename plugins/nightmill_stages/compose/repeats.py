"""Chooses among captures that repeat a filter of a set, by what the pictures say of themselves.

Which repeat is the sharper one is known only once the captures are developed, long after sets were planned by time. So
a set takes along the captures that could step in (`with_repeats`), and the choice is made where the pictures are at
hand (`chosen`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from nightmill.artefacts import Picture
from nightmill.stage import Context
from nightmill_sky.filters import filter_key

from .sets import Shot, find_sets

__all__ = ["best_of", "chosen", "resolution_of", "with_repeats"]

BETTER = 1.05
"""A repeat must resolve detail finer by this factor to be worth a longer set: measured resolutions of two captures in
the same air differ by some per cent (our simulations)."""


def with_repeats(
    groups: Sequence[Sequence[int]], shots: Sequence[Shot], needed: Sequence[str], window_s: float
) -> list[list[int]]:
    """Let full sets take along the captures that repeat one of their filters within the window.

    Parameters
    ----------
    groups : sequence of sequence of int
        From `find_sets`.
    shots : sequence of Shot
        What they were found among.
    needed : sequence of str
        Filters of a full set.
    window_s : float
        Longest time from the first to the last start, seconds: kept when the repeat steps in for its likes.

    Returns
    -------
    list of list of int
        As `groups`, each capture still once: a full set's members first, then its repeats by time, of its luminance
        too.
    """
    known = {shot.index: shot for shot in shots}
    full = [list(g) for g in groups if set(needed) <= {known[i].filter for i in g}]
    rest = [list(g) for g in groups if not set(needed) <= {known[i].filter for i in g}]
    for left in rest:
        for index in list(left):
            shot = known[index]
            fitting = []
            for place, members in enumerate(full):
                others = [known[i].time_s for i in members[: len(needed)] if known[i].filter != shot.filter]
                span = max([*others, shot.time_s]) - min([*others, shot.time_s])
                if shot.filter in {known[i].filter for i in members} and span <= window_s:
                    fitting.append((span, place))
            if fitting:
                full[min(fitting)[1]].append(index)
                left.remove(index)
    return sorted([*full, *(g for g in rest if g)], key=lambda g: min((known[i].time_s, i) for i in g))


def resolution_of(picture: Picture) -> float | None:
    """Finest period reached, in pixels, by the record of the stage sharpen: signal and noise decide; None without."""
    done = picture.header.get("sharpen") or {}
    cutoffs, shares = done.get("cutoff_cycles_px") or [], done.get("resolution_share") or []
    if len(cutoffs) != 1 or len(shares) != 1 or not float(cutoffs[0]) * float(shares[0]) > 0.0:
        return None
    return 1.0 / (float(cutoffs[0]) * float(shares[0])) / float(picture.header.get("scale", 1.0))


def best_of(
    pictures: Mapping[int, Picture], shots: Sequence[Shot], needed: Sequence[str], also: Sequence[str], window_s: float
) -> list[int]:
    """Choose the members of a set.

    Parameters
    ----------
    pictures : mapping of int to Picture
        By the indices of the shots.
    shots : sequence of Shot
    needed, also, window_s
        See `find_sets`.

    Returns
    -------
    list of int
        Indices of one full set: that of the shortest time, in which a member gave way to a repeat that resolves finer
        detail by `BETTER`, as far as the window allows, the largest gains first. Empty when no set is full.
    """
    known = {shot.index: shot for shot in shots}
    full = [g for g in find_sets(shots, needed, also=also, window_s=window_s) if len(g) >= len(needed)]
    full = [g for g in full if set(needed) <= {known[i].filter for i in g}]
    if not full:
        return []
    chosen = {known[i].filter: i for i in full[0]}
    gains = []
    for shot in shots:
        own = resolution_of(pictures[chosen[shot.filter]]) if shot.filter in chosen else None
        new = resolution_of(pictures[shot.index])
        if own is not None and new is not None and own / new > BETTER:
            gains.append((own / new, shot.index))
    for _, index in sorted(gains, key=lambda gain: (-gain[0], gain[1])):
        name = known[index].filter
        if (resolution_of(pictures[chosen[name]]) or 0.0) <= (resolution_of(pictures[index]) or 0.0):
            continue
        times = [known[i].time_s for other, i in chosen.items() if other != name] + [known[index].time_s]
        if max(times) - min(times) <= window_s:
            chosen[name] = index
    return [chosen[name] for name in (*needed, *also) if name in chosen]


def chosen(
    pictures: Sequence[Picture], needed: Sequence[str], also: Sequence[str], window_s: float, context: Context
) -> tuple[dict[str, Picture], list[Picture]]:
    """Return the members of a set by filter (in lower case), and the rest; says what was chosen and why."""
    shots = [
        Shot(i, _key(picture), float(start))
        for i, picture in enumerate(pictures)
        if picture.data.ndim == 2 and picture.captures and (start := picture.captures[0].utc_start) is not None
    ]
    members = best_of(dict(enumerate(pictures)), shots, needed, also, window_s)
    words = []
    for i in members:
        own = resolution_of(pictures[i])
        others = [p for k, p in enumerate(pictures) if k != i and p.data.ndim == 2 and _key(p) == _key(pictures[i])]
        told = [f"{other:.2f}" for p in others if (other := resolution_of(p)) is not None]
        if own is not None and told:
            words.append(f"{pictures[i].filters[0]} {own:.2f} px (others {', '.join(told)})")
    if members:
        context.choose(
            "repeats",
            {pictures[i].filters[0]: pictures[i].captures[0].file for i in members},
            "Captures repeat a filter: of each the one nearest in time to the rest of the set was taken, or one that "
            f"resolves finer detail by 5%. Finest period reached: {'; '.join(words) or 'not known'}.",
        )
    return {_key(pictures[i]): pictures[i] for i in members}, [p for i, p in enumerate(pictures) if i not in members]


def _key(picture: Picture) -> str:
    return filter_key(picture.filters[0] if picture.filters else None)
