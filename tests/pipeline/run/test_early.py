"""Starting workers early: only when there seems to be work, and with a way of starting that every system has."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

from nightmill import early
from nightmill.early import WORKER_ENVIRONMENT, start_early, start_method, work_is_likely


@pytest.fixture
def finished(tmp_path):
    """A night whose run ended after everything in it was last changed."""
    night, out, recipe = tmp_path / "night", tmp_path / "out", tmp_path / "recipe.yaml"
    (night / "masters").mkdir(parents=True)
    out.mkdir()
    for path in (night / "a.ser", night / "masters" / "dark.fits", recipe):
        path.write_bytes(b"x")
    (out / "night.json").write_text(json.dumps({"format": 1, "state": "finished"}, indent=1))
    for path in (night, night / "masters", night / "a.ser", night / "masters" / "dark.fits", recipe):
        os.utime(path, (1e9, 1e9))
    return night, out, recipe


def test_nothing_is_likely_to_do_after_a_finished_run(finished):
    night, out, recipe = finished
    assert not work_is_likely(night, out, (recipe, recipe.with_name("no such recipe")))


@pytest.mark.parametrize("what", ["a.ser", "masters", "masters/dark.fits", "."])
def test_a_change_in_the_night_is_work(finished, what):
    night, out, recipe = finished
    os.utime(night / what)
    assert work_is_likely(night, out, (recipe,))


def test_a_changed_recipe_a_run_cut_short_and_a_first_run_are_work(finished):
    night, out, recipe = finished
    os.utime(recipe)
    assert work_is_likely(night, out, (recipe,))
    assert not work_is_likely(night, out)
    (out / "night.json").write_text('{\n "format": 1,\n "state": "interrupted"\n}')
    assert work_is_likely(night, out)
    assert work_is_likely(night, night / "nothing there")


def test_the_environment_of_the_driving_process_stays_its_own(monkeypatch):
    monkeypatch.setenv("OMP_NUM_THREADS", "7")
    before = dict(os.environ)
    assert start_early() == (start_method() == "forkserver")
    assert dict(os.environ) == before


def test_elsewhere_workers_start_one_by_one(monkeypatch):
    monkeypatch.setattr(sys, "platform", "darwin")
    assert early.start_method() == "spawn"
    assert not start_early()


def test_what_workers_are_copies_of_has_started_no_thread():
    said = "psutil.Process().num_threads(), 'nightmill_stages.stack' in sys.modules"
    code = f"import nightmill.warm, psutil, sys; print({said})"
    command = [sys.executable, "-c", code]
    made = subprocess.run(command, env={**os.environ, **WORKER_ENVIRONMENT}, capture_output=True, text=True, check=True)
    assert made.stdout.split() == ["1", "True"]
