"""The page in a real browser: it slides, sorts and filters, fetches nothing and logs no error."""

from __future__ import annotations

import itertools
import os
import shutil
from pathlib import Path

import pytest

from nightmill.night import Night, NightFile
from nightmill.report import Report
from pipeline.report.nights import make_night

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: pip install .[test]")

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")
NIGHTS = (
    ("one", 1, 0, "finished"),
    ("many", 9, 2, "finished"),
    ("live", 4, 1, "running"),
    ("failed", 3, 3, "finished"),
)

PLACES = (
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "C:/Program Files/Google/Chrome/Application/chrome.exe",
    "C:/Program Files (x86)/Microsoft/Edge/Application/msedge.exe",
)


def find_browser() -> str | None:
    given = os.environ.get("NIGHTMILL_BROWSER")
    found = [given] if given else [shutil.which(name) for name in NAMES]
    return next((one for one in (*found, *PLACES) if one and Path(one).exists()), None)


@pytest.fixture(scope="module")
def browser():
    path = find_browser()
    if path is None:
        pytest.skip("no Chromium is installed (apt-get install chromium, or set NIGHTMILL_BROWSER to one)")
    with playwright.sync_playwright() as driver:
        # As root, in containers, Chromium runs only without its sandbox.
        arguments = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
        one = driver.chromium.launch(executable_path=path, args=arguments)
        yield one
        one.close()


@pytest.fixture(scope="module")
def nights(tmp_path_factory):
    """Write pages of several nights once; return their paths by name."""
    pages = {}
    for name, captures, failed, state in NIGHTS:
        base = tmp_path_factory.mktemp(name)
        summary, sources = make_night(base / "store", captures, failed=failed, state=state, size=220)
        extras = {"advice": ["Take 2x instead of 3x."], "cautions": []}
        Report(base / "out", Night(base, NightFile()), lambda night, captures, said=extras: said).write(
            summary, sources
        )
        pages[name] = base / "out" / "report" / "index.html"
    return pages


@pytest.fixture
def opened(browser, nights):
    """Open pages; afterwards nothing may have been fetched, and nothing logged."""
    troubles: list[str] = []
    contexts = []

    def open_page(name: str, **options):
        context = browser.new_context(**{"viewport": {"width": 1200, "height": 900}, **options})
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(20_000)
        address = nights[name].as_uri()
        page.on("console", lambda message: troubles.append(f"console: {message.text}"))
        page.on("pageerror", lambda error: troubles.append(f"error: {error}"))
        page.on(
            "request",
            lambda one: None if one.url == address or one.url.startswith("data:") else troubles.append(one.url),
        )
        page.goto(address)
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert troubles == []


def column(page, number: int) -> list[str]:
    return page.eval_on_selector_all(
        f"#captures-table tbody tr:not([hidden]) > :nth-child({number})",
        "cells => cells.map(c => c.dataset.sort ?? c.textContent)",
    )


@pytest.mark.parametrize("name", ["one", "many", "failed"])
@pytest.mark.parametrize(("width", "scheme"), [(400, "light"), (1600, "dark")])
def test_it_opens_cleanly_at_any_width(opened, name, width, scheme):
    page = opened(name, viewport={"width": width, "height": 900}, color_scheme=scheme)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert page.title() == "Night of 12 January 2026"
    broken = page.eval_on_selector_all(
        "img", "all => all.filter(i => i.complete && !i.naturalWidth && !i.hidden).length"
    )
    assert broken == 0
    paper = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert (int(paper.split("(")[1].split(",")[0]) > 128) == (scheme == "light")


def test_the_slider_uncovers_what_was_before(opened):
    page = opened("one")
    slider = page.locator(".cut")
    hidden = "getComputedStyle(document.querySelector('.before:not([hidden])')).clipPath"
    assert page.evaluate(hidden) == "inset(0px 100% 0px 0px)"
    assert slider.get_attribute("aria-valuetext") == "finished picture"
    slider.focus()
    for _ in range(30):
        page.keyboard.press("ArrowRight")
    assert page.evaluate(hidden) == "inset(0px 70% 0px 0px)"
    assert slider.get_attribute("aria-valuetext") == "30% raw frame"
    page.get_by_label("stack", exact=True).check(force=True)
    assert page.locator(".before:not([hidden])").get_attribute("data-layer") == "stack"
    assert slider.get_attribute("aria-valuetext") == "30% stack"


def test_the_picture_itself_can_be_dragged(opened):
    page = opened("one")
    box = page.locator(".compare").bounding_box()
    page.mouse.move(box["x"] + 5, box["y"] + 50)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 50)
    page.mouse.up()
    assert abs(int(page.locator(".cut").input_value()) - 50) <= 1


