"""A fault of the program in one run costs that run alone: the others are reviewed, and the exit code is 3."""

import importlib
import itertools
import json
import shutil
import signal
import subprocess
import sys
import time

import pytest

from analyzer.archive.tasks import estimate_task
from analyzer.cli import main
from analyzer.core.errors import AnalyzerError, contained, fault_of
from analyzer.report.page import all_plates, page_parts
from analyzer.report.plain_data import results_dict
from analyzer.session.review import load_session, review_session


@pytest.fixture(scope="module")
def three(sample_session, tmp_path_factory):
    """A session of three runs on two set-ups, the box bolted anew before each.

    With one mounting a run tells the others how the box leans even when its own estimate fails.
    """
    place = tmp_path_factory.mktemp("three") / "evening"
    shutil.copytree(sample_session, place, ignore=shutil.ignore_patterns("r0[2-4]*", "truth*"))
    sheet = place / "session.toml"
    head, *runs = sheet.read_text(encoding="utf-8").split("[[runs]]")
    moved = [f"\nbox_moved = true{run}" for run in runs[4:6]]
    sheet.write_text("[[runs]]".join([head, runs[0], *moved]), encoding="utf-8")
    return place


@pytest.fixture(scope="module")
def without_r05(three, tmp_path_factory):
    """What a review of the same session finds when the faulty run is not in the sheet at all."""
    place = shutil.copytree(three, tmp_path_factory.mktemp("two") / "evening")
    sheet = place / "session.toml"
    head, *runs = sheet.read_text(encoding="utf-8").split("[[runs]]")
    sheet.write_text("[[runs]]".join([head, *(run for run in runs if '"r05"' not in run)]), encoding="utf-8")
    return results_dict(review_session(place))


def broken(work, which):
    """Return `work` as it is, but for the run that `which` finds in what it is given."""

    def sometimes(*given, **named):
        if which(*given, **named):
            return {}["not foreseen at 0x7f00aa"]
        return work(*given, **named)

    return sometimes


def reads_r05(run, *_rest, **_named):
    return run == "r05"


def has_r05(*given, **_named):
    groups = (item for item in given if isinstance(item, (list, tuple)))
    return any(getattr(run, "name", None) == "r05" for group in groups for run in group)


def has_recording_of_r05(recordings, *_rest):
    return any(recording.run == "r05" for recording in recordings)


def is_r05(item, *_rest, **_named):
    return getattr(item, "run", getattr(item, "name", None)) == "r05"


def second_call():
    calls = itertools.count(1)
    return lambda *_given: next(calls) == 2  # r05 is the second of the three runs


STAGES = {
    "ingest": ("analyzer.session.run_store", "read_recording", reads_r05, "estimating"),
    "checks": ("analyzer.ingest.read_run", "check_channels", second_call, "estimating"),
    "estimates": ("analyzer.session.run_store", "estimate_run", is_r05, "estimating"),
    "repeated rows": ("analyzer.session.review", "find_repeats", has_recording_of_r05, "comparing"),
    "set-ups": ("analyzer.session.review", "setup_results", has_r05, "comparing"),
    "moment kept": ("analyzer.session.review", "with_moment_kept", has_r05, "comparing"),
    "change": ("analyzer.session.review", "compare_setups", has_r05, "comparing"),
    "bar settings": ("analyzer.session.review", "axle_settings", has_r05, "comparing"),
}


def inject(monkeypatch, stage):
    module, name, which, _ = {**STAGES, **LATER}[stage]
    module = importlib.import_module(module)
    which = which() if which is second_call else which
    monkeypatch.setattr(module, name, broken(getattr(module, name), which))


def ended(monkeypatch, *arguments):
    monkeypatch.setattr("sys.argv", ["analyzer", *map(str, arguments)])
    with pytest.raises(SystemExit) as end:
        main()
    return end.value.code


