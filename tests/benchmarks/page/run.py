"""How fast the morning page opens: invented nights of 1, 12 and 100 captures in a headless browser.

::

    python tests/benchmarks/page/run.py [CAPTURES ...]

Prints a Markdown table: size of the page, seconds to write it, first paint, and the end of loading (all embedded
pictures decoded) as the browser's own clock tells them (W3C Navigation Timing, Paint Timing); medians of five openings.
Needs Chromium, as the tests of the page do.
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from playwright.sync_api import Browser, sync_playwright

from nightmill.night import Night, NightFile
from nightmill.report import Report
from pipeline.report.nights import make_night
from pipeline.report.test_browser import find_browser

TIMES = """() => new Promise((done) => {
  const look = () => {
    const one = performance.getEntriesByType("navigation")[0];
    const paint = performance.getEntriesByType("paint").find((p) => p.name === "first-contentful-paint");
    if (paint && one.loadEventEnd > 0) done([paint.startTime, one.loadEventEnd]);
    else setTimeout(look, 50);
  };
  look();
})"""


def write(base: Path, captures: int) -> tuple[Path, float]:
    """Write the page of a night; return where it lies and the seconds it took."""
    summary, sources = make_night(base / "store", captures, failed=captures // 30, size=900)
    report = Report(base / "out", Night(base, NightFile()), lambda night, said: {"advice": [], "cautions": []})
    began = time.perf_counter()
    report.write(summary, sources)
    return base / "out" / "report" / "index.html", time.perf_counter() - began


def open_page(browser: Browser, page: Path) -> list[float]:
    """Open a page in a context of its own; return first paint and end of loading, ms."""
    context = browser.new_context(viewport={"width": 1200, "height": 900})
    tab = context.new_page()
    tab.goto(page.as_uri())
    times = tab.evaluate(TIMES)
    context.close()
    return [float(one) for one in times]


def main(counts: list[int]) -> None:
    """Measure and print."""
    path = find_browser()
    if path is None:
        raise SystemExit("no Chromium is installed; set NIGHTMILL_BROWSER to one")
    print("| captures | page, MB | written in, s | first paint, s | loaded, s |\n| --- | --- | --- | --- | --- |")
    arguments = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=path, args=arguments)
        for count in counts:
            page, seconds = write(Path(folder) / str(count), count)
            open_page(browser, page)
            opened = [open_page(browser, page) for _ in range(5)]
            paint, load = (statistics.median(one) / 1e3 for one in zip(*opened, strict=True))
            print(f"| {count} | {page.stat().st_size / 1e6:.1f} | {seconds:.2f} | {paint:.2f} | {load:.2f} |")
        browser.close()


if __name__ == "__main__":
    main([int(one) for one in sys.argv[1:]] or [1, 12, 100])
