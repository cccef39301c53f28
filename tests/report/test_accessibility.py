"""Every page holds to the accessibility rules of axe-core in a real browser, contrast AA among them.

``ANALYZER_AXE`` names axe.min.js; it comes from ``npm install --prefix FOLDER axe-core@4``, outside this
project, and is given to the page from disk. Text inside drawings is beyond these rules (they report it as not
worked out); its contrast is measured here by the same formula.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from report.browser import CONTRAST, Browser
from report.test_look_page import wait
from report.test_season_page import archive, car as season_car

from analyzer import api
from analyzer.report.page import write_report
from analyzer.report.season_page import write_season

AXE = os.environ.get("ANALYZER_AXE", "")

RUN = """
axe.run(document, {resultTypes: ['violations', 'incomplete']}).then(r => ({
  passed: r.passes.map(p => p.id),
  found: r.violations.map(v => [v.impact, v.id, v.nodes.map(n => n.html.slice(0, 200))]),
  open: r.incomplete.filter(v => v.id === 'color-contrast')
    .flatMap(v => v.nodes.map(n => [n.html.slice(0, 200), n.any[0].data.messageKey]))
    .filter(([html]) => !html.startsWith('<text')),
}))
"""

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        not Path(AXE).is_file(),
        reason="set ANALYZER_AXE to axe.min.js (npm install --prefix FOLDER axe-core@4)",
    ),
]


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory, sample_review) -> dict[str, Path]:
    from analyzer.report.course_page import write_course
    from analyzer.session.course_sheet import course_sheet

    folder = tmp_path_factory.mktemp("pages")
    return {
        "report": write_report(sample_review, folder / "report"),
        "course": write_course(course_sheet(sample_review), folder / "course"),
        "look": api.write_report(sample_review, folder / "beside").with_name("look.html"),
        "season": write_season(archive(folder / "season", season_car(), season_car("Grey saloon"))),
    }


@pytest.fixture
def examined(browser: Browser, pages: dict[str, Path], tmp_path: Path) -> Iterator[Callable[..., dict]]:
    """Open a page, with or without its folds, and return what the rules say."""

    def examine(name: str, width: int, folds_open: bool, scheme: str = "light") -> dict:
        # The page's own policy forbids scripts; the rules run on a copy without it.
        text = pages[name].read_text(encoding="utf-8")
        copy = tmp_path / "copy.html"
        copy.write_text(re.sub(r"<meta http-equiv[^>]*>", "", text), encoding="utf-8")
        browser.prefer(scheme)
        browser.open(copy, width)
        if name == "look":  # not while it is still being drawn
            wait(browser, "document.documentElement.dataset.ready !== undefined")
        if folds_open:
            browser.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        browser.evaluate(Path(AXE).read_text(encoding="utf-8") + "; 1")
        return {**browser.evaluate(RUN), "drawn": browser.evaluate(CONTRAST)}

    yield examine
    browser.prefer("light")


@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("folds_open", [False, True], ids=["folded", "open"])
@pytest.mark.parametrize("name", ["report", "course", "look", "season"])
def test_no_serious_finding_and_contrast_is_enough(examined, name: str, width: int, folds_open: bool):
    outcome = examined(name, width, folds_open)

    assert len(outcome["passed"]) > 15
    assert "color-contrast" in outcome["passed"]
    assert outcome["found"] == []
    # Text whose contrast the rules could not work out is text nobody has checked.
    assert outcome["open"] == []
    assert [text for ratio, text in outcome["drawn"] if ratio < 4.5] == []


@pytest.mark.parametrize("name", ["report", "course", "look", "season"])
def test_no_finding_in_the_dark(examined, name: str):
    outcome = examined(name, 390, True, "dark")

    assert "color-contrast" in outcome["passed"]
    assert outcome["found"] == []
    assert outcome["open"] == []
