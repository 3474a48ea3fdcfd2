"""The page without a browser: what it says, what it embeds, when it is written."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser

import pytest

from nightmill.night import Night, NightFile
from nightmill.report import Report, Sources, words
from nightmill.report.view import anchor
from pipeline.report.nights import make_night

VOID = {"meta", "link", "img", "input", "br"}


class Checker(HTMLParser):
    """Checks that elements nest, and gathers identifiers and links."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.sources: list[str] = []

    def handle_starttag(self, tag, attributes):
        given = dict(attributes)
        if "id" in given:
            self.ids.append(given["id"])
        if tag in ("a", "link"):
            self.links.append(given.get("href", ""))
        if "src" in given:
            self.sources.append(given["src"])
        if tag == "img":
            assert "alt" in given
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        pass

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def checked(path):
    checker = Checker()
    checker.feed(path.read_text(encoding="utf-8"))
    assert checker.open == []
    assert len(set(checker.ids)) == len(checker.ids)
    for link in checker.links:
        assert link.startswith(("#", "../", "data:")), link
        if link.startswith("#"):
            assert link[1:] in checker.ids
    assert all(source.startswith("data:image/webp;base64,") for source in checker.sources)
    return checker


def report_of(tmp_path, extras=lambda night, captures: {}):
    return Report(
        tmp_path / "out", Night(tmp_path, NightFile.model_validate({"site": {"name": "Hill <meadow>"}})), extras
    )


@pytest.mark.parametrize(("captures", "failed"), [(0, 0), (1, 0), (1, 1), (3, 1)])
def test_any_night_gives_a_sound_page(tmp_path, captures, failed):
    summary, sources = make_night(tmp_path / "store", captures, failed=failed, size=120)
    assert report_of(tmp_path).write(summary, sources)
    page = tmp_path / "out" / "report" / "index.html"
    checked(page)
    text = page.read_text(encoding="utf-8")
    assert "Hill &lt;meadow&gt;" in text
    for one in summary["captures"]:
        assert one["file"] in text
        assert one["reason"] is None or one["reason"] in text
    if captures and failed == captures:
        assert "No picture came out" in text
    assert 'http-equiv="refresh"' not in text


@pytest.mark.parametrize(("count", "most_bytes"), [(12, 5e6), (100, 12e6)])
def test_the_page_stays_small_and_keeps_every_picture(tmp_path, count, most_bytes):
    summary, sources = make_night(tmp_path / "store", 2, size=900)
    # The same two previews and sheets over and over: sizes are what matters here.
    names = [one["name"] for one in summary["pictures"]]
    files = [one["file"] for one in summary["captures"]]
    for k in range(2, count):
        capture = {**summary["captures"][k % 2], "file": f"jupiter_{k}.ser"}
        picture = {**summary["pictures"][k % 2], "name": f"jupiter_{k}", "captures": [capture["file"]]}
        summary["captures"].append(capture)
        summary["pictures"].append(picture)
        sources.sheets[capture["file"]] = sources.sheets[files[k % 2]]
        sources.previews[picture["name"]] = sources.previews[names[k % 2]]
    report_of(tmp_path).write(summary, sources)
    page = tmp_path / "out" / "report" / "index.html"
    checked(page)
    assert page.read_text(encoding="utf-8").count('class="finished"') == count
    assert page.stat().st_size < most_bytes


def test_the_page_is_written_only_when_there_is_news(tmp_path):
    summary, sources = make_night(tmp_path / "store", 1, state="running", size=80)
    report = report_of(tmp_path)
    assert report.write(summary, sources)
    text = (tmp_path / "out" / "report" / "index.html").read_text(encoding="utf-8")
    assert '<noscript><meta http-equiv="refresh"' in text
    assert "The run goes on" in text
    summary["state"] = "finished"
    assert report.write(summary, sources)
    assert not report.write(summary, sources)
    assert "The run goes on" not in (tmp_path / "out" / "report" / "index.html").read_text(encoding="utf-8")


