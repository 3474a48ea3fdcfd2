"""Nothing is written through links: an output folder that came from elsewhere must not lead out of itself."""

from __future__ import annotations

import os
from pathlib import Path

from ..errors import MachineError

__all__ = ["OURS", "check_links", "check_place"]

OURS = ("journal.jsonl", "masters", "pictures", "report", "sequences", "stacks", ".store")
"""What a run writes into by going through it; a file that is replaced as a whole may be a link, which is replaced."""


def check_links(out: Path) -> None:
    """Refuse an output folder in which a folder of ours, or the journal, is a link (on Windows, a junction).

    Raises
    ------
    MachineError
        Naming the link.
    """
    for name in OURS:
        check_place(out / name)
    store = out / ".store"
    for folder in (store, store / "objects", store / "refused"):
        if folder.is_dir():
            with os.scandir(folder) as entries:
                for entry in entries:
                    check_place(Path(entry.path))


def check_place(path: Path) -> None:
    """Refuse one place that is a link."""
    junction = getattr(path, "is_junction", None)
    if path.is_symlink() or (junction is not None and junction()):
        raise MachineError(
            f"{path} is a link, and nothing is written through links; remove it, or give --out with the folder itself"
        )
