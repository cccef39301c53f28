"""The driver's course sheet of the sample session: places, words, page, file."""

from __future__ import annotations

import io
import json
import re
import shutil
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.transforms import Bbox
from report.hostile import HOSTILE
from rich.console import Console

from analyzer import api
from analyzer.core.errors import AnalyzerError
from analyzer.report.course_page import course_json, render_course, write_course
from analyzer.report.course_sentences import course_answer, place_words
from analyzer.report.figures.course_plots import where_plate
from analyzer.report.figures.style import house_style
from analyzer.report.sentences import travel_words
from analyzer.report.tables import events_table
from analyzer.report.terminal import print_course
from analyzer.session.course_sheet import CourseSheetResult, course_sheet
from analyzer.session.review import Review, review_session

ZERO_MM = 1.5
"""The sample's pots are zeroed while the car stands; that lies so far from the virtual car's own zero."""
SAMPLE = Path(__file__).parents[2] / "sample_logs"


@pytest.fixture(scope="module")
def driven(sample_review: Review) -> Review:
    return sample_review


@pytest.fixture(scope="module")
def sheet(driven: Review) -> CourseSheetResult:
    return course_sheet(driven)


def _printed(result: CourseSheetResult, width: int = 80) -> str:
    stream = io.StringIO()
    print_course(result, Console(file=stream, width=width, highlight=False))
    return stream.getvalue()


def test_pots_without_a_calibration_tell_of_no_place(sheet: CourseSheetResult) -> None:
    """Its margins were printed as if they were the car's, and what they rest on was not said."""
    pots = frozenset(f"damper_{corner}" for corner in ("FL", "FR", "RL", "RR"))
    blind = replace(sheet, uncalibrated=pots)
    assert course_answer(blind).endswith("no calibration of damper_FL, damper_FR, damper_RL and damper_RR.")
    assert "Travel left" not in _printed(blind)
    assert "bowl left" not in _printed(blind)
    # Where one that is on the sheet is calibrated, it is told as before.
    assert course_answer(replace(sheet, uncalibrated=pots - {"damper_RR"})) == course_answer(sheet)
    key = "front.damper.bump_stop_gap"
    gaps = {axle: replace(gap, provisional=(key,)) for axle, gap in sheet.gaps.items()}
    provisional = f"{course_answer(sheet)} Provisional until {key} is measured."
    assert course_answer(replace(sheet, gaps=gaps)) == provisional


def test_worst_place_is_in_the_bowl(sheet: CourseSheetResult) -> None:
    worst = sheet.places[0].place
    assert worst.section == "bowl left"
    assert worst.corner == "RR"
    assert len(worst.runs) == 5  # the virtual car hits there in five of the six (truth.json)
    assert worst.passed == 6
    assert (
        place_words(worst) == "bowl left, exit, RR, 2 of 5 hits hard, 5 of 6 runs, mostly heave on the bank"
    )


def test_every_hit_of_the_virtual_car_is_on_the_sheet(sheet: CourseSheetResult) -> None:
    """The pots' zero, taken as the car stands, is off by a constant per corner; depths agree but for it."""
    truth = json.loads((SAMPLE / "truth.json").read_text())["runs"]
    hits = [(h.run, s.place.corner, h.event) for s in sheet.places for h in s.place.hits]
    gaps = {"F": 36.0, "R": 46.0}
    off: dict[str, list[float]] = {}
    for run, found in truth.items():
        for hit in found["bottoming"]:
            if hit["peak_mm"] - gaps[hit["wheel"][0]] < 1.0 + ZERO_MM:
                continue
            same = [e for r, c, e in hits if r == run and c == hit["wheel"]]
            near = [e for e in same if e.start_s - 0.02 < hit["end"] and e.end_s + 0.02 > hit["start"]]
            assert near
            # Hits parted by less than a hop of the wheel are one.
            joined = [
                t["peak_mm"]
                for t in found["bottoming"]
                if t["wheel"] == hit["wheel"]
                and t["start"] < near[0].end_s + 0.01
                and t["end"] > near[0].start_s - 0.01
            ]
            off.setdefault(hit["wheel"], []).append(1e3 * near[0].peak - max(joined))
    for wheel, errors in off.items():
        assert np.ptp(errors) < 0.3, wheel
        assert abs(np.mean(errors)) < ZERO_MM, wheel


def test_places_are_ranked_and_add_up(sheet: CourseSheetResult, driven: Review) -> None:
    shown = sum(len(s.place.hits) for s in sheet.places)
    assert shown == sum(len(run.bottoming) + len(run.topping) for run in driven.runs)
    for place in (s.place for s in sheet.places):
        event = place.worst.event
        assert event.budget is not None
        assert sum(event.budget.causes.values()) == pytest.approx(event.peak, abs=1e-9)


