"""Grade, align and stack together on simulated captures with known truth, and the contracts of the stages."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.stats import spearmanr

from nightmill.artefacts import Capture, Frames, FrameTable, Stack
from nightmill.stage import Context
from nightmill.testing import PRESETS, Camera, Faults
from nightmill.testing import Capture as Simulated
from nightmill.work.tables import spread
from nightmill_stages.align import Align
from nightmill_stages.grade import Grade
from nightmill_stages.grade.flags import UNUSABLE, Flag
from nightmill_stages.stack import StackFrames

Made = tuple[np.ndarray, np.ndarray, Capture, object]


@cache
def made(name: str) -> Made:
    scenario = {
        "mars": lambda: PRESETS["mars"](frames=90, seed=31, faults=Faults(cosmic_rays=0.5, duplicates=0.03)),
        "colour": lambda: PRESETS["mars"](
            frames=60, seed=32, shape=(128, 144), filter="RGB", camera=Camera(colour="GRBG", full_well_e=5000.0)
        ),
        "moon": lambda: PRESETS["moon"](frames=24, seed=33, shape=(176, 224)),
    }[name]()
    source = Simulated(scenario)
    chunks = list(source.chunks(32, threads=1))
    frames = np.concatenate([chunk.frames for chunk in chunks])
    utc = np.concatenate([chunk.utc for chunk in chunks]).astype(np.int64) / 1e9
    colour = scenario.camera.colour
    capture = Capture(
        path=name,
        file=name,
        source="test",
        frames=len(frames),
        height=frames.shape[1],
        width=frames.shape[2],
        dtype=str(frames.dtype),
        full_scale=float(2**scenario.camera.bits - 1),
        cfa=None if colour == "mono" else colour,
        target=scenario.scene,
    )
    frames.flags.writeable = False
    return frames, utc, capture, source.truth()


def run(
    frames: np.ndarray, utc: np.ndarray, capture: Capture, chunk: int, **parameters: float
) -> tuple[FrameTable, Stack]:
    """Do what the engine does, in one process."""

    def read(numbers: np.ndarray) -> Frames:
        data = frames[numbers]
        data.flags.writeable = False
        return Frames(data, numbers, utc[numbers], capture.full_scale, capture.cfa)

    table = FrameTable({"number": np.arange(len(frames)), "utc": utc})
    for survey in (Grade(), Align()):
        state = survey.prepare(table, Context((capture,), reader=read))
        rows = np.arange(len(frames)) if survey.rows == "all" else np.flatnonzero(table["kept"])
        parts: dict[str, list[np.ndarray]] = {}
        for start in range(0, len(frames), chunk):
            numbers = rows[(rows >= start) & (rows < start + chunk)]
            if len(numbers):
                measured = survey.measure(read(numbers), table.take(numbers), Context((capture,), state=state))
                for name, values in measured.items():
                    parts.setdefault(name, []).append(np.asarray(values))
        found = {name: np.concatenate(values) for name, values in parts.items()}
        whole = table.with_columns({n: spread(v, rows, len(frames), table.get(n)) for n, v in found.items()})
        whole = whole.with_columns(survey.conclude(whole, Context((capture,), state=state)))
        table = FrameTable({name: values for name, values in whole.items() if not name.startswith("_")})
        assert set(survey.gives) <= set(table)
    fold = StackFrames(StackFrames.Parameters(**parameters))
    state = fold.prepare(table, Context((capture,), reader=read))
    chosen = np.flatnonzero(fold.select(table, Context((capture,), state=state)))
    partials = []
    # Two ranges, joined, as by two tasks; the ranges are the same for any chunk.
    for first, last in ((0, len(frames) // 2), (len(frames) // 2, len(frames))):
        partial = None
        for start in range(first, last, chunk):
            numbers = chosen[(chosen >= start) & (chosen < min(start + chunk, last))]
            if len(numbers):
                partial = fold.fold(partial, read(numbers), table.take(numbers), Context((capture,), state=state))
        partials.append(partial)
    joined = fold.join(partials[0], partials[1])
    return table, fold.finish(joined, table, Context((capture,), state=state))


@cache
def result(name: str, chunk: int = 32) -> tuple[FrameTable, Stack]:
    frames, utc, capture, _ = made(name)
    return run(frames, utc, capture, chunk)


def test_sharpness_ranks_frames_by_their_true_quality() -> None:
    truth = made("mars")[3]
    table, _ = result("mars")
    assert spearmanr(table["sharpness"], truth.transfer)[0] > 0.93


@pytest.mark.parametrize(("name", "limit"), [("mars", 0.1), ("colour", 0.1)])
def test_shifts_to_a_tenth_of_a_pixel(name: str, limit: float) -> None:
    truth = made(name)[3]
    table, _ = result(name)
    kept = table["kept"]
    for axis, column in enumerate(("dy_px", "dx_px")):
        error = (table[column] - truth.shift_px[:, axis])[kept]
        assert error.std() < limit


def test_duplicates_are_flagged() -> None:
    frames, _, _, truth = made("mars")
    table, _ = result("mars")
    found = (table["flags"] & Flag.DUPLICATE) != 0
    assert np.array_equal(found, truth.flags["duplicate"])
    assert not table["kept"][found].any()
    assert len(frames) == table.rows


def test_frames_left_out_keep_why_and_shares_are_of_usable_frames() -> None:
    frames, utc, capture, _ = made("mars")
    clouded = frames.copy()
    clouded[20:50] //= 4
    table, stack = run(clouded, utc, capture, 32, share=0.2)
    dimmed = (table["flags"] & Flag.DIMMED) != 0
    assert np.array_equal(np.flatnonzero(dimmed), np.arange(20, 50))
    usable = (table["flags"] & int(UNUSABLE)) == 0
    assert table["kept"].sum() < usable.sum() < 61
    assert stack.header["share_kept"] == round(stack.header["frames_kept"] / int(usable.sum()), 4)


@pytest.mark.parametrize("name", ["mars", "colour", "moon"])
def test_same_bits_for_any_chunks(name: str) -> None:
    table, stack = result(name, 32)
    for chunk in (7, 1) if name == "mars" else (7,):
        other, again = result(name, chunk)
        for column in table:
            assert np.array_equal(table[column], other[column], equal_nan=table[column].dtype.kind == "f"), column
        assert np.array_equal(stack.data, again.data, equal_nan=True)
        assert np.array_equal(stack.noise, again.noise, equal_nan=True)


@pytest.mark.parametrize("name", ["mars", "colour", "moon"])
def test_halves_make_the_whole_and_differ_as_the_noise_says(name: str) -> None:
    _, stack = result(name)
    assert stack.half_a is not None
    assert stack.half_b is not None
    assert stack.noise is not None
    finite = np.isfinite(stack.data) & np.isfinite(stack.half_a) & np.isfinite(stack.half_b)
    assert finite.mean() > 0.9
    low, high = np.minimum(stack.half_a, stack.half_b), np.maximum(stack.half_a, stack.half_b)
    inside = (stack.data >= low - 0.01) & (stack.data <= high + 0.01)
    assert inside[finite].mean() > 0.98
    difference = (stack.half_a - stack.half_b)[finite] / 2
    ratio = np.sqrt((difference**2).mean() / (stack.noise[finite] ** 2).mean())
    # Halves of unequal size differ a little more than twice the error of the whole.
    assert 0.75 < ratio < 1.35


def test_stack_is_sharper_than_all_frames_and_header_is_json() -> None:
    import json

    frames, utc, capture, truth = made("mars")
    _, some = run(frames, utc, capture, 32, share=0.2)
    _, most = run(frames, utc, capture, 32, share=0.6)
    for stack in (some, most):
        json.dumps(stack.header)
        assert {"frames_kept", "frames_total", "scale", "origin_px", "share_kept"} <= set(stack.header)
    assert some.header["frames_kept"] < most.header["frames_kept"]
    gradient = [np.nansum(np.hypot(*np.gradient(stack.data[40:-40, 40:-40])) ** 2) for stack in (some, most)]
    assert gradient[0] > gradient[1]
    assert truth.picture.shape == some.data.shape


def test_bent_surface_is_sharper_with_a_mesh() -> None:
    table, stack = result("moon")
    assert table["mesh"].shape[1] > 1
    assert table["mesh"][table["kept"]].std() > 0.1
    assert stack.header["fills_frame"]
    # Nodes lie some 24 px apart, as many as go into the frame.
    assert stack.header["mesh_px"] == pytest.approx(24.0, rel=0.1)
    # The mean bending carries no information on the air and is taken off.
    assert np.abs(table["mesh"][table["kept"]].mean(axis=0)).max() < 1e-4


def test_float_frames_and_planes_are_accepted() -> None:
    frames, utc, capture, _ = made("mars")
    few = frames[:50].astype(np.float32)
    _, stack = run(few, utc[:50], replace(capture, dtype="float32", frames=50), 16)
    assert np.isfinite(stack.data[60:-60, 60:-60]).all()
    planes = np.repeat(frames[:50, ..., None], 3, axis=-1)
    _, colour = run(planes, utc[:50], replace(capture, planes=3, frames=50), 16)
    assert colour.data.shape == (3, *frames.shape[1:])
    assert np.allclose(colour.data[0], colour.data[2], atol=1e-5, equal_nan=True)
