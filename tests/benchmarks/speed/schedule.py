"""Plans and schedules of nights that nobody recorded: how long with 1, 8, 64 workers, and what holds them up.

    python tests/benchmarks/speed/schedule.py --journal OUT/journal.jsonl [--captures 100] [--workers 1,2,8,64]
    python tests/benchmarks/speed/schedule.py --plan 10000

The plan is the planner's own, for captures with one description; the order of work is decided by the engine's own
board, with a window of one task more than workers. Only the workers are invented: a task takes as long as it took, on
average, in the run whose journal is given. Workers do not slow each other down here, as real ones that share a disk or
a processor's memory do; the disk is a bound of its own beside the result.
"""

from __future__ import annotations

import argparse
import heapq
import json
import pickle
import re
import sys
import time
import tracemalloc
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from nightmill.artefacts import Capture
from nightmill.night import read_night
from nightmill.plan import Assignment, Plan, Step, build_plan
from nightmill.plugins import load_registry
from nightmill.recipe import find_recipe, read_recipe
from nightmill.run.states import Board, Status

__all__ = ["Outcome", "invented_plan", "largest_task", "part_of", "simulate", "step_seconds"]

EVERY_S = 300.0
"""A capture begins every five minutes."""


@dataclass(frozen=True)
class Outcome:
    """What a simulated night came to.

    Attributes
    ----------
    seconds : float
        From the first task to the last.
    work : float
        Seconds of all tasks together.
    chain : float
        Seconds of the longest chain of tasks that wait for each other.
    """

    workers: int
    seconds: float
    work: float
    chain: float

    @property
    def idle(self) -> float:
        """Share of the workers' time without a task."""
        return 1 - self.work / (self.workers * self.seconds)

    @property
    def bottleneck(self) -> str:
        """Name what the time is made of: of two lower bounds the nearer one."""
        spread = self.work / self.workers
        return "the work itself" if spread > self.chain else "one capture's own chain of steps"


def invented_plan(captures: int, recipe: str = "filter-set-planet", **facts: object) -> Plan:
    """Plan a night of captures that differ in their times alone."""
    registry = load_registry()
    chosen = read_recipe(find_recipe(recipe, registry), registry)
    described = {
        "source": "ingest",
        "frames": 24_000,
        "height": 240,
        "width": 320,
        "target": "mars",
        "filter": "IR",
        "frame_interval_s": 0.005,
        "details": {"reader": "ser", "big_endian": False, "shift": 0, "bgr": False, "trailer": None, "offset_s": 0.0},
        **facts,
    }
    lights = [
        Capture(path=f"/night/{k:05d}.ser", file=f"{k:05d}.ser", utc_start=1.7e9 + EVERY_S * k, **described)  # type: ignore[arg-type]
        for k in range(captures)
    ]
    with TemporaryDirectory() as folder:
        night = read_night(Path(folder))
    return build_plan(night, [Assignment(one, chosen, chosen) for one in lights], [], registry)


def part_of(step_id: str) -> str:
    """Name the part of the work that a step is of: "grade/range", "stack/finish", "sharpen"."""
    words = re.sub(r"^(master/)?[^/]+/", "", step_id)
    return re.sub(r"picture [0-9.]+/", "", re.sub(r" \d+$", "", words))


def step_seconds(journal: Path) -> dict[str, float]:
    """Return the mean seconds of each part of the work, from a run's journal."""
    found: dict[str, list[float]] = {}
    for line in journal.read_text(encoding="utf-8").splitlines():
        event = json.loads(line)
        if event["event"] == "step done":
            found.setdefault(part_of(event["step"]), []).append(float(event["seconds"]))
    return {part: sum(values) / len(values) for part, values in found.items()}


def largest_task(plan: Plan, members: int = 1, store: Path = Path("/out/.store")) -> int:
    """Return the bytes of the largest task, of those on at most so many captures, as it travels to a worker."""
    return max(
        len(
            pickle.dumps(
                {
                    "action": step.action,
                    "title": step.title,
                    "key": "0" * 64,
                    "content": step.content,
                    "carry": step.carry,
                    "inputs": {need.role: "0" * 64 for need in step.inputs},
                    "store": str(store),
                    "plugins": [],
                }
            )
        )
        for step in plan.steps.values()
        if len(step.captures) <= members
    )