def test_the_deepest_hit_has_the_parts_it_has_in_the_report(sheet: CourseSheetResult, driven: Review) -> None:
    rows = events_table(driven, 99).rows
    parts = {row[-1].text for row in rows}
    page = render_course(sheet)

    for place in (s.place for s in sheet.places):
        words = travel_words(place.worst.event)
        assert words in parts
        assert f"Travel of that hit: {words}." in page


def test_terminal_fits_and_names_the_places(sheet: CourseSheetResult) -> None:
    text = _printed(sheet)
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "bowl left, exit, RR" in text
    assert "Alone not enough: bar" in text
    assert "Travel left before the stop" in text


def test_spring_rates_come_with_their_measured_error(sheet: CourseSheetResult) -> None:
    assert any(cure.kind == "spring" and cure.possible for place in sheet.places for cure in place.cures)
    for shown in (_printed(sheet), render_course(sheet), json.dumps(course_json(sheet), ensure_ascii=False)):
        assert "predicted to within 8 %" in " ".join(shown.split())


def test_page_is_one_file_with_map_and_traces(sheet: CourseSheetResult) -> None:
    page = render_course(sheet)
    assert "Track from GPS" in page
    assert page.count('aria-label="Damper travel around') == len(sheet.places)
    assert not re.search(r'(?:src|href)="(?!data:|#)', page)
    assert "<script" not in page
    assert "Support the car on stands" in page
    assert len(page) < 400_000


def test_same_session_gives_the_same_bytes(sheet: CourseSheetResult, tmp_path: Path) -> None:
    first, second = (write_course(sheet, tmp_path / name) for name in ("one", "two"))
    for name in ("report.html", "results.json"):
        assert (first.parent / name).read_bytes() == (second.parent / name).read_bytes()
    again = course_sheet(review_session(SAMPLE))
    assert course_json(again) == course_json(sheet)


def test_json_holds_places_cures_and_dampers(sheet: CourseSheetResult) -> None:
    table = json.loads(json.dumps(course_json(sheet), allow_nan=False))
    place = table["places"][0]
    assert {cure["kind"] for cure in place["cures"]} == {"bar", "spring", "ride height", "stop"}
    assert len(place["hits"]) == 5
    for damper in table["dampers"]:
        assert sum(damper["speed_share"]) == pytest.approx(1.0, abs=2e-3)
        assert sum(damper["travel_share"]) == pytest.approx(1.0, abs=2e-3)
    assert table["line"]["left_out"] == []


def test_sheet_replaces_its_own_folder_alone(sheet: CourseSheetResult, tmp_path: Path) -> None:
    folder = tmp_path / "course"
    write_course(sheet, folder)
    write_course(sheet, folder)
    (folder / "letter.txt").write_text("mine")
    with pytest.raises(AnalyzerError, match=r"letter\.txt"):
        write_course(sheet, folder)
    assert (folder / "letter.txt").read_text() == "mine"


def _session(folder: Path, runs: int = 2, course: str | None = None) -> Path:
    """Copy the sample session with fewer runs and another course sheet (None: without one)."""
    for name in ("car.toml", *(f"r0{k}.csv.gz" for k in range(1, runs + 1))):
        shutil.copy(SAMPLE / name, folder / name)
    text = (SAMPLE / "session.toml").read_text()
    head, *parts = text.split("[[runs]]")
    if course is None:
        head = head.replace('course = "course.toml"\n', "")
    else:
        (folder / "course.toml").write_text(course, encoding="utf-8")
    (folder / "session.toml").write_text("[[runs]]".join([head, *parts[:runs]]))
    return folder


def test_without_course_sheet_sections_are_found(tmp_path: Path) -> None:
    result = course_sheet(review_session(_session(tmp_path)))
    names = [span.name for span in result.line.sections]
    assert names[0] == "straight 1"
    assert any(name.startswith("banked left") for name in names)
    assert any(name.startswith("transition") for name in names)
    assert not any(name.startswith("banked right") for name in names)
    assert all("banked left" in s.place.section for s in result.places)
    assert "named after it" in " ".join(result.notes)


def test_sections_by_gates_lie_where_those_by_distance_do(
    tmp_path: Path, driven: Review, sheet: CourseSheetResult
) -> None:
    log, motion = driven.recordings[0].data, driven.runs[0].motion.data
    marks = []
    for distance in (339.0, 509.0):
        time = motion.index[motion["distance"].searchsorted(distance)]
        row = log.iloc[log.index.searchsorted(time)]
        degrees = [57.29577951308232 * float(row[name]) for name in ("latitude", "longitude")]
        marks.append(f'{{ latitude = "{degrees[0]:.7f} deg", longitude = "{degrees[1]:.7f} deg" }}')
    course = f'name = "Gates"\n[[sections]]\nname = "bowl"\nstart = {marks[0]}\nend = {marks[1]}\n'
    result = course_sheet(review_session(_session(tmp_path, course=course)))
    (span,) = result.line.sections
    assert (span.start, span.end) == pytest.approx((339.0, 509.0), abs=6.0)
    assert result.places[0].place.section == "bowl"
    assert all("bowl" in e.section for run in driven.runs[:2] for e in run.bottoming)


