"""Large nights on paper: a plan grows in proportion, tasks stay small, and many workers are kept busy."""

from __future__ import annotations

import importlib.util
import json
import sys
import tracemalloc
from pathlib import Path

import pytest

from nightmill.plan import Input, Plan, Step

PATH = Path(__file__).parents[2] / "benchmarks" / "speed" / "schedule.py"


@pytest.fixture(scope="module")
def schedule():
    spec = importlib.util.spec_from_file_location("speed_schedule", PATH)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_a_plan_grows_in_proportion_and_its_tasks_do_not_grow(schedule):
    few = schedule.invented_plan(10)
    tracemalloc.start()
    many = schedule.invented_plan(100)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    single = [len([step for step in plan.steps.values() if len(step.captures) == 1]) for plan in (few, many)]
    assert single[1] == 10 * single[0]
    # 10,000 captures fit into half a gigabyte; a task is paths and numbers.
    assert peak / 100 < 50_000
    assert schedule.largest_task(many) == schedule.largest_task(few) < 16 * 1024
    # What joins a whole night is told a few facts of each capture.
    assert schedule.largest_task(many, 100) < 16 * 1024 + 100 * 1024


def test_parts_of_the_work_are_named_without_numbers(schedule, tmp_path):
    assert schedule.part_of("00012/grade/range 07") == "grade/range"
    assert schedule.part_of("master/dark.ser/master-dark/finish") == "master-dark/finish"
    assert schedule.part_of("00003/picture 1.17/sharpen/files") == "sharpen/files"
    lines = [
        {"event": "run started"},
        {"event": "step done", "step": "00000/grade/range 00", "seconds": 1.0},
        {"event": "step done", "step": "00000/grade/range 01", "seconds": 2.0},
    ]
    journal = tmp_path / "journal.jsonl"
    journal.write_text("\n".join(map(json.dumps, lines)))
    assert schedule.step_seconds(journal) == {"grade/range": 1.5}


def chains(count: int, length: int) -> Plan:
    plan = Plan()
    for k in range(count):
        for n in range(length):
            needs = (Input("part:00", f"{k:05d}/{n - 1}"),) if n else ()
            plan.steps[f"{k:05d}/{n}"] = Step(f"{k:05d}/{n}", "develop", "", (k,), needs, {"of": [k, n]})
    return plan


def test_simulated_times_are_those_that_can_be_counted_by_hand(schedule, monkeypatch):
    monkeypatch.setattr(Plan, "goals", property(lambda plan: [one for one in plan.steps if one.endswith("/2")]))
    plan = chains(4, 3)
    one = schedule.simulate(plan, 1, lambda step: 1.0, overhead=0.0)
    assert (one.seconds, one.work, one.chain, one.idle) == (12.0, 12.0, 3.0, 0.0)
    assert one.bottleneck == "the work itself"
    two = schedule.simulate(plan, 2, lambda step: 1.0, overhead=0.0)
    # A task handed over while it waits for a worker goes before a better one that comes up meanwhile.
    assert 6.0 <= two.seconds <= 7.0
    many = schedule.simulate(plan, 64, lambda step: 1.0, overhead=0.0)
    assert (many.seconds, many.idle) == (3.0, pytest.approx(1 - 12 / (3 * 64)))
    assert many.bottleneck == "one capture's own chain of steps"


def test_a_night_of_many_captures_keeps_eight_workers_busy(schedule):
    plan = schedule.invented_plan(24)
    eight = schedule.simulate(plan, 8, lambda step: 1.0, overhead=0.0)
    assert eight.seconds >= max(eight.work / 8, eight.chain)
    assert eight.idle < 0.1
