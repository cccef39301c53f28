"""What was mistaken for something else is told in one line: what was found, and the command that would do."""

from __future__ import annotations

import shlex
import shutil
from pathlib import Path

import pytest

from analyzer.cli import main


@pytest.fixture
def session(sample_session: Path, tmp_path: Path, monkeypatch) -> Path:
    """The sample session as the working folder, and a folder with nothing but a log; no log can be read."""
    folder = tmp_path / "session"
    shutil.copytree(sample_session, folder)
    (folder / "only_logs").mkdir()
    shutil.copy(folder / "r01.csv.gz", folder / "only_logs")
    (folder / "only_logs" / "plain.csv").write_text("time,ay\n0,1\n0.1,2\n", encoding="utf-8")
    (folder / "car.txt").write_bytes((folder / "car.toml").read_bytes())
    # The user of the name first: were it loaded after the other, it would keep the None.
    monkeypatch.setattr("analyzer.session.run_store.read_recording", None)
    monkeypatch.setattr("analyzer.ingest.read_run.read_recording", None)
    monkeypatch.chdir(folder)
    return folder


def told(command: str, monkeypatch, capsys) -> str:
    """Run a command line and return the one line it ends with."""
    monkeypatch.setattr("sys.argv", ["analyzer", *shlex.split(command)])
    with pytest.raises(SystemExit) as ended:
        main()
    printed = capsys.readouterr()
    assert ended.value.code == 2, printed
    assert printed.out == ""
    (line,) = printed.err.splitlines()
    return line


SOFTER = '--wish "rear 5 % softer"'
LINES = [
    # a log where a sheet is meant
    ("review r01.csv.gz", "is a log, not a session sheet", "analyzer review session.toml"),
    ("course r01.csv.gz", "is a log, not a session sheet", "analyzer course session.toml"),
    ("bar r01.csv.gz", "is a log, not a car sheet", "analyzer bar car.toml"),
    ("review only_logs/plain.csv", "is a log", "analyzer start FOLDER --from only_logs/plain.csv"),
    ("review only_logs/r01.csv.gz", "is a log", "analyzer check only_logs/r01.csv.gz"),
    ("review truth.json", "is a .json file, not a session sheet", "analyzer review session.toml"),
    # a sheet where a log is meant
    (
        "start new --from session.toml",
        "is a session sheet, not a log",
        "analyzer start new --from r01.csv.gz",
    ),
    ("start new --from car.txt", "is a car sheet, not a log", "analyzer start new --from r01.csv.gz"),
    ("start new --from .", "is a folder", "analyzer start new --from r01.csv.gz"),
    ("start new --from only_logs", "is a folder", "analyzer start new --from only_logs/plain.csv"),
    # one sheet where another is meant
    ("review car.toml", "is a car sheet, not a session sheet", "analyzer review session.toml"),
    ("check car.toml", "is a car sheet, not a session sheet", "analyzer check session.toml"),
    ("review course.toml", "is a course sheet", "analyzer review session.toml"),
    ("bar session.toml", "is a session sheet, not a car sheet", "analyzer bar car.toml"),
    (f"choose course.toml {SOFTER}", "is a course sheet", f"analyzer choose session.toml {SOFTER}"),
    ("start new --from session.toml r01.csv.gz", "is a session sheet, not a log", "name a log"),
    # folders
    ("start car.toml --from r01.csv.gz", "car.toml: is a file", "name a new folder"),
    ("start . --from r01.csv.gz", "car.toml: is there already; name an empty or new folder", "to add a run"),
    ("bar car.toml --save r01.csv.gz", "r01.csv.gz: is a file", "name a folder for table and figure"),
    ("desk car.toml", "car.toml: is a file; name a folder of the session", "analyzer desk ."),
    (
        "archive car.toml",
        "car.toml: is a file; name the folder that holds the sessions",
        "analyzer archive .",
    ),
    ("start new --list list.pdf", "new: there is no such folder", "analyzer start new --from LOG"),
    ("archive nowhere", "there is no such folder", "name the one that holds the sessions"),
    ("bar .", "is a folder; name the car sheet in it, car.toml", "analyzer bar car.toml"),
    ("bar only_logs", "holds no car sheet", "analyzer start FOLDER --from only_logs/plain.csv"),
    ("review only_logs", "holds no session sheet", "analyzer start FOLDER --from only_logs/plain.csv"),
    # what is not there
    ("check r1.csv.gz", "no such file; did you mean r01.csv.gz?", "analyzer check r01.csv.gz"),
    ("review sesion.toml", "no such file; did you mean session.toml?", "analyzer review session.toml"),
    ("bar coupe.toml", "no such file; the car sheet there is car.toml", "analyzer bar car.toml"),
    # an option for the value of another
    ("review . --pdf --figures f", "--pdf: its value is missing", "write --pdf FILE --figures"),
    ("review . --out --quiet", "--out: its value is missing", "write --out FOLDER --quiet"),
    ("review . --seed -h", "--seed: its value is missing", "-h is an option itself"),
    ("bar car.toml --save --json", "--save: its value is missing", "write --save FOLDER --json"),
    # a file's name where a folder is meant
    (
        "bar car.toml --save x.gif",
        'a file by its ending ".gif"',
        "it takes bar.json, and .csv and .svg of each",
    ),
    ("review . --figures x.png", 'a file by its ending ".png"', "svg, png or pdf, goes to --figure-format"),
    ("review . --out page.html", 'a file by its ending ".html"', "name a folder for the report"),
    ("course . --out page.pdf", 'a file by its ending ".pdf"', "name a folder for the report"),
    ("start new.csv --from r01.csv.gz", 'a file by its ending ".csv"', "name a new folder"),
    ("desk new.csv", 'a file by its ending ".csv"', "name a folder of the session"),
    # pictures that cannot be written
    ("check r01.csv.gz --figure x.jpg", 'not written as ".jpg"', "analyzer check r01.csv.gz --figure x.png"),
    ("check . --figure runs", "its name has no ending", "analyzer check . --figure runs.png"),
    ("review . --figure-format jpg", '"jpg" is not a kind', "analyzer review . --figure-format png"),
    ("review . --pdf page.docx", "does not end in .pdf", "analyzer review . --pdf page.pdf"),
    ("review . --figures car.toml", "is a file", "name a folder for the figures"),
    # set-ups and axles
    ("confirm . --before a --after B", "did you mean A?", "analyzer confirm . --before A --after B"),
    ("confirm . --before A --after C", '"C" is not in the session sheet', "use one of A, B"),
    (f"choose . {SOFTER} --from b", "did you mean B?", f"analyzer choose . {SOFTER} --from B"),
    ("bar car.toml --axle Front", '"Front" is not an axle', "analyzer bar car.toml --axle front"),
]