@pytest.mark.parametrize(
    "stage", [s if k < 2 else pytest.param(s, marks=pytest.mark.slow) for k, s in enumerate(STAGES)]
)
def test_review_goes_on_without_the_run(stage, three, without_r05, tmp_path, monkeypatch, capsys):
    inject(monkeypatch, stage)
    assert ended(monkeypatch, "review", three, "--out", tmp_path / "report") == 3
    told = capsys.readouterr()
    assert told.err.count("\n") == 1, told.err
    assert told.err.startswith("analyzer: r05: fault of this program")
    assert "r05.csv.gz" in told.err
    assert "car.toml" in told.err
    assert "r05 left out" in " ".join(told.out.split())
    results = json.loads((tmp_path / "report" / "results.json").read_text())
    (fault,) = results["faults"]
    assert fault["name"] == "r05"
    assert fault["stage"] == STAGES[stage][3]
    assert fault["kind"] == "KeyError"
    assert "not foreseen" in fault["message"]
    assert "7f00aa" not in fault["message"]  # another address would make another file of the same session
    module, _, line = fault["place"].rpartition(":")
    assert module.startswith("analyzer.")
    assert int(line) > 0
    assert fault["send"] == ["r05.csv.gz", "session.toml", "car.toml", "course.toml"]
    # The others are as if the run had never been driven.
    for key in ("runs", "failed", "setups", "comparisons", "bar_settings"):
        assert results[key] == without_r05[key], key
    page = (tmp_path / "report" / "report.html").read_text(encoding="utf-8")
    assert "Fault of this program while" in page
    assert (tmp_path / "report" / "tables" / "left_out.csv").read_text().splitlines()[1].startswith("r05,")


LATER = {
    "course": ("analyzer.processing.course", "_laid", has_r05, ""),
    "confirm": ("analyzer.session.decisions", "confirm", has_r05, ""),
    "choose": ("analyzer.session.decisions", "choose", has_r05, ""),
}


def test_course_sheet_is_written_without_the_run(three, tmp_path, monkeypatch, capsys):
    inject(monkeypatch, "course")
    assert ended(monkeypatch, "course", three, "--out", tmp_path / "course") == 3
    assert "r05: fault of this program while laying over the others" in capsys.readouterr().err
    results = json.loads((tmp_path / "course" / "results.json").read_text())
    assert [fault["name"] for fault in results["faults"]] == ["r05"]
    assert [run["name"] for run in results["line"]["runs"]] == ["r01", "r06"]


@pytest.mark.parametrize("command", ["confirm", "choose"])
def test_decisions_go_on_without_the_run(command, three, monkeypatch, capsys):
    inject(monkeypatch, command)
    setups = list(load_session(three).sheet.setups)
    options = {
        "confirm": ("--before", setups[0], "--after", setups[1]),
        "choose": ("--wish", "rear 5 % softer"),
    }
    assert ended(monkeypatch, command, three, "--json", *options[command]) == 3
    told = capsys.readouterr()
    assert "r05: fault of this program while comparing" in told.err
    assert [fault["name"] for fault in json.loads(told.out)["faults"]] == ["r05"]


def failing(*_given, **_named):
    raise KeyError("not foreseen")


FIGURES = {
    "described": ("analyzer.report.figures.review_plots", "run_plate", "failing-0"),
    "drawn": ("analyzer.report.figures.review_plots", "_draw_budget", "budget"),
    "drawn for the driver": ("analyzer.report.figures.course_plots", "_draw_map", "where"),
}


@pytest.mark.parametrize(
    "kind", [k if n == 1 else pytest.param(k, marks=pytest.mark.slow) for n, k in enumerate(FIGURES)]
)
def test_a_figure_that_fails_is_left_out_alone(kind, three, tmp_path, monkeypatch, capsys):
    module, name, key = FIGURES[kind]
    arguments = ("review", three, "--figures", tmp_path / "figures", "--pdf", tmp_path / "page.pdf")
    review = review_session(three)
    sound = json.dumps(results_dict(review), sort_keys=True)
    plates = {plate.key: plate for plate in all_plates(page_parts(review))}
    monkeypatch.setattr(importlib.import_module(module), name, failing)
    assert ended(monkeypatch, *arguments, "--out", tmp_path / "r") == 3
    told = capsys.readouterr().err
    assert told.count("\n") == 1, told
    assert told.startswith(f"analyzer: {key}: fault of this program while drawing the figure (KeyError in ")
    pages = [(tmp_path / "r" / f"{page}.html").read_text(encoding="utf-8") for page in ("report", "course")]
    for_driver = kind.endswith("driver")
    assert "Left out: fault of this program while drawing the figure" in pages[for_driver]
    assert "Left out: fault" not in pages[not for_driver]
    # Every other figure of the sound page stands; what the page of the runs shows closer is not on it.
    failed = "runs" if kind == "described" else key
    on_page = {other for other, plate in plates.items() if not plate.closer} - {failed}
    assert pages[0].count("<svg") + pages[0].count("<img") == len(on_page)
    assert (tmp_path / "page.pdf").read_bytes().startswith(b"%PDF")
    saved = {path.stem for path in (tmp_path / "figures").iterdir()}
    assert saved == plates.keys() - {failed}
    # No number rests on a figure.
    written = json.loads((tmp_path / "r" / "results.json").read_text())
    assert {**written, "files": None} == {**json.loads(sound), "files": None}


