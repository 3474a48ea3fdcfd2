"""`nightmill plugin`: new, test, trust."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from ..plugins import Registry
    from ..testing.conformance import Outcome

__all__ = ["plugin"]


@click.group()
def plugin() -> None:
    """Start a plugin of your own, test one, or trust one that night.yaml names."""


@plugin.command()
@click.argument("name")
@click.option(
    "--kind",
    type=click.Choice(["source", "frame", "survey", "fold", "picture", "writer"]),
    default="survey",
    show_default=True,
    help="Kind of its stage, or a writer of pictures.",
)
@click.option(
    "--in", "folder", type=click.Path(path_type=Path), default=Path(), metavar="FOLDER", help="Where to put it."
)
def new(name: str, kind: Any, folder: Path) -> int:
    """Write a small complete plugin package NAME, with a test that passes."""
    from ..scaffold import write_plugin

    for path in write_plugin(name, kind, folder):
        click.echo(path)
    target = folder / name
    click.echo(f"next: pip install -e '{target}[test]', then pytest in {target}")
    return 0


@plugin.command()
@click.argument("module")
@click.option("--stage", "only", metavar="NAME", help="Test this stage or writer alone.")
@click.option(
    "--recording",
    "recordings",
    type=click.Path(path_type=Path, exists=True),
    multiple=True,
    metavar="PATH",
    help="A recording that its source stage can read.",
)
@click.option("--all", "everything", is_flag=True, help="List the checks that passed, too.")
def test(module: str, only: str | None, recordings: tuple[Path, ...], everything: bool) -> int:
    """Test the stages and writers of MODULE (an importable module, or a .py file) for what the engine relies on.

    Testing runs the plugin's code, which has your rights.
    """
    from ..documents import nearest
    from ..errors import UsageError
    from ..testing.conformance import measure_stage, measure_writer, run_checks

    registry, name = _load(module)
    stages = {cls.name: cls for full, cls in registry.qualified.items() if full.startswith(f"{name}:")}
    writers = {one.name: one for one in registry.writers_of.get(name, ())}
    known = [*stages, *writers]
    if only is not None and only not in known:
        raise UsageError(f"{module} has no stage or writer {only!r}{nearest(only, known)}")
    if not known:
        raise UsageError(f"{module} hands over no stage and no writer")
    failed = 0
    for cls in (cls for title, cls in stages.items() if only in (None, title)):
        outcomes = run_checks(cls, files=recordings, registry=registry)
        bad = _tell(f"{cls.name} ({cls.kind})", outcomes, everything)
        cost = None if bad else measure_stage(cls, files=recordings, registry=registry)
        if cost is not None:
            size = "of the recording" if cls.kind == "source" else "of 64 x 64 pixels"
            click.echo(f"  {cost.frame_ms:.3f} ms a frame {size}, {cost.peak_mib:.1f} MiB at the peak")
        failed += bad
    for writer in (one for title, one in writers.items() if only in (None, title)):
        bad = _tell(f"{writer.name} (writer)", run_checks(writer), everything)
        if not bad:
            spent, size_bytes = measure_writer(writer)
            click.echo(f"  {spent:.1f} ms and {size_bytes} bytes for a colour picture of 64 x 64 pixels")
        failed += bad
    return 4 if failed else 0


def _tell(title: str, outcomes: list[Outcome], everything: bool) -> int:
    """Print what came of the checks; returns how many failed."""
    from ..testing.conformance import CHECKS

    count = {state: sum(one.state == state for one in outcomes) for state in ("passed", "failed", "not applicable")}
    click.echo(f"{title}: {', '.join(f'{n} {state}' for state, n in count.items())}")
    for one in outcomes:
        if one.state == "failed":
            reason = one.reason.replace("\n", "\n         ")
            click.echo(f"  FAILED {one.name}: {reason}\n         promised: {CHECKS[one.name].promise}")
        elif everything or one.state == "not applicable":
            click.echo(f"  {one.state}: {one.name}{f': {one.reason}' if one.reason else ''}")
    return count["failed"]


@plugin.command()
@click.argument("files", type=click.Path(path_type=Path), nargs=-1, metavar="[FILE.py]...")
@click.option("--forget", is_flag=True, help="Trust these no longer.")
def trust(files: tuple[Path, ...], forget: bool) -> int:
    """Trust FILE.py as it is now, so that it runs when a night.yaml names it; without FILE, list what is trusted.

    A plugin is a program with your rights: read it first. A file that changes by one byte is not trusted any more. A
    file that you name yourself with --plugin needs no trust.
    """
    from ..plugins import trust as trusting

    for path in files:
        if forget:
            click.echo(f"forgotten: {path}" if trusting.forget(path) else f"was not trusted: {path}")
        else:
            click.echo(f"trusted: {path} (sha256 {trusting.trust(path)[:12]})")
    if not files:
        for digest, one in sorted(trusting.trusted().items(), key=lambda entry: entry[1].get("file", "")):
            click.echo(f"{one.get('file')}  sha256 {digest[:12]}, since {one.get('since')}")
    return 0


def _importable(module: str) -> bool:
    """Whether a module can be found; what it raises when it is loaded is told by the loader."""
    from importlib.util import find_spec

    try:
        return find_spec(module) is not None
    except (ImportError, ValueError):
        return False


def _load(module: str) -> tuple[Registry, str]:
    """Load a plugin by file or by module; installed plugins stand beside it, for the columns it may need."""
    from ..errors import PluginError, UsageError
    from ..plugins import load_module, load_registry, plugin_choice

    if module.endswith(".py"):
        if not Path(module).is_file():
            raise UsageError(f"there is no file {module}")
        registry, name = load_registry(plugin_choice([module])), Path(module).stem
    else:
        if not _importable(module):
            raise PluginError(
                f"there is no module {module} here; install the package that holds it where nightmill is installed "
                f"(pip install -e FOLDER), or name its file, such as {module.replace('.', '/')}/__init__.py"
            )
        registry, name = load_module(module)
    for one in registry.broken:
        if one.name != name:
            click.echo(f"not loaded: {one.name} ({one.origin}): {one.brief}", err=True)
    if not registry.manager.has_plugin(name):
        told = [f"{one.reason}\n{one.trace}".rstrip() for one in registry.broken if one.name == name]
        raise PluginError(f"{module} cannot be loaded: " + "\n".join(told))
    return registry, name
