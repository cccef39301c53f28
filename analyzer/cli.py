"""The command line: options in, one function of the package, its result printed.

Rooms are imported inside the commands that need them, so that help answers at once. Commands stand in the
order of the help.
"""

from __future__ import annotations

import inspect
import itertools
import os
import sys
from collections.abc import Callable, Sequence
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer
from typer.core import TyperCommand

from analyzer.console import (
    CHECK_FAILED,
    OUR_FAULT,
    ask,
    ask_choice,
    ask_count,
    ask_name,
    end,
    fail,
    print_error,
    print_json,
    print_text,
    progress,
    run_command,
    run_process,
    terminal,
)
from analyzer.core.errors import AnalyzerError, nearest, one_line, refuse_file

if TYPE_CHECKING:
    from rich.console import Console

    from analyzer.core.units import Axle
    from analyzer.ingest.template import Answers
    from analyzer.report.figures.style import Drawings, Kind
    from analyzer.report.page import Part
    from analyzer.session.review import Review

SessionPath = Annotated[
    Path, typer.Argument(metavar="SESSION", help="Read this session sheet, or session.toml in this folder.")
]
AsJson = Annotated[bool, typer.Option("--json", help="Print the results as JSON instead of text.")]


class Command(TyperCommand):
    """A command that takes no option for the value of another, and whose sentence the help shows whole."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Parse what stands behind the command; raises `AnalyzerError` where an option stands as a value."""
        options = [param for param in self.get_params(ctx) if param.param_type_name == "option"]
        known = {name for option in options for name in option.opts}
        takes = {
            name: option.metavar or "VALUE"
            for option in options
            if not getattr(option, "is_flag", False)
            for name in option.opts
        }
        for word, value in pairwise(args):
            if word == "--":
                break
            # A file may bear such a name, but whoever writes this has left the value out.
            if word in takes and (value.startswith("--") or value in known):
                raise AnalyzerError(
                    one_line(
                        f"{word}: its value is missing: {value} is an option itself; "
                        f"write {word} {takes[word]} {value}"
                    )
                )
        return super().parse_args(ctx, args)

    def get_short_help_str(self, limit: int = 0) -> str:  # noqa: ARG002  (the parser's own signature)
        """Return the command's first sentence; the list of commands wraps it and cuts it nowhere."""
        return inspect.cleandoc(self.help or "").partition("\n\n")[0].replace("\n", " ")


class FromLogs(Command):
    """A command whose ``--from`` takes every name up to the next option, as a shell's ``*`` gives them."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Parse what stands behind the command; where the folder is not named before, it is the last name."""
        trails: list[str] = []
        rest: list[str] = []
        where = rest
        for word in args:
            if word == "--from":
                where = trails
            else:
                where = rest if word.startswith("-") else where
                where.append(word)
        named = [word for before, word in pairwise(["", *rest]) if before != "--list" and word[:1] != "-"]
        if len(trails) < 2 or "--" in args:
            return super().parse_args(ctx, args)
        if not named:
            rest.append(trails.pop())
        return super().parse_args(ctx, [*rest, *(word for log in trails for word in ("--from", log))])


app = typer.Typer(
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"]},
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help=(
        "Roll gradient, bottoming and left-right load share from on-car logs, "
        "set against the fitted anti-roll bar.\n\n"
        "The first time: analyzer start FOLDER --from LOG, then check and review that folder; or the same on "
        "a page, analyzer desk FOLDER. Step by step: analyzer docs first-day."
    ),
)


command = partial(app.command, cls=Command)


