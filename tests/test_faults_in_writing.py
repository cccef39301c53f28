"""A fault of the program in any stage of writing: one line, exit code 3, and all the rest is written."""

import contextlib
import json
import shutil
import sys
import types
from dataclasses import replace

import pytest
from report.synthetic_review import make_review
from report.test_season_page import archive

from analyzer.cli import main
from analyzer.report.figures.style import Drawings
from analyzer.session.course_sheet import course_sheet
from analyzer.session.decisions import choose_next, confirm_change
from analyzer.session.review import CheckOutcome

WRITING = frozenset(
    f"analyzer.report.{name}"
    for name in (
        *("page", "course_page", "look_page", "season_page", "csv_tables", "pdf", "plain_data", "cards"),
        *("sentences", "course_sentences", "season_sentences", "tables", "terminal"),
    )
)
"""Rooms of writing: their functions are stages where the command or another of them calls them. Figures are
held by `Drawings` as a whole; `words` and `reasons` are called by all of these."""
ENDS = frozenset(
    {
        *("write_report", "write_course", "write_season", "write_page", "page_bytes"),
        *("whole_page", "whole_results", "results_bytes", "printed", "check_pdf"),
    }
)
"""What holds the faults of the others, or is the writing itself: a fault there ends the command with its
traceback, and nothing is half written."""
TELLS = frozenset({"fault_dict", "fault_sentence", "fault_words", "faults_line", "left_out", "say", "taken"})
"""What tells of a fault."""


TOLD = b"fault of this program"


def failing(*_given, **_named):
    raise KeyError("not foreseen")


@contextlib.contextmanager
def broken(function):
    """Let a function fail under all the names by which it is known."""
    code = function.__code__
    function.__code__ = failing.__code__
    try:
        yield
    finally:
        function.__code__ = code


def stages_of(call, doors):
    """Return the functions of the rooms of writing that a call reaches from the command or from these rooms.

    With `doors` those alone that another module calls.
    """
    callers, seen = {*WRITING, "analyzer.cli"}, {}

    def note(frame, event, _given):
        name = frame.f_globals.get("__name__", "")
        if event != "call" or name not in WRITING:
            return
        above = frame.f_back
        while above is not None and not above.f_globals.get("__name__", "").startswith("analyzer."):
            above = above.f_back
        if above is None or above.f_code.co_name == "<module>":  # a module is loaded
            return
        caller = above.f_globals["__name__"]
        if caller in callers and not (doors and caller == name):
            seen[frame.f_code] = name

    sys.setprofile(note)
    try:
        call()
    finally:
        sys.setprofile(None)
    found = [getattr(sys.modules[name], code.co_qualname, None) for code, name in seen.items()]
    return sorted(
        {f for f in found if isinstance(f, types.FunctionType) and f.__code__ in seen},
        key=lambda function: (function.__module__, function.__qualname__),
    )


WISH = "rear 5 % softer"


def quiet(*_given):
    """Hear how work goes on."""


def case(command, drawn, sample, place):
    """Return the arguments of a command, and what it takes from the rooms before the writing."""
    arguments = command.split()
    if arguments[0] == "archive":
        season = replace(archive(place / "archive"), left_out=())

        def archived(*_given, finish, **_named):
            finish(season)
            return season

        return (*arguments, place), {"archive.season_pass.archive_folder": archived}
    if arguments[0] in ("review", "course"):
        known = {"session.review.review_session": drawn}
        if arguments[0] == "course":
            known["session.course_sheet.course_sheet"] = course_sheet(drawn)
        files = [word.replace("OUT", str(place)) for word in arguments[1:]]
        return (arguments[0], drawn.session.path, *files), known
    if arguments[0] == "confirm":
        setups = list(sample.session.sheet.setups)
        return (*arguments, sample.session.path, "--before", setups[0], "--after", setups[1]), {
            "session.review.review_loaded": sample,
            "session.decisions.confirm_change": confirm_change(sample, *setups),
        }
    if arguments[0] == "choose":
        car = sample.session.car_path
        found = choose_next(car, WISH, None, quiet)
        return (*arguments, car, "--wish", WISH), {"session.decisions.choose_next": found}
    found = CheckOutcome(sample.recordings, {}, ())
    return (*arguments, sample.session.path, "--all"), {"session.review.check_path": found}


def ended(monkeypatch, arguments, known):
    monkeypatch.setattr("sys.argv", ["analyzer", *map(str, arguments)])
    for name, found in known.items():
        stand_in = found if callable(found) else lambda *_given, _found=found, **_named: _found
        monkeypatch.setattr(f"analyzer.{name}", stand_in)
    with pytest.raises(SystemExit) as end:
        main()
    return end.value.code


