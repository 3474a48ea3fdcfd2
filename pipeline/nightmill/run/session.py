"""What a run and a check have in common: night, plugins, recipes, inventory and plan."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..artefacts import Capture
from ..errors import UsageError
from ..naming import Words
from ..night import Found, Night, find_recordings, is_output
from ..plan import Assignment, Plan, build_plan
from ..plan.memory import least_memory
from ..plugins import Registry
from ..recipe import Call
from ..stage import Source
from ..store import Store
from ..telling import size
from ..work import perform
from .choose import Recipes, choose_recipe
from .fitting import Fitting
from .hints import links_passed
from .index import Index
from .inventory import Inventory, Opener, SetAside, open_again, take_inventory
from .reading import settle
from .remember import label_of, load_memory
from .states import Board

__all__ = ["Session", "open_here", "out_of", "prepare"]


@dataclass
class Session:
    """Everything that is settled before the first frame is read."""

    night: Night
    out: Path
    registry: Registry
    plugins: tuple[str, ...]
    recipes: Recipes
    fitting: Fitting
    store: Store
    index: Index

    def recordings(self, links: list[str] | None = None) -> list[Found]:
        """List the recordings that lie in the night now; nothing is opened. Links passed over are added to `links`."""
        stages = [call.make() for call in _sources(self.recipes)]
        return find_recordings(self.night.folder, [s for s in stages if isinstance(s, Source)], [self.out], links)

    def refuse_empty(self) -> None:
        """Raise a UsageError when there is no recording at all; nothing is opened and nothing written."""
        links: list[str] = []
        if not self.recordings(links):
            passed = f"; {links_passed(links)}" if links else ""
            raise UsageError(
                f"there is no recording in {self.night.folder}; looked for what these stages read: "
                f"{', '.join(call.name for call in _sources(self.recipes))}{passed}"
            )

    def survey(
        self, opener: Opener, ready: Callable[[Found], bool] | None = None, room: int | None = None
    ) -> tuple[Inventory, Plan, Board]:
        """Take the inventory and build the plan.

        With `ready`, of those recordings alone of which it says so; with `room`, the bytes of memory that one worker
        may use, without those that cannot fit.
        """
        inventory = take_inventory(
            self.night,
            _sources(self.recipes),
            self._words(),
            self.index,
            opener,
            skip=[self.out],
            plugins=self.plugins,
            need_target=self.recipes.given is None,
            ready=ready,
        )
        if not inventory.lights and not inventory.set_aside:
            self.refuse_empty()
            raise UsageError(
                f"in {self.night.folder} are darks and flats alone ({len(inventory.aids)}), and nothing to use them "
                "on; to keep masters for other nights, name their folder there: 'masters: FOLDER' in night.yaml"
            )
        assignments = []
        for capture in inventory.lights:
            reason = _too_large(capture, room)
            if reason is not None:
                inventory.set_aside.append(SetAside(capture.file, reason))
                continue
            recipe = choose_recipe(capture.target, capture.filter, self.recipes)
            if recipe is None:
                reason = (
                    f"no recipe is made for the target {capture.target!r} with the filter {capture.filter!r}; name one "
                    f"in night.yaml (recipes: {{{capture.target}: quick-look.yaml}}) or give --recipe"
                )
                inventory.set_aside.append(SetAside(capture.file, reason))
                continue
            fitted = self.fitting.fit(recipe, capture.target, capture.filter)
            assignments.append(Assignment(capture, fitted.recipe, fitted.common))
        assignments = self._reopened(assignments, inventory, opener)
        plan = build_plan(self.night, assignments, inventory.aids, self.registry)
        return inventory, plan, self._board(plan)

    def _reopened(self, assignments: list[Assignment], inventory: Inventory, opener: Opener) -> list[Assignment]:
        """Open again what its own recipe wants to be read otherwise than the first recipe with that source does."""
        first = {call.name: call for call in _sources(self.recipes)}
        settled: list[Assignment] = []
        other: dict[tuple[int, int], tuple[Call, Assignment, list[Capture]]] = {}
        for one in assignments:
            call = next(call for call in one.recipe.of_kind(Source) if call.name == one.capture.source)
            if call.parameters == first[call.name].parameters:
                settled.append(one)
            else:
                other.setdefault((id(one.recipe), id(one.common)), (call, one, []))[2].append(one.capture)
        for call, like, captures in other.values():
            opened, aside = open_again(
                captures,
                call,
                self.night,
                self._words(),
                self.index,
                opener,
                self.plugins,
            )
            settled += [Assignment(capture, like.recipe, like.common) for capture in opened]
            inventory.set_aside += aside
        return sorted(settled, key=lambda one: one.capture.file)

    def _words(self) -> Words:
        return Words(_roles(self.registry), self.recipes.targets)

    def _board(self, plan: Plan) -> Board:
        board = Board(plan, self.store.has)
        board.ahead.adopt = self.store.adopt
        seen = load_memory(self.store.root)
        for step in plan.steps.values():
            if step.action == "fingerprint":
                if label_of(step, plan) not in seen:
                    # Of a recording that was never summed here, no product can be there: its first pass may begin.
                    board.ahead.tokens[step.id] = f"ahead {uuid.uuid4().hex}"
                known = self.index.get(step.carry["file"], Path(step.carry["path"]), "sha256")
                if isinstance(known, str):
                    board.sums[step.id] = known
        return board


def prepare(
    folder: Path, *, out: Path | None, recipe: str | None, plugins: Iterable[str] = (), locked: bool = False
) -> Session:
    """Read and validate night, plugins and recipes; nothing is written.

    With `locked` only frozen recipes are used, and only with the versions that they were frozen with.

    Raises
    ------
    UsageError, RecipeError
        Wrong night, night file or recipe.
    PluginError
        A plugin that a recipe needs is missing or broken.
    """
    settled = settle(folder, recipe=recipe, plugins=plugins, locked=locked)
    night = settled.night
    out = out_of(night.folder, out)
    if _holds(out, night.folder):
        raise UsageError(f"the output folder {out} holds the night itself; give another --out")
    if is_output(night.folder):
        raise UsageError(
            f"{night.folder} holds what nightmill made of a night, not its recordings; name the folder of those"
        )
    _check_place(out)
    store = Store(out / ".store")
    index = Index(store.root / "index.json")
    return Session(night, out, settled.registry, settled.plugins, settled.recipes, settled.fitting, store, index)


def _holds(out: Path, folder: Path) -> bool:
    """Whether a folder is the night's, or one around it, by whatever name: links, "..", capitals where none count."""
    return out.is_dir() and any(out.samefile(one) for one in (folder, *folder.parents))


