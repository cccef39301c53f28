"""The course sheet's page and its folder."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from analyzer import __version__
from analyzer.core.files import COURSE_FORMAT, PAGE, RESULTS, replaced_folder
from analyzer.core.units import DEG_PER_RAD, MM_PER_M
from analyzer.report.course_sentences import (
    bank_words,
    causes_words,
    course_answer,
    cure_lines,
    detail_words,
    place_words,
    short_cure,
)
from analyzer.report.figures.course_plots import (
    MOST_SHOWN,
    speed_plate,
    trace_plate,
    travel_left_plate,
    where_plate,
)
from analyzer.report.figures.style import Drawings, Plate
from analyzer.report.json import rounded
from analyzer.report.sentences import CAUTIONS
from analyzer.report.words import count, label, sentence

if TYPE_CHECKING:
    from analyzer.processing.course.places import Hit
    from analyzer.session.course_sheet import CourseSheetResult, PlaceSheet


_FOLDER: Final = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class Row:
    """One place on the page."""

    rank: int
    words: str
    details: tuple[str, ...]
    trace: Markup


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure on the page."""

    key: str
    title: str
    note: str
    html: Markup


def write_course(result: CourseSheetResult, folder: Path) -> Path:
    """Write the course sheet into `folder`, all of it or nothing.

    Parameters
    ----------
    result : CourseSheetResult
        What is shown.
    folder : Path
        Made when it is not there. An earlier sheet or report in it is replaced; anything else is left alone.

    Returns
    -------
    Path
        The page, ``report.html`` in `folder`; beside it lies ``results.json``.

    Raises
    ------
    AnalyzerError
        When `folder` holds something else, or cannot be written to.
    """
    page = render_course(result)
    text = json.dumps(course_json(result), indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False)
    with replaced_folder(folder) as work:
        (work / PAGE).write_bytes(page.encode("utf-8", "xmlcharrefreplace"))
        (work / RESULTS).write_bytes((text + "\n").encode("utf-8", "backslashreplace"))
    return folder / PAGE


