"""One step of a plan, and the key of what it makes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from ..artefacts import Capture
from ..recipe import Call
from ..store import key_of

__all__ = ["Input", "Step", "capture_facts", "describe"]


@dataclass(frozen=True, slots=True)
class Input:
    """A step's need of another's product.

    Attributes
    ----------
    role : str
        What it is to the step: "table", "aid:dark", "member:02".
    step : str
        Identity of the step that makes it.
    optional : bool
        Whether the step goes on without when it cannot be had.
    """

    role: str
    step: str
    optional: bool = False


@dataclass(frozen=True, slots=True)
class Step:
    """One piece of work that makes one product.

    Attributes
    ----------
    id : str
        Unique in the plan.
    action : str
        What is done: the name of a function in `nightmill.work`.
    title : str
        For people: "grade, frames 0 to 2,400".
    captures : tuple of int
        Indices of the captures it serves; the step's priority is the first.
    inputs : tuple of Input
        Products of other steps that it needs.
    content : dict
        JSON values that its bits depend on, besides the inputs.
    carry : dict
        JSON values that the work needs but that do not change the bits (paths).
    """

    id: str
    action: str
    title: str
    captures: tuple[int, ...]
    inputs: tuple[Input, ...] = ()
    content: dict[str, Any] = field(default_factory=dict)
    carry: dict[str, Any] = field(default_factory=dict)

    def key(self, inputs: Mapping[str, str]) -> str:
        """Return the key of the product, made from the products `inputs` (role to key)."""
        return key_of({"action": self.action, "content": self.content, "inputs": dict(inputs)})


def describe(call: Call, night: Mapping[str, Any], origin: str) -> dict[str, Any]:
    """Return what identifies a stage in a key: name, version, parameters and the parts of the night it reads.

    A single-file plugin is identified by its content as well, for nobody raises a version while trying things.
    """
    said = {"stage": call.name, "version": call.stage.version, "parameters": call.resolved(), "night": dict(night)}
    digest = origin.rpartition(" ")[2]
    return {**said, "file": digest} if len(digest) == 64 else said


def capture_facts(capture: Capture) -> dict[str, Any]:
    """Return what is known of a capture, without where it lies: moved or copied, it is still the same."""
    facts = capture.to_json()
    for place in ("path", "file", "cautions"):
        del facts[place]
    return facts