def _check_place(out: Path) -> None:
    """Refuse an output folder that cannot be one, before anything is started."""
    nearest = next((one for one in (out, *out.parents) if one.exists()), out)
    if not nearest.is_dir():
        what = "is a file" if nearest == out else f"cannot be made, for {nearest} is a file"
        raise UsageError(f"the output folder {out} {what}; give another --out")


def _too_large(capture: Capture, room: int | None) -> str | None:
    need = least_memory(capture)
    if room is None or need <= room:
        return None
    return (
        f"its frames of {capture.width}x{capture.height} take at least {size(need)} of memory, and a worker may "
        f"use {size(room)}; give more with --memory, or fewer --workers"
    )


def out_of(folder: Path, out: Path | None) -> Path:
    """Return the output folder of a night, as given or by default."""
    out = (out or default_out(folder)).expanduser().absolute()
    return out.resolve() if ".." in out.parts else out


def default_out(folder: Path) -> Path:
    """Return where products go by default: beside the night, so that the night itself is never written to."""
    if not folder.name:
        raise UsageError(f"{folder} is the top of a disk, and nothing lies beside it; give --out")
    return folder.with_name(f"{folder.name}-finished")


def open_here(tasks: list[tuple[str, dict[str, Any]]]) -> Iterable[tuple[str, dict[str, Any]]]:
    """Open recordings in this process."""
    for name, task in tasks:
        yield name, perform(task)


def _sources(recipes: Recipes) -> list[Call]:
    calls: dict[str, Call] = {}
    for recipe in recipes.all():
        for call in recipe.of_kind(Source):
            calls.setdefault(call.name, call)
    return list(calls.values())


def _roles(registry: Registry) -> list[str]:
    """List the roles that recordings may have: a dark is one whether or not the recipe at hand makes use of darks."""
    return sorted({role for cls in registry.qualified.values() for role in cls.aids})
