"""A writer that fails costs its own format and nothing else, and the user is told."""

from __future__ import annotations

import pytest

from nightmill.errors import MachineError
from toysupport import TOY, events

BROKEN = """
from nightmill.hooks import Writer, implementation

nightmill_api = 1


class Torn(Writer):
    name = "torn"
    suffix = ".torn"

    def write(self, picture, path):
        path.write_bytes(b"half of a")
        raise {what}


@implementation
def nightmill_writers():
    return [Torn()]
"""


def broken(folder, what):
    """Write a plugin whose writer raises, and say which plugins to load."""
    plugin = folder / "torn.py"
    plugin.write_text(BROKEN.replace("{what}", what), encoding="utf-8")
    return str(TOY), str(plugin)


def test_other_formats_are_delivered_and_the_report_says_what_is_missing(run_toy, tmp_path):
    result = run_toy(plugins=broken(tmp_path, "ValueError('no room for colour')"))
    assert result.exit_code == 0
    assert [one["status"] for one in result.summary["captures"]] == ["done"] * 3
    for picture in result.summary["pictures"]:
        assert any(file.endswith(".toy.fits") for file in picture["files"])
        assert not any(file.endswith(".torn") for file in picture["files"])
        (caution,) = [note for note in picture["notes"] if note["name"] == "writer torn"]
        assert caution["kind"] == "caution"
        assert caution["text"].endswith(".torn is missing: writer 'torn' failed: ValueError: no room for colour")
    assert not list(result.out.glob("**/*.torn"))
    told = events(result.out, "writer failed")
    assert len(told) == len(result.summary["pictures"])
    assert "torn.py" in told[0]["trace"]
    page = (result.out / "report" / "index.html").read_text(encoding="utf-8")
    assert "no room for colour" in page


def test_a_full_disk_is_no_fault_of_the_writer(run_toy, tmp_path):
    with pytest.raises(MachineError, match="the disk is full"):
        run_toy(plugins=broken(tmp_path, "OSError(28, 'No space left on device')"))
