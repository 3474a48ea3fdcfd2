"""Why a step is done again: what it was last made from against what it would be made from now, in words."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import lru_cache
from typing import Any

import yaml

from ..differences import ABSENT, Difference, change_differences, differences, in_words
from ..plan import Step

__all__ = ["content_reasons", "input_reasons"]

FILE, CHANGED = "the plugin file of ", " changed"


def content_reasons(step: Step, old: Mapping[str, Any]) -> list[str]:
    """Say what differs between a step's content now and the content it was last made from."""
    reasons: list[str] = []
    for name in sorted({*old, *step.content}):
        before, now = old.get(name, ABSENT), step.content.get(name, ABSENT)
        if before != now:
            reasons += _EXPLAIN.get(name, _plain)(name, before, now)
    return _joined(dict.fromkeys(reasons))


def _joined(reasons: Iterable[str]) -> list[str]:
    """Say of several stages at once that their plugin file changed, as it does for all stages of a file."""
    reasons = list(reasons)
    files = [one.removeprefix(FILE).removesuffix(CHANGED) for one in reasons if one.startswith(FILE)]
    rest = [one for one in reasons if not one.startswith(FILE)]
    return ([f"{FILE}{', '.join(files)}{CHANGED}"] if files else []) + rest


def input_reasons(old: Mapping[str, Any], now: Mapping[str, tuple[str, str]]) -> list[str]:
    """Say what differs in the masters, members and the like that go in; not what came of the same steps anew.

    Parameters
    ----------
    old : mapping
        As remembered: role to [label, key].
    now : mapping of str to (label, key)
        As planned.
    """
    reasons = []
    for role in sorted({*old, *now}):
        before, after = old.get(role, (None, ""))[0], now.get(role, (None, ""))[0]
        if before == after or role.partition(":")[0] not in ("aid", "member", "consulted"):
            continue
        what = role.partition(":")[2] if role.startswith("aid:") else "picture that goes in"
        if role.startswith("consulted:"):
            reasons.append(f"{role.partition(':')[2]} is {'no longer' if after is None else 'now'} looked at")
            continue
        reasons.append(f"{what} {_recording(before)} -> {_recording(after)}")
    return reasons


def _recording(label: str | None) -> str:
    """Name the recording behind a label of a step."""
    if label is None:
        return "none"
    parts = label.removeprefix("master/").split("/")
    return "/".join(parts[:-2]) or label


def _stages(name: str, old: Any, new: Any) -> Iterator[str]:
    before = {one["stage"]: one for one in (old or [])}
    after = {one["stage"]: one for one in (new or [])}
    for stage in after:
        if stage not in before:
            yield f"stage {stage} is new in the recipe"
    for stage in before:
        if stage not in after:
            yield f"stage {stage} is no longer in the recipe"
    if not {*before} ^ {*after} and list(before) != list(after):
        yield f"order of stages {', '.join(before)} -> {', '.join(after)}"
    for stage in after:
        if stage in before:
            yield from _stage(stage, before[stage], after[stage])


def _stage(name: str, old: Any, new: Any) -> Iterator[str]:
    if old is ABSENT or new is ABSENT or old["stage"] != new["stage"]:
        before, after = (ABSENT if one is ABSENT else one["stage"] for one in (old, new))
        yield f"stage {in_words(before)} -> {in_words(after)}"
        return
    stage = new["stage"]
    for one in differences(old, new):
        head, *rest = (str(part) for part in one.path)
        if head == "parameters":
            yield f"parameter {'.'.join([stage, *rest])} {one.arrow()}"
        elif head == "version":
            yield f"plugin version: {stage} {one.arrow()}"
        elif head == "file":
            yield f"{FILE}{stage}{CHANGED}"
        elif head == "night":
            yield f"night file {'.'.join(rest)} {one.arrow()}"
        else:
            yield f"{stage}: {'.'.join(map(str, one.path))} {one.arrow()}"


def _capture(name: str, old: Any, new: Any) -> Iterator[str]:
    if old is ABSENT or new is ABSENT:
        yield "the recording is another one"
        return
    for one in differences(old, new):
        yield f"recording's {'.'.join(map(str, one.path))} {one.arrow()}"


def _captures(name: str, old: Any, new: Any) -> Iterator[str]:
    before = {one["file"]: one for one in (old or [])}
    after = {one["file"]: one for one in (new or [])}
    yield from (f"capture {file} goes in now" for file in after if file not in before)
    yield from (f"capture {file} no longer goes in" for file in before if file not in after)
    for file in after:
        if file in before:
            yield from _capture(name, before[file], after[file])


