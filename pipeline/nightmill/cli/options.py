"""Options that several commands share."""

from __future__ import annotations

import functools
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

__all__ = [
    "MEMORY",
    "SPAN",
    "UTC",
    "locked_option",
    "night_argument",
    "out_option",
    "plugin_option",
    "recipe_option",
    "worker_options",
]

F = TypeVar("F", bound=Callable[..., Any])

night_argument = click.argument("night", type=click.Path(path_type=Path))
out_option = click.option(
    "--out", type=click.Path(path_type=Path), metavar="OUT", help="Output folder; by default NIGHT-finished, beside it."
)
recipe_option = click.option(
    "--recipe", metavar="FILE", help="One recipe for every capture: a file, or the name of a shipped one."
)
locked_option = click.option(
    "--locked", is_flag=True, help="Use only frozen recipes, and refuse other versions than they were frozen with."
)


def plugin_option(command: F) -> F:
    """Add --plugin and --no-plugin; both arrive as one choice of plugins, under `plugins`."""

    @functools.wraps(command)
    def chosen(*args: Any, plugins: tuple[str, ...], without: tuple[str, ...], **options: Any) -> Any:
        from ..choice import plugin_choice

        for path in map(Path, plugins):
            if not path.is_file():
                from ..documents import nearest

                beside = [one.name for one in path.parent.glob("*.py")] if path.parent.is_dir() else []
                raise click.UsageError(f"--plugin: there is no file {path}{nearest(path.name, beside)}")
        return command(*args, plugins=plugin_choice(plugins, without), **options)

    named = click.option(
        "--plugin",
        "plugins",
        multiple=True,
        metavar="FILE.py",
        help="Load a single-file plugin. It is code that runs with your rights: name only files you trust.",
    )
    left_out = click.option(
        "--no-plugin",
        "without",
        multiple=True,
        metavar="NAME",
        help="Leave out a plugin: an installed one, or one that night.yaml names, by its name without .py.",
    )
    return named(left_out(chosen))  # type: ignore[return-value]


class _Memory(click.ParamType[int]):
    name = "size"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        match = re.fullmatch(r"\s*([0-9.]+)\s*([kKMGT])i?[bB]?\s*", str(value))
        if match is None or not float(match[1] or 0):
            self.fail(f"{value!r} is not a size; write it like 4GB or 800MB", param, ctx)
        return int(float(match[1]) * 1000 ** " kMGT".index(match[2].replace("K", "k") or " "))


MEMORY = _Memory()


class _Span(click.ParamType[float]):
    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        match = re.fullmatch(r"\s*([0-9.]+)\s*(s|m|min|h)\s*", str(value))
        if match is None or not float(match[1] or 0):
            self.fail(f"{value!r} is not a span of time; write it like 90s, 30m or 2h", param, ctx)
        return float(match[1]) * {"s": 1, "m": 60, "min": 60, "h": 3600}[match[2]]


SPAN = _Span()


class _Utc(click.ParamType[float]):
    name = "utc"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        from ..naming import parse_utc

        try:
            return parse_utc(str(value))
        except ValueError:
            self.fail(f"{value!r} is not a time; write it like 2026-01-13T05:30", param, ctx)


UTC = _Utc()


def worker_options(command: F) -> F:
    """Add the options that say where work is done."""
    options = [
        click.option("--workers", type=click.IntRange(1, 1024), metavar="N", help="Workers; by default one a core."),
        click.option(
            "--using",
            type=click.Choice(["processes", "threads", "serial"]),
            default="processes",
            show_default=True,
            help="What the workers are: processes are safest, serial is this process alone (for debugging).",
        ),
        click.option("--memory", type=MEMORY, metavar="4GB", help="Memory for all workers together."),
        click.option("--scheduler", metavar="ADDRESS", help="Use an existing Dask scheduler, tcp:// or tls://."),
        click.option(
            "--tls",
            nargs=3,
            type=click.Path(exists=True, dir_okay=False),
            metavar="CA CERT KEY",
            help="Files of certificate authority, certificate and key, for a tls:// scheduler.",
        ),
        click.option(
            "--trust-network", is_flag=True, help="Use a scheduler elsewhere without encryption: see the README first."
        ),
    ]
    for option in reversed(options):
        command = option(command)
    return command