def test_without_gps_a_strip_is_drawn(driven: Review) -> None:
    blind = tuple(replace(r, data=r.data.drop(columns=["latitude", "longitude"])) for r in driven.recordings)
    result = course_sheet(replace(driven, recordings=blind))
    assert {a.method for a in result.line.alignments.values()} == {"reference", "distance from speed"}
    assert "No GPS track" in render_course(result)
    assert result.places[0].place.section == "bowl left"


def test_without_hits_the_closest_call_is_told(driven: Review) -> None:
    runs = tuple(replace(run, bottoming=()) for run in driven.runs)
    result = course_sheet(replace(driven, runs=runs))
    assert result.places == ()
    assert "No damper met its bump stop" in course_answer(result)
    assert "No place to list" in render_course(result)


def test_hostile_names_stay_text(sheet: CourseSheetResult) -> None:
    for name in HOSTILE.values():
        spans = (replace(sheet.line.sections[0], name=name), *sheet.line.sections[1:])
        first = replace(sheet.places[0], place=replace(sheet.places[0].place, name=name, section=name))
        odd = replace(
            sheet,
            session=name,
            car=name,
            course=name,
            line=replace(sheet.line, sections=spans),
            places=(first, *sheet.places[1:2]),
        )
        page = render_course(odd)
        assert "<script" not in page
        assert "<img src=x" not in page
        assert _printed(odd)


# The map and the strip: what stands where.


def _drawn(result: CourseSheetResult) -> tuple:
    """Return the size, the words and the marks of the drawing, as boxes on it [pt]."""
    figure = where_plate(result).figure
    with house_style():
        FigureCanvasAgg(figure).draw()
    (axes,) = figure.axes
    words = {text.get_text(): text.get_window_extent() for text in axes.texts}
    marks = []
    for line in axes.lines:
        if line.get_marker() in ("v", "^"):
            (middle,) = axes.transData.transform(line.get_xydata())
            half = line.get_markersize() / 2.0
            marks.append(Bbox.from_extents(*(middle - half), *(middle + half)))
    return figure.bbox, words, marks


def _crowd(sheet: CourseSheetResult, corners: str = "FL FR RL RR FL FR RL RR") -> CourseSheetResult:
    """Return a sheet with a place at every one of these corners, all within a few metres."""
    first = sheet.places[0]
    places = tuple(
        replace(
            first,
            place=replace(
                first.place, corner=corner, start=430.0 + number, end=430.0 + number, hard=number % 2
            ),
        )
        for number, corner in enumerate(corners.split())
    )
    return replace(sheet, places=places)


@pytest.mark.parametrize("corners", ["FL FR RL RR FL FR RL RR", "RR RR RR RR RR RR RR RR"])
@pytest.mark.parametrize("mapped", [True, False], ids=["map", "strip"])
def test_marks_never_hide_each_other(sheet: CourseSheetResult, mapped: bool, corners: str) -> None:
    crowd = _crowd(sheet, corners)
    if not mapped:
        crowd = replace(crowd, line=replace(crowd.line, east=None, north=None))
    bounds, words, marks = _drawn(crowd)

    numbers = [box for text, box in words.items() if re.fullmatch(r"\d [FR][LR]", text)]
    assert len(marks) == len(numbers) == 8
    for one, other in combinations((*marks, *numbers), 2):
        assert not one.overlaps(other)
    for box in (*marks, *numbers):
        assert bounds.x0 <= box.x0
        assert box.x1 <= bounds.x1


def test_names_stand_clear_of_marks_numbers_and_each_other(sheet: CourseSheetResult) -> None:
    bounds, words, marks = _drawn(sheet)

    assert {"start", "run-up", "bowl left", "hairpin left", "finish straight"} <= set(words)
    for one, other in combinations((*words.values(), *marks), 2):
        assert not one.overlaps(other)
    for box in words.values():
        assert bounds.contains(box.x0, box.y0)
        assert bounds.contains(box.x1, box.y1)


