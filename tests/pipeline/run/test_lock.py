"""One run an output folder: races have one winner, the dead hold nothing, and it works without locks too."""

from __future__ import annotations

import errno
import json
import os
import socket
import subprocess
import sys
import time

import pytest

from nightmill.errors import LockedError
from nightmill.run import lock as module
from nightmill.run import pulse
from nightmill.run.lock import hold, refuse_if_held

RACES = int(os.environ.get("NIGHTMILL_RACES", "5"))
"""The long form, by hand: NIGHTMILL_RACES=50."""

STARTER = """\
import sys, time
from pathlib import Path
from nightmill.errors import LockedError
from nightmill.run.lock import hold
for line in sys.stdin:
    began = time.monotonic()
    try:
        with hold(Path(line.strip())):
            print("won", flush=True)
            sys.stdin.readline()
            time.sleep(float(sys.argv[1]))
    except LockedError as error:
        print(f"{time.monotonic() - began:.3f} {error}", flush=True)
        sys.stdin.readline()
"""


def starter(*arguments):
    command = [sys.executable, "-c", STARTER, *(arguments or ("0",))]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1)


def say(process, text):
    process.stdin.write(f"{text}\n")
    process.stdin.flush()


def test_races_have_one_winner_and_the_loser_is_told_who(tmp_path):
    pair = [starter(), starter()]
    try:
        for number in range(RACES):
            for one in pair:
                say(one, tmp_path / str(number))
            answers = [one.stdout.readline().strip() for one in pair]
            assert sorted(answer == "won" for answer in answers) == [False, True], answers
            winner = answers.index("won")
            seconds, _, text = answers[1 - winner].partition(" ")
            assert float(seconds) < 1
            assert f"process {pair[winner].pid} on {socket.gethostname()}, since 20" in text
            for one in pair:
                say(one, "")
    finally:
        for one in pair:
            one.kill()
            one.communicate()


def test_a_killed_holder_holds_nothing_and_its_card_is_not_believed(tmp_path):
    first = starter()
    say(first, tmp_path)
    assert first.stdout.readline().strip() == "won"
    with pytest.raises(LockedError, match=f"process {first.pid} "):
        refuse_if_held(tmp_path)
    first.kill()
    first.communicate()
    card = tmp_path / "holder.json"
    assert json.loads(card.read_text(encoding="utf-8"))["pid"] == first.pid
    refuse_if_held(tmp_path)
    with hold(tmp_path):
        assert json.loads(card.read_text(encoding="utf-8"))["pid"] == os.getpid()
        card.write_text(json.dumps({"pid": first.pid, "host": socket.gethostname(), "since": "then"}), encoding="utf-8")
        with pytest.raises(LockedError, match=r"\(another process\)"), hold(tmp_path):
            pass


@pytest.fixture
def no_locks(monkeypatch):
    """Stand for a network share without locks."""

    class Refusing:
        def __init__(self, *arguments, **options):
            pass

        def acquire(self, timeout):
            raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(module, "FileLock", Refusing)


def test_without_locks_a_pulse_holds_the_folder(tmp_path, no_locks, monkeypatch):
    monkeypatch.setattr(pulse, "BEAT_SECONDS", 0.05)
    with hold(tmp_path):
        size = (tmp_path / "pulse").stat().st_size
        time.sleep(0.3)
        assert (tmp_path / "pulse").stat().st_size > size
        with pytest.raises(LockedError, match=f"process {os.getpid()} "), hold(tmp_path):
            pass
    assert not (tmp_path / "pulse").exists()


@pytest.mark.parametrize("holder", ["dead here", "silent elsewhere", "damaged"])
def test_without_locks_the_dead_hold_nothing(tmp_path, no_locks, holder):
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    host = socket.gethostname() if holder == "dead here" else "elsewhere"
    text = json.dumps({"token": "x", "pid": gone.pid, "host": host}) if holder != "damaged" else ""
    (tmp_path / "pulse").write_text(text, encoding="utf-8")
    if holder != "dead here":
        with pytest.raises(LockedError), hold(tmp_path):
            pass
        past = time.time() - 2 * pulse.STOPPED_SECONDS
        os.utime(tmp_path / "pulse", (past, past))
    with hold(tmp_path):
        assert json.loads((tmp_path / "pulse").read_text(encoding="utf-8"))["pid"] == os.getpid()
    assert [path.name for path in tmp_path.iterdir()] == []


def test_another_fault_of_the_disk_is_told_as_it_is(tmp_path, monkeypatch):
    def acquire(self, timeout):
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(module.FileLock, "acquire", acquire)
    with pytest.raises(OSError, match="Input/output error"), hold(tmp_path):
        pass