def simulate(plan: Plan, workers: int, seconds: Callable[[Step], float], overhead: float = 0.005) -> Outcome:
    """Work a plan through on the engine's board with workers that only count time.

    Parameters
    ----------
    plan : Plan
    workers : int
    seconds : callable
        How long a step takes.
    overhead : float
        Seconds from the end of a task to the start of the next on the same worker.
    """
    made: set[str] = set()
    board = Board(plan, made.__contains__)
    board.ahead.adopt = lambda key, other: made.add(other)
    board.ahead.tokens.update({one.id: f"ahead {one.id}" for one in plan.steps.values() if one.action == "fingerprint"})
    board.want(plan.goals)
    now, free, handed = 0.0, workers, []
    running: list[tuple[float, int, Step]] = []
    order = iter(range(10**9))
    while True:
        # One task more than workers is handed over: it waits for a worker, not for the driving process.
        while len(running) + len(handed) < workers + 1 and (step := board.next()) is not None:
            handed.append(step)
        while handed and free:
            step = handed.pop(0)
            free -= 1
            heapq.heappush(running, (now + overhead + seconds(step), next(order), step))
        if not running:
            break
        now, _, step = heapq.heappop(running)
        free += 1
        if step.id in board.ahead.running:
            board.done_ahead(step.id)
        elif step.action == "fingerprint":
            board.done(step.id, f"sum of {step.id}")
        else:
            made.add(board.key(step.id) or "")
            board.done(step.id)
    stuck = [goal for goal in plan.goals if board.of(goal) is not Status.THERE]
    if stuck:
        raise AssertionError(f"{len(stuck)} products were never made; first: {stuck[0]}")
    work = sum(seconds(step) for step in plan.steps.values())
    return Outcome(workers, now, work, _longest_chain(plan, seconds))


def _longest_chain(plan: Plan, seconds: Callable[[Step], float]) -> float:
    done: dict[str, float] = {}
    for step in plan.steps.values():
        done[step.id] = seconds(step) + max((done[need.step] for need in step.inputs), default=0.0)
    return max(done.values())


def _rows(captures: int, known: dict[str, float], workers: list[int], disk: float) -> Iterator[str]:
    plan = invented_plan(captures)

    def seconds(step: Step) -> float:
        return known.get(part_of(step.id), 0.05)

    size = sum(chain.capture.frames * chain.capture.frame_bytes for chain in plan.chains)
    one: float | None = None
    yield "| workers | s | times faster than one | idle | held up by | MB/s of recordings | with the disk s |"
    yield "| --- | --- | --- | --- | --- | --- | --- |"
    for count in workers:
        came = simulate(plan, count, seconds)
        one = one or came.seconds * count
        # The first read of a recording comes from the disk; the passes after it find it in memory.
        disk_s = size / disk / 1e6
        held = came.bottleneck if came.seconds > disk_s else "the disk"
        yield (
            f"| {count} | {came.seconds:.0f} | {one / came.seconds:.1f} | {came.idle:.0%} | {held} "
            f"| {size / came.seconds / 1e6:.0f} | {max(came.seconds, disk_s):.0f} |"
        )


def main() -> None:
    """Report."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--journal", type=Path, help="Of a finished run of the same kind of capture.")
    parser.add_argument("--captures", type=int, default=100)
    parser.add_argument("--workers", default="1,2,8,64")
    parser.add_argument("--disk", type=float, default=2000.0, help="What the disk reads, MB/s.")
    parser.add_argument("--plan", type=int, metavar="N", help="Only plan N captures; tell seconds and memory.")
    given = parser.parse_args()
    if given.plan:
        load_registry()
        began = time.process_time()
        plan = invented_plan(given.plan)
        took = time.process_time() - began
        task, joint = largest_task(plan), largest_task(plan, given.plan)
        del plan
        tracemalloc.start()
        plan = invented_plan(given.plan)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        print(
            f"{given.plan} captures: {len(plan.steps)} steps in {took:.1f} s of processor time, {peak / 2**20:.0f} MB; "
            f"the largest task on a capture takes {task / 1024:.1f} KiB, on all of them {joint / 1024:.0f} KiB"
        )
        return
    if given.journal is None:
        sys.exit("give --journal or --plan")
    workers = [int(count) for count in given.workers.split(",")]
    for row in _rows(given.captures, step_seconds(given.journal), workers, given.disk):
        print(row)


if __name__ == "__main__":
    main()
