"""The stage `ingest` as the engine uses it: dispatch, state, and what it refuses."""

from __future__ import annotations

import pickle

import numpy as np
import pytest
from pydantic import ValidationError

from nightmill.artefacts import Capture
from nightmill.errors import CaptureError
from nightmill_stages.ingest import STAGES, Ingest
from nightmill_stages.ingest.stage import KEPT_OPEN

from .makers import scene, write_ser


def test_it_is_the_one_source_stage():
    assert [Ingest] == STAGES and (Ingest.name, Ingest.kind) == ("ingest", "source")
    assert Ingest.summary()


def test_few_files_stay_open_and_all_are_closed(tmp_path):
    frames = scene(3, 8, 8, top=255)
    source = Ingest()
    captures = [source.open(write_ser(tmp_path / f"{n}.ser", frames)) for n in range(7)]
    for _ in range(2):
        for capture in captures:
            np.testing.assert_array_equal(source.read(capture, 0, 3), frames)
    held = [recording._file for recording in source._recordings.values()]
    assert len(held) == KEPT_OPEN
    source.close()
    assert all(file.closed for file in held)


def test_it_travels_to_another_process_without_its_files(tmp_path):
    frames = scene(3, 8, 8, top=4095)
    source = Ingest(Ingest.Parameters(bits=12))
    capture = source.open(write_ser(tmp_path / "a.ser", frames, bits=12))
    source.read(capture, 0, 1)
    other = pickle.loads(pickle.dumps(source))
    again = Capture.from_json(capture.to_json())
    np.testing.assert_array_equal(other.read(again, 0, 3), frames)
    assert other.parameters == source.parameters
    source.close()
    other.close()


def test_names_added_by_the_engine_do_not_disturb_reading(tmp_path):
    frames = scene(3, 8, 8, top=255)
    source = Ingest()
    capture = source.open(write_ser(tmp_path / "a.ser", frames, utc=None))
    source.read(capture, 0, 1)
    named = capture.replace(target="mars", utc_start=1e9, frame_interval_s=0.5)
    np.testing.assert_array_equal(source.read(named, 0, 3), frames)
    np.testing.assert_array_equal(source.times(named, 1, 3), [1e9 + 0.5, 1e9 + 1.0])
    source.close()


def test_what_no_reader_knows(tmp_path):
    (tmp_path / "notes.txt").write_text("clear sky")
    source = Ingest()
    assert not source.accepts(tmp_path / "notes.txt") and not source.accepts(tmp_path / "missing")
    with pytest.raises(CaptureError, match="not one that nightmill reads"):
        source.open(tmp_path / "notes.txt")


def test_a_recording_that_went_away_is_not_called_unknown(tmp_path):
    with pytest.raises(CaptureError, match=r"a.ser cannot be read: it is no longer there"):
        Ingest().open(tmp_path / "a.ser")


def test_frames_outside_the_recording_are_a_mistake_of_the_caller(tmp_path):
    source = Ingest()
    capture = source.open(write_ser(tmp_path / "a.ser", scene(3, 8, 8, top=255)))
    with pytest.raises(ValueError, match="recording of 3"):
        source.read(capture, 0, 4)


@pytest.mark.parametrize("wrong", [{"bits": 0}, {"bits": 17}, {"cfa": "RGBG"}, {"byte_order": "middle"}, {"speed": 1}])
def test_wrong_parameters_are_refused(wrong):
    with pytest.raises(ValidationError):
        Ingest.Parameters(**wrong)
