"""`nightmill stages`."""

from __future__ import annotations

import json
from typing import Any

import click

from .options import plugin_option

__all__ = ["stages"]


@click.command()
@click.argument("name", required=False)
@plugin_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.option("--markdown", is_flag=True, help="Print the reference of all stages as Markdown.")
def stages(name: str | None, plugins: tuple[str, ...], as_json: bool, markdown: bool) -> int:
    """List every stage; with NAME, tell all about one: parameters with units, ranges and defaults, and columns.

    Plugins that could not be loaded are listed with the reason; NAME may be such a plugin, for its whole traceback.
    """
    from ..errors import PluginError, UsageError
    from ..plugins import load_registry
    from ..reference import describe_stage, to_markdown

    registry = load_registry(plugins)
    broken = [{**vars(one), "stages": sorted(one.stages)} for one in registry.broken]
    if name is not None and name not in registry.stages and any(one["name"] == name for one in broken):
        for one in broken:
            if one["name"] == name:
                click.echo(json.dumps(one, indent=1) if as_json else _whole(one))
        return 4
    if name is not None:
        try:
            cls = registry.stage(name)
        except PluginError as error:
            if registry.blames_plugin(name):
                raise
            raise UsageError(str(error)) from None
    if markdown:
        click.echo(to_markdown(registry), nl=False)
        return 0
    known = [describe_stage(cls, registry.origins[one]) for one, cls in sorted(registry.stages.items())]
    chosen = describe_stage(cls, registry.origins[name]) if name is not None else None
    if as_json:
        clashes = {one: list(both) for one, both in registry.clashes.items()}
        whole = chosen or {"stages": known, "broken": broken, "clashes": clashes}
        click.echo(json.dumps(whole, indent=1, ensure_ascii=False))
    elif chosen is not None:
        _show_one(chosen)
    else:
        _show_all(known, registry)
    return 0


def _show_all(known: list[dict[str, Any]], registry: Any) -> None:
    width = max((len(one["name"]) for one in known), default=0)
    for kind in ("source", "frame", "survey", "fold", "picture"):
        for one in known:
            if one["kind"] == kind:
                click.echo(f"{one['name']:<{width}}  {kind:<7}  {one['summary']}")
                click.echo(f"{'':<{width}}           version {one['version']}, from {_origin(one['plugin'])}")
    for name, claims in registry.clashes.items():
        ways = " or ".join(one for one in registry.qualified if one.partition(":")[2] == name)
        click.echo(
            f"clash: {name}: claimed by {' and by '.join(claims)}; write {ways}, or leave one out by --no-plugin"
        )
    for one in registry.broken:
        click.echo(f"broken: {one.name} ({one.origin}): {one.reason}")
    if registry.broken:
        click.echo("For the whole traceback give: nightmill stages NAME, with the name of the plugin.")


def _whole(one: dict[str, Any]) -> str:
    """Tell all about a plugin that cannot be loaded."""
    held = f"it seems to hold: {', '.join(one['stages'])}" if one["stages"] else ""
    head = f"plugin {one['name']} ({one['origin']}) cannot be loaded:"
    return "\n".join(filter(None, (head, one["reason"], one["trace"].rstrip(), held)))


def _show_one(one: dict[str, Any]) -> None:
    from rich.console import Console
    from rich.table import Table

    click.echo(f"{one['name']}: {one['summary']}")
    if one["about"]:
        click.echo(f"\n{one['about']}")
    click.echo(f"\nkind      {one['kind']}")
    click.echo(f"version   {one['version']}, from {_origin(one['plugin'])}")
    for key, title in (("needs", "needs"), ("uses", "reads")):
        if one[key]:
            what = "columns " if key == "needs" else "of night.yaml "
            click.echo(f"{title:<9} {what}{', '.join(one[key])}")
    for role, fold in one["aids"].items():
        click.echo(f"aided by  a {role} when one fits, made by {fold}")
    for index, (column, what) in enumerate(one["gives"].items()):
        click.echo(f"{'gives' if index == 0 else '':<9} {column}: {what}")
    if not one["parameters"]:
        click.echo("\nIt has no parameters.")
        return
    console = Console(highlight=False, markup=False)
    if not console.is_terminal:
        console.width = 120
    table = Table("parameter", "expected", "default", "what it does", box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for row in one["parameters"]:
        table.add_row(row["name"], row["expected"], _default(row), row["description"])
    click.echo()
    console.print(table)


def _default(row: dict[str, Any]) -> str:
    from ..differences import in_words

    return in_words(row["default"]) if "default" in row else "required"


def _origin(text: str) -> str:
    """Shorten the sum of a single-file plugin."""
    name, _, digest = text.rpartition(" ")
    return f"{name} (sha256 {digest[:12]})" if len(digest) == 64 else text
