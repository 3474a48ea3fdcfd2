"""Which plugins are to be loaded, as it travels from the command line to workers."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

__all__ = ["plugin_choice"]


def plugin_choice(files: Iterable[str | Path], without: Iterable[str] = ()) -> tuple[str, ...]:
    """Return a choice of plugins as `load_registry` takes it and tasks carry it to workers.

    Parameters
    ----------
    files : iterable of str or Path
        Single-file plugins; made absolute.
    without : iterable of str
        Names of plugins to leave out; they become "-NAME", which no absolute path is.
    """
    return (*(str(Path(name).resolve()) for name in files), *(f"-{name}" for name in without))
