"""YAML that people and strangers write: values, places, bounds."""

from __future__ import annotations

import time
import tracemalloc

import pytest

from nightmill.documents import Problem, Problems, nearest, read_text, read_yaml
from nightmill.errors import RecipeError, UsageError

SIZE = 250_000


def read(text: str):
    return read_text(text, "x.yaml")[0].plain()


@pytest.mark.parametrize(
    ("text", "value"),
    [
        # YAML 1.2 core schema, chapter 10.3 of the specification: what resolves to null, bool, int, float.
        ("null", None),
        ("~", None),
        ("", None),
        ("true", True),
        ("False", False),
        ("0", 0),
        ("-19", -19),
        ("+12.5", 12.5),
        ("1e3", 1000.0),
        (".5", 0.5),
        # and what stays text, other than in YAML 1.1: the Norway problem, times, octals
        ("no", "no"),
        ("on", "on"),
        ("22:10:00", "22:10:00"),
        ("0.5 arcsec", "0.5 arcsec"),
        ("2026-01-12", "2026-01-12"),
        ("'7'", "7"),
        ('"true"', "true"),
    ],
)
def test_scalars(text: str, value: object) -> None:
    read_back = read(f"a: {text}")["a"]
    assert read_back == value
    assert type(read_back) is type(value)


def test_places_are_kept() -> None:
    root, _ = read_text("a: 1\nb:\n  - x\n  - {c: 2}\n", "x.yaml")
    inner = root.find(["b", 1, "c"])
    assert (inner.value, inner.line, inner.column) == (2, 3, 8)
    assert (root.find_key(["b"]).line, root.find_key(["b"]).column) == (1, 0)
    assert root.depth_of(["b", 1, "nothing", "more"]) == 2


def test_byte_order_mark_and_line_ends() -> None:
    assert read("a: 1\r\nb: 2\r\n") == {"a": 1, "b": 2}


HOSTILE: dict[str, str] = {
    "brackets": "[" * SIZE,
    "braces": "{a: " * (SIZE // 4),
    "indents": "\n".join(" " * level + "a:" for level in range(600)),
    "questions": "? " * (SIZE // 2),
    "dashes": "- " * (SIZE // 2),
    "values": f"[{'1,' * (SIZE // 2 - 1)}]",
    "names": "\n".join(f"k{index}: 1" for index in range(20_000)),
    "a name twice": "a: 1\n" * (SIZE // 5),
    "a long name": "x" * SIZE + ": 1",
    "colons": ":" * SIZE,
    "commas": "[" + "," * (SIZE - 1),
    "quotes": '"' * SIZE,
    "apostrophes": "'" * (SIZE - 1),
    "an open quote": 'a: "' + "x\n" * (SIZE // 2 - 4),
    "line ends": "\n" * (SIZE - 10) + "a: [",
    "percents": "%" * SIZE,
    "exclamations": "!" * SIZE,
    "ampersands": "&" * SIZE,
    "stars": "*" * SIZE,
    "pipes": "|" * SIZE,
    "ats": "@" * SIZE,
    "backticks": "`" * SIZE,
    "tabs": "a:\n" + "\t" * (SIZE - 10) + "b: 1",
    "anchors that multiply": "a: &a [x, x]\nb: &b [*a, *a]\nc: &c [*b, *b]\n",
    "an alias to itself": "a: &a [*a]",
    "an anchor": "&x a",
    "an alias": "a: *x",
    "merge keys": "<<: {a: 1}",
    "a Python object": "!!python/object/apply:os.system ['true']",
    "a Python name": "a: !!python/name:os.system",
    "a custom tag": "a: !thing 1",
    "binary": "a: !!binary aGVsbG8=",
    "documents": "--- a\n" * (SIZE // 6),
    "a second document": "a: 1\n---\nb: 2",
    "a NUL": "a: 1\0",
    "an escape": "a: \x1b[31m",
    "a bell in quotes": 'a: "\x07"',
    "surrogates": "a: \ud800",
    "a list for a name": "[a, b]: 1",
    "a mapping for a name": "{a: 1}: 2",
    "an unknown escape": 'a: "\\q"',
    "another YAML": "%YAML 3.0\n---\na: 1",
    "too large": "a: " + "x" * 300_000,
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_files_cost_nothing(name: str, tmp_path) -> None:
    """Forty files that eat parsers: refused in under 50 ms and 20 MB with one line that tells the place."""
    path = tmp_path / "x.yaml"
    path.write_bytes(HOSTILE[name].encode("utf-8", "surrogatepass"))
    assert len(HOSTILE) >= 40
    took = []
    for _ in range(3):
        began = time.process_time()
        with pytest.raises(RecipeError) as caught:
            read_yaml(path, "x.yaml")
        took.append(time.process_time() - began)
    tracemalloc.start()
    with pytest.raises(RecipeError):
        read_yaml(path, "x.yaml")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    first = str(caught.value).splitlines()[0]
    assert first.startswith("x.yaml:")
    if name != "too large":
        line, column = first.split(":")[1:3]
        assert int(line) >= 1
        assert int(column) >= 1
    assert len(first) < 250
    assert first.isprintable()
    assert min(took) < 0.05
    assert peak < 20e6


def test_a_file_that_cannot_be_read(tmp_path) -> None:
    with pytest.raises(UsageError, match="cannot read"):
        read_yaml(tmp_path / "missing.yaml")
    (tmp_path / "utf16.yaml").write_text("a: 1", encoding="utf-16")
    with pytest.raises(RecipeError, match=r"utf16.yaml:1:1: not UTF-8 text; save the file as UTF-8"):
        read_yaml(tmp_path / "utf16.yaml")


def test_problems_come_in_order_of_place_and_only_once() -> None:
    text = "a: 1\nb: 2\nc: 3\n"
    root, problems = read_text(text, "x.yaml")
    for name in ("c", "a", "a"):
        problems.add(root.keys[name], f"about {name}")
    with pytest.raises(RecipeError) as caught:
        problems.raise_if_any()
    assert str(caught.value) == "x.yaml:1:1: about a\n    a: 1\n    ^\nx.yaml:3:1: about c\n    c: 3\n    ^"


def test_many_problems_are_cut_and_control_characters_never_shown() -> None:
    problems = Problems("x.yaml", "\x1b[31m red" + "x" * 500)
    for index in range(100):
        problems.found.append(Problem(0, 300, f"p{index}"))
    text = problems.render()
    assert "and 60 more problems" in text
    assert "\x1b" not in text
    place, caret = text.splitlines()[1:3]
    assert len(place) < 200
    assert place[caret.index("^")] == "x"


def test_nearest() -> None:
    assert nearest("stak", ["stack", "grade"]) == "; did you mean 'stack'?"
    assert nearest("MASTER_DARK", ["master-dark"]) == "; did you mean 'master-dark'?"
    assert nearest("xyz", ["stack", "grade"]) == "; there is grade, stack"