@command()
def review(
    session: SessionPath,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FOLDER",
            help="Write the report to this folder; to 'report' beside the session sheet if not given.",
        ),
    ] = None,
    as_json: AsJson = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Write the report and print nothing.")] = False,
    seed: Annotated[
        int,
        typer.Option(
            "--seed", metavar="NUMBER", help="Start the random draws behind the intervals from this number."
        ),
    ] = 0,
    figures: Annotated[
        Path | None,
        typer.Option("--figures", metavar="FOLDER", help="Also save every figure to this folder."),
    ] = None,
    figure_format: Annotated[
        str,
        typer.Option(
            "--figure-format", metavar="KIND", help="Save the figures of --figures as svg, png or pdf."
        ),
    ] = "svg",
    pdf: Annotated[
        Path | None,
        typer.Option("--pdf", metavar="FILE", help="Also save the page's content as a PDF of A4 sheets."),
    ] = None,
) -> None:
    """Review a session: what each run showed, measured against predicted, and write the report."""
    from analyzer.core.files import COURSE_PAGE, LOOK_PAGE, check_replaceable
    from analyzer.report.figures.style import figure_kind
    from analyzer.session.review import failure_line, review_session

    kind = figure_kind(figure_format)  # what is wrong here is told before the work, not after it
    if figures is not None:
        refuse_file(figures, "a folder for the figures; their kind, svg, png or pdf, goes to --figure-format")
    if pdf is not None:
        from analyzer.report.pdf import check_pdf

        check_pdf(pdf)
    if out is not None:
        check_replaceable(out.expanduser().resolve())
    with progress(quiet or as_json) as tell:
        result = review_session(session, tell, seed)
        _require_runs(result)
    folder = out or result.session.path.parent / "report"
    check_replaceable(folder.expanduser().resolve())
    from analyzer.report.figures.style import Drawings

    drawings = Drawings()
    if not (as_json or quiet):
        from analyzer.report.terminal import print_summary

        # The answers are known; the figures take longer than all that was worked out for them.
        try:
            _print_words("answers", partial(print_summary, result, drawings=drawings), drawings)
            sys.stdout.flush()
        except BrokenPipeError:
            # The reader has seen enough (`analyzer review ... | head`); the report is still wanted.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    from analyzer.report.look_page import files_beside
    from analyzer.report.page import page_parts, write_report
    from analyzer.session.course_sheet import driven_course

    with progress(quiet or as_json) as tell:
        parts = drawings.written(
            "parts of the page", lambda: page_parts(result, drawings), lambda _fault: None
        )
        tell("laying the runs over each other", 0, 1)
        driven = drawings.written("driver's page", lambda: driven_course(result), lambda _fault: None)
        page = write_report(
            result,
            folder,
            lambda done, figures: tell("drawing the report", done, figures),
            parts,
            drawings.written(
                "pages beside", lambda: files_beside(result, driven, drawings), lambda _fault: {}
            ),
            drawings,
        )
        saved = _save_also(result, parts, figures, kind, pdf, drawings)
    if as_json:
        from analyzer.report.plain_data import results_dict

        _print_results(lambda: results_dict(result, drawings), drawings)
    elif not quiet:
        if (folder / LOOK_PAGE).is_file():
            saved.append(f"look into the runs: {folder / LOOK_PAGE}")
        if (folder / COURSE_PAGE).is_file():
            saved.append(f"driver's page: {folder / COURSE_PAGE}")
        print_text("\n".join((*saved, f"report: {page}")))
    # Those of the driver's page are the review's own and what it met besides.
    faults = result.faults if driven is None else driven.faults
    end(failure_line(result), (*faults, *drawings.faults))


def _save_also(
    result: Review,
    parts: tuple[Part, ...] | None,
    figures: Path | None,
    kind: Kind,
    pdf: Path | None,
    drawings: Drawings,
) -> list[str]:
    """Save what was asked for besides the page, and return a line for each."""
    from analyzer.report.pdf import save_figures, save_pdf

    def line_of_figures(folder: Path) -> str:
        return f"figures: {len(save_figures(result, folder, kind, parts, drawings))} in {folder}"

    makers: dict[str, Callable[[], str]] = {}
    if figures is not None:
        makers["files of the figures"] = partial(line_of_figures, figures)
    if pdf is not None:
        makers["PDF"] = lambda: f"pdf: {save_pdf(result, pdf, parts, drawings)}"
    lines = (drawings.written(piece, make, lambda _fault: "") for piece, make in makers.items())
    return [line for line in lines if line]


