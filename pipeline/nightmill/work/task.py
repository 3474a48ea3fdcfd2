"""One task unpacked: the stages it names, made; the products it needs, verified and loaded on demand."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from ..artefacts import Capture, Frames, FrameTable, Stack
from ..plugins import Registry, load_registry
from ..stage import Context, FrameStage, Note, Source, Stage
from ..store import Store
from .calling import calling
from .feed import Feed
from .states import load_state

__all__ = ["Task"]


@dataclass
class Task:
    """A step to be done, with everything at hand.

    Attributes
    ----------
    key : str
        Key of the product to make.
    content, carry : dict
        As in `plan.Step`.
    inputs : dict of str to str
        Role to key.
    store : Store
    registry : Registry
    threads : int
        Processors that are free for it.
    """

    key: str
    content: dict[str, Any]
    carry: dict[str, Any]
    inputs: dict[str, str]
    store: Store
    registry: Registry
    threads: int = 1
    notes: list[dict[str, Any]] = field(default_factory=list)

    @classmethod
    def unpack(cls, spec: Mapping[str, Any]) -> Task:
        """Unpack what travelled."""
        return cls(
            key=spec["key"],
            content=spec["content"],
            carry=spec["carry"],
            inputs=spec["inputs"],
            store=Store(Path(spec["store"])),
            registry=load_registry(tuple(spec["plugins"])),
            threads=int(spec.get("threads", 1)),
        )

    def capture(self) -> Capture:
        """Return the capture of this task, with its place on this machine."""
        return Capture.from_json({**self.content["capture"], **self.carry})

    def stage(self, said: Mapping[str, Any]) -> Stage:
        """Make the stage that a key describes."""
        cls = self.registry.stage(said["stage"])
        return cls(cls.Parameters.model_validate(said["parameters"]))

    def context(self, said: Mapping[str, Any], captures: Sequence[Capture]) -> Context:
        """Make a stage's context."""
        return Context(captures=tuple(captures), night=dict(said["night"]), threads=self.threads)

    def roles(self, prefix: str) -> list[tuple[str, str]]:
        """Return (role, key) of the inputs whose role begins so, in order."""
        found = [(role, key) for role, key in self.inputs.items() if role.startswith(prefix)]
        # By length first: member 100 of a large group comes after member 99.
        return sorted(found, key=lambda one: (len(one[0]), one))

    def aids(self) -> dict[str, Stack]:
        """Load the masters."""
        return {role.partition(":")[2]: Stack.load(self.store.open(key)) for role, key in self.roles("aid:")}

    def table(self) -> FrameTable | None:
        """Load the frame table of earlier passes."""
        return FrameTable.load(self.store.open(self.inputs["table"])) if "table" in self.inputs else None

    def state_of(self, name: str) -> dict[str, Any]:
        """Load what a stage prepared; empty when it prepared nothing."""
        if "state" not in self.inputs:
            return {}
        folder = self.store.open(self.inputs["state"]) / name
        return load_state(folder) if folder.is_dir() else {}

    @contextlib.contextmanager
    def feed(self, aids: dict[str, Stack]) -> Iterator[Feed]:
        """Open the recording with the recipe's frame stages, prepared."""
        capture = self.capture()
        source = self.stage(self.content["source"])
        assert isinstance(source, Source)
        prepared = []
        for said in self.content["frames"]:
            stage = self.stage(said)
            assert isinstance(stage, FrameStage)
            context = self.context(said, (capture,))
            context.aids = aids
            with calling(stage.name, "prepare"):
                context.state = stage.prepare(context)
            prepared.append((stage, context))
            self.keep_notes(stage.name, context)
        try:
            yield Feed(capture, source, prepared)
        finally:
            source.close()

    def reading(self, context: Context, feed: Feed) -> None:
        """Let a stage read frames through its context."""

        def read(numbers: Any) -> Frames:
            return feed.read(np.asarray(numbers, np.int64))

        context.reader = read

    def keep_notes(self, stage: str, context: Context) -> None:
        """Keep what a stage noted, once each."""
        for note in context.notes:
            kept = {"stage": stage, **_plain_note(note)}
            if note.about:
                kept["about"] = list(note.about)
            if kept not in self.notes:
                self.notes.append(kept)
        context.notes.clear()


def _plain_note(note: Note) -> dict[str, Any]:
    return {"kind": note.kind, "name": note.name, "value": plain(note.value), "text": note.text}


def plain(value: Any) -> Any:
    """Turn NumPy scalars and arrays into JSON values; NaN and infinities become None."""
    if isinstance(value, Mapping):
        return {str(key): plain(one) for key, one in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, (list, tuple)):
        return [plain(one) for one in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not np.isfinite(value):
        return None
    return value