def _consulted(name: str, old: Any, new: Any) -> Iterator[str]:
    """What is looked at stands among the inputs; here only what is known of it."""
    before, after = ({one["file"]: one for one in ([] if held is ABSENT else held)} for held in (old, new))
    for file in after:
        if file in before:
            yield from (f"{file}: {text}" for text in _capture(name, before[file], after[file]))


def _recipe(name: str, old: Any, new: Any) -> Iterator[str]:
    """Published files carry the whole recipe: a change anywhere in it writes them anew."""
    yield from _recipe_reasons(str(old), str(new))


@lru_cache(maxsize=64)
def _recipe_reasons(old: str, new: str) -> tuple[str, ...]:
    try:
        found = list(_recipe_differences(yaml.safe_load(old), yaml.safe_load(new)))
    except (yaml.YAMLError, AttributeError, TypeError):
        found = []
    return tuple(found) or ("the recipe that goes into the files changed",)


def _recipe_differences(old: dict[str, Any], new: dict[str, Any]) -> Iterator[str]:
    before, after = (_calls(one) for one in (old, new))
    for who, one in change_differences(old.get("changes") or [], new.get("changes") or []):
        yield f"parameter {'.'.join(map(str, one.path))} for {who} {one.arrow()} (written into the files)"
    for key in sorted(({*old, *new}) - {"stages", "changes"}):
        if old.get(key) != new.get(key):
            yield f"recipe's {key!r} (written into the files) {in_words(old.get(key))} -> {in_words(new.get(key))}"
    for stage in sorted({*before, *after}):
        if (stage in before) != (stage in after):
            yield f"stage {stage} is {'new' if stage in after else 'no longer'} in the recipe (written into the files)"
            continue
        for one in differences(before[stage], after[stage]):
            yield f"parameter {'.'.join([stage, *map(str, one.path)])} {one.arrow()} (written into the files)"


def _calls(recipe: dict[str, Any]) -> dict[str, Any]:
    calls: dict[str, Any] = {}
    for entry in recipe["stages"]:
        name, values = next(iter(entry.items())) if isinstance(entry, dict) else (entry, {})
        times = sum(one.partition(" (")[0] == name for one in calls)
        calls[f"{name} ({times + 1})" if times else name] = values or {}
    return calls


def _plugins(name: str, old: Any, new: Any) -> Iterator[str]:
    by_change: dict[str, list[str]] = {}
    for one in differences(old, new):
        by_change.setdefault(f"{_short(one.old)} -> {_short(one.new)}", []).append(str(one.path[-1]))
    for change, stages in by_change.items():
        yield f"plugin of {', '.join(stages)} {change} (written into the files)"


def _short(origin: Any) -> str:
    """Shorten the sum of a single-file plugin to what a person compares."""
    name, _, digest = str(origin).rpartition(" ")
    return f"{name} {digest[:8]}" if len(digest) == 64 else in_words(origin)


def _versions(name: str, old: Any, new: Any) -> Iterator[str]:
    for one in differences({} if old is ABSENT else old, {} if new is ABSENT else new):
        yield f"plugin version: {one.path[-1]} {one.arrow()} (written into the files)"


def _writers(name: str, old: Any, new: Any) -> Iterator[str]:
    for one in differences({} if old is ABSENT else old, {} if new is ABSENT else new):
        if one.old is ABSENT or one.new is ABSENT:
            yield f"writer {one.path[-1]} is {'new' if one.old is ABSENT else 'no longer there'}"
        else:
            yield f"version of writer {one.path[-1]} {one.arrow()}"


def _night(name: str, old: Any, new: Any) -> Iterator[str]:
    for one in differences(old, new):
        yield f"night file {'.'.join(map(str, one.path))} {one.arrow()} (written into the files)"


def _plain(name: str, old: Any, new: Any) -> Iterator[str]:
    for one in differences(old, new) if old is not ABSENT and new is not ABSENT else [Difference((), old, new)]:
        yield f"{WORDS.get(name, name)}{''.join(f'.{part}' for part in one.path)} {one.arrow()}"


WORDS = {
    "files": "captures of the picture",
    "names": "night file names",
    "stem": "name of the files",
    "serial": "number in the name",
    "pass_number": "number of the pass over the frames",
}

_EXPLAIN: dict[str, Callable[[str, Any, Any], Iterator[str]]] = {
    "stages": _stages,
    "frames": _stages,
    "stage": _stage,
    "source": lambda name, old, new: _stage(name, old, new) if isinstance(new, dict) else _plain(name, old, new),
    "capture": _capture,
    "captures": _captures,
    "consulted": _consulted,
    "recipe": _recipe,
    "plugins": _plugins,
    "stage_versions": _versions,
    "writers": _writers,
    "night": _night,
}