def written(out):
    """Return the files of a command, by their place."""
    return {
        str(path.relative_to(out)): path.read_bytes() for path in sorted(out.rglob("*")) if path.is_file()
    }


def wrong(found, sound):
    """Return what is not whole, or is not what stands there without a fault."""
    for name, content in found.items():
        if name.endswith(".html") and not content.rstrip().endswith(b"</html>"):
            yield f"{name} is cut"
        if name.endswith(".json"):
            table, whole = json.loads(content), json.loads(sound[name])
            tells = table.get("faults") or TOLD in content
            if content != sound[name] and not (tells and table["format"] == whole["format"]):
                yield f"{name} does not tell what is left out"
            for key, entries in whole.items():
                if key != "faults" and isinstance(entries, list):
                    others = [
                        e for e in table.get(key, []) if e not in entries and TOLD.decode() not in str(e)
                    ]
                    yield from (f"{name}: another entry in {key}" for _ in others)
        if name.endswith(".csv"):
            rows = [row for row in content.splitlines() if TOLD not in row]
            if not set(rows) <= set(sound[name].splitlines()):
                yield f"{name} holds other rows"


LEAST = {"review": {"r/report.html", "r/results.json"}, "course": {"r/report.html", "r/results.json"}}
LEAST["archive"] = {"archive/report/report.html", "archive/report/results.json"}
"""What a command writes whatever piece of it fails."""
COMMANDS = (
    "review --out OUT/r",
    "review --json --out OUT/r --pdf OUT/page.pdf --figures OUT/figures",
    "course --out OUT/r",
    "course --json --out OUT/r",
    "archive",
    "archive --json",
)
OF_A_SESSION = ("confirm", "confirm --json", "choose", "choose --json", "check", "check --json")


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    """A review of short, invented runs."""
    return make_review(tmp_path_factory.mktemp("drawn"))


@pytest.mark.parametrize(
    ("command", "doors"),
    [
        ("course --out OUT/r", "course_page"),
        ("archive", "season_page"),
        *(pytest.param(command, "review" in command, marks=pytest.mark.slow) for command in COMMANDS),
        *(pytest.param(command, False, marks=pytest.mark.slow) for command in OF_A_SESSION),
    ],
)
def test_a_fault_in_any_stage_of_writing(command, doors, drawn, request, tmp_path, monkeypatch, capsys):
    sample = request.getfixturevalue("sample_review") if command in OF_A_SESSION else None
    place = tmp_path / "p"
    arguments, known = case(command, drawn, sample, place)
    monkeypatch.setenv("ANALYZER_CACHE", str(tmp_path / "cache"))

    def again():
        shutil.rmtree(place, ignore_errors=True)
        place.mkdir()
        capsys.readouterr()
        code = ended(monkeypatch, arguments, known)
        return code, capsys.readouterr(), written(place)

    stages = stages_of(again, bool(doors))
    if isinstance(doors, str):  # of one room, among the default tests
        stages = [stage for stage in stages if stage.__module__.endswith((doors, ".plain_data"))]
    if "--pdf" in command:  # all others are those of the review without it, and drawing it takes longest
        stages = [stage for stage in stages if stage.__module__.endswith((".pdf", ".plain_data"))]
    code, told, sound = again()
    assert code == 0, told.err
    sound_text = told.out
    least = LEAST.get(arguments[0], set())
    assert least <= set(sound)
    found = []
    for stage in stages:
        name = f"{stage.__module__.rpartition('.')[2]}.{stage.__name__}"
        with broken(stage):
            code, told, files = again()
        lines = told.err.splitlines()
        problems = [*wrong(files, sound)]
        if code != 3 or not lines or not lines[-1].startswith("analyzer: "):
            problems.append(f"ends with {code}: {told.err[-200:]}")
        elif stage.__name__ not in ENDS | TELLS and (len(lines) > 1 or not least <= set(files)):
            problems.append(f"{lines[-1][:200]}, and leaves {sorted(files)}")
        found += [f"{name}: {problem}" for problem in problems]
    if command == "confirm":  # the causes fail, and the verdict stands
        monkeypatch.setattr("analyzer.report.terminal._reasons", failing)
        code, told, _ = again()
        assert code == 3
        assert told.err.startswith("analyzer: causes at the terminal: fault of this program")
        assert sound_text.splitlines()[0] == told.out.splitlines()[0]
        assert sound_text.splitlines()[-1] == told.out.splitlines()[-1]
    assert len(stages) > 1
    assert not found, "\n".join(found)


def test_a_reader_that_is_gone_is_no_fault():
    # As the library of the terminal says it: without a number of the system.
    def gone():
        raise BrokenPipeError

    drawings = Drawings()
    with pytest.raises(BrokenPipeError):
        drawings.written("answers at the terminal", gone, lambda _fault: None)
    assert not drawings.faults
