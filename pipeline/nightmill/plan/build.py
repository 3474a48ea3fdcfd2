"""Builds the plan: which steps, in which order, each with what it needs.

For a capture: fingerprint; for each pass over the frames an optional preparation, ranges in parallel, a conclusion; for
the fold the same; then picture stages, alone or in groups; then the files. Masters (darks, flats) are captures of their
own with a fold, and optional inputs of whatever reads calibrated frames.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from ..artefacts import Capture
from ..naming import format_name
from ..night import Night
from ..plugins import Registry
from ..recipe import Call, Recipe
from ..stage import Fold, FrameStage, PictureStage, Source, Survey
from .graph import Assignment, Chain, PicturePlan, Plan
from .passes import cut_passes
from .ranges import cut_ranges
from .steps import Input, Step, capture_facts, describe

__all__ = ["build_plan"]

SURVEY_RANGES = 16
FOLD_RANGES = 8


def build_plan(night: Night, assignments: Sequence[Assignment], aids: Sequence[Capture], registry: Registry) -> Plan:
    """Build the graph.

    Parameters
    ----------
    night : Night
        For the sections that stages read.
    assignments : sequence of Assignment
        Captures in the order in which they are to be worked on.
    aids : sequence of Capture
        Darks, flats and the like; only those that some stage chooses get steps.
    registry : Registry
        For the master folds that stages name.
    """
    builder = _Builder(night, aids, registry, Plan())
    names = _names(night.settings.names, [one.capture for one in assignments])
    for index, one in enumerate(assignments):
        builder.capture(index, one, names[index])
    by_recipe: dict[int, list[int]] = {}
    for index, one in enumerate(assignments):
        by_recipe.setdefault(id(one.common), []).append(index)
        builder.recipes.append(one.recipe)
    for indices in by_recipe.values():
        builder.pictures(assignments[indices[0]].common, indices)
    builder.plan.pictures.sort(key=lambda picture: picture.captures)
    return builder.plan


@dataclass
class _Builder:
    night: Night
    aids: Sequence[Capture]
    registry: Registry
    plan: Plan
    moments: dict[str, int] = field(default_factory=dict)
    recipes: list[Recipe] = field(default_factory=list)
    recorded: list[Capture] = field(default_factory=list)
    shared: dict[int, tuple[Call | Recipe | Capture, dict[str, Any]]] = field(default_factory=dict)
    """What thousands of steps have in common is made once: by identity, with what it is of, which must stay alive."""

    def capture(self, index: int, one: Assignment, name: str) -> None:
        """Plan one capture up to its stack."""
        fold = one.recipe.of_kind(Fold)[0]
        frames = one.recipe.of_kind(FrameStage)
        surveys = one.recipe.of_kind(Survey)
        source = next(call for call in one.recipe.of_kind(Source) if call.name == one.capture.source)
        chain = self.fold(f"{index:05d}", (index,), one.capture, source, frames, surveys, fold, name)
        facts = {"capture": {**self.facts(one.capture), "file": one.capture.file}}
        about = {**self.about(one.recipe, [one.capture.file]), **facts}
        inputs = (Input("stack", chain.stack),)
        chain.file = self.add(Step(f"{index:05d}/files", "publish_stack", f"{name}: stack", (index,), inputs, about))
        self.plan.chains.append(chain)

    def about(self, recipe: Recipe, files: list[str]) -> dict[str, Any]:
        """Return what every published file carries with it."""
        held = self.shared.get(id(recipe))
        if held is None:
            uses = sorted({section for call in recipe.calls for section in call.stage.uses})
            carried = {
                "recipe": recipe.to_yaml(),
                "plugins": {call.name: self.registry.origins.get(call.name, "") for call in recipe.calls},
                "stage_versions": {call.name: call.stage.version for call in recipe.calls},
                "night": self.night.sections(uses),
            }
            held = self.shared[id(recipe)] = (recipe, carried)
        return {**held[1], "files": files}

    def fold(
        self,
        prefix: str,
        indices: tuple[int, ...],
        capture: Capture,
        source: Call,
        frames: Sequence[Call],
        surveys: Sequence[Call],
        fold: Call,
        name: str,
    ) -> Chain:
        """Plan passes and fold of one recording; lights and masters alike."""
        title = capture.file
        carry = {"path": capture.path, "file": capture.file, "cautions": list(capture.cautions)}
        mark = self.add(
            Step(
                f"{prefix}/fingerprint",
                "fingerprint",
                f"{title}: fingerprint",
                indices,
                content={"capture": self.facts(capture), "source": source.name},
                carry=carry,
            )
        )
        helpers = self.masters((*frames, fold), capture, indices, source)
        fixed = [Input("recording", mark), *(Input(f"aid:{r}", s, optional=True) for r, s in helpers.items())]
        base = {"capture": self.facts(capture), "source": self.said(source), "frames": self.said_all(frames)}
        table: str | None = None

        def step(part: str, action: str, inputs: Sequence[Input], **content: Any) -> str:
            known = [Input("table", table)] if table else []
            words = f"{title}: {part.replace('/', ', ')}"
            return self.add(
                Step(f"{prefix}/{part}", action, words, indices, (*fixed, *known, *inputs), {**base, **content}, carry)
            )

        for number, stages in enumerate(cut_passes(surveys), 1):
            said = self.said_all(stages)
            label = "+".join(call.name for call in stages)
            ready = []
            if any(_overrides(call, Survey, "prepare") for call in stages):
                ready = [Input("state", step(f"{label}/prepare", "prepare", [], stages=said))]
            parts = [
                Input(f"part:{k:02d}", step(f"{label}/range {k:02d}", "survey", ready, stages=said, range=list(cut)))
                for k, cut in enumerate(cut_ranges(capture, SURVEY_RANGES))
            ]
            table = step(f"{label}/conclude", "conclude", [*ready, *parts], stages=said, pass_number=number)
        said = [self.said(fold)]
        ready = []
        if _overrides(fold, Fold, "prepare"):
            ready = [Input("state", step(f"{fold.name}/prepare", "prepare", [], stages=said))]
        parts = [
            Input(f"part:{k:02d}", step(f"{fold.name}/range {k:02d}", "fold", ready, stages=said, range=list(cut)))
            for k, cut in enumerate(cut_ranges(capture, FOLD_RANGES))
        ]
        # The stack's record names its recording, so one of the same bits by another name has a stack of its own.
        stack = step(f"{fold.name}/finish", "finish", [*ready, *parts], stages=said, file=capture.file)
        sheet = ""
        if capture.role == "light":
            gives = {column: text for call in surveys for column, text in getattr(call.stage, "gives", {}).items()}
            sheet = step("sheet", "sheet", [*ready, Input("stack", stack)], stages=said, gives=gives, format=4)
        return Chain(capture, name, table, stack, sheet=sheet, aids=helpers)

    def masters(
        self, calls: Sequence[Call], capture: Capture, indices: tuple[int, ...], source: Call
    ) -> dict[str, str]:
        """Plan the masters that these stages choose for a capture; return the finishing step by role."""
        chosen: dict[str, str] = {}
        for call in calls:
            if not call.stage.aids:
                continue
            candidates = {
                role: [one for one in self.aids if one.role == role and one.file != capture.file]
                for role in call.stage.aids
            }
            for role, aid in sorted(call.make().choose_aids(capture, candidates).items()):
                chosen[role] = self.master(aid, call.stage.aids[role], indices, source)
        return chosen

    def master(self, aid: Capture, fold_name: str, indices: tuple[int, ...], source: Call) -> str:
        """Plan the master of one dark or flat, once; it is read as the captures that it serves are."""
        if aid.file not in self.plan.masters:
            cls = self.registry.stage(fold_name)
            if source.name != aid.source:
                other = self.registry.stage(aid.source)
                source = Call(aid.source, other, other.Parameters())
            fold = Call(fold_name, cls, cls.Parameters())
            prefix = f"master/{aid.file}"
            parts = (aid.role, aid.filter) if aid.filter else (aid.role,)
            name = format_name("{target}_{date}_{time}", "_".join(parts), None, aid.utc_start)
            count = sum(chain.name.partition("-")[0] == name for chain in self.plan.masters.values())
            name = name if count == 0 else f"{name}-{count + 1}"
            chain = self.fold(prefix, indices, aid, source, (), (), fold, name)
            facts = {"capture": {**self.facts(aid), "file": aid.file}}
            inputs = (Input("stack", chain.stack),)
            chain.file = self.add(
                Step(f"{prefix}/files", "publish_master", f"{aid.file}: files", indices, inputs, facts)
            )
            self.plan.masters[aid.file] = chain
        return self.plan.masters[aid.file].stack

    def pictures(self, recipe: Recipe, indices: Sequence[int]) -> None:
        """Plan the picture stages of one recipe over its captures, then the files."""
        units: list[tuple[tuple[int, ...], str]] = [((i,), self.plan.chains[i].stack) for i in indices]
        added: dict[str, str] = {}
        for number, call in enumerate(recipe.of_kind(PictureStage)):
            stage = call.make()
            assert isinstance(stage, PictureStage)
            held = [tuple(self.plan.chains[i].capture for i in unit) for unit, _ in units]
            groups = list(enumerate(stage.group(held)))
            made = [self.develop(f"{number}.{k}", call, number, [units[i] for i in group]) for k, group in groups]
            if stage.adds:
                added |= {step: call.name for _, step in made}
                units = units + made
                continue
            for (_, group), (_, step) in zip(groups, made, strict=True):
                if all(units[i][1] in added for i in group):
                    added[step] = added[units[group[0]][1]]
            units = made
        for unit, last in units:
            named = [self.plan.chains[i].name for i in unit]
            first = self.plan.chains[unit[0]].capture
            content = self.about(self.recipe_of(recipe, unit), [self.plan.chains[i].capture.file for i in unit])
            content |= {
                "names": self.night.settings.names,
                "stem": named,
                "writers": {writer.name: writer.version for writer in self.registry.writers},
                "serial": self.serial(first, added.get(last, "")),
            }
            inputs = (Input("member:00", last),)
            step = self.add(Step(f"{last}/files", "publish", f"{named[0]}: picture files", unit, inputs, content))
            # What is joined of many captures is not to be compared with the first one's frames.
            sheet = "" if last in added else self.plan.chains[unit[0]].sheet
            shown = (*inputs, Input("sheet", sheet, optional=True)) if sheet else inputs
            preview = self.add(Step(f"{last}/preview", "preview", f"{named[0]}: preview", unit, shown, {"format": 2}))
            self.plan.pictures.append(PicturePlan(step, unit, tuple(named), preview, added.get(last, "")))

    def serial(self, first: Capture, added: str) -> int:
        """Count the pictures that begin with a capture of this target and time, for telling their names apart."""
        moment = format_name("{target}_{date}_{time}", first.target, None, first.utc_start).lower() + f" {added}"
        self.moments[moment] = self.moments.get(moment, 0) + 1
        return self.moments[moment]

    def recipe_of(self, common: Recipe, unit: Sequence[int]) -> Recipe:
        """Return the recipe that these captures went through; where they differ, as what they have in common."""
        first, *rest = (self.recipes[index] for index in unit)
        if all(one is first for one in rest):
            return first
        filters = [self.plan.chains[index].capture.filter for index in unit]
        changes = [one for one in common.changes if any(one.chosen.has_filter(name) for name in filters)]
        return replace(common, changes=tuple(changes))

    def develop(
        self, number: str, call: Call, place: int, members: Sequence[tuple[tuple[int, ...], str]]
    ) -> tuple[tuple[int, ...], str]:
        """Plan one picture stage on one group; `place` counts the picture stages of the recipe."""
        unit = tuple(sorted({index for captures, _ in members for index in captures}))
        owns = [self.recipes[index].of_kind(PictureStage)[place] for index in unit]
        call = owns[0] if all(own == owns[0] for own in owns) else call
        inputs = tuple(Input(f"member:{k:02d}", step, optional=len(members) > 1) for k, (_, step) in enumerate(members))
        chains = [self.plan.chains[i] for i in unit]
        facts = [
            {**self.facts(chain.capture), "file": chain.capture.file, "cautions": list(chain.capture.cautions)}
            for chain in chains
        ]
        title = f"{chains[0].name}: {call.name}"
        content: dict[str, Any] = {"stage": self.said(call), "captures": facts}
        if _overrides(call, PictureStage, "consult"):
            consulted = self.consulted(call, unit)
            inputs += tuple(Input(f"consulted:{one.capture.file}", one.stack, optional=True) for one in consulted)
            content["consulted"] = [{**self.facts(one.capture), "file": one.capture.file} for one in consulted]
        step = Step(f"{unit[0]:05d}/picture {number}/{call.name}", "develop", title, unit, inputs, content)
        return unit, self.add(step)

    def consulted(self, call: Call, unit: tuple[int, ...]) -> list[Chain]:
        """Return the captures beyond its own that a picture stage wants to look at."""
        stage = call.make()
        assert isinstance(stage, PictureStage)
        if len(self.recorded) != len(self.plan.chains):
            self.recorded = [chain.capture for chain in self.plan.chains]
        captures = [self.recorded[index] for index in unit]
        named = stage.consult(captures, self.recorded, self.night.sections(call.stage.uses))
        return [self.plan.chains[index] for index in dict.fromkeys(named) if index not in unit]

    def said(self, call: Call) -> dict[str, Any]:
        """Identify a stage for keys and for the work."""
        held = self.shared.get(id(call))
        if held is None:
            origin = self.registry.origins.get(call.name, "")
            held = self.shared[id(call)] = (call, describe(call, self.night.sections(call.stage.uses), origin))
        return held[1]

    def facts(self, capture: Capture) -> dict[str, Any]:
        """Return what is known of a capture, the same dict each time."""
        held = self.shared.get(id(capture))
        if held is None:
            held = self.shared[id(capture)] = (capture, capture_facts(capture))
        return held[1]

    def said_all(self, calls: Sequence[Call]) -> list[dict[str, Any]]:
        """Identify several."""
        return [self.said(call) for call in calls]

    def add(self, step: Step) -> str:
        """Put a step into the plan."""
        if step.id in self.plan.steps:
            raise AssertionError(f"two steps named {step.id}")
        self.plan.steps[step.id] = step
        return step.id


def _overrides(call: Call, base: type[Any], method: str) -> bool:
    return getattr(call.stage, method) is not getattr(base, method)


def _names(pattern: str, captures: Sequence[Capture]) -> list[str]:
    """Name every capture's products; equal names get a number, in the order of the night."""
    taken: dict[str, int] = {}
    names = []
    for capture in captures:
        name = format_name(pattern, capture.target, capture.filter, capture.utc_start)
        # Two names that differ in case only are one file on Windows and macOS.
        count = taken[name.casefold()] = taken.get(name.casefold(), 0) + 1
        while count > 1 and f"{name}-{count}".casefold() in taken:
            count += 1
        names.append(name if count == 1 else f"{name}-{count}")
        taken.setdefault(names[-1].casefold(), 1)
    return names