def render_course(result: CourseSheetResult) -> str:
    """Return the page as HTML, one file without outside loads."""
    environment = Environment(
        loader=FileSystemLoader(_FOLDER),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    drawings = Drawings()
    where = _figure(where_plate(result), drawings)
    rows = [_row(sheet, k, drawings) for k, sheet in enumerate(result.places[:MOST_SHOWN], start=1)]
    more = [_figure(p, drawings) for p in (travel_left_plate(result), speed_plate(result)) if p is not None]
    drawings.tidy()
    rest = result.places[MOST_SHOWN:]
    return environment.get_template("course.html.j2").render(
        title=label(result.course or result.session, 60),
        subtitle=" · ".join(
            [
                label(result.session, 60),
                label(result.car),
                f"{count(len(result.runs), 'run')} laid over each other",
            ]
        ),
        answer=course_answer(result),
        where=where,
        rows=rows,
        rest=[place_words(sheet.place) for sheet in rest],
        more=more,
        cures=[
            (k, cure_lines(sheet, result.margin))
            for k, sheet in enumerate(result.places[:MOST_SHOWN], start=1)
            if sheet.cures
        ],
        banks=bank_words(result),
        notes=[sentence(note) for note in result.notes],
        runs=_run_lines(result),
        cautions=CAUTIONS,
        version=__version__,
        style=Markup((_FOLDER / "style.css").read_text(encoding="utf-8")),
    )


def _figure(plate: Plate, drawings: Drawings) -> Figure:
    return Figure(plate.key, plate.title, plate.note, Markup(drawings.on_page(plate)))


def _row(sheet: PlaceSheet, rank: int, drawings: Drawings) -> Row:
    lines = (detail_words(sheet), causes_words(sheet.place), short_cure(sheet))
    return Row(
        rank,
        place_words(sheet.place),
        tuple(sentence(line) for line in lines if line),
        Markup(drawings.on_page(trace_plate(sheet, rank))),
    )


def _run_lines(result: CourseSheetResult) -> list[str]:
    lines = []
    for run, alignment in result.line.alignments.items():
        unit = "m apart (median)" if alignment.method == "GPS track" else "correlation of the turning"
        if alignment.method == "reference":
            lines.append(f"{label(run, 24)}: the run the others are laid on.")
            continue
        first, last = alignment.covered
        lines.append(
            f"{label(run, 24)}: laid on {label(result.line.reference, 24)} by {alignment.method}, "
            f"{alignment.agreement:.2f} {unit}, from {first:.0f} to {last:.0f} {result.line.unit}."
        )
    return lines + [f"{label(run, 24)}: left out, {why}." for run, why in result.line.left_out.items()]


def course_json(result: CourseSheetResult) -> dict[str, Any]:
    """Return the course sheet as one plain dictionary: what stands in its results.json.

    Lengths of travel in mm, angles in degrees, places in the unit that ``line.unit`` names.
    """
    line = result.line
    table = {
        "format": COURSE_FORMAT,
        "version": __version__,
        "session": result.session,
        "car": result.car,
        "course": result.course,
        "answer": course_answer(result),
        "line": {
            "reference": line.reference,
            "unit": line.unit,
            "length": line.length,
            "sections_from_sheet": line.from_sheet,
            "sections": [{"name": s.name, "start": s.start, "end": s.end} for s in line.sections],
            "stretches": [
                {
                    "kind": s.kind,
                    "start": low,
                    "end": high,
                    "bank_deg": s.value * DEG_PER_RAD if s.kind == "banked" else None,
                    "bank_error_deg": s.error * DEG_PER_RAD if s.kind == "banked" else None,
                    "vertical_acceleration": None if s.kind == "banked" else s.value,
                }
                for s, (low, high) in zip(line.stretches, line.stretch_places, strict=True)
            ],
            "runs": [
                {
                    "name": run,
                    "method": a.method,
                    "agreement": a.agreement,
                    "start": a.covered[0],
                    "end": a.covered[1],
                }
                for run, a in line.alignments.items()
            ],
            "left_out": [{"name": run, "reason": why} for run, why in line.left_out.items()],
        },
        "bump_stop_gap": {axle: gap.to_dict() for axle, gap in result.gaps.items()},
        "places": [_place_json(result, sheet, rank) for rank, sheet in enumerate(result.places, start=1)],
        "dampers": [
            {
                "section": use.section,
                "corner": use.corner,
                "seconds": use.seconds,
                "travel_999_mm": use.high * MM_PER_M,
                "margin_mm": None if use.margin is None else use.margin * MM_PER_M,
                "speed_compression": use.speeds[0],
                "speed_extension": use.speeds[1],
                "speed_share": [float(share) for share in use.speed],
                "travel_share": [float(share) for share in use.travel],
            }
            for use in result.use
        ],
        "notes": list(result.notes),
    }
    found: dict[str, Any] = rounded(table)
    return found


def _place_json(result: CourseSheetResult, sheet: PlaceSheet, rank: int) -> dict[str, Any]:
    place = sheet.place
    return {
        "rank": rank,
        "words": place_words(place),
        "name": place.name,
        "section": place.section,
        "corner": place.corner,
        "kind": place.kind,
        "start": place.start,
        "end": place.end,
        "runs": list(place.runs),
        "passed": place.passed,
        "hard": place.hard,
        "cause": place.cause,
        "causes_mm": {part: value * MM_PER_M for part, value in place.causes.items()},
        "bank_deg": None if place.bank is None else place.bank * DEG_PER_RAD,
        "free_travel_mm": None if sheet.moment is None else sheet.moment.free * MM_PER_M,
        "hits": [_hit_json(hit) for hit in place.hits],
        "cures": [
            {
                "kind": cure.kind,
                "possible": cure.possible,
                "now": cure.now,
                "needed": cure.needed,
                "unit": cure.unit,
                "factor": cure.factor,
                "peak_mm": cure.peak * MM_PER_M,
                "front_share": None if cure.front_share is None else list(cure.front_share),
                "words": cure.words,
            }
            for cure in sheet.cures
        ],
        "margin_mm": result.margin * MM_PER_M,
    }


def _hit_json(hit: Hit) -> dict[str, Any]:
    event = hit.event
    return {
        "run": hit.run,
        "place": hit.place,
        "start_s": event.start_s,
        "end_s": event.end_s,
        "peak_mm": event.peak * MM_PER_M,
        "peak_error_mm": None if event.peak_error is None else event.peak_error * MM_PER_M,
        "stop_compression_mm": event.stop_compression * MM_PER_M,
        "approach_speed": event.approach_speed,
        "hard": event.hard,
        "felt_by_body": event.seen,
        "lateral_kept": event.lateral_kept,
        "speed": event.speed,
    }
