"""No name moves the cursor, clears the screen or hides a figure: no control character leaves the program."""

from __future__ import annotations

import ast
import gzip
import io
import json
import re
import shutil
import unicodedata
from pathlib import Path

import pytest
from rich.progress import Progress

import analyzer
from analyzer import cli, console
from analyzer.core.errors import plain_text
from analyzer.report.terminal import say

HOSTILE = "\x1b[2J\x1b]0;owned\x07\x9b31m\x08\r\x7f\u202eb\u2028a"
"""Clears the screen, sets the window's title, rings, turns red, goes back, turns the writing round."""


def steering(text: str, but: str = "\n") -> set[str]:
    odd = {
        c for c in text if unicodedata.category(c) in ("Cc", "Zl", "Zp") or c in "\u202a\u202b\u202d\u202e"
    }
    return odd - set(but)


TOML = "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in HOSTILE)
COLUMN = HOSTILE.replace("\r", "").replace("\u2028", "")
"""As it stands in the header of a log, where the one and the other may end the line."""


def escaped(text: str) -> str:
    return "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text)


@pytest.fixture(scope="module")
def season(sample_session, tmp_path_factory):
    """A season of one session in which every name that a user or a logger gives is hostile."""
    session = tmp_path_factory.mktemp("escapes") / f"season{HOSTILE}" / f"day{HOSTILE}"
    session.mkdir(parents=True)
    head, *runs = (sample_session / "session.toml").read_text(encoding="utf-8").split("[[runs]]")
    sheet = "[[runs]]".join([head, runs[0], runs[5]])
    sheet = re.sub(r"\[setups\.(\w)\]", lambda m: f'[setups."{m[1]}{TOML}"]', sheet)
    for key in ("name", "setup", "driver", "notes"):
        sheet = re.sub(rf'(?m)^{key} = "(.*)"', lambda m: f'{m[0][:-1]}{TOML}"', sheet)
    sheet = re.sub(r'logs = \["(.*)\.csv\.gz"\]', lambda m: f'logs = ["{m[1]}{TOML}.csv"]', sheet)
    (session / "session.toml").write_text(sheet, encoding="utf-8")
    for name in ("r01", "r06"):
        text = gzip.decompress((sample_session / f"{name}.csv.gz").read_bytes())
        text = text.replace(b"FL pot", f"FL{COLUMN} pot".encode(), 1)
        (session / f"{name}{HOSTILE}.csv").write_bytes(text)
    for file in ("car.toml", "course.toml"):
        sheet = (
            (sample_session / file).read_text(encoding="utf-8").replace("FL pot", f"FL{escaped(COLUMN)} pot")
        )
        sheet = re.sub(r'(?m)^name = "(.*)"', lambda m: f'{m[0][:-1]}{TOML}"', sheet)
        (session / file).write_text(sheet, encoding="utf-8")
    return session.parent


COMMANDS = {
    "check": ("check", "DAY"),
    "check one log": ("check", "LOG"),
    "check with figures": ("check", "DAY", "--figure", "OUT/x.svg"),
    "review": ("review", "DAY", "--out", "OUT/report", "--figures", "OUT/figures"),
    "course": ("course", "DAY", "--out", "OUT/course"),
    "confirm": ("confirm", "DAY", "--before", "BEFORE", "--after", "AFTER"),
    "choose": ("choose", "DAY", "--wish", "rear 5 % softer", "--from", "BEFORE"),
    "bar": ("bar", "DAY/car.toml", "--save", "OUT/bars"),
    "start": ("start", "OUT/new", "--from", "LOG"),
    "archive": ("archive", "SEASON", "--out", "OUT/archive", "--workers", "1"),
    # What is wrong is told with names, too.
    "no such session": ("review", "DAY/no"),
    "no such log": ("check", "DAY/no.csv"),
    "no such set-up": ("confirm", "DAY", "--before", f"x{HOSTILE}", "--after", f"y{HOSTILE}"),
    "no such wish": ("choose", "DAY", "--wish", f"front{HOSTILE} softer"),
    "no such axle": ("bar", "DAY/car.toml", "--axle", f"rear{HOSTILE}"),
    "no such command": (f"review{HOSTILE}",),
    "no such option": ("review", "DAY", f"--o{HOSTILE}"),
    "no such scheduler": ("archive", "SEASON", "--out", "OUT/archive2", "--scheduler", f"x{HOSTILE}"),
}
WITH_JSON = {"check", "review", "course", "confirm", "choose", "bar", "archive"}
SETUPS = ("BEFORE", "AFTER")


