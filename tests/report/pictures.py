"""Take the pictures of the docs: ``python tests/report/pictures.py REPORT COURSE docs/pictures``.

Both pages come from ``analyzer review sample_logs``: report.html and the course.html beside it.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from PIL import Image
from report.browser import Browser

WIDTH, HEIGHT = 1120, 900


def take(page: Path, course: Path, folder: Path) -> None:
    """Save the first screen of the page, of each part, of the page on a phone, and of the course sheet."""
    folder.mkdir(parents=True, exist_ok=True)
    names = ["report", "report-team", "report-tuner", "report-driver", "report-phone", "course"]
    with Browser() as browser:
        browser.open(page, WIDTH, HEIGHT)
        browser.screenshot(folder / "report.png", full=False)
        for part in ("team", "tuner", "driver"):
            browser.evaluate(f"document.getElementById('{part}').scrollIntoView(), 0")
            browser.screenshot(folder / f"report-{part}.png", full=False)
        browser.open(page, 390, 844)
        browser.evaluate("document.getElementById('driver').scrollIntoView(), 0")
        browser.screenshot(folder / "report-phone.png", full=False)
        browser.open(course, WIDTH, HEIGHT)
        browser.screenshot(folder / "course.png", full=False)
    for name in names:
        file = folder / f"{name}.png"
        Image.open(file).convert("RGB").quantize(256, method=Image.Quantize.FASTOCTREE).save(
            file, optimize=True
        )


if __name__ == "__main__":
    take(*map(Path, sys.argv[1:4]))
