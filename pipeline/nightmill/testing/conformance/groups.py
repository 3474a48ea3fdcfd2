"""Checks of picture stages that work on groups: sets of filters, captures of a night, parts of a mosaic."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np

from ...artefacts import Capture, Picture
from ...stage import PictureStage
from .registry import NotApplicable, check
from .subject import Subject
from .trial import Trial, try_difficult, try_group

__all__: list[str] = []

FILTERS = "RGBRGBL"
"""Captures a minute apart: two sets of filters, and one more."""


@check(PictureStage)
def empty_group(subject: Subject) -> None:
    """`group` of no captures is no group."""
    assert list(_stage(subject).group([])) == [], "group([]) gave groups"


@check(PictureStage)
def groups_are_whole(subject: Subject) -> None:
    """`group` names no unit that does not exist, and leaves none out unless the stage only adds pictures."""
    stage = _stage(subject)
    units = [(capture,) for capture in _captures(subject)]
    named = [index for group in stage.group(units) for index in group]
    assert all(isinstance(index, int) and 0 <= index < len(units) for index in named), f"groups name {named!r}"
    lost = set() if stage.adds else set(range(len(units))) - set(named)
    assert not lost, f"captures {sorted(lost)} are lost"
    assert [list(one) for one in stage.group(units)] == [list(one) for one in _stage(subject).group(units)], (
        "group gave other groups the second time"
    )


@check(PictureStage)
def groups_are_developed(subject: Subject) -> None:
    """Groups are developed to float32 pictures of their captures, the same bits again, or refused in a sentence."""
    for pictures in _groups(subject):
        first = _tried(subject, pictures, f"a group of {len(pictures)}")
        if first is None:
            continue
        for one in first.made:
            assert isinstance(one, Picture), f"develop gave {type(one).__name__}; pictures are promised"
            assert one.data.dtype == np.float32, f"a picture is {one.data.dtype}; float32 is promised"
            assert one.captures, "a picture says of no capture that it is made of it"
        again = _tried(subject, pictures, "a group, again")
        assert again is not None, "it refused a group the second time"
        assert len(again.made) == len(first.made), "it made another number of pictures the second time"
        for one, other in zip(first.made, again.made, strict=True):
            assert np.array_equal(one.data, other.data, equal_nan=True), "other bits the second time"


@check(PictureStage)
def members_may_be_missing(subject: Subject) -> None:
    """A member of a group whose capture was set aside is missing: the rest works, or is refused in a sentence."""
    for pictures in _groups(subject):
        for gone in range(len(pictures)):
            _tried(subject, pictures[:gone] + pictures[gone + 1 :], f"a group without its member {gone}")


@check(PictureStage)
def consults_what_there_is(subject: Subject) -> None:
    """`consult` names captures that exist, the same again, and the work goes on when none of them can be had."""
    stage, captures = _stage(subject), _captures(subject)
    night: dict[str, dict[str, Any]] = {section: {} for section in stage.uses}
    named = [list(stage.consult([own], captures, night)) for own in captures]
    assert all(isinstance(k, int) and 0 <= k < len(captures) for one in named for k in one), f"consult named {named!r}"
    again = [list(_stage(subject).consult([own], captures, night)) for own in captures]
    assert named == again, "consult named others the second time"
    assert not stage.consult(captures, captures[:0], night), "consult named captures where there are none"
    bench = subject.bench()
    lost = tuple((capture, None) for capture in captures)
    try_difficult(partial(try_group, stage, bench, [bench.picture()], lost), "captures to look at that were set aside")


@check(PictureStage)
def members_unchanged(subject: Subject) -> None:
    """The pictures of a group are as they were afterwards."""
    for pictures in _groups(subject):
        before = [one.data.copy() for one in pictures]
        _tried(subject, pictures, "a group")
        for one, data in zip(pictures, before, strict=True):
            assert np.array_equal(one.data, data, equal_nan=True), f"it wrote into the picture through {one.filters}"


def _stage(subject: Subject) -> PictureStage:
    stage = subject.make()
    assert isinstance(stage, PictureStage)
    return stage


def _captures(subject: Subject) -> list[Capture]:
    capture = subject.bench().capture
    return [
        capture.replace(file=f"{number}.try", filter=name, utc_start=1768255800.0 + 60 * number)
        for number, name in enumerate(FILTERS)
    ]


def _groups(subject: Subject) -> list[list[Picture]]:
    """Return pictures of the first groups of several that the stage forms."""
    captures = _captures(subject)
    groups = [list(one) for one in _stage(subject).group([(capture,) for capture in captures]) if len(one) > 1]
    if not groups:
        raise NotApplicable("it develops pictures one by one")
    picture = subject.bench().picture()
    made = []
    for group in groups[:2]:
        members = []
        for index in group:
            shifted = np.roll(picture.data, index % 3, axis=1)
            layers = {name: np.roll(getattr(picture, name), index % 3, axis=1) for name in ("half_a", "half_b")}
            one = picture.replace(data=shifted, captures=(captures[index],), filters=(FILTERS[index],), **layers)
            members.append(one)
        made.append(members)
    return made


def _tried(subject: Subject, pictures: list[Picture], what: str) -> Trial | None:
    """Develop a group, when there is one."""
    if not pictures:
        return None
    return try_difficult(partial(try_group, _stage(subject), subject.bench(), pictures), what)
