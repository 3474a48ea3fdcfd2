"""What is begun before its key is known: first passes over a recording that is still being summed.

The sum of a recording is one task, and while it runs the other workers may have nothing to do. So the first pass over a
new recording begins at once, under keys of its own that hold for this run alone; once the sum is known its products
are taken over under their true keys. What the true keys depend on cannot have changed meanwhile: a recording that
changes while it is summed is set aside.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

__all__ = ["ACTIONS", "Ahead"]

ACTIONS = ("prepare", "survey")
"""Steps whose products say nothing of their keys."""


@dataclass
class Ahead:
    """Steps of first passes that were begun ahead of their keys.

    Attributes
    ----------
    tokens : dict of str to str
        By fingerprint step of a new recording: what stands in for its sum, in this run alone.
    adopt : callable or None
        Takes a product over under another key.
    summing : dict of str to None
        Fingerprint steps that are being done, in order.
    keys, inputs : dict
        By step: its key ahead, and the products that it is made from, role to key.
    running, made : set of str
        Steps being done ahead; steps whose product is there under that key.
    """

    tokens: dict[str, str] = field(default_factory=dict)
    adopt: Callable[[str, str], None] | None = None
    summing: dict[str, None] = field(default_factory=dict)
    keys: dict[str, str] = field(default_factory=dict)
    inputs: dict[str, dict[str, str]] = field(default_factory=dict)
    running: set[str] = field(default_factory=set)
    made: set[str] = field(default_factory=set)

    def begin(self, step: str, key: str, inputs: dict[str, str]) -> None:
        """Take a step as being done ahead."""
        self.keys[step], self.inputs[step] = key, inputs
        self.running.add(step)

    def take_over(self, step: str, key: str) -> None:
        """Take a product that was made ahead over under its true key, once that is known."""
        if step in self.made and self.adopt is not None:
            self.made.discard(step)
            self.adopt(self.keys[step], key)
