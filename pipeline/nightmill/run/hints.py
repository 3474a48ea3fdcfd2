"""What nobody was wrong to write, but probably meant otherwise: told, and gone on with."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from ..night import fits_entry
from ..telling import count
from .inventory import LIBRARY, Inventory

if TYPE_CHECKING:
    from ..plan import Plan
    from .session import Session

__all__ = ["hints", "links_passed"]

NEAR = 0.75
"""Names are that near that one was likely typed for the other (difflib): "jupitr" and "jupiter" are at 0.92."""

MOST_NAMED = 6


def hints(session: Session, inventory: Inventory, plan: Plan) -> list[str]:
    """Say what of a night and its night file will do nothing, or something other than it seems to.

    Parameters
    ----------
    session : Session
    inventory : Inventory
        Of all the recordings that lie in the night.
    plan : Plan
    """
    links: list[str] = []
    files = [one.file for one in session.recordings(links)]
    passed = [links_passed(links)] if links else []
    return [*passed, *_entries(session, files), *_targets(session, inventory), *_aids(inventory, plan)]


def links_passed(links: list[str]) -> str:
    """Say which links in a night were passed over, and what to do."""
    return (
        f"{count(len(links), 'link')} passed over, for links to folders are not followed, and some lead nowhere: "
        f"{_listed(links)}; name the folder itself, or link to single files"
    )


def _entries(session: Session, files: list[str]) -> Iterator[str]:
    """Entries under 'captures' that are of no recording."""
    for entry in session.night.settings.captures:
        if not any(fits_entry(file, entry) for file in files):
            meant = _near(entry, [name for file in files for name in (file, file.rpartition("/")[2])])
            yield f"night.yaml: captures: {entry!r} is the name of no recording here{meant}"


def _targets(session: Session, inventory: Inventory) -> Iterator[str]:
    """Targets that are next to one that recipes are made for."""
    known = session.recipes.targets
    of: dict[str, list[str]] = {}
    for capture in inventory.lights:
        of.setdefault(capture.target or "", []).append(capture.file)
    for target, files in of.items():
        meant = _near(target, known) if target and target not in known else ""
        if meant:
            yield f"no recipe is made for the target {target!r} of {_listed(files)}{meant}"
    keys = {key.lower() for key in session.night.settings.recipes}
    for key in sorted(keys - set(of)):
        meant = _near(key, (known | set(of)) - keys)
        if meant:
            yield f"night.yaml: recipes: no capture here is of the target {key!r}{meant}"


def _aids(inventory: Inventory, plan: Plan) -> Iterator[str]:
    """Darks, flats and the like of this night that help no capture."""
    idle: dict[str, list[str]] = {}
    for aid in inventory.aids:
        if aid.file not in plan.masters and not aid.file.startswith(LIBRARY):
            words = [aid.filter] if aid.filter else []
            words.append(f"{aid.width} x {aid.height}")
            words += [] if aid.exposure_s is None else [f"{aid.exposure_s:g} s"]
            words += [] if aid.gain is None else [f"gain {aid.gain:g}"]
            idle.setdefault(aid.role, []).append(f"{aid.file} ({', '.join(words)})")
    for role, files in idle.items():
        yield (
            f"{count(len(files), role)} used for nothing: no capture of that size, exposure, gain and filter, or no "
            f"recipe here that uses a {role}: {_listed(files)}"
        )


def _near(name: str, names: Iterable[str]) -> str:
    close = difflib.get_close_matches(name, sorted(set(names)), n=1, cutoff=NEAR)
    return f"; did you mean {close[0]!r}?" if close else ""


def _listed(files: list[str]) -> str:
    more = len(files) - MOST_NAMED
    return ", ".join(files[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