def test_plugins_add_and_are_asked_once_for_the_same(tmp_path):
    asked = []

    def extras(night, captures):
        asked.append(captures)
        file = captures[0]["file"]
        assert captures[0]["sheet"]["halves"]["limit_per_px"] > 0
        assert captures[0]["pictures"][0]["geometry"]["scale_arcsec"] == 0.19
        return {
            "advice": [f"Sentence {k}." for k in range(9)],
            "cautions": ["Beware."],
            "captures": {file: {"scale_arcsec": 0.2, "limit_arcsec": 0.5, "facts": [("Scale", "0.2 arcsec")]}},
        }

    summary, sources = make_night(tmp_path / "store", 1, size=80)
    report = report_of(tmp_path, extras)
    report.write(summary, sources)
    summary["state"] = "interrupted"
    report.write(summary, sources)
    text = (tmp_path / "out" / "report" / "index.html").read_text(encoding="utf-8")
    assert len(asked) == 1
    assert "Beware." in text
    assert "Sentence 4." in text
    assert "Sentence 5." not in text
    assert "cycles per arcsec" in text
    assert "the telescope ends at 0.50 arcsec" in text


def test_the_journal_tells_of_the_latest_run_only(tmp_path):
    summary, sources = make_night(tmp_path / "store", 1, failed=1)
    journal = tmp_path / "out" / "journal.jsonl"
    journal.parent.mkdir()
    lines = [
        {"time": "2026-01-13T06:00:00Z", "event": "run started"},
        {"time": "2026-01-13T06:00:05Z", "event": "step failed", "title": "old", "reason": "gone", "trace": "x"},
        {"time": "2026-01-13T07:00:00Z", "event": "run started"},
        {"time": "2026-01-13T07:01:00Z", "event": "step failed", "title": "new", "reason": "<b>why</b>", "trace": "T"},
    ]
    journal.write_text("".join(json.dumps(line) + "\n" for line in lines) + '{"half a li', encoding="utf-8")
    report_of(tmp_path).write(summary, sources)
    text = (tmp_path / "out" / "report" / "index.html").read_text(encoding="utf-8")
    assert "&lt;b&gt;why&lt;/b&gt;" in text
    assert "gone" not in text
    assert re.search(r"<dt>worked</dt><dd>60 s</dd>", text)


def test_names_that_need_escaping_are_linked_rightly(tmp_path):
    summary, _ = make_night(tmp_path / "store", 1, failed=1)
    summary["captures"][0]["file"] = 'sub folder/jupiter #1 & "x"ä.ser'
    summary["captures"][0]["stack"] = "stacks/a b#1.fits"
    report_of(tmp_path).write(summary, Sources())
    checker = checked(tmp_path / "out" / "report" / "index.html")
    assert "../stacks/a%20b%231.fits" in checker.links


def test_anchors_of_different_files_differ():
    names = ["a_b.ser", "a-b.ser", "a b.ser", "a/b.ser", "A_b.ser", "a-5f-b.ser"]
    assert len({anchor(name) for name in names}) == len(names)


@pytest.mark.parametrize(
    ("utc", "longitude", "named"),
    [
        ("2026-01-12T22:10:00.000Z", None, "Night of 12 January 2026"),
        ("2026-01-13T03:10:00.000Z", 8.5, "Night of 12 January 2026"),
        # Evening in the far east and in the far west.
        ("2026-01-12T10:30:00.000Z", 150.0, "Night of 12 January 2026"),
        ("2026-01-13T04:30:00.000Z", 240.0, "Night of 12 January 2026"),
    ],
)
def test_a_night_is_named_by_its_evening(utc, longitude, named):
    site = {} if longitude is None else {"longitude_deg": longitude}
    assert words.title([{"utc_mid": utc}], {"site": site}) == named


def test_a_caution_says_of_which_capture_it_is_only_where_they_differ():
    def caution(name, of, text):
        return {"kind": "caution", "stage": "sharpen", "name": name, "of": of, "text": text, "value": None}

    listed = [caution("seeing", f"mars_{one}.ser", f"air of {one}") for one in "RGB"]
    listed += [caution("dark", f"mars_{one}.ser", "No dark fits.") for one in "RGB"]
    said = [(one["text"], one["of"]) for one in words.notes(listed)["caution"]]
    assert said == [(f"air of {one}", f"mars_{one}.ser") for one in "RGB"] + [("No dark fits.", "")]
    assert words.notes(listed[:1])["caution"][0]["of"] == ""
