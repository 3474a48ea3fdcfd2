"""A whole night in which a filter was recorded twice: the sharper capture joins the set, the other is shown alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import yaml

from nightmill.run import Options, run_night
from nightmill.run.progress import Progress
from nightmill.testing import PRESETS, Camera, Seeing, make_capture
from nightmill.testing.nights import NIGHT_SITE

BAD, GOOD = 0.03, 0.12
"""Fried's parameter, m: a telescope of 203 mm sees detail 1.5 times finer or more through the second."""


def test_the_sharper_repeat_makes_the_colour_picture(tmp_path):
    folder = tmp_path / "night"
    folder.mkdir()
    base = PRESETS["mars"](shape=(96, 96), frames=24, camera=Camera(bits=12, full_well_e=12000.0))
    for minute, name, r0_m in ((0, "R", BAD), (1, "G", GOOD), (2, "B", GOOD), (3, "R", GOOD)):
        after = timedelta(minutes=minute)
        seeing = Seeing(r0_m=r0_m)
        make_capture(replace(base, filter=name, seeing=seeing, start=base.start + after, seed=minute), folder)
    content = {
        "site": NIGHT_SITE,
        "telescope": {"aperture": "203 mm", "focal_length": "2030 mm", "obstruction": 0.33, "amplifier": 2.0},
        "camera": {"pixel": "3.75 um"},
    }
    (folder / "night.yaml").write_text(yaml.safe_dump(content), encoding="utf-8")
    result = run_night(folder, tmp_path / "out", Options(using="serial"), Progress(quiet=True))
    assert result.exit_code == 0
    pictures = result.summary["pictures"]
    assert sorted(len(one["filters"]) for one in pictures) == [1, 3]
    colour = next(one for one in pictures if len(one["filters"]) == 3)
    alone = next(one for one in pictures if len(one["filters"]) == 1)
    taken = next(note for note in colour["notes"] if note["name"] == "repeats")["value"]["R"]
    late = "mars_20250205_203300_R.ser"
    assert taken == late
    assert late in str(colour["captures"])
    assert "203000_R" in str(alone["captures"])