@command()
def check(
    log: Annotated[
        Path,
        typer.Argument(
            metavar="LOG|SESSION", help="Check this log, or all logs of this session sheet or its folder."
        ),
    ],
    as_json: AsJson = False,
    strict: Annotated[
        bool, typer.Option("--strict", help="End with exit code 1 when any check is suspect or bad.")
    ] = False,
    details: Annotated[
        bool,
        typer.Option("--all", help="Also print how each log was read and the checks of every channel."),
    ] = False,
    figure: Annotated[
        Path | None,
        typer.Option(
            "--figure",
            metavar="FILE",
            help="Also draw all channels, what is not used marked, to this file: svg, png or pdf.",
        ),
    ] = None,
) -> None:
    """Check what a log or all logs of a session hold: channels, clock, health."""
    from analyzer.report.figures.style import Drawings
    from analyzer.report.plain_data import health_json
    from analyzer.report.terminal import print_health
    from analyzer.session.review import check_path

    # Kind and place of the figure are judged before the logs are read.
    if figure is not None:
        from analyzer.core.files import refuse_strange
        from analyzer.report.figures.style import figure_kind_of

        figure_kind_of(figure)
        if not log.is_dir() and log.suffix != ".toml":  # of a session every run's name is put behind this one
            refuse_strange(figure.expanduser())
    with progress(as_json) as tell:
        outcome = check_path(log, tell)
    drawings = Drawings()
    show = partial(print_health, outcome, path=log, details=details)
    _print_answer(as_json, "findings", partial(health_json, outcome), show, drawings)
    if figure is not None:
        from analyzer.report.figures.review_plots import save_channel_figures

        file = figure
        saved = drawings.written(
            "figure of the channels",
            lambda: save_channel_figures(outcome.recordings, file),
            lambda _fault: (),
        )
        if not as_json:
            print_text("\n".join(f"figure: {path}" for path in saved))
    end(next(map(str, outcome.failed.values()), None), (*outcome.faults, *drawings.faults))
    if strict and not outcome.clean:
        raise typer.Exit(CHECK_FAILED)


