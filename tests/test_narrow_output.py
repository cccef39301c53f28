"""Output into a file or terminal whose encoding lacks signs ends in plain text, never in a traceback."""

from __future__ import annotations

import ast
import codecs
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import analyzer
from analyzer import console

ENCODINGS = ("ascii", "cp1252")


def run(folder: Path, *arguments: object, **environment: str) -> subprocess.CompletedProcess[bytes]:
    call = [sys.executable, "-m", "analyzer", *map(str, arguments)]
    settings = {**os.environ, "COLUMNS": "80", "NO_COLOR": "1", **environment}
    return subprocess.run(call, cwd=folder, env=settings, capture_output=True, timeout=300, check=False)


@pytest.fixture(scope="module")
def session(sample_session: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session of two runs of the sample, its names in several scripts."""
    folder = tmp_path_factory.mktemp("narrow") / "séssion"
    folder.mkdir()
    for name in ("car.toml", "course.toml"):
        shutil.copy(sample_session / name, folder)
    head, *runs = (sample_session / "session.toml").read_text(encoding="utf-8").split("[[runs]]")
    kept = runs[:2]
    for text in kept:
        for log in text.split('"'):
            if (sample_session / log).is_file():
                shutil.copy(sample_session / log, folder)
    kept[0] = kept[0].replace("r01", "Ā“前輪", 1)
    (folder / "session.toml").write_text("[[runs]]".join([head, *kept]), encoding="utf-8")
    return folder


COMMANDS = {
    "review": ("review", "SESSION", "--out", "report"),
    "review json": ("review", "SESSION", "--out", "report", "--json"),
    "check": ("check", "SESSION"),
    "check json": ("check", "LOG", "--json"),
    "confirm": ("confirm", "SESSION", "--before", "A", "--after", "B"),
    "confirm json": ("confirm", "SESSION", "--before", "A", "--after", "B", "--json"),
    "choose": ("choose", "SESSION", "--wish", "front 5 % softer"),
    "choose json": ("choose", "SESSION/car.toml", "--wish", "front 5 % softer", "--json"),
    "bar": ("bar", "SESSION/car.toml"),
    "bar json": ("bar", "SESSION/car.toml", "--json"),
    "start": ("start", "stärt 前", "--from", "LOG"),
    "docs": ("docs", "nomenclature"),
    "archive": ("archive", "SESSION", "--out", "archive", "--workers", "1"),
    "archive json": ("archive", "SESSION", "--out", "archive", "--workers", "1", "--json"),
    "course": ("course", "SESSION", "--out", "course"),
    "course json": ("course", "SESSION", "--out", "course", "--json"),
    "help": ("review", "--help"),
    "bare": (),
    "error": ("check", "nowhere “Ω” 前.csv"),
    "wrong option": ("check", "--±"),
}
ERRORS = ("error", "wrong option")
USUAL = ("review", "check json", "confirm", "bar", "start", "help", "bare", *ERRORS)
"""Run by default in the narrowest encoding, those of `OFTEN` in both; all others with the long tests."""
OFTEN = ("bar", *ERRORS)

CASES = [
    pytest.param(code, name, marks=() if name in (USUAL if code == "ascii" else OFTEN) else pytest.mark.slow)
    for code in ENCODINGS
    for name in COMMANDS
]


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A cache that the commands share, so that the runs are estimated once."""
    return str(tmp_path_factory.mktemp("kept"))


@pytest.mark.parametrize(("encoding", "name"), CASES)
def test_no_command_breaks_off_where_a_sign_cannot_be_written(
    session: Path, tmp_path: Path, kept: str, encoding: str, name: str
):
    log = str(min(session.glob("*.csv*")))
    words = [log if word == "LOG" else word.replace("SESSION", str(session)) for word in COMMANDS[name]]
    ended = run(tmp_path, *words, PYTHONIOENCODING=encoding, PYTHONUTF8="0", ANALYZER_CACHE=kept)
    told, out = ended.stderr.decode(encoding), ended.stdout.decode(encoding)

    assert "Traceback" not in told
    assert ended.returncode == (2 if name in ("bare", *ERRORS) else 0), told
    assert len(told.splitlines()) == (name in ERRORS), told
    if name.endswith("json"):
        assert isinstance(json.loads(out), dict)
    elif name in ERRORS:
        assert name != "error" or "\\u524d" in told
    else:
        assert out.strip()


@pytest.mark.slow
def test_json_in_a_narrow_encoding_says_the_same(session: Path, tmp_path: Path, kept: str):
    call = ("review", session, "--out", tmp_path / "report", "--json")
    wide, small = (
        run(tmp_path, *call, PYTHONIOENCODING=code, ANALYZER_CACHE=kept).stdout for code in ("utf-8", "ascii")
    )
    assert json.loads(wide) == json.loads(small.decode("ascii"))
    assert "Ā“前輪" in wide.decode("utf-8")


def test_the_plain_locale_will_do(session: Path, tmp_path: Path):
    plain = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    ended = run(session, "bar", "car.toml", **plain)
    assert ended.returncode == 0, ended.stderr
    assert ended.stdout.decode("ascii").strip()
    assert b"+/-" in ended.stdout


def test_names_of_undecodable_bytes_are_written_in_utf_8_too(tmp_path: Path):
    ended = run(tmp_path, "check", os.fsdecode(b"no\xff.csv"), PYTHONIOENCODING="utf-8:strict")
    assert ended.returncode == 2
    assert b"Traceback" not in ended.stderr


def test_stand_ins_are_plain_and_keep_names_apart():
    assert console.stand_in("±") == "+/-"
    assert console.stand_in("é") == "e"
    assert console.stand_in("前") == "\\u524d" != console.stand_in("後")
    assert all(text.isascii() for text in console.STAND_INS.values())
    console.write_plainly()
    assert "8 ± 1 °, “é”…".encode("ascii", console.HANDLER) == b'8 +/- 1 deg, "e"...'
    assert codecs.lookup_error(console.HANDLER)


def test_every_sign_of_the_programs_own_texts_has_a_stand_in():
    """But for scripts of channel names, which are only recognised, never written."""
    root = Path(analyzer.__file__).parent
    signs = {
        sign
        for path in root.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
        for sign in node.value
        if not sign.isascii() and not 0x3000 <= ord(sign) <= 0x9FFF
    }
    assert {"±", "−", "°"} <= signs
    assert {sign for sign in signs if "\\" in console.stand_in(sign)} == set()
