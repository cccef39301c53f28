"""The page of the runs: what it holds is the recording, to its last decimal; links lead there and back."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
import time
import zlib
from contextlib import suppress
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from report.hostile import HOSTILE
from report.synthetic_review import Options

from analyzer.core.errors import AnalyzerError
from analyzer.report import look_page, tables
from analyzer.session.review import Review


def contents(page: str) -> dict[str, Any]:
    return json.loads(re.findall(r'<script type="application/json" id="shown">(.*?)</script>', page)[0])


def unpacked(page: str, number: int) -> dict[str, dict[str, np.ndarray]]:
    """Return time, lowest, highest, suspect and missing of every channel of a run, written anew here."""
    shown = contents(page)
    places = {panel["key"]: panel["places"] for panel in shown["panels"]}
    run = shown["runs"][number]
    blob = re.findall(r'<script type="text/plain" class="samples">(.*?)</script>', page)[number]
    plain = np.frombuffer(zlib.decompress(base64.b64decode(blob)), dtype=np.uint8)
    found, at = {}, 0
    for key, channel in run["channels"].items():
        base = run["bases"][channel["base"]]
        first = np.concatenate([f + every * np.arange(count) for f, every, count in base["cuts"]])
        every = np.concatenate([np.full(count, every) for _, every, count in base["cuts"]])
        sides = []
        for _ in range(2 if channel["wide"] else 1):
            planes = plain[at : at + 4 * len(first)].reshape(4, -1).astype(np.int64)
            at += 4 * len(first)
            folded = planes[0] + (planes[1] << 8) + (planes[2] << 16) + (planes[3] << 24)
            sides.append(np.cumsum((folded >> 1) ^ -(folded & 1)) / 10.0 ** places[key])
        flags = {name: np.zeros(len(first), dtype=bool) for name in ("suspect", "missing")}
        for name, flag in flags.items():
            for begin, count in channel[name]:
                flag[begin : begin + count] = True
        time = base["start"] + first / base["rate"]
        found[key] = {
            "time": time,
            "first": first,
            "every": every,
            "low": sides[0],
            "high": sides[-1],
            **flags,
        }
    assert at == len(plain)
    return found


def page_of(review: Review) -> str:
    return look_page.files_beside(review, None)["look.html"].decode()


FACTOR = {"travel": 1e3, "accel": 1 / 9.80665, "speed": 3.6, "steer": 180 / np.pi}


def of_recording(key: str, data: pd.DataFrame) -> np.ndarray:
    kind = "travel" if key.startswith("damper") else key.split("_")[0]
    return data[key].to_numpy() * FACTOR[kind]


def test_holds_every_sample_of_the_recording_to_the_last_decimal(drivers_page: Path, sample_review):
    page = drivers_page.with_name("look.html").read_text(encoding="utf-8")
    places = {panel["key"]: panel["places"] for panel in contents(page)["panels"]}

    for number, recording in enumerate(sample_review.recordings):
        channels = unpacked(page, number)
        logged = [key for key in channels if key in recording.data.columns]
        assert len(logged) == 8
        for key in logged:
            values = of_recording(key, recording.data)
            assert np.abs(channels[key]["low"] - values).max() <= 0.5001 * 10.0 ** -places[key]
            np.testing.assert_allclose(channels[key]["time"], recording.data.index, atol=1e-6)
        motion = sample_review.runs[number].motion.data
        roll = np.degrees(motion["roll_front"].to_numpy())
        assert np.abs(channels["roll_front"]["low"] - roll).max() <= 0.00501


def test_tells_suspect_and_missing_samples(review: Review):
    recording = review.recordings[0]
    data, suspect = recording.data.copy(), recording.suspect.copy()
    data.iloc[100:110, data.columns.get_loc("damper_FL")] = np.nan
    suspect.iloc[95:130, suspect.columns.get_loc("damper_FL")] = True
    marked = replace(recording, data=data, suspect=suspect)
    page = page_of(replace(review, recordings=(marked, *review.recordings[1:])))

    channel = unpacked(page, 0)["damper_FL"]

    assert np.flatnonzero(channel["missing"]).tolist() == list(range(100, 110))
    assert np.flatnonzero(channel["suspect"]).tolist() == [*range(95, 100), *range(110, 130)]


def test_share_without_damper_rates_says_what_it_lacks(review: Review):
    run = review.runs[0]
    lacking = {axle: replace(share, damped=axle != "rear") for axle, share in run.load_share.items()}
    poor = replace(review, runs=(replace(run, load_share=lacking), *review.runs[1:]))
    titles = {panel["key"]: panel["title"] for panel in look_page._contents(poor, None)[0]["panels"]}
    assert "no damper rates" in titles["left_share_rear"]
    assert "no damper rates" not in titles["left_share_front"]
    assert "no damper rates" not in tables.runs_table(review).note
    assert "The sheet has no damper rates (rear)" in tables.runs_table(poor).note


def test_many_samples_become_lowest_and_highest_but_not_around_a_hit(review: Review, monkeypatch):
    monkeypatch.setattr(look_page, "_MOST_VALUES", 60_000)
    page = page_of(review)
    run = review.runs[-1]
    times = [(event.start_s - 0.7, event.end_s + 0.7) for event in run.bottoming]
    assert times

    channels = unpacked(page, len(review.runs) - 1)

    data = review.recordings[-1].data
    channel = channels["damper_RR"]
    starts = channel["first"]
    assert (np.diff(starts) == channel["every"][:-1]).all()
    assert len(starts) < 0.7 * len(data)
    values = data["damper_RR"].to_numpy() * 1e3
    np.testing.assert_allclose(channel["low"], np.minimum.reduceat(values, starts), atol=0.00501)
    np.testing.assert_allclose(channel["high"], np.maximum.reduceat(values, starts), atol=0.00501)
    near = np.logical_or.reduce([(channel["time"] > low) & (channel["time"] < high) for low, high in times])
    assert set(channel["every"][near]) == {1}
    kept = sum(len(c["low"]) * (1 + (c["low"] is not c["high"])) for c in channels.values())
    assert kept * len(review.runs) < 1.5 * 60_000


def long_review(review: Review, runs: int, seconds: float, rate: float) -> Review:
    """Return a review of long runs: slow movement, wheel hop, noise of a 12-bit logger, hits all along."""
    rng = np.random.default_rng(5)
    made = [long_run(review, number, seconds, rate, rng) for number in range(runs)]
    return replace(review, recordings=tuple(one for one, _ in made), runs=tuple(other for _, other in made))


def long_run(review: Review, number: int, seconds: float, rate: float, rng: np.random.Generator):
    def channels(columns: pd.Index, rate: float) -> pd.DataFrame:
        time = np.arange(int(seconds * rate)) / rate
        values = {}
        for column in columns:
            size, step = (0.03, 4e-5) if column.startswith(("damper", "wheel", "heave")) else (3.0, 0.02)
            slow = np.sin(time * rng.uniform(0.5, 1.5)) + 0.2 * np.sin(
                2 * np.pi * 12.0 * time + rng.uniform(0, 6)
            )
            values[column] = np.rint((size * slow + rng.normal(0, step, len(time))) / step) * step
        return pd.DataFrame(values, index=pd.Index(time, name="time_s"))

    recording, run = review.recordings[0], review.runs[0]
    name = f"r{number + 1:02d}"
    data = channels(recording.data.columns, rate)
    moved = channels(run.motion.data.columns, min(rate, 100.0))
    none = {c: np.zeros(len(data), dtype=bool) for c in data.columns}
    motion = replace(
        run.motion,
        data=moved,
        suspect=pd.DataFrame(False, index=moved.index, columns=moved.columns),
        parked=pd.Series(False, index=moved.index),
    )
    event = review.runs[-1].bottoming[0]
    hits = tuple(
        replace(event, start_s=at, end_s=at + 0.1, peak_s=at + 0.05) for at in np.linspace(5, seconds - 5, 12)
    )
    loads = pd.DataFrame(dict.fromkeys(run.loads.columns, 0.5 + 0.1 * moved.iloc[:, 0]))
    return (
        replace(
            recording,
            run=name,
            data=data,
            suspect=pd.DataFrame(none, index=data.index),
            sample_rate=rate,
            health=(),
        ),
        replace(run, name=name, motion=motion, loads=loads, bottoming=hits),
    )


@pytest.mark.slow
@pytest.mark.parametrize(
    ("runs", "seconds", "rate", "most"), [(1, 5400.0, 1000.0, 8_000_000), (30, 300.0, 200.0, 12_000_000)]
)
def test_long_sessions_stay_small(
    review: Review, runs: int, seconds: float, rate: float, most: int, tmp_path: Path
):
    long = long_review(review, runs, seconds, rate)

    page = page_of(long)

    assert 2_000_000 < len(page) < most
    channel = unpacked(page, 0)["damper_FL"]
    values = long.recordings[0].data["damper_FL"].to_numpy() * 1e3
    np.testing.assert_allclose(channel["high"], np.maximum.reduceat(values, channel["first"]), atol=0.00501)


def test_nothing_is_loaded_and_only_what_stands_in_the_page_runs(drivers_page: Path):
    page = drivers_page.with_name("look.html").read_text(encoding="utf-8")
    policy = html.unescape(re.findall(r'Content-Security-Policy" content="([^"]*)"', page)[0])

    assert "unsafe" not in policy
    assert policy.startswith("default-src 'none'; ")
    for kind, texts in {
        "script-src": re.findall(r"<script>(.*?)</script>", page, re.DOTALL),
        "style-src": re.findall(r"<style>(.*?)</style>", page, re.DOTALL),
    }.items():
        hashes = re.findall(r"'sha256-([^']*)'", policy.split(kind)[1].split(";")[0])
        assert hashes == [base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in texts]
    assert not re.findall(r'(?:src|href)="(?:https?:)?//', page)


def test_sample_session_stays_small(drivers_page: Path):
    sizes = {name: drivers_page.with_name(name).stat().st_size for name in ("report.html", "look.html")}

    assert sum(sizes.values()) <= 3_000_000


def test_every_hit_section_and_run_of_the_report_leads_to_its_moment(drivers_page: Path, sample_review):
    report = drivers_page.with_name("report.html").read_text(encoding="utf-8")
    shown = contents(drivers_page.with_name("look.html").read_text(encoding="utf-8"))
    links = {html.unescape(link) for link in re.findall(r'href="look.html(#[^"]*)"', report)}
    hits = [(run.name, event) for run in sample_review.runs for event in run.bottoming]

    for run, event in hits:
        assert f"#run={run}&at={event.peak_s:.3f}&what=damper_{event.corner}" in links
        assert any(f"run={run}&at={event.peak_s:.3f}&section=" in link for link in links)
    assert {f"#run={run.name}" for run in sample_review.runs} <= links
    # And back: every hit knows its row, its number on the driver's page, and both are there.
    course = drivers_page.read_text(encoding="utf-8")
    back = [hit for run in shown["runs"] for hit in run["hits"] if not hit["droop"]]
    assert len({hit["report"] for hit in back}) == len(hits)
    for hit in back:
        assert report.count(f'id="{hit["report"]}"') == 1
        assert course.count(f'id="place-{hit["rank"]}"') == 1


def test_every_line_that_leads_to_the_runs_is_found_from_there(drivers_page: Path):
    report = drivers_page.with_name("report.html").read_text(encoding="utf-8")
    links = {html.unescape(link) for link in re.findall(r'href="look.html#([^"]*)"', report)}
    names = [html.unescape(name) for name in re.findall(r' id="([^"]*)"', report)]

    assert len(names) == len(set(names))
    hits = [link for link in links if "&what=damper_" in link and link not in names]
    assert links - set(names) == set(hits)
    assert sum(name.startswith("hit-") for name in names) == len(hits)


def test_a_remark_of_a_check_leads_to_the_longest_suspect_stretch(review: Review):
    recording = next(
        log for log in review.recordings if any(row.verdict.value == "suspect" for row in log.health)
    )
    row = next(row for row in recording.health if row.verdict.value == "suspect")
    assert row.channel in recording.data.columns
    suspect = recording.suspect.copy()
    suspect[row.channel] = False
    column = suspect.columns.get_loc(row.channel)
    suspect.iloc[50:60, column] = True
    suspect.iloc[400:501, column] = True
    # The others are sound: what several runs share leads to the one that is farthest off.
    marked = [
        replace(log, suspect=suspect) if log is recording else replace(log, health=())
        for log in review.recordings
    ]
    review = replace(review, recordings=tuple(marked))

    channels = [cells[1] for cells in tables.findings_table(review).rows if cells[0].text == recording.run]

    middle = recording.data.index[450]
    found = next(cell for cell in channels if cell.text == row.channel)
    assert found.moment == f"#run={recording.run}&at={middle:.3f}&what={row.channel}"


def test_a_report_alone_leads_nowhere(written: Path):
    assert "look.html" not in written.read_text(encoding="utf-8")


def test_names_cannot_break_out_of_the_page(review_with):
    names = tuple(HOSTILE.values())

    page = page_of(review_with(Options(runs=names, session=names[0], section=HOSTILE["long"])))

    assert len(contents(page)["runs"]) == len(names)
    assert page.count("<script") == 2 + 1 + len(names)
    assert page.count("</script>") == page.count("<script")


def test_says_when_the_drawing_library_is_missing(review: Review, monkeypatch):
    monkeypatch.setattr(look_page, "find_spec", lambda _name: None)

    with pytest.raises(AnalyzerError, match=r"uplot-python: not installed.*pip"):
        look_page.files_beside(review, None)


# In a real browser, through its own events.


@pytest.fixture
def opened(browser, drivers_page: Path):
    """Open the page of the sample session at a moment and wait until it can be used."""

    def open_at(fragment: str = "", width: int = 1280):
        browser.open(Path("/dev/null"), width)
        browser.call("Page.navigate", {"url": drivers_page.with_name("look.html").as_uri() + fragment})
        wait(browser, "document.documentElement.dataset.ready !== undefined")
        return browser

    return open_at


def wait(browser, condition: str) -> None:
    limit = time.monotonic() + 20.0
    while time.monotonic() < limit:
        # While one page gives way to another there is none to ask.
        with suppress(AssertionError):
            if browser.evaluate(condition):
                return
        time.sleep(0.02)
    raise AssertionError(f"not in time: {condition}")


def frame(browser) -> None:
    browser.evaluate("new Promise(r => requestAnimationFrame(() => requestAnimationFrame(() => r(0))))")


def figure_box(browser, key: str) -> dict[str, float]:
    browser.evaluate(f"document.getElementById('panel-{key}').scrollIntoView({{block: 'center'}})")
    wait(browser, f"document.querySelector('#panel-{key} .u-over').clientWidth > 50")
    frame(browser)
    return browser.evaluate(
        f"document.querySelector('#panel-{key} .u-over').getBoundingClientRect().toJSON()"
    )


def mouse(browser, kind: str, x: float, y: float, held: bool = False) -> None:
    order = {"type": kind, "x": x, "y": y, "button": "none" if kind == "mouseMoved" and not held else "left"}
    browser.call("Input.dispatchMouseEvent", {**order, "buttons": int(held), "clickCount": 1})
    frame(browser)


VALUES = """
[...document.querySelectorAll('#values tr')].map(
  r => [...r.children].map(c => c.textContent.replace('−', '-')))
