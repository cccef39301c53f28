"""A session is started from all logs of a day, with what the user says of the car."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from ingest.helpers import Log, plain_log, write_log

from analyzer import cli, console
from analyzer.core import STOPPED
from analyzer.core.errors import AnalyzerError
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.template import (
    MEASURE,
    Answers,
    AxleAnswer,
    BarAnswer,
    sort_logs,
    start_folder,
    starter_sheets,
)
from analyzer.prediction.settings import bar_ladder
from analyzer.session.review import load_session
from analyzer.sheets.read import read_car, read_session


def _only(log: Log, *starts: str) -> Log:
    return Log(
        {name: values for name, values in log.columns.items() if name.startswith(("Time", *starts))}, log.si
    )


def _run(monkeypatch: pytest.MonkeyPatch, *arguments: str) -> int:
    monkeypatch.setattr("sys.argv", ["analyzer", *arguments])
    try:
        cli.main()
    except SystemExit as ended:
        return int(ended.code or 0)
    return 0


def test_runs_of_one_logger_are_a_run_each(tmp_path: Path) -> None:
    logs = [write_log(tmp_path / f"r{k}.csv", plain_log(10.0, seed=k)) for k in (1, 2, 3)]
    started = start_folder(tmp_path / "own", logs)
    session = read_session(tmp_path / "own" / "session.toml")
    assert [(run.name, run.logs, run.setup) for run in session.runs] == [
        (f"r{k}", [f"r{k}.csv"], "A") for k in (1, 2, 3)
    ]
    assert set(started.written) == {
        tmp_path / "own" / n for n in ("car.toml", "session.toml", "r1.csv", "r2.csv", "r3.csv")
    }
    assert load_session(tmp_path / "own").sheet == session
    assert all((tmp_path / "own" / log.name).read_bytes() == log.read_bytes() for log in logs)


def test_what_one_run_lacks_another_tells(tmp_path: Path) -> None:
    whole = plain_log(10.0)
    short = Log({name: v for name, v in whole.columns.items() if not name.startswith("Speed")}, whole.si)
    logs = [write_log(tmp_path / "a.csv", short), write_log(tmp_path / "b.csv", whole)]
    sorted_logs = sort_logs(logs)
    assert len(sorted_logs.runs) == 2
    assert "speed" in {guess.house for guess in sorted_logs.guesses.channels}


def test_two_loggers_are_joined_and_read(tmp_path: Path) -> None:
    logs = []
    for k in (1, 2):
        log = plain_log(20.0, seed=k)
        logs += [
            write_log(tmp_path / f"pots_{k}.csv", _only(log, "FL", "FR", "RL", "RR")),
            write_log(tmp_path / f"box_{k}.csv", _only(log, "LonG", "LatG", "VertG", "Roll", "Yaw", "Speed")),
        ]
    start_folder(tmp_path / "own", logs)
    session = read_session(tmp_path / "own" / "session.toml")
    assert [run.logs for run in session.runs] == [[f"pots_{k}.csv", f"box_{k}.csv"] for k in (1, 2)]
    car = read_car(tmp_path / "own" / "car.toml")
    truth = plain_log(20.0, seed=2).si
    found = read_recording("2", [tmp_path / "own" / name for name in session.runs[1].logs], car).data
    for name in ("damper_RL", "accel_y"):
        values = found[name].to_numpy()
        known = np.isfinite(values)
        ours = np.interp(found.index.to_numpy()[known], np.arange(len(truth[name])) / 100.0, truth[name])
        assert np.corrcoef(values[known], ours)[0, 1] > 0.98


def test_a_column_of_two_loggers_names_its_file(tmp_path: Path) -> None:
    log = plain_log(10.0)
    logs = [
        write_log(tmp_path / "pots_1.csv", _only(log, "FL", "FR", "RL", "RR", "Speed")),
        write_log(tmp_path / "box_1.csv", _only(log, "LonG", "LatG", "VertG", "Roll", "Yaw", "Speed")),
    ]
    start_folder(tmp_path / "own", logs)
    car = read_car(tmp_path / "own" / "car.toml")
    named = {name: channel.file for name, channel in car.logger.channels.items() if channel.file}
    assert named.keys() == {"speed"}
    assert named["speed"] in "pots_1.csv"
    assert named["speed"] not in "box_1.csv"
    found = read_recording("1", [tmp_path / "own" / log.name for log in logs], car).data
    assert np.isfinite(found["speed"]).any()


def test_unlike_numbers_of_two_loggers_are_a_plain_line(tmp_path: Path) -> None:
    log = plain_log(5.0)
    logs = [write_log(tmp_path / f"pots_{k}.csv", _only(log, "FL", "FR", "RL", "RR")) for k in (1, 2)]
    logs.append(write_log(tmp_path / "box.csv", _only(log, "LonG", "LatG", "VertG", "Roll")))
    with pytest.raises(
        AnalyzerError, match=r"2 like pots_1\.csv and 1 like box\.csv differ in columns; name as many"
    ):
        start_folder(tmp_path / "own", logs)
    (tmp_path / "b").mkdir()
    logs = [write_log(place / "r.csv", log) for place in (tmp_path, tmp_path / "b")]
    with pytest.raises(AnalyzerError, match="both go to one folder, rename one"):
        start_folder(tmp_path / "own", logs)
    assert not (tmp_path / "own").exists()


@pytest.mark.parametrize("kind", ["bladed", "formed", "none"])
def test_what_was_said_stands_in_sheets_that_read(tmp_path: Path, kind: str) -> None:
    logs = [write_log(tmp_path / f"r{k}.csv", plain_log(5.0)) for k in (1, 2)]
    rear = AxleAnswer("solid axle", kind, 10, 4)
    start_folder(tmp_path / "own", logs, Answers(AxleAnswer(bar="bladed", holes=1), rear, ("A", "B")))
    car = read_car(tmp_path / "own" / "car.toml")
    assert (car.front.suspension, car.rear.suspension) == ("independent", "solid axle")
    assert car.rear.spring_base is not None
    assert (car.front.bar.kind, car.rear.bar.kind) == ("bladed", kind)
    assert len(car.front.bar.holes) == 1
    if kind == "bladed":
        assert (len(car.rear.bar.holes), car.rear.bar.spacer.most) == (10, 4)
        assert len(bar_ladder(car, "rear").rows) == 10 * 5
    session = load_session(tmp_path / "own").sheet
    assert [run.setup for run in session.runs] == ["A", "B"]
    assert all((setup.rear_bar is not None) is (kind == "bladed") for setup in session.setups.values())


def test_holes_that_were_said_stand_in_the_set_ups_and_others_stay_marked(tmp_path: Path) -> None:
    logs = [write_log(tmp_path / f"r{k}.csv", plain_log(5.0)) for k in (1, 2)]
    bladed = AxleAnswer(bar="bladed", spacers=2)
    said = (BarAnswer("A", "front", 2, 1), BarAnswer("A", "rear", None), BarAnswer("B", "front", 3))
    start_folder(tmp_path / "own", logs, Answers(bladed, bladed, ("A", "B"), said))
    session = load_session(tmp_path / "own").sheet
    one, other = session.setups["A"], session.setups["B"]
    assert (one.front_bar.hole, one.front_bar.spacers, one.rear_bar) == (2, 1, "off")
    assert (other.front_bar.hole, other.front_bar.spacers) == (3, 0)
    lines = (tmp_path / "own" / "session.toml").read_text(encoding="utf-8").splitlines()
    assert [line for line in lines if "_bar" in line and MEASURE in line] == [
        f"rear_bar = {{ hole = 1, spacers = 0 }} # {MEASURE}"
    ]


@pytest.mark.parametrize("order", ["folder first", "folder last", "each named"])
def test_the_command_takes_all_logs_in_any_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, order: str
) -> None:
    logs = [str(write_log(tmp_path / f"r{k}.csv", plain_log(5.0))) for k in (1, 2)]
    own = str(tmp_path / "own")
    words = {
        "folder first": [own, "--from", *logs, "--list", str(tmp_path / "list.svg")],
        "folder last": ["--list", str(tmp_path / "list.svg"), "--from", *logs, own],
        "each named": ["--from", logs[0], "--from", logs[1], own, "--list", str(tmp_path / "list.svg")],
    }
    assert _run(monkeypatch, "start", *words[order]) == 0
    assert len(read_session(tmp_path / "own" / "session.toml").runs) == 2
    assert (tmp_path / "list.svg").stat().st_size > 1000


def test_at_a_terminal_it_asks_and_enter_skips(monkeypatch: pytest.MonkeyPatch) -> None:
    said = iter(
        ["", "formed", "sol", "wooden", "b", "0", "4", "2", "", "B!", "B", "C", "5", "3", "1", "OFF", ""]
    )
    asked: list[str] = []

    def prompt(question: str, default: str) -> str:
        asked.append(question)
        return next(said) or default

    monkeypatch.setattr(cli.typer, "prompt", prompt)
    answers = cli._ask(["r1", "r2", "r3"])
    assert answers == Answers(
        AxleAnswer("independent", "formed"),
        AxleAnswer("solid axle", "bladed", 4, 2),
        ("A", "B", "C"),
        # The hole of C was not known, so that nobody asks for its spacers.
        (BarAnswer("A", "rear", 3, 1), BarAnswer("B", "rear", None)),
    )
    assert next(said, None) is None
    assert sum("rear anti-roll bar" in question for question in asked) == 2
    # Enter all the way gives what stands there for a log alone.
    monkeypatch.setattr(cli.typer, "prompt", lambda _question, default: default)
    assert cli._ask(["r1"]) == Answers(AxleAnswer(bar="bladed"), AxleAnswer(bar="bladed"), ("A",))


@pytest.mark.parametrize("there", ["car.toml", "session.toml", "r.csv"])
def test_a_folder_in_use_is_told_before_the_questions(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], there: str
) -> None:
    log = write_log(tmp_path / "r.csv", plain_log(5.0))
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / there).write_text("of another day", encoding="utf-8")
    asked: list[str] = []
    monkeypatch.setattr(cli.typer, "prompt", lambda question, default: asked.append(question) or default)
    for stream in ("stdin", "stdout"):
        monkeypatch.setattr(f"sys.{stream}.isatty", lambda: True, raising=False)
    assert _run(monkeypatch, "start", str(tmp_path / "own"), "--from", str(log)) == console.BAD_INPUT
    assert f"{there}: is there already; name an empty or new folder" in capsys.readouterr().err
    assert not asked
    assert [path.name for path in (tmp_path / "own").iterdir()] == [there]


def test_who_leaves_the_questions_has_nothing_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    log = write_log(tmp_path / "r.csv", plain_log(5.0))

    def left(_question: str, default: str) -> str:
        raise cli.typer.Abort

    monkeypatch.setattr(cli.typer, "prompt", left)
    for stream in ("stdin", "stdout"):
        monkeypatch.setattr(f"sys.{stream}.isatty", lambda: True, raising=False)
    assert _run(monkeypatch, "start", str(tmp_path / "own"), "--from", str(log)) == STOPPED
    assert "Traceback" not in capsys.readouterr().err
    assert not (tmp_path / "own").exists()


@pytest.mark.parametrize(
    ("unit", "ends"), [("counts", "[410, 3686]"), ("raw", "[410, 3686]"), ("V", "[0.5, 4.5]")]
)
def test_a_pot_in_counts_is_asked_for_two_counts(unit: str, ends: str, tmp_path: Path) -> None:
    log = plain_log(10.0)
    renamed = {name.replace("pot [mm]", f"pot [{unit}]"): values for name, values in log.columns.items()}
    sheet = starter_sheets(write_log(tmp_path / "r.csv", Log(renamed, log.si)))["car.toml"]
    lines = [line for line in sheet.splitlines() if line.startswith("damper_")]
    assert len(lines) == 4
    assert all(f"volts = {ends}" in line for line in lines)


def test_channels_are_named_in_one_order_whatever_that_of_the_columns(tmp_path: Path) -> None:
    log = plain_log(10.0)
    turned = Log(dict(reversed(log.columns.items())), log.si)
    named = [
        start_folder(tmp_path / name, write_log(tmp_path / f"{name}.csv", one)).recognised
        for name, one in (("a", log), ("b", turned))
    ]
    assert named[0] == named[1]
    assert named[0][:4] == ("damper_FL", "damper_FR", "damper_RL", "damper_RR")


def test_columns_that_were_not_recognised_are_the_first_thing_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    odd = {"FL pot [mm]": "kanal 1 [mm]", "FR pot [mm]": "kanal 2 [mm]"}
    log = plain_log(10.0)
    path = write_log(tmp_path / "r.csv", Log({odd.get(n, n): v for n, v in log.columns.items()}))
    assert _run(monkeypatch, "start", str(tmp_path / "own"), "--from", str(path)) == 0
    lines = capsys.readouterr().out.splitlines()
    (first,) = (k for k, line in enumerate(lines) if line.startswith("first: "))
    assert "no column was recognised for damper_FL, damper_FR;" in lines[first]
    assert lines[first + 1].startswith("next: measure")
    # What it says to do does: the sheet reads the two pots.
    sheet = tmp_path / "own" / "car.toml"
    text = sheet.read_text(encoding="utf-8")
    for corner, name in (("FL", "kanal 1"), ("FR", "kanal 2")):
        (line,) = (line for line in text.splitlines() if line.startswith(f"# damper_{corner} ="))
        text = text.replace(line, line[2:].partition(" #")[0].replace("…", name))
    sheet.write_text(text, encoding="utf-8")
    recording = read_recording("r", [path], read_car(sheet))
    np.testing.assert_allclose(recording.data["damper_FR"], log.si["damper_FR"], atol=6e-5)
    # With every channel found there is no such line.
    assert (
        _run(monkeypatch, "start", str(tmp_path / "two"), "--from", str(write_log(tmp_path / "s.csv", log)))
        == 0
    )
    assert "first: " not in capsys.readouterr().out
