"""A task may use the processors that others leave idle, and its results do not tell."""

from __future__ import annotations

import threading
import time
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from nightmill.run.crew import Crew
from nightmill.run.engines import Engine
from nightmill.run.options import Options
from nightmill.stage import Context


class Held(Engine):
    """Keeps what it is handed."""

    def __init__(self, processors: int) -> None:
        self.window, self.processors = processors + 1, processors
        self.tasks: dict[str, dict[str, Any]] = {}

    def submit(self, name, task):
        self.tasks[name] = task

    def wait(self, seconds):
        return []


def hand_over(actions: list[str], processors: int, tmp_path) -> list[int]:
    """Return how many threads tasks of these actions may use when they are all handed over at once."""
    steps = {str(number): SimpleNamespace(id=str(number), action=action) for number, action in enumerate(actions)}
    ready = list(steps.values())
    board = SimpleNamespace(next=lambda: ready.pop(0) if ready else None)
    crew = Crew(Options(), tmp_path, tmp_path, tmp_path)
    crew._engine = engine = Held(processors)
    crew.fill(board, SimpleNamespace(steps=steps), lambda step: {"action": step.action})
    return [engine.tasks[name].get("threads", 1) for name in steps]


@pytest.mark.parametrize(
    ("actions", "processors", "threads"),
    [
        (["develop"], 2, [2]),
        (["develop"], 1, [1]),
        (["survey", "survey", "survey"], 2, [1, 1, 1]),
        (["finish", "prepare"], 8, [4, 4]),
        # What is over soon takes nobody's place.
        (["publish_stack", "sheet", "develop"], 2, [2, 2, 2]),
    ],
)
def test_a_task_may_use_what_the_others_leave(actions, processors, threads, tmp_path):
    assert hand_over(actions, processors, tmp_path) == threads


def test_each_keeps_the_order_and_works_at_the_same_time():
    meeting = threading.Barrier(2, timeout=10)

    def slow_first(item: int) -> int:
        meeting.wait()
        time.sleep(0.05 if item == 0 else 0)
        return 2 * item

    assert Context(threads=2).each(slow_first, range(2)) == [0, 2]
    assert Context().each(lambda item: 2 * item, range(3)) == [0, 2, 4]


def test_each_raises_what_the_function_raised_and_hands_on_what_is_set():
    def divided(item: float) -> float:
        return float(np.float64(1) / np.float64(item))

    with np.errstate(divide="ignore"):
        assert Context(threads=2).each(divided, [0.0, 1.0, 2.0]) == [np.inf, 1.0, 0.5]
    with np.errstate(divide="raise"), pytest.raises(FloatingPointError):
        Context(threads=2).each(divided, [1.0, 0.0])
