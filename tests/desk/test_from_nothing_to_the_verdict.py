"""A real browser goes from an empty folder to the verdict and the next setting, without a text editor."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from desk.desk_helpers import Running, choose_files, filled_in, framed, keep, press, saved, type_in, until
from report.browser import CHROMIUM, Browser

from analyzer import api
from analyzer.report.sentences import comparison_answer
from analyzer.sheets.read import marked_keys, read_course, read_session

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="needs chromium (Debian: apt install chromium)"),
]

NUMBER = "document.querySelector('.told-by').textContent"
MEASURED = "document.querySelectorAll('[data-mark]').forEach(mark => { mark.checked = false; }); 1"
"""All that stands on the page is known now."""
EVERY = "document.querySelector('.every')"


def worked(browser: Browser, what: str) -> str:
    """Press a button that starts some work and return what it found."""
    press(browser, f"[data-work={what}]")
    until(browser, "document.querySelector('#step').textContent === 'Done'", 300.0)
    return browser.evaluate(NUMBER)


def course_typed(browser: Browser, sheet: Path, folder: Path) -> None:
    """Type a course, section by section, and save it."""
    course = read_course(sheet)
    until(browser, "Boolean(document.querySelector('[data-key=sections]'))")
    type_in(browser, "name", course.name)
    for number, section in enumerate(course.sections, start=1):
        if number > 1:
            press(browser, "[data-key=sections] > .add button")
        type_in(browser, f"sections[{number}].name", section.name)
        type_in(browser, f"sections[{number}].start", f"{section.start.distance_m:g} m")
        type_in(browser, f"sections[{number}].end", f"{section.end.distance_m:g} m")
    keep(browser, "4-course")
    saved(browser)
    found = read_course(folder / "course.toml").sections
    assert [(item.name, item.start, item.end) for item in found] == [
        (item.name, item.start, item.end) for item in course.sections
    ]


def pages_shown(browser: Browser, name: str) -> None:
    """Look at the pages of the review in the desk, then by themselves."""
    for page in ("report.html", "course.html", "look.html"):
        press(browser, f".pages a[target=review][href$='{page}']")
        until(browser, f"(location.pathname + document.readyState).endsWith('{page}complete')", 30.0, framed)
        assert name in framed(browser, "document.body.textContent"), page
        # Kept apart from the desk: whoever gave the folder away may have put it there.
        assert framed(browser, "window.origin") == "null"
        keep(browser, f"10-{page}")
    # That of the runs draws them with its own script.
    assert (
        until(browser, "document.querySelectorAll('canvas, svg path, svg polyline').length", 30.0, framed) > 0
    )
    assert browser.messages() == []
    for address in browser.evaluate("[...document.querySelectorAll('.pages .own')].map(link => link.href)"):
        browser.visit(address, 1280)
        assert name in browser.evaluate("document.body.textContent")
        assert browser.messages() == []


def test_from_an_empty_folder_to_the_next_setting(tmp_path: Path, sample_session: Path):
    folder = tmp_path / "evening"
    wanted = read_session(sample_session / "session.toml")
    with Running(folder) as desk, Browser() as browser:
        browser.visit(desk.address, 1280)
        keep(browser, "1-empty")

        # The logs begin the sheets, become runs, and are checked at once.
        choose_files(browser, "#files", [sample_session / run.logs[0] for run in wanted.runs])
        until(browser, "document.querySelectorAll('.channel').length > 10")
        until(browser, f"{NUMBER}.includes('Read: {len(wanted.runs)} runs')", 120.0)
        # In short at first; one press shows every run with what was checked in it.
        assert not browser.evaluate(f"{EVERY}.querySelector('p').checkVisibility()")
        press(browser, ".every summary")
        lines = browser.evaluate(
            f"[...{EVERY}.querySelectorAll('.strong')]"
            ".filter(line => line.checkVisibility()).map(line => line.textContent)"
        )
        assert [line.partition(":")[0] for line in lines] == [run.name for run in wanted.runs]
        assert all(re.search(r"[1-9]\d* checks", line) for line in lines), lines
        assert browser.evaluate("document.querySelectorAll('.trace').length") > 10
        keep(browser, "2-logs")

        # Everything of the car that the sample's sheet states is typed in.
        browser.visit(desk.address + "car", 1280)
        keep(browser, "3-car-begun")
        for field in filled_in(sample_session / "car.toml"):
            type_in(browser, field.name, field.value, field.error)
        browser.evaluate(MEASURED)
        keep(browser, "4-car-typed")
        saved(browser)
        assert marked_keys((folder / "car.toml").read_text(encoding="utf-8")) == ()
        assert api.load_car(folder / "car.toml").mass == api.load_car(sample_session / "car.toml").mass

        browser.visit(desk.address + "course", 1280)
        course_typed(browser, sample_session / "course.toml", folder)

        # The set-ups, and which run was driven on which.
        browser.visit(desk.address + "session", 1280)
        type_in(browser, "name", wanted.name)
        for name in wanted.setups:
            if name != "A":
                browser.evaluate(f"document.getElementById('n-setups').value = '{name}'")
                press(browser, "#n-setups + button")
        for name, setup in wanted.setups.items():
            for axle in ("front", "rear"):
                setting = setup.bar(axle)
                type_in(browser, f"setups.{name}.{axle}_bar.hole", str(setting.hole))
                type_in(browser, f"setups.{name}.{axle}_bar.spacers", str(setting.spacers))
        for number, run in enumerate(wanted.runs, start=1):
            type_in(browser, f"runs[{number}].setup", run.setup)
        browser.evaluate(MEASURED)
        keep(browser, "5-session")
        saved(browser)
        assert marked_keys((folder / "session.toml").read_text(encoding="utf-8")) == ()

        browser.visit(desk.address + "bar", 1280)
        until(browser, "document.querySelectorAll('.figures dd').length > 10")
        keep(browser, "6-bar")

        browser.visit(desk.address + "results", 1280)
        said = worked(browser, "review")
        keep(browser, "7-review")
        assert (folder / "report" / "report.html").is_file()
        result = api.review(folder)
        assert comparison_answer(result.comparisons[0]) in said.replace("\n", "")

        said = worked(browser, "confirm")
        keep(browser, "8-confirm")
        assert comparison_answer(api.confirm(result, "A", "B").comparison) in said

        said = worked(browser, "choose")
        keep(browser, "9-choose")
        assert "meets the wish" in said or "meet the wish" in said
        assert browser.messages() == []

        pages_shown(browser, wanted.name)
    assert shutil.which("chromium")