def test_arrows_point_the_way_it_is_driven(sheet: CourseSheetResult) -> None:
    (axes,) = where_plate(sheet).figure.axes
    road = max((line.get_xydata() for line in axes.lines), key=len)
    heads = [line.get_xydata() for line in axes.lines if len(line.get_xydata()) == 3]

    assert len(heads) >= 8
    for left, tip, right in heads:
        nearest = int(np.argmin(np.hypot(*(road - tip).T)))
        ahead = road[min(nearest + 5, len(road) - 1)] - road[max(nearest - 5, 0)]
        assert (tip - (left + right) / 2.0) @ ahead > 0.0


def _laps(sheet: CourseSheetResult, laps: int) -> CourseSheetResult:
    """Return the sheet on an oval that is driven so many times, a quarter of a lap to a section."""
    line = sheet.line
    turn = np.linspace(0.0, 2.0 * np.pi * laps, len(line.place))
    quarter = line.length / (4 * laps)
    spans = tuple(
        replace(line.sections[0], name=f"part {k % 4}", start=k * quarter, end=(k + 1) * quarter)
        for k in range(4 * laps)
    )
    oval = replace(line, east=120.0 * np.cos(turn), north=70.0 * np.sin(turn), sections=spans, stretches=())
    return replace(sheet, line=replace(oval, stretch_places=()))


def test_laps_on_each_other_are_drawn_like_one(sheet: CourseSheetResult) -> None:
    def of(laps: int) -> tuple[int, list[str]]:
        (axes,) = where_plate(_laps(sheet, laps)).figure.axes
        heads = sum(len(line.get_xydata()) == 3 for line in axes.lines)
        return heads, sorted(text.get_text() for text in axes.texts)

    once, often = of(1), of(12)
    assert once[0] >= 8
    assert often[0] <= once[0] + 4
    assert often[1] == once[1]
    assert {"part 0", "part 1", "part 2", "part 3"} <= set(once[1])


def test_headline_tells_hard_hits_from_soft_ones(sheet: CourseSheetResult, driven: Review) -> None:
    said = course_answer(sheet)
    events = [event for run in driven.runs for event in run.bottoming]
    hard = sum(event.hard for event in events)
    assert f"{len(events)} hits, {hard} of them hard, in 6 runs" in said
    worst = sheet.places[0]
    deepest = 1e3 * max(hit.event.stop_compression for hit in worst.place.hits)
    hard_runs = {hit.run for hit in worst.place.hits if hit.event.hard}
    told = f"hit in 5 of 6 runs, hard in {len(hard_runs)}, {deepest:.1f} mm into the bump stop at most"
    assert told in said

    def with_hits(hard: bool) -> str:
        hits = tuple(replace(hit, event=replace(hit.event, hard=hard)) for hit in worst.place.hits)
        place = replace(worst.place, hits=hits, hard=len(hits) if hard else 0)
        return course_answer(replace(sheet, places=(replace(worst, place=place),)))

    assert "hit in 5 of 6 runs, never hard" in with_hits(False)
    assert "(5 hits, none hard, in 6 runs)" in with_hits(False)
    assert "hit in 5 of 6 runs, hard in all of them" in with_hits(True)


# The driver's page beside the page of a review.


def test_the_drivers_page_stands_beside_the_report_and_both_link(driven: Review, tmp_path: Path) -> None:
    page = api.write_report(driven, tmp_path / "report")
    folder = page.parent

    assert {"report.html", "course.html", "course.json"} <= {entry.name for entry in folder.iterdir()}
    assert 'href="course.html"' in page.read_text(encoding="utf-8")
    course = (folder / "course.html").read_text(encoding="utf-8")
    links = re.findall(r'(?:src|href)="(?!data:|#)([^"]*)"', course)
    assert links[:2] == ["report.html#driver", "look.html"]
    assert all(link.startswith("look.html#run=") for link in links[2:])
    assert len(links) == 2 + course.count('<li id="place-')
    assert "in course.json beside this page" in course
    table = json.loads((folder / "course.json").read_bytes())
    assert table["format"].startswith("drift-bar-analyzer course")
    assert table["answer"] in course

    api.write_report(driven, folder)  # an earlier report with a driver's page is one of ours


def test_without_a_course_sheet_the_report_names_the_command(driven: Review, tmp_path: Path) -> None:
    blank = replace(driven, session=replace(driven.session, course=None))
    page = api.write_report(blank, tmp_path / "report")

    assert not (page.parent / "course.html").exists()
    text = page.read_text(encoding="utf-8")
    assert "course.html" not in text
    assert "analyzer course writes the driver" in text


def test_a_session_whose_car_never_moves_has_no_drivers_page(driven: Review, tmp_path: Path) -> None:
    still = tuple(
        replace(run, motion=replace(run.motion, parked=run.motion.parked | True), bottoming=())
        for run in driven.runs
    )
    page = api.write_report(replace(driven, runs=still), tmp_path / "report")
    assert not (page.parent / "course.html").exists()
