"""The page of the runs: its size, how soon it can be used, and how many frames a second it draws while moved.

    PYTHONPATH=tests python tests/benchmarks/bench_look.py

Prints a row for the sample session, for 30 runs of 5 minutes at 200 Hz and for 90 minutes at 1 kHz, at the
width of a desk and of a phone. Frames are counted by the page itself while a real browser is moved through
its own events; 60 is the most it can show.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from report.browser import Browser
from report.synthetic_review import make_review
from report.test_look_page import figure_box, long_review, page_of, wait

from analyzer import api
from analyzer.demo.sample_session import write_demo

COUNT = "window.frames_ = []; (function f(t) { frames_.push(t); requestAnimationFrame(f); })(0); 0"
MOVES = 60


def rate(browser: Browser) -> float:
    """Return frames per second since the last call."""
    times = browser.evaluate("frames_.splice(0)")
    return 1000.0 * (len(times) - 2) / (times[-1] - times[1])


def moved(browser: Browser) -> tuple[float, float, float]:
    """Return frames per second with the cursor moving, dragging across a figure, and with two fingers."""
    box = figure_box(browser, "damper_RR")
    top = box["top"] + 40

    def mouse(kind: str, share: float, held: bool) -> None:
        order = {"type": kind, "x": box["left"] + share * box["width"], "y": top, "buttons": int(held)}
        button = "left" if held or kind == "mouseReleased" else "none"
        browser.call("Input.dispatchMouseEvent", {**order, "button": button, "clickCount": 1})
        time.sleep(0.01)

    def fingers(kind: str, *shares: float) -> None:
        points = [{"x": box["left"] + s * box["width"], "y": top, "id": i} for i, s in enumerate(shares)]
        browser.call("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
        time.sleep(0.01)

    browser.evaluate(COUNT)
    for step in range(MOVES):
        mouse("mouseMoved", step / MOVES, False)
    cursor = rate(browser)
    mouse("mousePressed", 0.5, True)
    for step in range(MOVES):
        mouse("mouseMoved", 0.5 + 0.3 * step / MOVES, True)
    dragged = rate(browser)
    mouse("mouseReleased", 0.8, False)
    browser.evaluate("showWhole(); 0")
    time.sleep(0.5)
    fingers("touchStart", 0.45, 0.55)
    rate(browser)
    for step in range(MOVES):
        fingers("touchMove", 0.45 - 0.4 * step / MOVES, 0.55 + 0.4 * step / MOVES)
    return cursor, dragged, rate(browser)


def main() -> None:
    with tempfile.TemporaryDirectory() as name, Browser() as browser:
        folder = Path(name)
        write_demo(folder / "session")
        api.write_report(api.review(folder / "session"), folder / "report")
        pages = {"sample session": folder / "report" / "look.html"}
        usual = make_review(folder)
        for words, runs, seconds, hertz in (
            ("30 x 5 min, 200 Hz", 30, 300.0, 200.0),
            ("90 min, 1 kHz", 1, 5400.0, 1000.0),
        ):
            pages[words] = folder / f"{runs}.html"
            pages[words].write_text(page_of(long_review(usual, runs, seconds, hertz)), encoding="utf-8")
        heads = ("width", "MB", "ready s", "cursor", "drag", "fingers")
        print(" " * 20, *(f"{head:>8}" for head in heads), " (the last three: frames/s)")
        for words, page in pages.items():
            for width in (1280, 390):
                browser.open(page, width)
                wait(browser, "document.documentElement.dataset.ready !== undefined")
                ready = float(browser.evaluate("document.documentElement.dataset.ready")) / 1000.0
                row = (float(width), page.stat().st_size / 1e6, ready, *moved(browser))
                print(f"{words:20}", *(f"{value:8.{2 if value < 20 else 0}f}" for value in row))


if __name__ == "__main__":
    main()
