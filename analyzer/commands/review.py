"""What a session showed: ``analyzer review`` and ``analyzer course``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from analyzer.commands.shared import AsJson, SessionPath, console, print_json, progress
from analyzer.errors import AnalyzerError

if TYPE_CHECKING:
    from analyzer.report.drawings import Kind
    from analyzer.report.parts import Part
    from analyzer.session import Review


def review(
    session: SessionPath,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", help="Folder to write the report to; 'report' beside the session sheet if not given."
        ),
    ] = None,
    as_json: AsJson = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Write the report, print nothing.")] = False,
    seed: Annotated[int, typer.Option("--seed", help="Seed of the random draws behind the intervals.")] = 0,
    figures: Annotated[
        Path | None,
        typer.Option("--figures", metavar="FOLDER", help="Also save every figure to this folder."),
    ] = None,
    figure_format: Annotated[
        str, typer.Option("--figure-format", help="What --figures saves: svg, png or pdf.")
    ] = "svg",
    pdf: Annotated[
        Path | None,
        typer.Option("--pdf", metavar="FILE", help="Also save the page's content as a PDF of A4 sheets."),
    ] = None,
) -> None:
    """Review a session: what each run showed, measured against predicted, and write the report."""
    from analyzer.report.atomic import check_replaceable
    from analyzer.report.export import check_pdf, figure_kind
    from analyzer.report.parts import page_parts
    from analyzer.report.results import results_dict
    from analyzer.report.terminal import print_summary
    from analyzer.report.write import write_report
    from analyzer.session import failure_line, require_runs, review_session

    kind = figure_kind(figure_format)  # what is wrong here is told before the work, not after it
    if pdf is not None:
        check_pdf(pdf)
    if out is not None:
        check_replaceable(out.expanduser().resolve())
    with progress(quiet or as_json) as tell:
        result = review_session(session, tell, seed)
        require_runs(result)
        folder = out or result.session.path.parent / "report"
        parts = page_parts(result)
        page = write_report(
            result, folder, lambda done, figures: tell("drawing the report", done, figures), parts
        )
        saved = _save_also(result, parts, figures, kind, pdf)
    if as_json:
        print_json(results_dict(result))
    elif not quiet:
        print_summary(result, console())
        print("\n".join((*saved, f"report: {page}")))
    line = failure_line(result)
    if line is not None:
        raise AnalyzerError(line)


def course(
    session: SessionPath,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", help="Folder to write the sheet to; 'course' beside the session sheet if not given."
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Write the driver's course sheet: where it runs out of travel, how hard, why, and what would cure it."""
    from analyzer.comparison.course import course_sheet
    from analyzer.report.atomic import check_replaceable
    from analyzer.report.course_page import course_json, write_course
    from analyzer.report.course_text import print_course
    from analyzer.session import failure_line, require_runs, review_session

    if out is not None:
        check_replaceable(out.expanduser().resolve())
    with progress(as_json) as tell:
        review = review_session(session, tell)
        require_runs(review)
        tell("laying the runs over each other", 1, 1)
        result = course_sheet(review)
        page = write_course(result, out or review.session.path.parent / "course")
    if as_json:
        print_json(course_json(result))
    else:
        print_course(result, console())
        print(f"course sheet: {page}")
    line = failure_line(review)
    if line is not None:
        raise AnalyzerError(line)


def _save_also(
    result: Review, parts: tuple[Part, ...], figures: Path | None, kind: Kind, pdf: Path | None
) -> list[str]:
    """Save what was asked for besides the page, and return a line for each."""
    from analyzer.report.export import save_figures, save_pdf

    lines = []
    if figures is not None:
        lines.append(f"figures: {len(save_figures(result, figures, kind, parts))} in {figures}")
    if pdf is not None:
        lines.append(f"pdf: {save_pdf(result, pdf, parts)}")
    return lines