@command()
def confirm(
    session: SessionPath,
    before: Annotated[
        str, typer.Option("--before", metavar="SETUP", help="Compare with this set-up of the session sheet.")
    ],
    after: Annotated[
        str, typer.Option("--after", metavar="SETUP", help="Judge this set-up of the session sheet.")
    ],
    calibrate: Annotated[
        bool,
        typer.Option(
            "--calibrate", help="Also write what the runs say about the car beside the session sheet."
        ),
    ] = False,
    calibrated: Annotated[
        Path | None,
        typer.Option(
            "--calibrated", metavar="FILE", help="Predict from this calibrated car of an earlier session."
        ),
    ] = None,
    earlier: Annotated[
        list[Path] | None,
        typer.Option(
            "--earlier",
            metavar="SESSION",
            help="Also use this earlier session of the same car, to know it better; may be given again.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Confirm a change: verdict, measured beside predicted, reasons, and what these runs could have shown."""
    from analyzer.comparison.calibrated_car import read_calibration
    from analyzer.comparison.confirm import check_names
    from analyzer.report.figures.style import Drawings
    from analyzer.report.plain_data import confirmation_json
    from analyzer.report.terminal import print_confirmation
    from analyzer.session.decisions import confirm_change, write_calibrated_car
    from analyzer.session.review import failure_line, load_session, review_loaded, review_session

    # A set-up that is not there, and a calibrated car of another sheet, are told before the logs are read.
    sheets = load_session(session)
    check_names(sheets.sheet, before, after)
    known = None if calibrated is None else read_calibration(calibrated, sheets.car, sheets.car_path)
    with progress(as_json) as tell:
        past = [review_session(path, tell) for path in earlier or []]
        result = review_loaded(sheets, tell)
        confirmation = confirm_change(result, before, after, past, known)
    drawings = Drawings()
    show = partial(print_confirmation, confirmation, drawings=drawings)
    _print_answer(as_json, "confirmation", partial(confirmation_json, confirmation), show, drawings)
    if calibrate:
        print_error(f"wrote {write_calibrated_car(result, past)}")
    end(failure_line(result), (*confirmation.faults, *drawings.faults))


@command()
def choose(
    sheet: Annotated[
        Path,
        typer.Argument(
            metavar="SESSION|CAR", help="Read this session sheet or its folder, or this car sheet."
        ),
    ],
    wish: Annotated[
        str,
        typer.Option(
            "--wish", metavar="WISH", help="Say what the car should do, for instance 'rear 5 % softer'."
        ),
    ],
    setup: Annotated[
        str | None,
        typer.Option(
            "--from",
            metavar="SETUP",
            help="Start from this set-up, which is on the car now; from the last driven if not given.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Choose the next setting: what is on the shelf, ranked by how well it meets a wish."""
    from analyzer.report.figures.style import Drawings
    from analyzer.report.plain_data import choice_json
    from analyzer.report.terminal import print_choice
    from analyzer.session.decisions import choose_next

    with progress(as_json) as tell:
        choice = choose_next(sheet, wish, setup, tell)
    # Drawings gather what could not be drawn or said; the command ends with it, not before.
    drawings = Drawings()
    _print_answer(as_json, "choice", partial(choice_json, choice), partial(print_choice, choice), drawings)
    end(None, (*choice.faults, *drawings.faults))


@command()
def bar(
    car: Annotated[Path, typer.Argument(metavar="CAR", help="Read this car sheet.")],
    axle: Annotated[
        str | None,
        typer.Option(
            "--axle", metavar="AXLE", help="Show the bar of this axle, front or rear; both if not given."
        ),
    ] = None,
    lateral: Annotated[
        float,
        typer.Option(
            "--lateral",
            metavar="G",
            help="Work out stress and travel at this lateral acceleration, speed² / radius.",
        ),
    ] = 1.0,
    bank: Annotated[
        list[float] | None,
        typer.Option(
            "--bank",
            metavar="DEG",
            help="Work out the use of travel on this bank; may be given several times.",
        ),
    ] = None,
    as_json: AsJson = False,
    save: Annotated[
        Path | None,
        typer.Option(
            "--save",
            metavar="FOLDER",
            help="Also write table and figure to this folder, as json, csv and svg.",
        ),
    ] = None,
    builder: Annotated[
        Path | None,
        typer.Option(
            "--sheet",
            metavar="OUT",
            help="Also write the builder's sheet: A4 to scale, a .pdf or one .svg for each bar.",
        ),
    ] = None,
) -> None:
    """Predict every setting of the car's bars: rate, compliance, stress, motion."""
    from analyzer.prediction.setup import check_bars
    from analyzer.report.settings_sheet import bar_json, ladder_text, save_ladder
    from analyzer.sheets.read import read_car

    if builder is not None:
        from analyzer.report.builder_sheet import check_sheet

        check_sheet(builder)  # a name that will not do is told before the work
    if save is not None:
        refuse_file(save, "a folder for table and figure: it takes bar.json, and .csv and .svg of each bar")
    sheet = read_car(car)
    check_bars(sheet, car)
    # Above 5 g or on steeper banks it is a slip of the keyboard: engineering judgement.
    if not 0.0 < lateral <= 5.0:
        raise AnalyzerError(f"--lateral: {lateral:g} g is not what a car does; write for instance 0.9")
    if any(not -45.0 <= degrees <= 45.0 for degrees in bank or ()):
        raise AnalyzerError("--bank: is steeper than 45 deg; write for instance 12")
    table = bar_json(sheet, _axles(axle), lateral, tuple(bank) if bank else None)
    if as_json:
        print_json(table)
    else:
        print_text(ladder_text(table, terminal().width))
    if save is not None:
        print_error(f"saved: {save_ladder(table, save)}")
    if builder is not None:
        from analyzer.report.builder_sheet import save_builder_sheet

        files = save_builder_sheet(sheet, builder, _axles(axle))
        print_error(f"builder's sheet: {', '.join(str(file) for file in files)}")


def _axles(axle: str | None) -> tuple[Axle, ...]:
    if axle is None:
        return ("front", "rear")
    near = nearest(axle, ("front", "rear")) or "front"
    if axle == "front":
        return ("front",)
    if axle == "rear":
        return ("rear",)
    raise AnalyzerError(f'--axle: "{axle}" is not an axle; write front or rear', (axle, near))


@command(cls=FromLogs)
def start(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="FOLDER", help="Write to this folder, which is empty or new; with --list alone read it."
        ),
    ],
    logs: Annotated[
        list[Path] | None,
        typer.Option(
            "--from",
            metavar="LOG...",
            help="Read the channels off these logs of the car: a run for each, logs of several loggers "
            "joined in the order they are named.",
        ),
    ] = None,
    measuring: Annotated[
        Path | None,
        typer.Option(
            "--list",
            metavar="OUT",
            help="Write the measuring list of the folder's car to this .pdf or .svg: what is still to be "
            "measured, where, how, and how much it matters.",
        ),
    ] = None,
) -> None:
    """Write sheets to fill in, with the channels guessed from logs, and a list of what to measure."""
    if not logs and measuring is None:
        raise AnalyzerError(f"start: no log is named; write analyzer start {folder} --from LOG")
    if measuring is not None:
        from analyzer.report.builder_sheet import check_sheet

        check_sheet(measuring)  # a name that will not do is told before the work
    if logs:
        refuse_file(folder, "a new folder")
        from analyzer.ingest.template import NOT_ASKED, require_free, sort_logs, start_folder

        with progress(False) as tell:
            found = sort_logs(logs, tell)
        asked = sys.stdin.isatty() and sys.stdout.isatty()
        if asked:
            require_free(folder, found)
        answers = _ask([run[0].name for run in found.runs]) if asked else NOT_ASKED
        started = start_folder(folder, found, answers)
        for path in started.written:
            print_text(f"wrote {path}")
        print_text(
            f"channels recognised: {', '.join(started.recognised) or 'none'}; "
            f"columns left over, listed in car.toml: {started.left_over}"
        )
    if measuring is not None:
        from analyzer.prediction.setup import check_bars
        from analyzer.report.measuring_list import save_measuring_list
        from analyzer.sheets.read import read_car

        if not folder.exists():
            raise AnalyzerError(
                one_line(f"{folder}: there is no such folder; first analyzer start {folder} --from LOG")
            )
        sheet = folder / "car.toml" if folder.is_dir() else folder
        car = read_car(sheet)
        check_bars(car, sheet)
        for path in save_measuring_list(car, sheet, measuring):
            print_text(f"measuring list: {path}")
    if logs:
        if started.missing and started.left_over:
            names = ", ".join(started.missing)
            print_text(
                f"first: no column was recognised for {names}; car.toml lists the columns left over under "
                "[logger.channels]: write the right one into the channel's line, take off the # before it "
                "and the mark behind it"
            )
        printed = "" if measuring else f"analyzer start {folder} --list {folder / 'list.pdf'} to print what; "
        print_text(
            f"next: measure what is marked TO MEASURE ({printed}fill it in, take the mark off), look over "
            f"each GUESS; then analyzer check {folder}"
        )


def _ask(runs: Sequence[str]) -> Answers:
    """Ask what no log says, a default each: suspension, bars, set-up of each run, holes of each set-up."""
    from analyzer.core.units import AXLES
    from analyzer.ingest.template import BAR_KINDS, Answers, AxleAnswer, BarAnswer

    print_text(
        "A few questions; Enter keeps the answer in [ ]. All of it can be changed in the sheets later."
    )
    axles = {}
    for axle in AXLES:
        kind = ask_choice(f"{axle} suspension", ("independent", "solid axle"))
        bar = ask_choice(f"{axle} anti-roll bar", BAR_KINDS)
        holes, spacers = 3, 0
        if bar == "bladed":
            holes = ask_count(f"{axle} bar: holes in a blade", 3, 1, MOST_COUNTED)
            spacers = ask_count(f"{axle} bar: most spacers between blade and rod end", 0, 0, MOST_COUNTED)
        axles[axle] = AxleAnswer(kind, bar, holes, spacers)
    setups: list[str] = []
    for run in runs:
        setups.append(ask_name(f"set-up of {run}", setups[-1] if setups else "A"))
    bars: list[BarAnswer] = []
    for letter in dict.fromkeys(setups):
        for axle in AXLES:
            if axles[axle].bar != "bladed":
                continue
            hole = _hole(f"set-up {letter}: {axle} bar, hole counted from the outermost", axles[axle].holes)
            if hole is None:
                continue  # not known: the line stays marked
            most = axles[axle].spacers
            fitted = ask_count(f"set-up {letter}: {axle} bar, spacers", 0, 0, most) if hole and most else 0
            bars.append(BarAnswer(letter, axle, hole or None, fitted))
    return Answers(axles["front"], axles["rear"], tuple(setups), tuple(bars))


def _hole(question: str, holes: int) -> int | None:
    """Return the hole that is said, 0 for links that hang free, None where nobody knows."""
    while True:
        said = ask(f'{question} (1 to {holes}, "off" where the links hang free)', NOT_KNOWN).lower()
        if said == NOT_KNOWN:
            return None
        if said == "off":
            return 0
        if said.isascii() and said.isdigit() and 1 <= int(said) <= holes:
            return int(said)
        print_text(f"write a number from 1 to {holes}, or off; Enter leaves it to be filled in")


NOT_KNOWN: Final = "?"
MOST_COUNTED: Final = 10
"""Holes or spacers that a question takes; more are written into the sheet (engineering judgement)."""


@command()
def desk(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Work on the session in this folder; made if not there.")
    ],
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print the address and leave opening it to you.")
    ] = False,
    port: Annotated[
        int, typer.Option("--port", metavar="NUMBER", help="Serve on this port; on a free one if not given.")
    ] = 0,
) -> None:
    """Fill in sheets, take logs in and see results on a page of your own machine; no text editor needed."""
    try:
        from analyzer.desk.server import serve
    except ModuleNotFoundError as error:
        if error.name is None or error.name.startswith("analyzer"):
            raise
        raise AnalyzerError(
            f'the page needs {error.name}; install it with pip install "drift-bar-analyzer[desk]"'
        ) from None

    def show(address: str) -> None:
        print_text(f"desk: {address}\nends when its last window is closed, or with Ctrl-C")
        sys.stdout.flush()

    serve(folder, port, show, browser=not no_browser)


@command()
def archive(
    folder: Annotated[
        Path,
        typer.Argument(metavar="FOLDER", help="Take every session.toml in this folder and below it."),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FOLDER",
            help="Keep the archive in this folder; in 'archive' inside FOLDER if not given.",
        ),
    ] = None,
    as_json: AsJson = False,
    scheduler: Annotated[
        str | None,
        typer.Option(
            "--scheduler",
            metavar="ADDRESS",
            help="Work on the machines of this dask scheduler, tcp://host:8786.",
        ),
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option(
            "--workers",
            metavar="N",
            help="Use this many processes on this machine; one per processor if not given.",
        ),
    ] = None,
) -> None:
    """Keep a season: estimate every new run of many sessions once, and show what changed over time."""
    from analyzer.archive.season_pass import archive_folder
    from analyzer.report.figures.style import Drawings
    from analyzer.report.season_page import season_dict, write_season
    from analyzer.report.terminal import print_season

    drawings = Drawings()
    # The page is written while the archive is held: of two at once neither shows the other's half.
    with progress(as_json, counts=True) as tell:
        season = archive_folder(
            folder, out, tell, scheduler, workers, finish=lambda made: write_season(made, drawings)
        )
    make = partial(season_dict, season, drawings)
    _print_answer(as_json, "season", make, partial(print_season, season), drawings)
    if not as_json:
        print_text(f"archive: {season.folder}; page: {write_season(season, drawings)}")
    # One line for the first that was left out: the table on the page has all.
    line = None
    if season.left_out:
        place, run, reason = season.left_out[0]
        more = len(season.left_out) - 1
        where = f"{place}{f', {run}' if run else ''}"
        line = one_line(f"{where}: {reason}" + (f" ({more} more left out)" if more else ""))
    if season.faulty and line is not None and not drawings.faults:
        fail(line, OUR_FAULT)
    end(line, drawings.faults)


@command()
def course(
    session: SessionPath,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FOLDER",
            help="Write the sheet to this folder; to 'course' beside the session sheet if not given.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Write the driver's course sheet: where it runs out of travel, how hard, why, and what would cure it."""
    from analyzer.core.files import check_replaceable
    from analyzer.report.course_page import course_json, write_course
    from analyzer.report.figures.style import Drawings
    from analyzer.report.terminal import print_course
    from analyzer.session.course_sheet import course_sheet
    from analyzer.session.review import failure_line, review_session

    # A folder that must not be replaced is told before a minute of work.
    if out is not None:
        check_replaceable(out.expanduser().resolve())
    with progress(as_json) as tell:
        review = review_session(session, tell)
        _require_runs(review)
        tell("laying the runs over each other", 1, 1)
        result = course_sheet(review)
        drawings = Drawings()
        page = write_course(result, out or review.session.path.parent / "course", drawings)
    make = partial(course_json, result, drawings)
    _print_answer(as_json, "course sheet", make, partial(print_course, result), drawings)
    if not as_json:
        print_text(f"course sheet: {page}")
    end(failure_line(review), (*result.faults, *drawings.faults))


@command()
def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Write to this folder, which is empty or new.")
    ],
    seed: Annotated[
        int,
        typer.Option("--seed", metavar="NUMBER", help="Draw road, driver and sensor noise from this number."),
    ] = 7,
) -> None:
    """Write a sample session driven by a virtual car, with its true values beside it."""
    from analyzer.demo.sample_session import STEPS, write_demo

    begun = itertools.count()
    with progress(False) as tell:
        sheet = write_demo(folder, seed, lambda what: tell(what, next(begun), STEPS))
    print_text(f"wrote {sheet}; next: analyzer review {sheet}")


