"""The command `nightmill`: finds the sub-command, turns errors into messages and exit codes."""

from __future__ import annotations

import atexit
import gc
import io
import sys
from importlib import import_module

import click

from .. import __version__
from ..errors import NightmillError

__all__ = ["main"]

COMMANDS = {
    "demo": "Make a small invented night and process it.",
    "run": "Process a night of captures into finished pictures.",
    "check": "Show the plan: what would be done, and why; runs nothing.",
    "stages": "List every stage, or tell all about one.",
    "recipe": "JSON Schema, frozen copies, and recipes recovered from pictures.",
    "plugin": "Start a plugin of your own, test one, or trust one.",
    "rig": "What the equipment gives: sampling, field, data rate, rotation.",
    "sky": "The physical ephemeris of a target.",
    "map": "Longitudes and latitudes on finished pictures, and maps made of them.",
    "doctor": "What this machine offers and lacks.",
    "clean": "Free what can be made again.",
}


class _Lazy(click.Group):
    """Imports a command's module only when that command is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return [name for name in COMMANDS if _exists(name)]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS or not _exists(cmd_name):
            return None
        command: click.Command = getattr(import_module(f".{cmd_name}", __package__), cmd_name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name]) for name in self.list_commands(ctx)])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        from ..documents import nearest

        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            raise click.UsageError(f"there is no command {args[0]!r}{nearest(args[0], self.list_commands(ctx))}")
        return super().resolve_command(ctx, args)


def _exists(name: str) -> bool:
    from importlib.util import find_spec

    return find_spec(f"{__package__}.{name}") is not None


@click.command(cls=_Lazy, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(__version__, prog_name="nightmill")
def _nightmill() -> None:
    """Turn a night of planetary, lunar and solar captures into finished, measured, labelled pictures.

    Start with `nightmill demo`, then `nightmill run FOLDER`.

    \b
    Exit codes: 0 all done; 1 done, but some captures were set aside; 2 wrong usage, recipe or night file;
    3 the machine failed (disk full, scheduler lost); 4 a plugin that the recipe uses is missing or broken;
    75 another run holds the output folder; 130 interrupted, give the same command again to go on.
    """


def _own_fault(error: Exception) -> str:
    """Tell of what should not have happened, with what its author needs to find it."""
    from traceback import format_exception

    return (
        f"nightmill: a fault of nightmill itself: {type(error).__name__}: {error}. Recordings and finished products "
        "are untouched; give the same command again, and if it happens again report it with these lines:\n"
        + "".join(format_exception(error)).rstrip()
    )


def main(arguments: list[str] | None = None) -> None:
    """Run the command and exit with its code."""
    # Loading libraries makes many objects and hardly any rubbish: looking for it as often as usual costs a tenth.
    gc.set_threshold(100_000, 20, 20)
    # At the end everything goes at once: a last look through all of it would take longer than many a command.
    atexit.unregister(gc.freeze)
    atexit.register(gc.freeze)
    for stream in (sys.stdout, sys.stderr):
        # A name that the terminal's letters cannot show must not end a night: it is written with escapes.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    try:
        code = _nightmill.main(args=arguments, prog_name="nightmill", standalone_mode=False)
    except click.UsageError as error:
        error.show()
        code = 2
    except click.ClickException as error:
        error.show()
        code = error.exit_code
    except NightmillError as error:
        click.echo(f"nightmill: {error}", err=True)
        code = error.exit_code
    except OSError as error:
        if isinstance(error, BrokenPipeError):
            # The reader of our output went away (as `| head` does): nothing more to say.
            sys.stderr.close()
            code = 0
        else:
            place = f": {error.filename}" if error.filename else ""
            click.echo(f"nightmill: {error.strerror or error}{place}", err=True)
            code = 3
    except (click.Abort, KeyboardInterrupt):
        click.echo("nightmill: interrupted", err=True)
        code = 130
    except Exception as error:  # a fault of our own must not look like exit code 1, a night with captures set aside
        click.echo(_own_fault(error), err=True)
        code = 3
    sys.exit(code if isinstance(code, int) else 0)
