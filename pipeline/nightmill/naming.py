"""What a recording's name says: role, target, filter and time; by the night's pattern, then by common ones.

A name in the place of {target} that equals an aid's role ("dark", "flat") gives that role, any other is a target.
Without a time in the name it has to be one that is known, or any two words would be a target and a filter.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import PurePosixPath

__all__ = ["Named", "Words", "format_name", "parse_name", "parse_utc"]

PARTS = {
    "target": r"(?P<target>[^\W\d_][\w.+-]*?)",
    "date": r"(?P<date>\d{4}-?\d{2}-?\d{2})",
    "time": r"(?P<time>\d{2}[-.h]?\d{2}(?:[-.m]?\d{2}(?:\.\d{1,6})?)?)",
    "filter": r"(?P<filter>[A-Za-z][\w.+-]*?)",
}
LONGEST = 120
UNTIMED = ("{target}_{filter}", "{target}")
OTHERS = ("{target}_{filter}_{date}_{time}", "{target}_{date}_{time}", "{date}_{time}_{target}_{filter}")


@dataclass(frozen=True)
class Named:
    """What a name says; None where it says nothing."""

    role: str | None = None
    target: str | None = None
    filter: str | None = None
    utc: float | None = None


@dataclass(frozen=True)
class Words:
    """What names may begin or go on with, lower case.

    Attributes
    ----------
    roles : collection of str
        Roles of aids, such as "dark" and "flat".
    targets : collection of str
        What a name without a time may begin with: "jupiter_R", "jupiter".
    filters : collection of str
        What an aid's name without a time may go on with: "flat_R".
    """

    roles: Collection[str] = ()
    targets: Collection[str] = ()
    filters: Collection[str] = ()


def parse_name(file: str, pattern: str, words: Words) -> Named:
    """Read a recording's name.

    Parameters
    ----------
    file : str
        Path with forward slashes; only its last part counts.
    pattern : str
        The night's pattern of {target}, {date}, {time}, {filter}; UTC; a copy number such as "_02" may follow.
    words : Words

    Returns
    -------
    Named
    """
    stem = PurePosixPath(file).name
    stem = re.sub(r"\.[A-Za-z][A-Za-z0-9]{1,4}$", "", stem)
    for one in (pattern, *OTHERS):
        match = re.fullmatch(_expression(one) + r"(?:[_-]\d{1,4})?", stem)
        if match is None:
            continue
        found = match.groupdict()
        utc = _utc(found.get("date"), found.get("time"))
        if found.get("date") and utc is None:
            continue
        target = found.get("target")
        role = target.lower() if target and target.lower() in words.roles else None
        return Named(role, None if role or target is None else target.lower(), found.get("filter"), utc)
    for one in UNTIMED:
        match = re.fullmatch(_expression(one) + r"(?:[_-]\d{1,4})?", stem)
        if match is None:
            continue
        target, filter = match["target"].lower(), match.groupdict().get("filter")
        if target in words.targets:
            return Named(None, target, filter)
        if target in words.roles and filter and filter.lower() in words.filters:
            return Named(target, None, filter)
    if re.search(r"\S\s+\S", stem):
        # Blanks where the pattern has none stand for what parts its words.
        return parse_name(re.sub(r"\s+", "_", stem.strip()) + ".name", pattern, words)
    first = re.split(r"[_\W]", stem, maxsplit=1)[0].lower()
    return Named(role=first if first in words.roles else None)


def parse_utc(text: str) -> float:
    """Convert an ISO 8601 time (UTC unless it says otherwise) to POSIX seconds; raises ValueError."""
    time = datetime.fromisoformat(text.strip())
    return (time if time.tzinfo else time.replace(tzinfo=UTC)).timestamp()


def format_name(pattern: str, target: str | None, filter: str | None, utc: float | None) -> str:
    """Write a name by a pattern; only letters, digits and "_.+-" come out, so it is safe on every file system.

    Letters are composed (NFC), and there are at most 120 bytes of UTF-8, which leaves room for endings. Without
    a time, date and time are left out.
    """
    time = datetime.fromtimestamp(utc, UTC) if utc is not None else None
    values = {
        "target": target or "unknown",
        "filter": filter or "L",
        "date": time.strftime("%Y%m%d") if time else "",
        "time": time.strftime("%H%M%S") if time else "",
    }
    if time is None:
        # Without a time there is nothing to part from it either.
        pattern = re.sub(r"[ _.-]*\{(date|time)\}", "", pattern).lstrip(" _.-")
    text = re.sub(r"\{(\w+)\}", lambda match: values.get(match[1], ""), pattern)
    safe = re.sub(r"[^\w.+-]", "-", unicodedata.normalize("NFC", text)).strip(".-")
    safe = safe.encode("utf-8", "replace")[:LONGEST].decode("utf-8", "ignore").rstrip(".-") or "picture"
    # Names that Windows keeps for devices, with or without an extension.
    reserved = re.fullmatch(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", safe, re.IGNORECASE)
    return f"_{safe}" if reserved else safe


def _expression(pattern: str) -> str:
    pieces = re.split(r"(\{\w+\})", pattern)
    return "".join(
        PARTS.get(piece[1:-1], re.escape(piece)) if piece.startswith("{") else re.escape(piece) for piece in pieces
    )


def _utc(date: str | None, time: str | None) -> float | None:
    if not date:
        return None
    digits = re.sub(r"[^\d.]", "", time or "") or "0000"
    whole, _, fraction = digits.partition(".")
    whole = whole.ljust(6, "0")
    try:
        start = datetime.strptime(date.replace("-", "") + whole, "%Y%m%d%H%M%S").replace(tzinfo=UTC)
    except ValueError:
        return None
    return start.timestamp() + (float(f"0.{fraction}") if fraction else 0.0)