def test_the_table_sorts_numbers_as_numbers_and_empty_cells_last(opened):
    page = opened("many")
    page.get_by_role("button", name="Frames").click()
    frames = [int(one) for one in column(page, 5)]
    assert frames == sorted(frames)
    head = page.locator("th", has=page.get_by_role("button", name="Frames"))
    assert head.get_attribute("aria-sort") == "ascending"
    page.get_by_role("button", name="Frames").click()
    assert [int(one) for one in column(page, 5)] == frames[::-1]
    assert head.get_attribute("aria-sort") == "descending"
    page.get_by_role("button", name="Stacked").press("Enter")
    shares = column(page, 6)
    assert shares[-2:] == ["", ""]
    known = [float(one) for one in shares[:-2]]
    assert known == sorted(known)
    assert page.locator("th[aria-sort]").count() == 1


def test_the_table_filters_by_words_and_outcome(opened):
    page = opened("many")
    page.locator("#find").fill("mars rgb")
    assert set(column(page, 2)) == {"mars"}
    assert page.locator("#count").text_content() == f"{len(column(page, 2))} of 9"
    page.locator("#find").fill("")
    page.locator("#status").select_option("set_aside")
    assert page.locator("#count").text_content() == "2 of 9"
    page.locator("#find").fill("no such thing")
    assert page.locator("#count").text_content() == "0 of 9"


def test_a_link_opens_its_capture(opened):
    page = opened("many")
    first = page.locator("details.capture").first
    assert first.get_attribute("open") is None
    page.locator("#captures-table tbody a").first.click()
    # The page hears of its new address a moment after the click.
    page.wait_for_selector("details.capture[open]", state="attached", timeout=10_000)
    assert first.get_attribute("open") is not None
    assert first.locator("svg.plot").count() >= 4


def test_everything_can_be_reached_by_keyboard_and_has_a_name(opened):
    page = opened("one")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the content"
    unnamed = page.evaluate(
        """() => [...document.querySelectorAll("a, button, input, select, [role=img], [role=region]")]
        .filter(e => !(e.getAttribute("aria-label") || e.getAttribute("aria-labelledby") ||
          e.textContent.trim() || e.labels?.length))
        .map(e => e.outerHTML)"""
    )
    assert unnamed == []
    levels = page.eval_on_selector_all("h1, h2, h3, h4", "all => all.map(h => Number(h.tagName[1]))")
    assert levels[0] == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))


def test_contrast_of_text_is_enough(opened):
    """At least 4.5 to 1: WCAG 2.2, success criterion 1.4.3, with its formula for relative luminance."""
    script = """() => {
      const rgb = text => text.match(/[0-9.]+/g).map(Number);
      const part = v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
      const light = ([r, g, b]) => [r, g, b].map(v => part(v / 255))
        .reduce((sum, v, k) => sum + v * [0.2126, 0.7152, 0.0722][k], 0);
      const behind = e => {
        for (; e; e = e.parentElement) {
          const c = rgb(getComputedStyle(e).backgroundColor);
          if (c.length === 3 || c[3] > 0) return c;
        }
        return [255, 255, 255];
      };
      const found = [];
      const texts = "p, a, h1, h2, h3, h4, dt, dd, td, th, small, li, label, summary, output";
      for (const e of document.querySelectorAll(texts)) {
        const seen = e.getClientRects().length && !e.classList.contains("sr");
        if (!seen || !e.textContent.trim()) continue;
        const a = light(rgb(getComputedStyle(e).color)), b = light(behind(e));
        const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
        if (ratio < 4.5) found.push(e.outerHTML.slice(0, 120) + " " + ratio.toFixed(2));
      }
      return found;
    }"""
    for scheme in ("light", "dark"):
        assert opened("one", color_scheme=scheme).evaluate(script) == []


def test_a_running_night_looks_for_news_unless_held(opened):
    page = opened("live")
    assert page.locator("#pause").is_visible()
    page.locator("#status").select_option("done")
    with page.expect_navigation(timeout=30_000):
        page.evaluate("location.reload()")
    # What the reader had chosen is as it was.
    assert page.locator("#status").input_value() == "done"
    assert page.locator("#count").text_content() == "3 of 4"
    page.locator("#pause").check()
    page.evaluate("window.mark = 1")
    page.wait_for_timeout(5500)
    assert page.evaluate("window.mark") == 1


def test_it_prints_whole(opened):
    page = opened("many")
    page.emulate_media(media="print")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert page.locator("details.capture:not([open])").count() == 0
    assert not page.locator("nav").is_visible()
    assert not page.locator(".controls").first.is_visible()
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert page.locator("details.capture[open]").count() == 0


def test_without_scripts_the_page_still_shows_everything(opened):
    page = opened("many", java_script_enabled=False)
    assert page.locator("figure.picture img.finished").count() == 7
    assert page.locator("#captures-table tbody tr").count() == 9
