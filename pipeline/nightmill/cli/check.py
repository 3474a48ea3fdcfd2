"""`nightmill check`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from ..telling import about, count, size
from .options import locked_option, night_argument, out_option, plugin_option, recipe_option

__all__ = ["check"]


@click.command()
@night_argument
@recipe_option
@out_option
@plugin_option
@locked_option
@click.option("--workers", type=click.IntRange(1, 1024), metavar="N", help="Workers to reckon the time with.")
@click.option("--why", metavar="NAME", help="Show every step of the captures and pictures whose name holds NAME.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def check(
    night: Path,
    recipe: str | None,
    out: Path | None,
    plugins: tuple[str, ...],
    locked: bool,
    workers: int | None,
    why: str | None,
    as_json: bool,
) -> int:
    """Show what `nightmill run` with the same options would do in the folder NIGHT, and why.

    Every capture and every picture with what is there already, what will be made, and for what is made again the
    reason; then the disk and the time it takes. Nothing is run and nothing is written.
    """
    import os

    from ..run.outlook import look_ahead
    from ..run.session import prepare

    session = prepare(night, out=out, recipe=recipe, plugins=plugins, locked=locked)
    report = look_ahead(session, workers or os.cpu_count() or 1)
    if as_json:
        click.echo(json.dumps(report, indent=1, ensure_ascii=False))
    else:
        _show(report, why)
    return 0


def _show(report: dict[str, Any], why: str | None) -> None:
    from rich.console import Console
    from rich.tree import Tree

    console = Console(highlight=False, markup=False)
    if not console.is_terminal:
        console.width = 1000  # a file or a pipe gets whole lines
    console.print(f"{report['night']}  ->  {report['out']}", soft_wrap=True)
    shown = 0
    for one in report["masters"]:
        shown += _branch(console, Tree(f"{one['file']}  ({one['role']})"), one["steps"], one["file"], why)
    for one in report["captures"]:
        words = [one["target"], one["filter"], count(one["frames"], "frame"), one["recipe"]]
        title = f"{one['file']}  ({', '.join(word for word in words if word)})"
        title += f"\n  changed: {'; '.join(one['changes'])}" if one["changes"] else ""
        shown += _branch(console, Tree(title), one["steps"], one["file"], why)
    for one in report["pictures"]:
        name = " ".join(filter(None, (one["names"][0], one["added"])))
        of = f"  of {', '.join(one['files'])}" if len(one["files"]) > 1 else ""
        of += f"\n  looks at {', '.join(one['consulted'])}" if one["consulted"] else ""
        shown += _branch(console, Tree(f"picture {name}{of}"), one["steps"], " ".join((name, *one["files"])), why)
    for name in report["not_recorded"]:
        console.print(f"no capture of {name}, which night.yaml names under 'references', is in this night so far")
    for one in report["broken_plugins"]:
        console.print(f"not loaded, and not needed here: plugin {one['name']}: {one['reason'].partition(chr(10))[0]}")
    for text in report["hints"]:
        console.print(f"note: {text}")
    for one in report["set_aside"]:
        console.print(f"set aside: {about(one['file'], one['reason'])}")
    if why is not None and not shown:
        raise click.UsageError(f"no capture or picture has {why!r} in its name")
    console.print(_totals(report))


def _branch(console: Any, tree: Any, steps: list[dict[str, Any]], name: str, why: str | None) -> bool:
    """Print one capture or picture; returns whether anything was printed."""
    if why is not None and why not in name:
        return False
    open_steps = [one for one in steps if one["state"] != "there"]
    if not open_steps and why is None:
        console.print(f"{tree.label}: all there")
        return True
    if all(one["state"] in ("there", "set_aside") for one in steps) and why is None:
        console.print(f"{tree.label}: set aside, as before: {open_steps[0]['reasons'][0]}")
        return True
    if all(one["state"] == "make" for one in steps) and why is None:
        console.print(f"{tree.label}: to be made: {', '.join(dict.fromkeys(one['step'] for one in steps))}")
        return True
    told = False
    for one in steps if why is not None else _joined(steps):
        words = _WORDS[one["state"]]
        if one["tasks"] > 1:
            words += f" ({one['tasks']} tasks)"
        if one["state"] == "there" and why is None and one["step"] in ("fingerprint", "files"):
            continue
        reasons = one["reasons"]
        if one["state"] == "set_aside":
            # One reason for all that follows.
            reasons, told = ([] if told else reasons), True
        if len(reasons) == 1:
            tree.add(f"{one['step']}: {words}: {reasons[0]}")
            continue
        branch = tree.add(f"{one['step']}: {words}")
        for reason in reasons:
            branch.add(reason)
    console.print(tree)
    return True


def _joined(steps: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Join what is done alike for each capture of a picture."""
    joined: dict[tuple[Any, ...], dict[str, Any]] = {}
    for one in steps:
        alike = (one["step"], one["state"], *one["reasons"])
        tasks = joined[alike]["tasks"] if alike in joined else 0
        joined.setdefault(alike, {**one})["tasks"] = tasks + one["tasks"]
    return list(joined.values())


_WORDS = {
    "there": "there",
    "make": "to be made",
    "again": "made again",
    "unknown": "perhaps made again",
    "set_aside": "set aside, as before",
}


def _totals(report: dict[str, Any]) -> str:
    def open_ones(items: list[dict[str, Any]]) -> int:
        return sum(any(step["state"] not in ("there", "set_aside") for step in one["steps"]) for one in items)

    work, pictures = open_ones(report["captures"]), open_ones(report["pictures"])
    head = (
        f"{work} of {len(report['captures'])} captures and {pictures} of {len(report['pictures'])} pictures to work on"
    )
    refused = sum(any(step["state"] == "set_aside" for step in one["steps"]) for one in report["captures"])
    aside = len(report["set_aside"]) + refused
    if aside:
        head += f"; {aside} set aside"
    if not work and not pictures:
        return f"{head}: nothing to do"
    disk = report["disk"]
    lines = [head, f"disk: about {size(disk['needed_bytes'])} needed, {size(disk['free_bytes'])} free"]
    if disk["needed_bytes"] > disk["free_bytes"]:
        lines[-1] += ": too little; free some, or give another --out"
    seconds = report["seconds"]
    if seconds is None:
        lines.append("time: not known before something has been made here")
    else:
        lines.append(f"time: about {_duration(seconds)}, as the last runs went")
    return "\n".join(lines)


def _duration(seconds: float) -> str:
    if seconds < 90:
        return f"{max(seconds, 1):.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"
