"""Take the pictures of the docs: ``python tests/report/pictures.py [docs/pictures]``.

Reviews the sample session and opens its pages in a real browser. What the pictures say is kept beside them,
in words.json, and held against the program by ``tests/report/test_pictures.py``.
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from PIL import Image
from report.browser import Browser

from analyzer import api

ROOT = Path(__file__).parents[2]
WIDTH, HEIGHT = 1120, 900
PHONE = (390, 844)

PICTURES = {
    "report": ("report.html", "", (WIDTH, HEIGHT)),
    "report-team": ("report.html", "team", (WIDTH, HEIGHT)),
    "report-tuner": ("report.html", "tuner", (WIDTH, HEIGHT)),
    "report-driver": ("report.html", "driver", (WIDTH, HEIGHT)),
    "report-phone": ("report.html", "driver", PHONE),
    "course": ("course.html", "", (WIDTH, HEIGHT)),
    "look": ("look.html", "", (WIDTH, HEIGHT)),
}
"""Picture -> page, the part that is scrolled to, size of the window."""

SEEN = """
[...document.querySelectorAll('h1, .answer, nav a, figcaption, .places b, #panels h2')]
  .map(e => [e, e.getBoundingClientRect()])
  .filter(([_, box]) => box.height && box.top >= 0 && box.bottom <= innerHeight)
  .map(([e]) => e.textContent.replace(/\\s+/g, ' ').trim())
"""
"""The sentences that stand wholly within the window."""


def show(browser: Browser, folder: Path, name: str) -> list[str]:
    """Open what a picture shows, and return the sentences in it."""
    page, part, size = PICTURES[name]
    browser.open(folder / page, *size)
    if page == "look.html":
        browser.evaluate(
            "new Promise(r => (function look() {"
            " document.documentElement.dataset.ready ? r(0) : setTimeout(look, 20); })())"
        )
        # From the hardest hit in the list, as a reader would go there.
        browser.evaluate("moments.length && (location.hash = linkTo(runs[moments[0].run], moments[0].at)), 0")
        browser.evaluate("new Promise(r => setTimeout(() => r(0), 600))")
    if part:
        browser.evaluate(f"document.getElementById('{part}').scrollIntoView(), 0")
    return browser.evaluate(SEEN)


def take(folder: Path) -> None:
    """Save every picture, and what they say."""
    folder.mkdir(parents=True, exist_ok=True)
    words = {}
    with tempfile.TemporaryDirectory() as made, Browser() as browser:
        page = api.write_report(api.review(ROOT / "sample_logs"), Path(made) / "report")
        for name in PICTURES:
            words[name] = show(browser, page.parent, name)
            file = folder / f"{name}.png"
            browser.screenshot(file, full=False)
            picture = Image.open(file).convert("RGB")
            picture.quantize(256, method=Image.Quantize.FASTOCTREE).save(file, optimize=True)
    text = json.dumps(words, ensure_ascii=False, indent=1)
    (folder / "words.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    take(Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "docs" / "pictures")
