"""No option that names an output costs a log, a sheet or anybody's file: one line, exit 2, all as it was."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path
from typing import Annotated, get_args, get_origin, get_type_hints

import pytest

from analyzer.cli import app, main


@pytest.fixture
def session(sample_session: Path, tmp_path: Path) -> Path:
    """The sample session with one run, and with files of others where outputs would go."""
    folder = tmp_path / "session"
    folder.mkdir()
    for name in ("car.toml", "course.toml"):
        shutil.copy(sample_session / name, folder)
    head, run, *_ = (sample_session / "session.toml").read_text(encoding="utf-8").split("[[runs]]")
    for log in run.split('"'):
        if (sample_session / log).is_file():
            shutil.copy(sample_session / log, folder)
            shutil.copy(sample_session / log, folder / "renamed.pdf")
    (folder / "session.toml").write_text(f"{head}[[runs]]{run}", encoding="utf-8")
    for name in ("runs.svg", "bar.json", "bar_front.csv", "bar_rear.svg", "calibrated_car.json"):
        (folder / name).write_text("time,ay\n0,1\n", encoding="utf-8")
    return folder


def contents(folder: Path) -> dict[str, str]:
    files = (path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def assert_refused(folder: Path, arguments: list[str], monkeypatch, capsys) -> None:
    """A command run in `folder` ends with one line and exit code 2, and all there is as it was."""
    before = contents(folder)
    monkeypatch.chdir(folder)
    monkeypatch.setattr("sys.argv", ["analyzer", *arguments])
    with pytest.raises(SystemExit) as ended:
        main()
    told = capsys.readouterr().err
    assert ended.value.code == 2, told
    assert told.startswith("analyzer: ")
    assert len(told.splitlines()) == 1
    assert contents(folder) == before


EARLY = {
    "sheet as pdf": ("review", ".", "--pdf", "car.toml"),
    "new name that is no pdf": ("review", ".", "--pdf", "page.csv"),
    "log as pdf": ("review", ".", "--pdf", "renamed.pdf"),
    "session as report": ("review", ".", "--out", "."),
    "sheet as report": ("review", ".", "--out", "car.toml"),
    "session as course sheet": ("course", ".", "--out", "."),
    "sheet as figure": ("check", ".", "--figure", "car.toml"),
    "log as figure": ("check", "LOG", "--figure", "renamed.pdf"),
}
LATE = {
    "figures": ("review", ".", "--out", "../report", "--figures", "."),
    "figures in a sheet": ("review", ".", "--out", "../report", "--figures", "car.toml"),
    "bars": ("bar", "car.toml", "--save", "."),
    "session as archive": ("archive", ".", "--out", "."),
    "start": ("start", ".", "--from", "LOG"),
    "demo": ("demo", "."),
}


@pytest.mark.parametrize("case", [*EARLY, *LATE])
def test_what_lies_there_is_left_alone(case, session: Path, monkeypatch, capsys):
    log = min(path.name for path in session.glob("*.csv.gz"))
    arguments = [log if word == "LOG" else word for word in {**EARLY, **LATE}[case]]
    if case in EARLY:  # told before any log is read
        # The user of the name first: were it loaded after the other, it would keep the None.
        monkeypatch.setattr("analyzer.session.run_store.read_recording", None)
        monkeypatch.setattr("analyzer.ingest.read_run.read_recording", None)
    assert_refused(session, arguments, monkeypatch, capsys)


def test_a_calibrated_car_does_not_replace_a_log(session: Path, sample_review):
    from analyzer.comparison.calibrated_car import calibrate, write_calibration
    from analyzer.core.errors import AnalyzerError

    own = sample_review.session
    calibration = calibrate(own.car, own.sheet.setups, sample_review.runs)
    assert calibration is not None
    for name in ("calibrated_car.json", "car.toml", "bar_front.csv"):
        before = (session / name).read_bytes()
        with pytest.raises(AnalyzerError, match="name another file"):
            write_calibration(session / name, calibration, own.car_path)
        assert (session / name).read_bytes() == before
    for _ in range(2):  # one of its own is replaced
        write_calibration(session / "new.json", calibration, own.car_path)


def test_outputs_of_an_earlier_call_are_replaced(session: Path, tmp_path: Path, monkeypatch, capsys):
    log = min(path.name for path in session.glob("*.csv.gz"))
    monkeypatch.chdir(session)
    for call in (["bar", "car.toml", "--save", "../bars"], ["check", log, "--figure", "../all.png"]):
        for _ in range(2):
            monkeypatch.setattr("sys.argv", ["analyzer", *call])
            with pytest.raises(SystemExit) as ended:
                main()
            assert ended.value.code == 0, capsys.readouterr().err
    assert {path.name for path in (tmp_path / "bars").iterdir()} >= {
        "bar.json",
        "bar_front.csv",
        "bar_front.svg",
    }


READ = {
    *("review session", "course session", "confirm session", "check log", "choose sheet", "bar car"),
    *("archive folder", "confirm calibrated", "confirm earlier", "start logs"),
}
"""What commands read. Every other path that a command takes is a place it writes to."""
WORDS = {
    "review": ["."],
    "check": ["LOG"],
    "confirm": [".", "--before", "A", "--after", "B"],
    "choose": [".", "--wish", "rear 5 % softer"],
    "bar": ["car.toml"],
    "start": ["../new", "--from", "LOG"],
    "archive": ["."],
    "course": ["."],
    "demo": [],
    "desk": ["--no-browser"],
    "docs": [],
}
"""What a command needs besides the place it writes to."""


def paths_taken() -> dict[tuple[str, str], str]:
    """Return the option, "" for an argument, under command and name of every path that commands take."""
    found = {}
    for entry in app.registered_commands:
        hints = get_type_hints(entry.callback, include_extras=True)
        for name, hint in hints.items():
            kind, *told = get_args(hint) if get_origin(hint) is Annotated else (hint,)
            if "Path" in str(kind):
                # Where the hint bears it, the library keeps an option's first name as its default.
                named = (told[0].default, *(told[0].param_decls or ()))
                found[entry.callback.__name__, name] = next((w for w in named if str(w)[:2] == "--"), "")
    return found


OUTPUTS = [(c, option) for (c, name), option in paths_taken().items() if f"{c} {name}" not in READ]


def test_every_command_and_what_it_reads_is_known():
    assert WORDS.keys() == {entry.callback.__name__ for entry in app.registered_commands}
    assert {f"{command} {name}" for command, name in paths_taken()} > READ
    assert sum(option.startswith("--") for _, option in OUTPUTS) >= 9


@pytest.mark.parametrize("target", ["car.toml", "LOG", "renamed.pdf", "runs.svg"])
@pytest.mark.parametrize(("name", "option"), OUTPUTS)
def test_every_output_option_spares_what_it_is_pointed_at(
    name, option, target, session: Path, monkeypatch, capsys
):
    log = min(path.name for path in session.glob("*.csv.gz"))
    words = WORDS[name] if option else [word for word in WORDS[name] if word != "../new"]
    arguments = [log if word == "LOG" else word for word in (*words, *([option] if option else []), target)]
    if not option:  # the place stands first, before the logs
        arguments = [arguments[-1], *arguments[:-1]]
    assert_refused(session, [name, *arguments], monkeypatch, capsys)
