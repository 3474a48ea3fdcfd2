"""`nightmill clean`."""

from __future__ import annotations

import shutil
from pathlib import Path

import click

__all__ = ["clean"]


@click.command()
@click.argument("out", type=click.Path(path_type=Path))
@click.option("--dry-run", is_flag=True, help="Show only, free nothing.")
def clean(out: Path, dry_run: bool) -> int:
    """Free what can be made again in the output folder OUT.

    Finished stacks, pictures, the report, the summary and the journal stay. A later run makes again what it needs.
    """
    from ..errors import UsageError
    from ..run.links import check_links
    from ..run.lock import hold
    from ..store import Store
    from ..telling import count, size

    store = Store(out / ".store")
    if not store.root.is_dir():
        raise UsageError(f"{out} is not an output folder of nightmill (it has no .store in it)")
    check_links(out)
    with hold(store.root):
        keys = list(store.keys())
        held = sum(store.size(key) for key in keys)
        click.echo(f"{count(len(keys), 'product')} that can be made again, {size(held)}, in {store.root}")
        if dry_run:
            return 0
        for folder in (store.objects, store.making, store.root / "scratch", store.root / "refused"):
            shutil.rmtree(folder, ignore_errors=True)
        left = sum(store.size(key) for key in list(store.keys()))
        click.echo(f"freed {size(held - left)}; stacks, pictures and report stay")
    return 0
