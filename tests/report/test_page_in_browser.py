"""The page in a real browser: opens from disk without network, fits phone and desk, prints, is accessible."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from report.browser import CONTRAST, WORDS, Browser
from report.hostile import HOSTILE
from report.synthetic_review import Options

from analyzer.report.page import write_report

PHONE, DESK = 390, 1280

SIDEWAYS = (
    "[...document.querySelectorAll('body *')].filter(e => e.getBoundingClientRect().right > innerWidth + 1)"
    ".filter(e => !e.closest('.skip') && !e.closest('thead'))"
    ".map(e => e.tagName + ' ' + e.textContent.slice(0, 60)).slice(0, 5)"
)


@pytest.fixture(scope="module")
def hostile_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from report.synthetic_review import make_review

    folder = tmp_path_factory.mktemp("hostile")
    (folder / "session").mkdir()
    names = list(HOSTILE.values())
    options = Options(
        session=names[0],
        car=HOSTILE["right-to-left"],
        section=HOSTILE["long"],
        channel=HOSTILE["long"],
        runs=tuple(names),
        setups=(names[0], HOSTILE["long"], HOSTILE["right-to-left"]),
        failed=tuple((f"{name} again", name) for name in names),
    )
    return write_report(make_review(folder / "session", options), folder / "report")


@pytest.mark.parametrize("width", [PHONE, DESK])
def test_opens_from_disk_without_a_message_or_a_request(browser: Browser, written: Path, width: int):
    browser.open(written, width)

    assert browser.messages() == []
    asked = [address for address in browser.requests() if not address.startswith("data:")]
    assert asked == [written.resolve().as_uri()]


@pytest.mark.parametrize("width", [320, PHONE, 768, 1000, DESK])
@pytest.mark.parametrize("folds", ["closed", "open"])
def test_does_not_scroll_sideways(browser: Browser, written: Path, width: int, folds: str):
    browser.open(written, width)
    if folds == "open":
        browser.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")

    assert browser.evaluate("document.documentElement.scrollWidth") <= width
    assert browser.evaluate(SIDEWAYS) == []


@pytest.mark.parametrize("width", [PHONE, DESK])
def test_hostile_names_do_not_break_the_page(browser: Browser, hostile_page: Path, width: int):
    browser.open(hostile_page, width)
    browser.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")

    assert browser.messages() == []
    assert browser.evaluate("document.documentElement.scrollWidth") <= width
    assert browser.evaluate("document.querySelectorAll('script, [onerror], figure figure').length") == 0
    assert browser.evaluate("document.querySelectorAll('main > section').length") == 4


@pytest.mark.parametrize("part", ["team", "tuner", "driver"])
@pytest.mark.parametrize(("width", "height"), [(PHONE, 844), (DESK, 900)])
def test_the_answer_and_a_figure_stand_on_the_first_screen_of_each_part(
    browser: Browser, written: Path, part: str, width: int, height: int
):
    browser.open(written, width, height)
    browser.evaluate(f"location.hash = '{part}'; document.getElementById('{part}').scrollIntoView()")

    answer = browser.evaluate(f"document.querySelector('#{part} .answer').getBoundingClientRect().toJSON()")
    title = browser.evaluate(f"document.querySelector('#{part} figcaption').getBoundingClientRect().toJSON()")
    assert 0 <= answer["top"] < answer["bottom"] <= height
    assert title["bottom"] <= height


CUT = """
[...document.querySelectorAll('figure svg text, .places svg text')].map(t => {
  const b = t.getBoundingClientRect(), s = t.closest('svg').getBoundingClientRect();
  return [Math.max(s.left - b.left, b.right - s.right, s.top - b.top, b.bottom - s.bottom), t.textContent];
})
"""
"""How far every word of a figure stands out of it [px]; its box is a little higher than its letters."""


CARDS = """
[...document.querySelectorAll('nav a')].map(a => ({
  to: a.getAttribute('href'),
  bottom: a.getBoundingClientRect().bottom,
  text: a.innerText,
  smallest: Math.min(...[...a.children].map(e => parseFloat(getComputedStyle(e).fontSize))),
}))
"""


@pytest.mark.parametrize(("width", "height"), [(PHONE, 844), (DESK, 900)])
@pytest.mark.parametrize("kind", ["written", "hostile_page"])
def test_three_answers_fit_on_the_first_screen(
    browser: Browser, request: pytest.FixtureRequest, kind: str, width: int, height: int
):
    browser.open(request.getfixturevalue(kind), width, height)

    found = browser.evaluate(CARDS)

    assert [card["to"] for card in found] == ["#team", "#tuner", "#driver"]
    assert max(card["bottom"] for card in found) <= height
    assert min(card["smallest"] for card in found) >= 14.0
    for card in found:
        assert re.search(r"\d", card["text"])


def test_a_tap_on_a_card_leads_to_its_part(browser: Browser, written: Path):
    browser.open(written, PHONE, 844)

    browser.evaluate("document.querySelector('nav a[href=\"#driver\"]').click()")

    assert browser.evaluate("Math.abs(document.getElementById('driver').getBoundingClientRect().top)") <= 1


def test_each_run_is_one_row_of_the_strip_on_a_phone(browser: Browser, written: Path):
    browser.open(written, PHONE)

    cells = browser.evaluate(
        "[...document.querySelectorAll('.strip tbody tr')]"
        ".map(r => [...r.children].map(c => c.getBoundingClientRect().toJSON()))"
    )
    sizes = browser.evaluate(
        "[...document.querySelectorAll('.strip th, .strip td, .strip small')]"
        ".map(e => parseFloat(getComputedStyle(e).fontSize))"
    )

    assert len(cells) == 6
    for row in cells:
        assert {round(cell["top"]) for cell in row} == {round(row[0]["top"])}
        assert [cell["left"] for cell in row] == sorted(cell["left"] for cell in row)
        assert row[-1]["right"] <= PHONE
    assert min(sizes) >= 11.0


def test_text_in_figures_stays_legible_on_a_phone(browser: Browser, written: Path):
    browser.open(written, PHONE)
    browser.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")

    smallest = browser.evaluate(
        "Math.min(...[...document.querySelectorAll('.plates svg text')]"
        ".map(t => [parseFloat(getComputedStyle(t).fontSize), t.getScreenCTM()])"
        ".map(([size, m]) => size * Math.hypot(m.a, m.b)))"
    )

    assert smallest >= 11.0


def test_text_in_figures_has_enough_contrast(browser: Browser, written: Path):
    browser.open(written, DESK)

    found = browser.evaluate(CONTRAST)

    assert len(found) > 100
    assert [(round(ratio, 2), text) for ratio, text in found if ratio < 4.5] == []


@pytest.fixture
def dark(browser: Browser) -> Iterator[Browser]:
    browser.prefer("dark")
    yield browser
    browser.prefer("light")


@pytest.mark.parametrize("width", [PHONE, DESK])
@pytest.mark.parametrize("name", ["report.html", "course.html"])
def test_every_word_has_enough_contrast_in_the_dark(dark: Browser, drivers_page: Path, name: str, width: int):
    dark.open(drivers_page.with_name(name), width)
    dark.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")

    assert dark.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(22, 22, 22)"
    found = dark.evaluate(WORDS)
    assert len(found) > 40
    assert [(round(ratio, 2), text) for ratio, text in found if ratio < 4.5] == []


@pytest.mark.parametrize("name", ["report.html", "course.html"])
def test_words_in_figures_can_be_read_in_the_dark(dark: Browser, drivers_page: Path, name: str):
    dark.open(drivers_page.with_name(name), DESK)
    # Opened, since what has never been laid out has no pixels to look at.
    dark.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    fills = dark.evaluate(
        "[...document.querySelectorAll('svg text')].map(t => [getComputedStyle(t).fill,"
        " getComputedStyle(t.closest('svg')).filter, t.textContent])"
    )

    assert len(fills) > 40
    assert {filters for _, filters, _ in fills} == {"invert(1) hue-rotate(180deg)"}
    ground = brightness(np.full(3, 22.0))
    ratios = [((brightness(turned_over(fill)) + 0.05) / (ground + 0.05), text) for fill, _, text in fills]
    assert [(round(ratio, 2), text) for ratio, text in ratios if ratio < 4.5] == []


def turned_over(fill: str) -> np.ndarray:
    """Return a colour inverted, its hue turned by half (Filter Effects 1, 9.6: cos = -1, sin = 0)."""
    colour = 255.0 - np.array([float(part) for part in re.findall(r"[\d.]+", fill)[:3]])
    weights = np.array([0.213, 0.715, 0.072])
    return np.clip(2.0 * weights @ colour - colour, 0.0, 255.0)


def brightness(colour: np.ndarray) -> float:
    """Return the relative luminance of a colour, by the formula of WCAG 2.2."""
    part = colour / 255.0
    linear = np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
    return float(np.array([0.2126, 0.7152, 0.0722]) @ linear)


def test_paper_stays_light_whatever_the_screen_asks_for(dark: Browser, written: Path):
    dark.call(
        "Emulation.setEmulatedMedia",
        {"media": "print", "features": [{"name": "prefers-color-scheme", "value": "dark"}]},
    )
    dark.open(written, DESK)
    ink, ground, filters = dark.evaluate(
        "[getComputedStyle(document.body).color, getComputedStyle(document.body).backgroundColor,"
        " getComputedStyle(document.querySelector('figure svg')).filter]"
    )
    dark.call("Emulation.setEmulatedMedia", {"media": ""})

    assert (ink, ground, filters) == ("rgb(28, 28, 28)", "rgb(255, 255, 255)", "none")


def test_prints_on_at_most_eight_pages(browser: Browser, written: Path):
    browser.open(written, DESK)

    pdf = browser.pdf()

    pages = len(re.findall(rb"/Type\s*/Page\b", pdf))
    assert 1 <= pages <= 8
    assert b"/MediaBox [0 0 594" in pdf or b"/MediaBox [0 0 595" in pdf


def test_the_drivers_page_is_one_sheet_of_paper(browser: Browser, drivers_page: Path):
    """A single line of its foot went to a second one."""
    browser.open(drivers_page, DESK)
    assert len(re.findall(rb"/Type\s*/Page\b", browser.pdf())) == 1


def test_twelve_runs_stay_small_and_print_on_at_most_eight_pages(
    browser: Browser, tmp_path: Path, review_with
):
    runs = tuple(f"r{number:02d}" for number in range(1, 13))
    page = write_report(review_with(Options(runs=runs)), tmp_path / "report")
    browser.open(page, DESK)

    assert page.stat().st_size < 5_000_000
    assert len(re.findall(rb"/Type\s*/Page\b", browser.pdf())) <= 8


# The driver's page, which comes with the report when the course is known.


@pytest.mark.parametrize("width", [320, PHONE, 768, 1000, DESK])
def test_the_drivers_page_fits_and_asks_for_nothing(browser: Browser, drivers_page: Path, width: int):
    browser.open(drivers_page, width)
    browser.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")

    assert browser.evaluate("document.documentElement.scrollWidth") <= width
    assert browser.evaluate(SIDEWAYS) == []
    assert browser.messages() == []
    asked = [address for address in browser.requests() if not address.startswith("data:")]
    assert asked == [drivers_page.resolve().as_uri()]


def test_every_word_in_the_drivers_figures_is_at_least_11_px_on_a_phone(browser: Browser, drivers_page: Path):
    browser.open(drivers_page, PHONE)
    browser.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")

    sizes = browser.evaluate(
        "[...document.querySelectorAll('svg text')]"
        ".map(t => [parseFloat(getComputedStyle(t).fontSize), t.getScreenCTM(), t.textContent])"
        ".map(([size, m, text]) => [size * Math.hypot(m.a, m.b), text])"
    )

    assert len(sizes) > 60
    assert [(round(size, 1), text) for size, text in sizes if size < 11.0] == []


@pytest.mark.parametrize("name", ["report.html", "course.html"])
@pytest.mark.parametrize("width", [PHONE, DESK])
def test_no_word_of_a_figure_is_cut_off(browser: Browser, drivers_page: Path, name: str, width: int):
    browser.open(drivers_page.with_name(name), width)
    browser.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")

    cut = browser.evaluate(CUT)

    assert len(cut) > 40
    assert [(round(by, 1), text) for by, text in cut if by > 2.0] == []


def test_long_names_of_runs_and_set_ups_are_not_cut_off(browser: Browser, tmp_path: Path, review_with):
    options = Options(runs=("practice 1", "practice 2", "practice 3"), setups=("soft-A", "hard-B"))
    review = review_with(options)
    # A level road of which the bank is not told: its axis then has numbers of three letters.
    runs = tuple(replace(run, motion=replace(run.motion, data=run.motion.data * -1.0)) for run in review.runs)
    browser.open(write_report(replace(review, runs=runs), tmp_path / "report"), PHONE)

    cut = browser.evaluate(CUT)

    assert {"practice 1 soft-A", "roll gradient front hard-B"} <= {text for _, text in cut}
    assert [(round(by, 1), text) for by, text in cut if by > 2.0] == []


def test_figures_in_a_dark_notebook_stand_on_paper(browser: Browser, tmp_path: Path, review):
    notebook = tmp_path / "notebook.html"
    notebook.write_text(f'<body style="background:#111;color:#eee">{review._repr_html_()}', encoding="utf-8")
    browser.open(notebook, DESK)

    look = browser.evaluate(
        "[...document.querySelectorAll('figure')].map(f => [getComputedStyle(f).backgroundColor,"
        " ...['small', 'strong'].map(word => getComputedStyle(f.querySelector(word)).color)])"
    )

    assert len(look) > 1
    assert {tuple(colours) for colours in look} == {("rgb(255, 255, 255)", *["rgb(28, 28, 28)"] * 2)}


@pytest.mark.parametrize("width", [PHONE, DESK])
def test_no_word_of_the_map_hides_another_in_the_browsers_own_type(
    browser: Browser, drivers_page: Path, width: int
):
    browser.open(drivers_page, width)

    boxes = browser.evaluate(
        "[...document.querySelectorAll('#figure-where svg text')]"
        ".map(t => { const b = t.getBoundingClientRect();"
        " return [b.left, b.right, b.top, b.bottom, t.textContent]; })"
    )

    assert {"bowl left", "1 RR", "4 FR", "start"} <= {box[4] for box in boxes}
    hidden = [
        (one[4], other[4])
        for one, other in combinations(boxes, 2)
        if one[0] < other[1] and other[0] < one[1] and one[2] < other[3] and other[2] < one[3]
    ]
    assert hidden == []


def test_report_and_drivers_page_lead_to_each_other(browser: Browser, drivers_page: Path):
    browser.open(drivers_page.with_name("report.html"), PHONE)
    assert browser.evaluate("document.querySelector('#driver .more a').href") == drivers_page.as_uri()
    browser.open(drivers_page, PHONE)
    back = browser.evaluate("document.querySelector('header a').href")
    assert back == f"{drivers_page.with_name('report.html').as_uri()}#driver"