@command()
def docs(
    page: Annotated[
        str | None,
        typer.Argument(
            metavar="PAGE", help="Print this page, 'sheets' for instance; list all pages if not given."
        ),
    ] = None,
) -> None:
    """Print a page of the docs that belong to this version."""
    from analyzer.core.files import docs_folder, docs_page, docs_titles

    if page is not None:
        print_text(docs_page(page), end="")
        return
    titles = docs_titles()
    width = max(map(len, titles))
    print_text("\n".join(f"{name:{width}}  {title}" for name, title in titles.items()))
    print_text(f"as files: {docs_folder()}")


@app.callback(invoke_without_command=True)
def _version(
    version: Annotated[bool, typer.Option("--version", help="Print the version and stop.")] = False,
) -> None:
    if version:
        from analyzer import __version__

        print_text(f"analyzer {__version__}")
        raise typer.Exit


def _print_answer(
    as_json: bool,
    what: str,
    make: Callable[[], dict[str, Any]],
    show: Callable[[Console], None],
    drawings: Drawings,
) -> None:
    """Print the answer of a command for scripts, or in words."""
    if as_json:
        _print_results(make, drawings)
    else:
        _print_words(what, show, drawings)


def _print_words(what: str, show: Callable[[Console], None], drawings: Drawings) -> None:
    """Print an answer at the terminal; where the program fails at it, why."""
    from analyzer.report.terminal import printed

    shown = terminal()
    printed(f"{what} at the terminal", partial(show, shown), shown, drawings)


def _print_results(make: Callable[[], dict[str, Any]], drawings: Drawings) -> None:
    """Print results for scripts; where the program fails at them, why."""
    from analyzer.report.plain_data import fault_dict

    drawings.written(
        "results as JSON",
        lambda: print_json(make()),
        lambda fault: print_json({"faults": [fault_dict(fault)]}),
    )


def _require_runs(review: Review) -> None:
    """Stop when no run could be used, before anything is written."""
    from analyzer.session.review import failure_line, require_runs

    if not review.runs:
        end(failure_line(review), review.faults)
    require_runs(review)


def run(listens: bool = False) -> None:
    """Run the command line as a process of its own; one that `listens` is stopped from the keyboard."""
    run_process(main, listens)


def main() -> None:
    """Run the command line in this process; ends with SystemExit."""
    run_command(app)