"""


def test_the_cursor_reads_what_was_recorded(opened, sample_review):
    browser = opened("#run=r03")
    box = figure_box(browser, "damper_RR")

    for share in (0.21, 0.5, 0.83):
        mouse(browser, "mouseMoved", box["left"] + share * box["width"], box["top"] + 30)
        head, *rows = browser.evaluate(VALUES)
        read = {row[0].split(",")[0]: row[1:] for row in rows}
        assert sorted(head[1:]) == sorted(run.name for run in sample_review.runs)
        for column, run in enumerate(head[1:]):
            data = sample_review.recordings[run].data
            sample = int(np.argmin(np.abs(data.index.to_numpy() - float(read["Log time"][column]))))
            for title, key, half in (
                ("Damper rear right", "damper_RR", 0.005),
                ("Damper front left", "damper_FL", 0.005),
                ("Sideways acceleration", "accel_y", 0.0005),
                ("Vertical acceleration", "accel_z", 0.0005),
                ("Speed", "speed", 0.05),
                ("Steering", "steer_angle", 0.05),
            ):
                recorded = of_recording(key, data)[sample]
                assert float(read[title][column].split()[0]) == pytest.approx(recorded, abs=1.01 * half)
    assert browser.messages() == []


def test_one_click_leads_from_a_hit_in_the_report_to_its_place_in_all_runs(
    browser, drivers_page, sample_review
):
    from analyzer.report.sentences import events

    run, event = events(sample_review)[0]
    browser.open(drivers_page.with_name("report.html"), 390)
    browser.evaluate("document.querySelector('#hit-1 a').click()")
    wait(browser, "document.documentElement.dataset.ready !== undefined")
    frame(browser)

    told = browser.evaluate("document.getElementById('told').textContent")
    columns = browser.evaluate(VALUES)[0][1:]
    back = browser.evaluate("[...document.querySelectorAll('#ways a')].map(a => a.getAttribute('href'))")
    window = browser.evaluate("document.querySelector('#panel-damper_RR').getBoundingClientRect().toJSON()")

    assert told.startswith(f"{run.name} at {event.peak_s:.2f} s of its log, {event.section}, ")
    assert "rear right damper" in told
    assert told.endswith("hard.")
    assert columns[0] == run.name
    assert sorted(columns) == sorted(one.name for one in sample_review.runs)
    assert "report.html#hit-1" in back
    assert "course.html#place-1" in back
    assert 0 <= window["top"] < window["bottom"] <= 901
    assert [address for address in browser.requests() if not address.startswith(("data:", "file:"))] == []
    assert browser.evaluate("document.documentElement.scrollWidth") <= 390


def test_a_section_leads_to_the_runs_and_back_to_its_line(browser, drivers_page):
    browser.open(drivers_page.with_name("report.html"), 390)
    link = "document.querySelector('#team details a[href*=\"section=bowl\"]')"
    line = browser.evaluate(f"{link}.closest('[id]').id")
    browser.evaluate(f"{link}.closest('details').open = true; {link}.click()")
    wait(browser, "document.documentElement.dataset.ready !== undefined")
    frame(browser)
    ways = "[...document.querySelectorAll('#ways a')]"
    browser.evaluate(f"{ways}.find(a => a.textContent.endsWith('its line in the report')).click()")
    wait(browser, "document.querySelector('#team') !== null && document.readyState === 'complete'")

    assert line.startswith("run=")
    found = browser.evaluate(f"document.getElementById({line!r}).getBoundingClientRect().toJSON()")
    assert browser.evaluate("decodeURIComponent(location.hash)").endswith("section=bowl left")
    assert 0 <= found["top"] < found["bottom"] <= 900


def test_the_values_of_six_runs_stand_beside_the_figures_whole(browser, drivers_page):
    browser.open(drivers_page.with_name("look.html"), 1280)
    wait(browser, "document.documentElement.dataset.ready !== undefined")
    frame(browser)

    cells = browser.evaluate(VALUES)
    reach, room = browser.evaluate("(v => [v.scrollWidth, v.clientWidth])(document.getElementById('values'))")
    assert len(cells[0]) == 7
    assert reach <= room


def test_figures_follow_their_room_and_not_the_window_alone(browser, drivers_page):
    browser.open(drivers_page.with_name("look.html"), 1280)
    wait(browser, "document.documentElement.dataset.ready !== undefined")
    width = "document.querySelector('#panel-damper_FL .u-over').clientWidth"
    before = browser.evaluate(width)

    browser.evaluate("document.body.style.maxWidth = '64rem'")

    wait(browser, f"{width} < {before - 50}")
    plot = browser.evaluate("document.querySelector('#panel-damper_FL .plot').clientWidth")
    assert 0 < plot - browser.evaluate(width) < 60
    assert browser.messages() == []


def view(browser) -> tuple[float, float]:
    return tuple(browser.evaluate("[state.from, state.to]"))


def test_dragging_across_a_figure_shows_that_part_in_every_figure(opened):
    browser = opened()
    box = figure_box(browser, "damper_FR")
    low, high = view(browser)

    y = box["top"] + 40
    mouse(browser, "mousePressed", box["left"] + 0.5 * box["width"], y, held=True)
    mouse(browser, "mouseMoved", box["left"] + 0.6 * box["width"], y, held=True)
    mouse(browser, "mouseMoved", box["left"] + 0.75 * box["width"], y, held=True)
    mouse(browser, "mouseReleased", box["left"] + 0.75 * box["width"], y)

    wide, pixel = high - low, (high - low) / box["width"]
    assert view(browser) == pytest.approx((low + 0.5 * wide, low + 0.75 * wide), abs=2 * pixel)
    scales = browser.evaluate(
        "panels.filter(p => p.figure && !p.stale).map(p => [p.figure.scales.x.min, p.figure.scales.x.max])"
    )
    assert len(scales) >= 4
    assert all(scale == list(view(browser)) for scale in scales)


def test_two_fingers_show_less_and_what_lies_under_them_stays(opened):
    browser = opened(width=390)
    box = figure_box(browser, "damper_RL")
    low, high = view(browser)

    def touch(kind: str, *shares: float) -> None:
        points = [
            {"x": box["left"] + share * box["width"], "y": box["top"] + 40 + 5 * number, "id": number}
            for number, share in enumerate(shares)
        ]
        browser.call("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
        frame(browser)

    touch("touchStart", 0.4)
    touch("touchStart", 0.4, 0.6)
    for step in np.linspace(0.0, 0.3, 6):
        touch("touchMove", 0.4 - step, 0.6 + step)
    touch("touchEnd")

    # What lay under the fingers, from 0.4 to 0.6 of the course, lies under them from 0.1 to 0.9.
    wide = (high - low) * 0.2 / 0.8
    begin = low + 0.4 * (high - low) - 0.1 * wide
    assert view(browser) == pytest.approx((begin, begin + wide), abs=0.02 * wide)
    assert browser.messages() == []


FOCUSED = "(e => e.id || (e.textContent || e.parentElement.textContent).trim())(document.activeElement)"


def press(browser, key: str, code: int) -> None:
    for kind in ("keyDown", "keyUp"):
        order = {"type": kind, "key": key, "code": key, "windowsVirtualKeyCode": code}
        browser.call("Input.dispatchKeyEvent", order)


def test_every_control_has_a_name_and_its_turn(opened):
    browser = opened()
    browser.call("Accessibility.enable")
    nodes = browser.call("Accessibility.getFullAXTree")["nodes"]
    browser.call("Accessibility.disable")
    named = [
        (node["role"]["value"], node.get("name", {}).get("value", ""))
        for node in nodes
        if not node.get("ignored")
        and any(p["name"] == "focusable" and p["value"]["value"] for p in node.get("properties", []))
    ]

    assert all(name for role, name in named if role != "RootWebArea")
    wanted = [
        ("link", "Session review"),
        ("link", "Link to this moment"),
        ("checkbox", "r01 · A"),
        ("combobox", "Run that is read"),
        ("combobox", "Go to"),
        ("radio", "place on the course"),
        ("button", "Whole run"),
        ("slider", "Cursor"),
        ("region", "Values at the cursor, every run"),
    ]
    assert set(wanted) <= set(named)
    turns = [press(browser, "Tab", 9) or browser.evaluate(FOCUSED) for _ in range(30)]
    order = [turns.index(name) for name in ("Session review", "r01 · A", "lead", "whole", "cursor", "values")]
    assert all(before < after for before, after in pairwise(order))
    # With the keys alone: the cursor moves, and says where it is.
    browser.evaluate("document.getElementById('cursor').focus()")
    before = browser.evaluate("document.getElementById('cursor').getAttribute('aria-valuetext')")
    for _ in range(9):
        press(browser, "ArrowRight", 39)
    frame(browser)
    after = browser.evaluate("document.getElementById('cursor').getAttribute('aria-valuetext')")
    assert after != before
    assert after == browser.evaluate("document.getElementById('told').textContent")


WIDER = """
[...document.querySelectorAll('.plot canvas, #map svg, #values table')].filter(e => {
  const frame = e.closest('.plot, #map, #values');
  return e.getBoundingClientRect().right > frame.getBoundingClientRect().right + 1;
}).map(e => e.parentElement.id || e.tagName)
"""


@pytest.mark.parametrize("width", [1280, 390])
def test_the_sheet_of_paper_holds_figures_map_and_values_whole(opened, width: int):
    browser = opened("#run=r03", width)
    browser.prefer("dark")
    browser.evaluate("dispatchEvent(new Event('beforeprint'))")
    paper = browser.evaluate("document.body.getBoundingClientRect().width") / 96 * 25.4
    assert paper == pytest.approx(180.0, abs=0.5)  # A4 less the margins of the page
    assert browser.evaluate(WIDER) == []
    drawn = browser.evaluate("document.querySelectorAll('.plot canvas').length")
    assert drawn == browser.evaluate("document.querySelectorAll('.plot').length")
    assert browser.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    browser.evaluate("dispatchEvent(new Event('afterprint'))")
    assert browser.evaluate("document.documentElement.className") == ""
    # The values of six runs stand beside each other on a phone, too; those of more scroll in their frame.
    assert browser.evaluate(WIDER) == []
    browser.prefer("light")
