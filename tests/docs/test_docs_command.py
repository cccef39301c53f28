"""What error lines say about the docs leads to a page, in a checkout and where the wheel is installed."""

from __future__ import annotations

import ast
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from analyzer.cli import main
from analyzer.core.files import docs_page, docs_titles

ROOT = Path(__file__).parents[2]


def told_texts() -> list[str]:
    """Return every piece of text in the package that is no docstring: what a user may be told."""
    found = []
    for module in sorted((ROOT / "analyzer").rglob("*.py")):
        tree = ast.parse(module.read_text(encoding="utf-8"))
        loose = {
            id(node.value)
            for node in ast.walk(tree)
            if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
        }
        found += [
            node.value
            for node in ast.walk(tree)
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in loose
        ]
    return found


def test_pages_are_named_by_a_command_that_prints_them():
    texts = told_texts()
    named = {name for text in texts for name in re.findall(r"analyzer docs ([a-z-]+)", text)}
    assert "sheets" in named
    assert named <= docs_titles().keys()
    # A path would do in a checkout alone.
    assert [text for text in texts if re.search(r"docs/[\w-]+\.md", text)] == []


def test_every_page_has_its_title_and_prints(monkeypatch, capsys):
    titles = docs_titles()
    assert set(titles) == {page.stem for page in (ROOT / "docs").glob("*.md")}
    monkeypatch.setattr("sys.argv", ["analyzer", "docs"])
    with pytest.raises(SystemExit) as ended:
        main()
    printed = capsys.readouterr().out
    assert ended.value.code == 0
    for name, title in titles.items():
        assert title
        assert re.search(rf"^{name} +{re.escape(title)}$", printed, re.MULTILINE)
        assert (
            docs_page(name)
            == docs_page(f"docs/{name}.md")
            == (ROOT / "docs" / f"{name}.md").read_text("utf-8")
        )


def test_a_page_that_is_not_there_is_one_line(monkeypatch, capsys):
    monkeypatch.setattr("sys.argv", ["analyzer", "docs", "sheet"])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.endswith("this would do: analyzer docs sheets")


@pytest.mark.slow
def test_the_wheel_does_the_job_in_an_empty_environment(tmp_path):
    def do(*words: object, code: int = 0) -> subprocess.CompletedProcess[str]:
        plain = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "VIRTUAL_ENV")}
        call = [str(word) for word in words]
        done = subprocess.run(call, cwd=tmp_path, env=plain, capture_output=True, text=True, timeout=1200)
        assert done.returncode == code, done.stdout + done.stderr
        return done

    # From a copy: a build leaves folders of its own beside the sources.
    tracked = subprocess.run(
        ["git", "-C", ROOT, "ls-files", "-z"], capture_output=True, text=True, check=True
    )
    for name in filter(None, tracked.stdout.split("\0")):
        if not name.startswith(("tests/", "sample_logs/")) and (ROOT / name).is_file():
            (tmp_path / "source" / name).parent.mkdir(parents=True, exist_ok=True)
            (tmp_path / "source" / name).write_bytes((ROOT / name).read_bytes())
    do(sys.executable, "-m", "venv", tmp_path / "empty")
    programs = tmp_path / "empty" / ("Scripts" if os.name == "nt" else "bin")
    do(programs / "python", "-m", "pip", "install", "--quiet", "build")
    do(programs / "python", "-m", "build", "--outdir", tmp_path / "built", tmp_path / "source")
    (wheel,) = (tmp_path / "built").glob("*.whl")
    do(programs / "python", "-m", "pip", "uninstall", "--quiet", "--yes", "build")
    do(programs / "python", "-m", "pip", "install", "--quiet", wheel)

    place = do(programs / "python", "-c", "import analyzer; print(analyzer.__file__)").stdout.strip()
    assert Path(place).is_relative_to(tmp_path / "empty")
    do(programs / "analyzer", "demo", "season")
    answered = do(programs / "analyzer", "review", "season").stdout
    assert "Tuner" in answered
    assert (tmp_path / "season" / "report" / "report.html").stat().st_size > 100_000
    version = do(programs / "drift-bar-analyzer", "--version").stdout
    assert version == do(programs / "analyzer", "--version").stdout

    car = tmp_path / "season" / "car.toml"
    car.write_text(car.read_text(encoding="utf-8").replace("[mass]", "[mass]\nqqq = 1", 1), encoding="utf-8")
    line = do(programs / "analyzer", "bar", car, code=2).stderr
    named = re.search(r"analyzer (docs [a-z-]+)", line)
    assert named, line
    page = do(programs / "analyzer", *shlex.split(named.group(1))).stdout
    assert page == (ROOT / "docs" / "sheets.md").read_text(encoding="utf-8")
    for page in (ROOT / "docs").glob("*.md"):
        assert do(programs / "analyzer", "docs", page.stem).stdout == page.read_text(encoding="utf-8")