WORDS = {
    # Piece -> where it is asked for, and what stands all the same.
    "review": (
        "analyzer.report.sentences.tuner_answer",
        "tuner's answer at the terminal",
        "report/report.html",
    ),
    "review, page of the runs": (
        "analyzer.report.look_page._contents",
        "page of the runs",
        "report/course.html",
    ),
    "course": (
        "analyzer.report.course_sentences.cure_lines",
        "what would clear place 1",
        "course/report.html",
    ),
    "archive": ("analyzer.report.season_page.trend_table", "trends of ", "archive/report/report.html"),
}


@pytest.mark.parametrize(
    "kind", [k if k == "review" else pytest.param(k, marks=pytest.mark.slow) for k in WORDS]
)
def test_words_that_fail_are_left_out_alone(kind, three, tmp_path, monkeypatch, capsys):
    where, piece, page = WORDS[kind]
    place = shutil.copytree(three, tmp_path / "s")
    monkeypatch.setattr(where, failing)
    assert ended(monkeypatch, kind.partition(",")[0], place) == 3
    told = capsys.readouterr()
    # In the terminal, too, the rest is told; the last line says what to send.
    (line,) = told.err.splitlines()
    assert line.startswith(f"analyzer: {piece}")
    assert ": fault of this program while writing this piece (KeyError in analyzer.report." in line
    assert "send this line with the sheets and logs" in line
    assert len(told.out.splitlines()) >= 5
    html = (place / page).read_text(encoding="utf-8")
    assert html.endswith("</html>")
    written = html.count("Left out: fault of this program while writing this piece")
    assert (written == 0) == ("page of the runs" in kind)
    assert (place / "report/look.html").exists() == (kind == "review")
    if kind == "review":
        assert "Left out: fault of this program" in " ".join(told.out.split())
        assert all(word in told.out for word in ("Team", "Driver"))


def test_a_full_disk_while_a_figure_is_drawn_is_no_fault_of_the_program(three, tmp_path, monkeypatch, capsys):
    def full(*_given, **_named):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("analyzer.report.figures.review_plots._draw_budget", full)
    assert ended(monkeypatch, "review", three, "--out", tmp_path / "r", "--quiet") == 2
    assert "No space left" in capsys.readouterr().err
    assert not (tmp_path / "r").exists()


@pytest.mark.slow
def test_a_fault_with_an_earlier_run_leaves_out_that_one(three, sample_session, monkeypatch, capsys):
    """The run belongs to the earlier session; all of the later one count."""
    confirm = importlib.import_module("analyzer.session.decisions").confirm

    def sometimes(*given, earlier=(), **named):
        if any(run.name == "r03" for past in earlier for run in past.runs):
            raise KeyError("not foreseen")
        return confirm(*given, earlier=earlier, **named)

    monkeypatch.setattr("analyzer.session.decisions.confirm", sometimes)
    setups = list(load_session(three).sheet.setups)
    options = ("--before", setups[0], "--after", setups[1], "--json", "--earlier", sample_session)
    assert ended(monkeypatch, "confirm", three, *options) == 3
    told = capsys.readouterr()
    assert told.err.startswith("analyzer: r03: fault of this program while comparing the run")
    assert [fault["name"] for fault in json.loads(told.out)["faults"]] == ["r03"]


