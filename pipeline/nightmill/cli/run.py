"""`nightmill run`."""

from __future__ import annotations

from pathlib import Path

import click

from .options import (
    SPAN,
    UTC,
    locked_option,
    night_argument,
    out_option,
    plugin_option,
    recipe_option,
    worker_options,
)

__all__ = ["run"]


@click.command()
@night_argument
@recipe_option
@out_option
@worker_options
@plugin_option
@locked_option
@click.option("--ignore-space", is_flag=True, help="Start although the disk seems too small.")
@click.option("--follow", is_flag=True, help="Go on as recordings are finished, until --until or Ctrl-C while idle.")
@click.option("--until", type=UTC, metavar="UTC", help="When to end --follow, like 2026-01-13T05:30.")
@click.option(
    "--settle", type=SPAN, default="10s", show_default=True, help="With --follow: how long a recording must rest."
)
@click.option("--patience", type=SPAN, default="1h", show_default=True, help="When a task without an end is stopped.")
@click.option("--quiet", is_flag=True, help="Tell only of what was set aside.")
def run(
    night: Path,
    recipe: str | None,
    out: Path | None,
    workers: int | None,
    using: str,
    memory: int | None,
    scheduler: str | None,
    tls: tuple[str, str, str] | None,
    trust_network: bool,
    plugins: tuple[str, ...],
    locked: bool,
    ignore_space: bool,
    follow: bool,
    until: float | None,
    settle: float,
    patience: float,
    quiet: bool,
) -> int:
    """Process the captures in the folder NIGHT into finished pictures.

    Nothing in NIGHT is changed. Run it again after an interruption, a crash or a changed parameter: only what is
    missing or different is made.
    """
    if until is not None and not follow:
        raise click.UsageError("--until goes with --follow")
    return process(
        night,
        out,
        quiet=quiet,
        recipe=recipe,
        workers=workers,
        using=using,
        memory_bytes=memory,
        scheduler=scheduler,
        plugins=plugins,
        locked=locked,
        tls=tls,
        trust_network=trust_network,
        ignore_space=ignore_space,
        follow=follow,
        until=until,
        settle_s=settle,
        patience_s=patience,
    )


def process(night: Path, out: Path | None, *, quiet: bool = False, **options: object) -> int:
    """Run a night and tell where to look; shared with the demo."""
    _start_workers(night, out, options)
    from ..run import Options, run_night
    from ..run.progress import Progress
    from ..telling import count

    result = run_night(night, out, Options(**options), Progress(quiet=quiet))  # type: ignore[arg-type]
    counts = result.summary["counts"]
    aside = counts["set_aside"]
    words = f"{count(counts['pictures'], 'picture')} of {count(counts['done'], 'capture')}"
    words += f"; {aside} set aside, with reasons in the report" if aside else ""
    click.echo(f"{words}\n  look at   {result.out / 'report' / 'index.html'}\n  pictures  {result.out / 'pictures'}")
    return result.exit_code


def _start_workers(night: Path, out: Path | None, options: dict[str, object]) -> None:
    """Get worker processes under way, when it looks as if there will be something to do."""
    if options.get("using") != "processes" or options.get("scheduler") is not None:
        return
    from ..early import start_early, work_is_likely

    folder = night.expanduser().resolve()
    named = [options.get("recipe"), *(options.get("plugins") or ())]  # type: ignore[misc]
    if folder.is_dir() and work_is_likely(
        folder, out or folder.with_name(f"{folder.name}-finished"), tuple(Path(str(name)) for name in named if name)
    ):
        start_early()
