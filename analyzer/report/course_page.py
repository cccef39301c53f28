"""The course sheet's page and its folder."""

from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from markupsafe import Markup

from analyzer import __version__
from analyzer.core.files import COURSE_FORMAT, COURSE_PAGE, COURSE_RESULTS, PAGE, RESULTS
from analyzer.core.units import DEG_PER_RAD, MM_PER_M
from analyzer.processing.course import CourseLine, DamperUse, Hit
from analyzer.report import course_sentences, page
from analyzer.report.figures import course_plots
from analyzer.report.figures.style import Drawings, plates_of
from analyzer.report.plain_data import Entries, fault_dict, taken
from analyzer.report.sentences import fault_sentence, fault_words
from analyzer.report.tables import hit_moment
from analyzer.report.words import count, label, sentence, times
from analyzer.session.course_sheet import CourseSheetResult, PlaceSheet


@dataclass(frozen=True, slots=True)
class PlaceRow:
    """One place on the page."""

    rank: int
    words: str
    moment: str
    details: tuple[str, ...]
    trace: Markup


def write_course(result: CourseSheetResult, folder: Path, drawings: Drawings | None = None) -> Path:
    """Write the course sheet into `folder`, all of it or nothing, and return the page.

    `drawings` are given to hear of figures, words and results that were left out, which the page tells in
    their place.
    """
    drawings = drawings or Drawings()
    text = page.whole_page(
        label(result.course or result.session, 60), lambda: render_course(result, drawings=drawings), drawings
    )
    results = page.whole_results(COURSE_FORMAT, lambda: course_json(result, drawings), drawings)
    return page.write_page(folder, text, results, {}, drawings=drawings)


def course_files(result: CourseSheetResult, look: str, drawings: Drawings | None = None) -> dict[str, bytes]:
    """Return the driver's page and its figures as files that stand beside the page of a review.

    `look` is the page of the runs, which each place leads to.
    """
    drawings = drawings or Drawings()
    page_text = render_course(result, COURSE_RESULTS, f"{PAGE}#driver", look, drawings)
    results = page.whole_results(COURSE_FORMAT, lambda: course_json(result, drawings), drawings)
    return {
        COURSE_PAGE: page.page_bytes(page_text),
        COURSE_RESULTS: page.results_bytes(results, drawings),
    }


def render_course(
    result: CourseSheetResult,
    results: str = RESULTS,
    back: str = "",
    look: str = "",
    drawings: Drawings | None = None,
) -> str:
    """Return the page as HTML, one file without outside loads.

    `results` names the file of its figures; `back` leads to the page of the review, `look` to that of the
    runs, both empty when the page stands alone.
    """
    drawings = drawings or Drawings()
    pieces = page.Pieces(drawings)
    (where,) = page.drawn(plates_of(partial(course_plots.where_plate, result)), drawings)
    # As many places as have a number on the map; the rest is listed by name.
    shown = list(enumerate(result.places[: course_plots.MOST_SHOWN], start=1))
    rows = [
        drawings.written(
            f"place {rank}",
            partial(_row, sheet, rank, drawings),
            lambda fault, rank=rank: PlaceRow(rank, fault_sentence(fault), "", (), Markup("")),  # type: ignore[misc]
        )
        for rank, sheet in shown
    ]
    # Figures without anything to show (no bump stop known, one damper logged) leave no gap.
    more = page.drawn(
        plates_of(partial(course_plots.travel_left_plate, result), partial(course_plots.speed_plate, result)),
        drawings,
    )
    drawings.tidy()
    # What the sheet rests on stands under its title: a place met by one run in one is no pattern.
    laid = f"{count(len(result.runs), 'run')} laid over each other"
    return page.render(
        "course.html.j2",
        title=label(result.course or result.session, 60),
        subtitle=" · ".join((label(result.session, 60), label(result.car), laid)),
        answer=pieces.text("answer of the course sheet", lambda: course_sentences.course_answer(result)),
        where=where,
        rows=rows,
        rest=pieces.lines(
            "places without a number",
            lambda: [
                course_sentences.place_words(sheet.place)
                for sheet in result.places[course_plots.MOST_SHOWN :]
            ],
        ),
        more=more,
        cures=[
            (
                rank,
                pieces.lines(
                    f"what would clear place {rank}",
                    partial(course_sentences.cure_lines, sheet, result.margin),
                ),
            )
            for rank, sheet in shown
            if sheet.cures
        ],
        banks=pieces.lines("banked sections", lambda: course_sentences.bank_words(result)),
        notes=[sentence(note) for note in result.notes],
        runs=pieces.lines("how the runs were laid", lambda: _run_lines(result)),
        results=results,
        back=back,
        look=look,
    )


def _row(sheet: PlaceSheet, rank: int, drawings: Drawings) -> PlaceRow:
    pieces = page.Pieces(drawings)

    return PlaceRow(
        rank,
        pieces.text(f"name of place {rank}", lambda: course_sentences.place_words(sheet.place)),
        hit_moment(sheet.place.worst.run, sheet.place.worst.event),
        pieces.lines(f"details of place {rank}", lambda: map(sentence, course_sentences.place_lines(sheet))),
        page.figure_html(plates_of(partial(course_plots.trace_plate, sheet, rank))[0], drawings),
    )