@pytest.mark.slow
def test_an_archive_goes_on_without_the_run_and_without_the_figure(three, tmp_path, monkeypatch, capsys):
    season = tmp_path / "season"
    shutil.copytree(three, season / "one")
    (season / "one" / "r06.csv.gz").unlink()
    inject(monkeypatch, "ingest")
    monkeypatch.setattr("analyzer.archive.season_pass._records", lambda tasks, *_: map(estimate_task, tasks))
    for _ in range(2):  # what is kept of it says so as well
        assert ended(monkeypatch, "archive", season, "--workers", 1) == 3
        told = capsys.readouterr()
        assert "fault of this program (KeyError" in told.err
        assert told.err.count("\n") == 1
    monkeypatch.undo()
    monkeypatch.setattr("analyzer.report.season_page.car_plates", failing)
    monkeypatch.setattr("analyzer.report.season_page.season_svg", failing)
    shutil.rmtree(season / "archive")
    assert ended(monkeypatch, "archive", season, "--workers", 1) == 3
    told = capsys.readouterr().err
    assert "r06.csv.gz" in told.splitlines()[0]
    assert "fault of this program while drawing the figure" in told.splitlines()[1]
    page = (season / "archive" / "report" / "report.html").read_text(encoding="utf-8")
    assert "Left out: fault of this program while drawing the figure" in page
    assert "r06" in page


@pytest.mark.parametrize("stage", ["ingest", "checks"])
def test_check_goes_on_without_the_run(stage, three, monkeypatch, capsys):
    inject(monkeypatch, stage)
    assert ended(monkeypatch, "check", three, "--json") == 3
    told = capsys.readouterr()
    assert told.err.startswith("analyzer: r05: fault of this program while reading")
    found = json.loads(told.out)
    assert [fault["name"] for fault in found["faults"]] == ["r05"]
    assert [run["name"] for run in found["runs"]] == ["r01", "r06"]


def test_bad_input_beside_a_fault_is_told_too(three, tmp_path, monkeypatch, capsys):
    place = shutil.copytree(three, tmp_path / "s")
    (place / "r01.csv.gz").write_bytes(b"not a log at all")
    inject(monkeypatch, "estimates")
    assert ended(monkeypatch, "review", place, "--out", tmp_path / "r", "--quiet") == 3
    first, second = capsys.readouterr().err.splitlines()
    assert "r01.csv.gz" in first
    assert "r05: fault of this program" in second