@pytest.mark.parametrize(("command", "found", "would_do"), LINES)
def test_it_says_what_was_found_and_what_would_do(command, found, would_do, session, monkeypatch, capsys):
    before = sorted(session.rglob("*"))
    line = told(command, monkeypatch, capsys)
    assert found in line
    assert would_do in line
    assert sorted(session.rglob("*")) == before


def test_a_command_that_it_names_does(session, monkeypatch, capsys):
    line = told("bar . --lateral 0.8 --json", monkeypatch, capsys)
    command = line.partition("this would do: ")[2]
    assert command == "analyzer bar car.toml --lateral 0.8 --json"
    monkeypatch.setattr("sys.argv", shlex.split(command))
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 0


def test_a_missing_log_does_not_stop_the_other_runs(sample_session, tmp_path, monkeypatch, capsys):
    for name in ("car.toml", "r02.csv.gz"):
        shutil.copy(sample_session / name, tmp_path)
    head, *runs = (sample_session / "session.toml").read_text(encoding="utf-8").split("[[runs]]")
    kept = "[[runs]]".join([head.replace('course = "course.toml"\n', ""), *runs[:2]])
    (tmp_path / "session.toml").write_text(kept, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    for command in ("check .", "review . --quiet"):
        monkeypatch.setattr("sys.argv", ["analyzer", *command.split()])
        with pytest.raises(SystemExit) as ended:
            main()
        printed = capsys.readouterr()
        assert ended.value.code == 2
        (line,) = printed.err.splitlines()
        assert 'there is no file "r01.csv.gz"' in line
        assert ("r02" in printed.out) is (command == "check .")
    assert '"r02"' in (tmp_path / "report" / "results.json").read_text(encoding="utf-8")


def test_what_stands_in_the_command_already_is_not_proposed_twice(session, monkeypatch, capsys):
    assert "this would do" not in told("start new --from session.toml r01.csv.gz", monkeypatch, capsys)


@pytest.mark.parametrize("slip", ["name = coupe", 'name = "coupe'])
def test_a_sheet_with_a_slip_is_not_taken_for_a_log(slip, tmp_path, monkeypatch, capsys):
    for name in ("car.toml", "car.txt"):
        (tmp_path / name).write_text(f"# a car\n{slip}\n[mass]\n", encoding="utf-8")
        line = told(f"bar {tmp_path / name}", monkeypatch, capsys)
        assert "is not TOML" in line
        assert "line 2" in line


@pytest.mark.parametrize(
    "command", ['choose . --wish "" --from A', 'confirm . --before A --after ""', 'bar car.toml --axle ""']
)
def test_an_empty_word_is_not_what_was_meant(command, session, monkeypatch, capsys):
    line = told(command, monkeypatch, capsys)
    assert '""' not in line.partition("this would do: ")[2]


def test_negative_numbers_are_values(session, monkeypatch, capsys):
    monkeypatch.setattr("sys.argv", ["analyzer", "bar", "car.toml", "--bank", "-5", "--axle", "front"])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 0
    assert "-5" in capsys.readouterr().out
