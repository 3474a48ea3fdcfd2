"""`nightmill demo`."""

from __future__ import annotations

from pathlib import Path

import click

from .options import worker_options

__all__ = ["demo"]

TARGETS = ("jupiter", "mars", "saturn", "moon", "sun")


@click.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("nightmill-demo"),
    metavar="DIR",
    show_default=True,
    help="Folder for the invented night and for what is made of it.",
)
@click.option(
    "--length",
    type=click.FloatRange(0.01, 1000),
    default=1.0,
    show_default=True,
    help="Multiplies the number of frames.",
)
@click.option(
    "--targets", default="jupiter,mars,moon", show_default=True, help=f"What was recorded, of {', '.join(TARGETS)}."
)
@click.option(
    "--seed", type=click.IntRange(0, 10**6), default=1, show_default=True, help="Another number, another air."
)
@click.option("--only-make", is_flag=True, help="Make the night and stop: for test nights of any length.")
@worker_options
def demo(
    out: Path,
    length: float,
    targets: str,
    seed: int,
    only_make: bool,
    workers: int | None,
    using: str,
    memory: int | None,
    scheduler: str | None,
    tls: tuple[str, str, str] | None,
    trust_network: bool,
) -> int:
    """Make an invented night and process it into finished pictures.

    Jupiter in one-shot colour, Mars through three filters, a field on the Moon, darks, flats and one capture that is
    spoilt on purpose: seen through simulated turbulent air, with a wandering mount and a noisy camera.
    """
    chosen = [name.strip().lower() for name in targets.split(",") if name.strip()]
    for name in chosen:
        if name not in TARGETS:
            raise click.UsageError(f"there is no demo target {name!r}; there is {', '.join(TARGETS)}")
    night = out / "night"
    _make(night, length, chosen, seed)
    if only_make:
        click.echo(f"the night is in {night}")
        return 0
    from .run import process

    click.echo("processing it; one capture is spoilt on purpose and will be set aside", err=True)
    code = process(
        night,
        out / "finished",
        workers=workers,
        using=using,
        memory_bytes=memory,
        scheduler=scheduler,
        tls=tls,
        trust_network=trust_network,
    )
    # The spoilt capture is part of the show, so a demo that set it aside has gone well.
    return 0 if code == 1 else code


def _make(night: Path, length: float, targets: list[str], seed: int) -> None:
    from ..errors import UsageError
    from ..testing.nights import make_night

    if night.exists():
        if not (night / "night.yaml").exists():
            raise UsageError(f"{night} exists and is no demo night; give another --out")
        click.echo(f"using the night that is in {night}", err=True)
        return
    click.echo(f"making an invented night in {night} ...", err=True)
    night.parent.mkdir(parents=True, exist_ok=True)
    # Made aside, so that an interrupted demo does not leave half a night that looks whole.
    making = night.with_name("night.making")
    make_night(making, length=length, targets=targets, seed=seed)
    making.rename(night)
