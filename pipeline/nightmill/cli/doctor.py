"""`nightmill doctor`."""

from __future__ import annotations

import getpass
import json
import re
from dataclasses import asdict
from pathlib import Path

import click

__all__ = ["doctor"]

PATHS = re.compile(r"(?<![\w/~.)])(?:/[^\s/,;:'\"()]+)+/?|[A-Za-z]:\\\\?[^\s,;'\"()]*|\\\\[^\s,;'\"()]+")
"""What looks like a path of any system."""

MARKS = {"good": "ok ", "warning": "!  ", "bad": "bad"}


@click.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path(),
    metavar="DIR",
    help="Where output would go; by default here.",
)
@click.option("--share", is_flag=True, help="Leave out user name and folders, for pasting into a message.")
@click.option("--json", "as_json", is_flag=True, help="For programs.")
def doctor(out: Path, share: bool, as_json: bool) -> int:
    """Tell what this machine offers and lacks, with a cure for each lack."""
    from ..doctor import examine

    found = list(examine(out.resolve()))
    if as_json:
        text = json.dumps([asdict(one) for one in found], indent=1)
        click.echo(_hide(text) if share else text)
    else:
        for one in found:
            line = f"{MARKS[one.state]}  {one.what}: {one.text}"
            line += f"\n       -> {one.cure}" if one.cure else ""
            click.echo(_hide(line) if share else line)
    return 3 if any(one.state == "bad" for one in found) else 0


def _hide(text: str) -> str:
    for private, shown in ((str(Path.cwd()), "(here)"), (str(Path.home()), "~"), (_user(), "(user)")):
        if len(private) > 2:
            text = text.replace(private, shown)
    return PATHS.sub("(path)", text)


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):  # no user database, as in some containers
        return ""