def _run_lines(result: CourseSheetResult) -> list[str]:
    lines = []
    for run, alignment in result.line.alignments.items():
        # The two ways to lay runs over each other agree in different measures.
        unit = "m apart (median)" if alignment.method == "GPS track" else "correlation of the turning"
        if alignment.method == "reference":
            lines.append(f"{label(run, 24)}: the run the others are laid on.")
            continue
        first, last = alignment.covered
        lines.append(
            f"{label(run, 24)}: laid on {label(result.line.reference, 24)} by {alignment.method}, "
            f"{alignment.agreement:.2f} {unit}, from {first:.0f} to {last:.0f} {result.line.unit}."
        )
    lines += [f"{label(fault.run, 24)}: left out, {fault_words(fault)}." for fault in result.faults]
    return lines + [f"{label(run, 24)}: left out, {why}." for run, why in result.line.left_out.items()]


def course_json(result: CourseSheetResult, drawings: Drawings | None = None) -> dict[str, Any]:
    """Return the course sheet as one plain dictionary: what stands in its results.json.

    Lengths of travel in mm, angles in degrees, places in the unit that ``line.unit`` names. `drawings` are
    given to hear of entries that were left out, which stand among the faults.
    """
    entries = Entries(drawings)
    table = {
        "format": COURSE_FORMAT,
        "version": __version__,
        **taken(result, "session car course"),
        "answer": entries.one("answer", lambda: course_sentences.course_answer(result)),
        # Places count along the reference run, in metres or in seconds as its speed allowed.
        "line": entries.one("line", lambda: _line_json(result.line)),
        "bump_stop_gap": entries.one("gaps of the bump stops", lambda: result.gaps, {}),
        "places": entries.each(
            lambda ranked: f"place {ranked[0]}",
            enumerate(result.places, start=1),
            lambda ranked: _place_json(result, ranked[1], ranked[0]),
        ),
        "dampers": entries.each(
            lambda use: f"use of {use.corner} in {label(use.section)}", result.use, _use_json
        ),
        "notes": list(result.notes),
    }
    faults = (*result.faults, *entries.faults)
    return {**table, "faults": [fault_dict(fault) for fault in faults]}


def _use_json(use: DamperUse) -> dict[str, Any]:
    return {
        **taken(use, "section corner seconds"),
        # Passed 99.9 % of the time: a single spike of the pot does not set it.
        "travel_999_mm": use.high * MM_PER_M,
        "margin_mm": times(use.margin, MM_PER_M),
        "speed_compression": use.speeds[0],
        "speed_extension": use.speeds[1],
        "speed_share": use.speed,
        "travel_share": use.travel,
    }


def _line_json(line: CourseLine) -> dict[str, Any]:
    stretches = []
    for stretch, (low, high) in zip(line.stretches, line.stretch_places, strict=True):
        # A stretch has one figure: the bank [rad] where it is banked, else the path's acceleration [m/s2].
        banked = stretch.kind == "banked"
        stretches.append(
            {
                "kind": stretch.kind,
                "start": low,
                "end": high,
                "bank_deg": stretch.value * DEG_PER_RAD if banked else None,
                "bank_error_deg": stretch.error * DEG_PER_RAD if banked else None,
                "vertical_acceleration": None if banked else stretch.value,
            }
        )
    return {
        **taken(line, "reference unit length"),
        "sections_from_sheet": line.from_sheet,
        "sections": [taken(section, "name start end") for section in line.sections],
        "stretches": stretches,
        "runs": [
            {"name": run, **taken(laid, "method agreement"), "start": laid.covered[0], "end": laid.covered[1]}
            for run, laid in line.alignments.items()
        ],
        "left_out": [{"name": run, "reason": why} for run, why in line.left_out.items()],
    }


def _place_json(result: CourseSheetResult, sheet: PlaceSheet, rank: int) -> dict[str, Any]:
    place = sheet.place
    return {
        "rank": rank,
        "words": course_sentences.place_words(place),
        **taken(place, "name section corner kind start end runs passed hard cause"),
        "causes_mm": {part: value * MM_PER_M for part, value in place.causes.items()},
        "bank_deg": times(place.bank, DEG_PER_RAD),
        "free_travel_mm": None if sheet.moment is None else sheet.moment.free * MM_PER_M,
        "hits": [_hit_json(hit) for hit in place.hits],
        "cures": [
            {
                **taken(cure, "kind possible now needed unit factor"),
                "peak_mm": cure.peak * MM_PER_M,
                **taken(cure, "front_share words"),
            }
            for cure in sheet.cures
        ],
        "margin_mm": result.margin * MM_PER_M,
    }


def _hit_json(hit: Hit) -> dict[str, Any]:
    event = hit.event
    return {
        **taken(hit, "run place"),
        **taken(event, "start_s end_s"),
        "peak_mm": event.peak * MM_PER_M,
        "peak_error_mm": times(event.peak_error, MM_PER_M),
        "stop_compression_mm": event.stop_compression * MM_PER_M,
        **taken(event, "approach_speed hard"),
        "felt_by_body": event.seen,
        **taken(event, "lateral_kept speed"),
    }
