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
from analyzer import cli as narrow

ENCODINGS = ("ascii", "cp1252")


def run(folder: Path, *arguments: object, **environment: str) -> subprocess.CompletedProcess[bytes]:
    call = [sys.executable, "-m", "analyzer", *map(str, arguments)]
    settings = {**os.environ, "COLUMNS": "80", "NO_COLOR": "1", "ANALYZER_CACHE": "off", **environment}
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


def commands(session: Path, folder: Path, setups: list[str]) -> dict[str, list[object]]:
    log = min(session.glob("*.csv*"))
    return {
        "review": ["review", session, "--out", folder / "report"],
        "review json": ["review", session, "--out", folder / "report", "--json"],
        "check": ["check", session],
        "check json": ["check", log, "--json"],
        "confirm": ["confirm", session, "--before", setups[0], "--after", setups[1]],
        "confirm json": ["confirm", session, "--before", setups[0], "--after", setups[1], "--json"],
        "choose": ["choose", session, "--wish", "front 5 % softer"],
        "choose json": ["choose", session / "car.toml", "--wish", "front 5 % softer", "--json"],
        "bar": ["bar", session / "car.toml"],
        "bar json": ["bar", session / "car.toml", "--json"],
        "start": ["start", folder / "stärt 前", "--from", log],
        "archive": ["archive", session, "--out", folder / "archive", "--workers", "1"],
        "archive json": ["archive", session, "--out", folder / "archive", "--workers", "1", "--json"],
        "course": ["course", session, "--out", folder / "course"],
        "course json": ["course", session, "--out", folder / "course", "--json"],
        "help": ["review", "--help"],
        "bare": [],
        "error": ["check", "nowhere “Ω” 前.csv"],
        "wrong option": ["check", "--±"],
    }


@pytest.mark.parametrize("encoding", ENCODINGS)
def test_no_command_breaks_off_where_a_sign_cannot_be_written(session: Path, tmp_path: Path, encoding: str):
    from analyzer.session.review import load_session

    setups = list(load_session(session).sheet.setups)
    for name, arguments in commands(session, tmp_path, setups).items():
        ended = run(tmp_path, *arguments, PYTHONIOENCODING=encoding, PYTHONUTF8="0")
        told = ended.stderr.decode(encoding)
        out = ended.stdout.decode(encoding)
        assert "Traceback" not in told, (name, told)
        bad = name in ("bare", "error", "wrong option")
        assert ended.returncode == (2 if bad else 0), (name, told)
        assert len(told.splitlines()) == (name in ("error", "wrong option")), (name, told)
        if name.endswith("json"):
            assert isinstance(json.loads(out), dict), name
        elif name not in ("error", "wrong option"):
            assert out.strip(), name
    assert "\\u524d" in run(tmp_path, "check", "nowhere 前", PYTHONIOENCODING=encoding).stderr.decode(
        encoding
    )


def test_json_in_a_narrow_encoding_says_the_same(session: Path, tmp_path: Path):
    call = ("review", session, "--out", tmp_path / "report", "--json")
    wide, small = (run(tmp_path, *call, PYTHONIOENCODING=code).stdout for code in ("utf-8", "ascii"))
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
    assert narrow.stand_in("±") == "+/-"
    assert narrow.stand_in("é") == "e"
    assert narrow.stand_in("前") == "\\u524d" != narrow.stand_in("後")
    assert all(text.isascii() for text in narrow.STAND_INS.values())
    narrow.write_plainly()
    assert "8 ± 1 °, “é”…".encode("ascii", narrow.HANDLER) == b'8 +/- 1 deg, "e"...'
    assert codecs.lookup_error(narrow.HANDLER)


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
    assert {sign for sign in signs if "\\" in narrow.stand_in(sign)} == set()