def run(words, season, out, monkeypatch, capsys):
    day = season / f"day{HOSTILE}"
    out.mkdir(exist_ok=True)
    names = list(analyzer.load_session(day).sheet.setups)
    places = {"DAY": day, "SEASON": season, "OUT": out, "LOG": day / f"r01{HOSTILE}.csv"}
    given = []
    for word in words:
        first, slash, rest = word.partition("/")
        word = f"{places[first]}{slash}{rest}" if first in places else word
        given.append(names[SETUPS.index(word)] if word in SETUPS else word)
    monkeypatch.setattr("sys.argv", ["analyzer", *given])
    monkeypatch.setenv("ANALYZER_CACHE", str(season.parent / "cache"))  # the runs are estimated once
    with pytest.raises(SystemExit) as ended:
        cli.main()
    told = capsys.readouterr()
    assert ended.value.code in (0, 2), told.err
    return told, ended.value.code


@pytest.mark.parametrize("case", COMMANDS)
def test_no_command_prints_a_control_character(case, season, tmp_path, monkeypatch, capsys):
    told, code = run(COMMANDS[case], season, tmp_path / f"out{HOSTILE}", monkeypatch, capsys)
    assert not steering(told.out)
    assert not steering(told.err)
    if case.startswith("no such"):
        assert code == 2
        assert told.err.count("\n") == 1
    else:
        assert code == 0, told.err
        assert told.out
    # What was written is text that may be shown on a terminal, too.
    files = [p for p in tmp_path.rglob("*") if p.suffix in (".json", ".csv", ".html", ".svg", ".toml")]
    files = [p for p in files if p.name != f"r01{HOSTILE}.csv"]  # the log itself, copied as it is
    for path in files:
        assert not steering(path.read_text(encoding="utf-8"), "\n\t"), path.name


@pytest.mark.parametrize("command", sorted(WITH_JSON))
def test_json_holds_the_names_and_no_control_character(command, season, tmp_path, monkeypatch, capsys):
    told, _ = run((*COMMANDS[command], "--json"), season, tmp_path / "out", monkeypatch, capsys)
    assert not steering(told.out)
    assert HOSTILE in json.dumps(json.loads(told.out), ensure_ascii=False).encode().decode(
        "unicode_escape"
    ) or (any(HOSTILE in text for text in texts_of(json.loads(told.out))))


def texts_of(item):
    if isinstance(item, str):
        yield item
    elif isinstance(item, dict):
        for key, value in item.items():
            yield key
            yield from texts_of(value)
    elif isinstance(item, list):
        for value in item:
            yield from texts_of(value)


def test_colours_of_the_program_stay_and_those_of_a_name_go(monkeypatch):
    terminal = console.terminal()
    terminal.file = io.StringIO()
    terminal._force_terminal = True
    monkeypatch.setattr(terminal, "_color_system", terminal._detect_color_system() or 1)
    say(terminal, f"run {HOSTILE} [bold]x[/]", style="bold red")
    shown = terminal.file.getvalue()
    assert "[bold]x[/]" in shown
    assert not steering(re.sub(r"\x1b\[[0-9;]*m", "", shown))
    assert "\x1b[2J" not in shown


def test_everything_printed_goes_through_the_door():
    root = Path(analyzer.__file__).parent
    bare = [
        f"{path.relative_to(root)}:{node.lineno}"
        for path in sorted(root.rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
    ]
    assert len(bare) == 2  # print_text and print_error
    assert all(place.startswith("console.py") for place in bare)


def test_plain_text_leaves_what_people_write():
    kept = "Übung 2 – \u2068דריפט\u2069, 走り 👩\u200d🔧\tcafe\u0301\n"
    assert plain_text(kept) == kept
    assert plain_text("a\x1b[31mb\r\n") == "a [31mb \n"


def test_traceback_of_a_fault_steers_nothing(season, monkeypatch, capsys):
    def broken(*_given):
        raise RuntimeError(HOSTILE)

    monkeypatch.setattr("analyzer.session.review.load_session", broken)
    monkeypatch.setattr("sys.argv", ["analyzer", "review", "x"])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == 3
    assert not steering(capsys.readouterr().err)


def test_progress_takes_no_name_for_markup(monkeypatch):
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    with console.progress(False) as tell:
        tell(f"reading [/] {HOSTILE}", 1, 2)


def test_no_bar_is_without_an_end(monkeypatch):
    """A bar without an end pulses, whether anything happens or not."""
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    ends = []

    def noted(method):
        kept = getattr(Progress, method)

        def call(self, *given, **named):
            ends.append(named["total"])
            return kept(self, *given, **named)

        monkeypatch.setattr(Progress, method, call)

    noted("add_task")
    noted("update")
    for counts in (False, True):
        with console.progress(False, counts) as tell:
            tell("driving", 0, 0)
            tell("reading", 3, 12)
    assert ends == [1, 1, 12] * 2


def test_session_can_be_copied_with_such_names(season, tmp_path):
    # The fixture would prove nothing if the file system had dropped the names.
    copy = shutil.copytree(season, tmp_path / "copy")
    assert any(HOSTILE in path.name for path in copy.rglob("*.csv"))