def test_a_fault_in_every_run_writes_nothing(three, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("analyzer.session.run_store.estimate_run", broken(None, lambda *_: True))
    assert ended(monkeypatch, "review", three, "--out", tmp_path / "r") == 3
    assert "2 more with a fault" in capsys.readouterr().err
    assert not (tmp_path / "r").exists()


def test_a_fault_of_no_run_keeps_its_traceback(three, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("analyzer.session.review.setup_results", broken(None, lambda *_: True))
    assert ended(monkeypatch, "review", three, "--out", tmp_path / "r") == 3
    *trace, last = capsys.readouterr().err.splitlines()
    assert trace[0].startswith("Traceback")
    assert last.startswith("analyzer: fault of this program (KeyError in analyzer.session.review:")
    assert not (tmp_path / "r").exists()


@pytest.mark.parametrize(
    ("error", "code", "line"),
    [
        (MemoryError(), 2, "analyzer: not enough memory"),
        (KeyboardInterrupt(), 130, "analyzer: stopped; nothing was left half written"),
        (OSError(28, "No space left on device"), 2, "analyzer: a file: No space left"),
    ],
)
def test_what_is_no_fault_is_not_swallowed(error, code, line, three, tmp_path, monkeypatch, capsys):
    def raising(*_given):
        raise error

    monkeypatch.setattr("analyzer.session.run_store.estimate_run", raising)
    assert ended(monkeypatch, "review", three, "--out", tmp_path / "r") == code
    told = capsys.readouterr().err
    assert told.startswith(line)
    assert told.count("\n") == 1
    assert not (tmp_path / "r").exists()


def listening():
    """Let a process hear interrupts even where the tests run in the background of a shell that does not."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


@pytest.mark.parametrize(
    "command", ["review", *(pytest.param(name, marks=pytest.mark.slow) for name in ("check", "course"))]
)
def test_interrupt_prints_one_line(command, three, tmp_path):
    # At several moments: while rooms are imported, logs are read, runs are estimated.
    for delay in (0.6, 1.2, 1.8):
        out = tmp_path / f"at {delay}"
        call = [sys.executable, "-m", "analyzer", command, str(three)]
        call += [] if command == "check" else ["--out", str(out)]
        with subprocess.Popen(
            call, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, preexec_fn=listening
        ) as process:
            time.sleep(delay)
            process.send_signal(signal.SIGINT)
            _, told = process.communicate(timeout=60)
        if process.returncode == 0:
            continue  # done before the signal came
        assert (process.returncode, told) == (130, "analyzer: stopped; nothing was left half written\n"), (
            delay
        )
        # Nothing, or all of it where the signal came after the exchange.
        assert not out.exists() or (out / "course.html").is_file()
        assert {path.name for path in tmp_path.iterdir()} <= {f"at {d}" for d in (0.6, 1.2, 1.8)}


INTERRUPTED = """
import importlib.abc, os, signal, sys
class Interrupting(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path, target=None):
        if name == {name!r} and not self.done:
            self.done = True
            os.kill(os.getpid(), signal.SIGINT)
    done = False
sys.meta_path.insert(0, Interrupting())
sys.argv = ["analyzer", "review", {session!r}, "--out", {out!r}]
from analyzer.__main__ import run
run()
"""


@pytest.mark.parametrize(
    "name",
    ["analyzer.cli", "typer", "numpy", "analyzer.session.review"]
    + [
        pytest.param(name, marks=pytest.mark.slow)
        for name in ("rich", "pandas", "pyarrow.csv", "pydantic", "pint", "scipy.linalg", "matplotlib.figure")
    ],
)
def test_interrupt_while_a_library_is_loaded_prints_one_line(name, three, tmp_path):
    call = INTERRUPTED.format(name=name, session=str(three), out=str(tmp_path / "r"))
    done = subprocess.run(
        [sys.executable, "-c", call], capture_output=True, text=True, timeout=60, preexec_fn=listening
    )
    if done.returncode == 0:  # another version of a library does without that one
        assert name not in ("analyzer.cli", "typer", "numpy", "analyzer.session.review")
        return
    assert (done.returncode, done.stderr) == (130, "analyzer: stopped; nothing was left half written\n")
    assert not list(tmp_path.iterdir())


def test_a_command_told_to_let_interrupts_pass_goes_on(three):
    call = "import signal; signal.signal(signal.SIGINT, signal.SIG_IGN)" + INTERRUPTED.format(
        name="typer", session=str(three), out=""
    ).replace('"review", ', '"--version"]#')
    done = subprocess.run([sys.executable, "-c", call], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stderr) == (0, "")


def test_run_to_blame_is_the_one_that_breaks_what_went_well():
    def work(names):
        if not names:
            raise AnalyzerError("no runs")
        if {"b", "d"} <= set(names) or "e" in names:
            raise ValueError(names)
        return tuple(names)

    found, faults = contained(list("abcde"), work, lambda name, error: fault_of(error, name, "comparing"))
    assert found == ("a", "b", "c")
    assert [fault.run for fault in faults] == ["d", "e"]
    with pytest.raises(AnalyzerError):
        contained(["e"], work, lambda name, error: fault_of(error, name, "comparing"))


@pytest.mark.parametrize(
    "megabytes",
    [250, *(pytest.param(m, marks=pytest.mark.slow) for m in (300, 400, 500, 550, 620, 680, 760, 900))],
)
def test_little_memory_is_told_in_one_line(megabytes, three, tmp_path):
    resource = pytest.importorskip("resource")

    def limit():
        resource.setrlimit(resource.RLIMIT_AS, (megabytes * 1_000_000,) * 2)

    call = [sys.executable, "-m", "analyzer", "review", str(three), "--quiet", "--out", str(tmp_path / "r")]
    done = subprocess.run(call, preexec_fn=limit, capture_output=True, text=True, timeout=120)
    assert done.returncode == 2, done.stderr
    assert done.stderr.count("\n") == 1, done.stderr
    assert "memory" in done.stderr
    assert not list(tmp_path.iterdir())


def test_a_part_of_a_library_without_room_is_little_memory(monkeypatch, capsys):
    def broken(*_given):
        raise ImportError("libx.so.5: failed to map segment from shared object")

    monkeypatch.setattr("analyzer.session.review.load_session", broken)
    assert ended(monkeypatch, "review", "x") == 2
    assert capsys.readouterr().err.startswith("analyzer: not enough memory")
