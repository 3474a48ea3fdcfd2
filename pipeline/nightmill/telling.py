"""Numbers, sizes and reasons as people read them."""

from __future__ import annotations

__all__ = ["about", "count", "size"]


def count(number: int, noun: str) -> str:
    """Return a number with its noun, as English has it."""
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def size(number: float) -> str:
    """Return a number of bytes in the unit in which it says something."""
    for unit in ("B", "kB", "MB"):
        if number < 999.5:
            return f"{number:.0f} {unit}"
        number /= 1000
    return f"{number:.1f} GB"


def about(file: str, reason: str) -> str:
    """Say a reason of a file; readers begin many with its name, which is then not said twice."""
    name = file.rpartition("/")[2]
    return f"{file}{reason[len(name) :]}" if reason.startswith(f"{name} ") else f"{file}: {reason}"
