"""`nightmill recipe`: schema, lock, from, diff."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .options import plugin_option

if TYPE_CHECKING:
    from ..plugins import Registry
    from ..recipe import Recipe

__all__ = ["recipe"]

output_option = click.option(
    "-o", "--output", type=click.Path(path_type=Path), metavar="FILE", help="Write to this new file."
)


@click.group()
def recipe() -> None:
    """Tools for recipes: a schema for editors, frozen copies, recovery from pictures, differences in words."""


@recipe.command()
@plugin_option
@output_option
@click.option("--night", is_flag=True, help="The schema of night.yaml instead.")
def schema(plugins: tuple[str, ...], output: Path | None, night: bool) -> int:
    """Print the JSON Schema of recipes, with the stages of every plugin that is installed.

    An editor completes and checks recipes by it when their first line is:

    \b
        # yaml-language-server: $schema=recipe.schema.json
    """
    from ..schema import night_schema, recipe_schema

    registry = _registry(plugins)
    built = night_schema(registry) if night else recipe_schema(registry)
    _give(json.dumps(built, indent=1, ensure_ascii=False) + "\n", output)
    return 0


@recipe.command()
@click.argument("file")
@plugin_option
@output_option
def lock(file: str, plugins: tuple[str, ...], output: Path | None) -> int:
    """Freeze the recipe FILE: all parameters written out, and the versions of everything it stands on.

    `nightmill run --locked --recipe` then refuses any other version.
    """
    from ..locking import lock_text

    registry = _registry(plugins)
    _give(lock_text(_read(file, registry), registry), output)
    return 0


@recipe.command("from")
@click.argument("picture", type=click.Path(path_type=Path))
@plugin_option
@output_option
def from_picture(picture: Path, plugins: tuple[str, ...], output: Path | None) -> int:
    """Write the recipe that PICTURE was made by (PNG, TIFF or FITS; a stack will do).

    With it, the recordings that are listed at its top and the same versions, the same picture comes out to the bit.
    """
    from ..recovery import read_record, recovered_text

    _give(recovered_text(read_record(picture, _registry(plugins)), picture.name), output)
    return 0


@recipe.command()
@click.argument("first")
@click.argument("second")
@plugin_option
def diff(first: str, second: str, plugins: tuple[str, ...]) -> int:
    """Say in words what differs between two recipes, defaults included. Each is a recipe or a finished picture."""
    registry = _registry(plugins)
    one, other = (_read(name, registry) for name in (first, second))
    changes, texts = list(_changes(one, other)), list(_texts(one, other))
    for line in changes + texts:
        click.echo(line)
    if not changes:
        click.echo("They make the same pictures: no stage and no parameter differs.")
    return 0


def _registry(plugins: tuple[str, ...]) -> Registry:
    from ..plugins import load_registry

    return load_registry(plugins)


def _read(name: str, registry: Registry) -> Recipe:
    """Read a recipe by file or name, or out of a picture."""
    from ..recipe import find_recipe, parse_recipe, read_recipe
    from ..recovery import read_record

    path = Path(name)
    if path.suffix.lower() not in (".yaml", ".yml") and path.is_file():
        return parse_recipe(read_record(path, registry)["recipe"], path.name, registry)
    return read_recipe(find_recipe(name, registry), registry)


def _changes(one: Recipe, other: Recipe) -> Iterator[str]:
    """Say what makes other pictures: stages, their order, their parameters."""
    from ..differences import ABSENT, change_differences, differences, in_words

    before, after = ([call.name for call in recipe.calls] for recipe in (one, other))
    for name in dict.fromkeys(before + after):
        if name not in after:
            yield f"stage {name}: only in {one.name}"
        elif name not in before:
            yield f"stage {name}: only in {other.name}"
    shared = [[name for name in names if name in before and name in after] for names in (before, after)]
    if shared[0] != shared[1]:
        yield f"order of stages: {', '.join(shared[0])} in {one.name}; {', '.join(shared[1])} in {other.name}"
    for call in one.calls:
        match = next((held for held in other.calls if held.name == call.name), None)
        if match is None:
            continue
        for found in differences(call.resolved(), match.resolved()):
            name = ".".join(map(str, (call.name, *found.path)))
            yield f"parameter {name}: {in_words(found.old)} in {one.name}, {in_words(found.new)} in {other.name}"
    entries = ([entry.plain() for entry in recipe.changes] for recipe in (one, other))
    for who, found in change_differences(*entries):
        name = f"{'.'.join(map(str, found.path))} for {who}"
        words = ["as for others" if value is ABSENT else in_words(value) for value in (found.old, found.new)]
        yield f"parameter {name}: {words[0]} in {one.name}, {words[1]} in {other.name}"


def _texts(one: Recipe, other: Recipe) -> Iterator[str]:
    """Say what makes no other pictures: what it is for, title, text."""
    from ..differences import in_words

    for name, what in (("targets", "made for the targets"), ("filters", "made for the filters"), ("title", "title")):
        old, new = (getattr(one if name == "title" else one.made_for, name) for one in (one, other))
        if old != new:
            said = [in_words(list(value)) if isinstance(value, tuple) else in_words(value) for value in (old, new)]
            said = ["any" if value == "[]" else value for value in said]
            yield f"{what}: {said[0]} in {one.name}, {said[1]} in {other.name}"
    if one.about != other.about:
        yield "about: the texts differ"


def _give(text: str, output: Path | None) -> Any:
    """Print a text or write it to a new file; a file that is there is never written over."""
    if output is None:
        click.echo(text, nl=False)
        return
    from ..errors import UsageError

    try:
        with output.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except FileExistsError:
        raise UsageError(f"{output} is there already; name a new file") from None
    except OSError as error:
        raise UsageError(f"cannot write {output}: {error.strerror or error}") from None
    click.echo(f"wrote {output}", err=True)
