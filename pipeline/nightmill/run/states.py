"""Where every step of a plan stands: pure decisions, no files but the store's, no clock, no scheduler.

A step is *wanted* when a goal needs it; *there* when its product lies in the store; *failed* when it, or something it
cannot do without, failed. Only the wanted steps whose products are not there are worked on, so what was made before is
never made again, and parts that led to a finished product are not asked for.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from enum import Enum

from ..plan import Plan, Step
from .ahead import ACTIONS, Ahead

__all__ = ["Board", "Status"]


class Status(Enum):
    """Where a step stands."""

    IDLE = "not wanted so far"
    WANTED = "waits for what it needs"
    READY = "can be done"
    RUNNING = "is being done"
    THERE = "its product is there"
    FAILED = "cannot be had"


@dataclass
class Board:
    """The states of all steps.

    Parameters
    ----------
    plan : Plan
    has : callable
        Says whether the product of a key is in the store.
    sums : dict of str to str
        Fingerprints that are known, by the identity of the fingerprint step.
    ahead : Ahead
        What may be begun, and is, before its key is known; nothing by default.
    """

    plan: Plan
    has: Callable[[str], bool]
    sums: dict[str, str] = field(default_factory=dict)
    status: dict[str, Status] = field(default_factory=dict)
    reasons: dict[str, str] = field(default_factory=dict)
    made: set[str] = field(default_factory=set)
    ahead: Ahead = field(default_factory=Ahead)
    _keys: dict[str, str | None] = field(default_factory=dict)
    _users: dict[str, list[str]] = field(default_factory=dict)
    _order: dict[str, int] = field(default_factory=dict)
    _heap: list[tuple[int, int, str]] = field(default_factory=list)
    _parked: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        for number, step in enumerate(self.plan.steps.values()):
            self._order[step.id] = number
            for need in step.inputs:
                self._users.setdefault(need.step, []).append(step.id)

    def of(self, step: str) -> Status:
        """Return where a step stands."""
        return self.status.get(step, Status.IDLE)

    def key(self, step_id: str) -> str | None:
        """Return the key of a step's product, or None while a fingerprint that it depends on is not known."""
        if step_id in self._keys:
            return self._keys[step_id]
        # Without recursion: a plan may be deeper than Python's stack.
        pending = [step_id]
        while pending:
            current = pending[-1]
            step = self.plan.steps[current]
            if step.action == "fingerprint":
                self._keys[current] = self.sums.get(current)
                pending.pop()
                continue
            needs = [need for need in step.inputs if self.of(need.step) is not Status.FAILED]
            open_needs = [need.step for need in needs if need.step not in self._keys]
            if open_needs:
                pending += open_needs
                continue
            keys = {need.role: self._keys[need.step] for need in needs}
            known = {role: key for role, key in keys.items() if key is not None}
            self._keys[current] = step.key(known) if len(known) == len(keys) else None
            pending.pop()
        return self._keys[step_id]

    def inputs(self, step: Step) -> dict[str, str]:
        """Return the products that a step is made from, role to key."""
        found = {n.role: self.key(n.step) for n in step.inputs if self.of(n.step) is not Status.FAILED}
        return {role: key for role, key in found.items() if key is not None}

    def want(self, steps: Iterable[str]) -> None:
        """Ask for the products of these steps."""
        pending = list(steps)[::-1]
        while pending:
            step = self.plan.steps[pending.pop()]
            if self.of(step.id) is not Status.IDLE:
                continue
            key = self.key(step.id)
            if step.action == "fingerprint":
                self._set_ready(step) if key is None else self._settle(step.id, Status.THERE)
            elif key is None:
                # Nothing is decided before the recordings are known; then it is asked for again.
                self._parked.add(step.id)
                self.status[step.id] = Status.WANTED
                pending += reversed([one for one in self._unknown(step.id) if self.of(one) is Status.IDLE])
            elif self._has(step.id, key):
                self._settle(step.id, Status.THERE)
            else:
                self.status[step.id] = Status.WANTED
                for need in step.inputs:
                    self._recheck(need.step)
                pending += reversed([need.step for need in step.inputs])
                self._look(step)

    def next(self) -> Step | None:
        """Take the step to be done next: by capture in the order of the night, then in the order of the work."""
        while self._heap:
            step = self.plan.steps[heapq.heappop(self._heap)[2]]
            if self.of(step.id) is Status.READY:
                self.status[step.id] = Status.RUNNING
                if step.id in self.ahead.tokens:
                    self.ahead.summing[step.id] = None
                return step
        return self._next_ahead()

    def done_ahead(self, step_id: str) -> None:
        """Tell that a step's product is there under the key that it was begun with."""
        self.ahead.running.discard(step_id)
        self.ahead.made.add(step_id)
        if self.of(step_id) is Status.RUNNING:
            self.again(step_id)

    def failed_ahead(self, step_id: str) -> None:
        """Tell that a step could not be done ahead: it is done, or fails, in its turn."""
        self.ahead.running.discard(step_id)
        if self.of(step_id) is Status.RUNNING:
            self.again(step_id)

    def _next_ahead(self) -> Step | None:
        """Take a step of the first pass over a recording that is being summed."""
        for mark in self.ahead.summing:
            for user in self._users.get(mark, ()):
                step = self.plan.steps[user]
                if step.action in ACTIONS and user not in self.ahead.keys and self.of(user) is Status.IDLE:
                    inputs = self._inputs_ahead(step)
                    if inputs is not None:
                        self.ahead.begin(user, step.key(inputs), inputs)
                        return step
        return None

    def _inputs_ahead(self, step: Step) -> dict[str, str] | None:
        """Return what a step would be made from, the recording's sum stood in for; None while something lacks."""
        found: dict[str, str] = {}
        for need in step.inputs:
            if need.step in self.ahead.summing:
                found[need.role] = self.ahead.tokens[need.step]
            elif need.step in self.ahead.made:
                found[need.role] = self.ahead.keys[need.step]
            elif self.of(need.step) is Status.THERE:
                found[need.role] = self.key(need.step) or ""
            elif not (need.optional and self.of(need.step) is Status.FAILED):
                return None
        return found

    def done(self, step_id: str, sha256: str | None = None) -> None:
        """Tell that a step's product is there; a fingerprint comes with its sum."""
        self.made.add(step_id)
        self.ahead.summing.pop(step_id, None)
        if sha256 is not None:
            self.sums[step_id] = sha256
            self._forget(step_id)
        self._settle(step_id, Status.THERE)
        if sha256 is not None:
            self._unpark()

    def failed(self, step_id: str, reason: str) -> list[str]:
        """Tell that a step cannot be done; returns all steps that fall with it."""
        fallen: list[str] = []
        pending = [(step_id, reason)]
        while pending:
            current, why = pending.pop()
            if self.of(current) is Status.FAILED:
                continue
            self.status[current] = Status.FAILED
            self.reasons[current] = why
            self._parked.discard(current)
            self.ahead.summing.pop(current, None)
            fallen.append(current)
            self._forget(current)
            for user in self._users.get(current, ()):
                step = self.plan.steps[user]
                needs = [need for need in step.inputs if need.step == current]
                members = [need for need in step.inputs if need.role.startswith("member:")]
                alone = bool(members) and all(self.of(need.step) is Status.FAILED for need in members)
                if alone or not all(need.optional for need in needs):
                    pending.append((user, why))
                elif self.of(user) in (Status.WANTED, Status.THERE):
                    # It goes on without: its product is another one now.
                    self.status[user] = Status.IDLE
                    self._parked.discard(user)
                    self.want([user])
        self._unpark()
        return fallen

    def lost(self, step_id: str) -> None:
        """Tell that a product was damaged and is gone: it, and whatever waits for it, is asked for again."""
        self.status[step_id] = Status.IDLE
        self.want([step_id])

    def again(self, step_id: str) -> None:
        """Put a running step back, to be tried once more (its needs are looked at anew)."""
        step = self.plan.steps[step_id]
        self.ahead.summing.pop(step_id, None)
        self.status[step_id] = Status.WANTED
        if step.action == "fingerprint":
            self._set_ready(step)
            return
        for need in step.inputs:
            self._recheck(need.step)
        self.want([need.step for need in step.inputs])
        self._look(step)

    def _recheck(self, step_id: str) -> None:
        """Ask anew for a product that was there once but is not now (parts are freed when their sum is there)."""
        if self.of(step_id) is Status.THERE and self.plan.steps[step_id].action != "fingerprint":
            key = self.key(step_id)
            if key is None or not self.has(key):
                self.status[step_id] = Status.IDLE

    def _unpark(self) -> None:
        """Ask again for steps that waited for fingerprints which are known, or given up, by now."""
        parked = sorted((one for one in self._parked if self.key(one) is not None), key=self._order.__getitem__)
        for one in parked:
            self._parked.discard(one)
            self.status[one] = Status.IDLE
        self.want(parked)

    def _unknown(self, step_id: str) -> list[str]:
        """Return the fingerprint steps that the key of a step waits for."""
        found, pending, seen = [], [step_id], {step_id}
        while pending:
            step = self.plan.steps[pending.pop()]
            if step.action == "fingerprint":
                if self.key(step.id) is None and self.of(step.id) is not Status.FAILED:
                    found.append(step.id)
                continue
            fresh = [n.step for n in step.inputs if n.step not in seen and self.of(n.step) is not Status.FAILED]
            seen.update(fresh)
            pending += fresh
        return sorted(found, key=self._order.__getitem__)

    def _look(self, step: Step) -> None:
        """Make a wanted step ready when everything it needs is settled."""
        if self.of(step.id) is not Status.WANTED or step.id in self._parked:
            return
        states = [self.of(need.step) for need in step.inputs]
        if all(state in (Status.THERE, Status.FAILED) for state in states):
            key = self.key(step.id)
            if key is not None and self._has(step.id, key):
                self._settle(step.id, Status.THERE)
            else:
                self._set_ready(step)

    def _has(self, step_id: str, key: str) -> bool:
        self.ahead.take_over(step_id, key)
        return self.has(key)

    def _set_ready(self, step: Step) -> None:
        if step.id in self.ahead.running:
            self.status[step.id] = Status.RUNNING
            return
        self.status[step.id] = Status.READY
        heapq.heappush(self._heap, (step.captures[0], self._order[step.id], step.id))

    def _settle(self, step_id: str, status: Status) -> None:
        self.status[step_id] = status
        for user in self._users.get(step_id, ()):
            self._look(self.plan.steps[user])

    def _forget(self, step_id: str) -> None:
        """Forget the keys of a step and of all that is made from it."""
        pending = [step_id]
        while pending:
            current = pending.pop()
            if self._keys.pop(current, "none") != "none" or current == step_id:
                pending += self._users.get(current, ())
