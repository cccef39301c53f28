"""Every code block of docs and README runs, in the order of its page, beside a copy of the sample session.

``sh`` blocks are commands, ``python`` blocks share one namespace per page, ``toml`` blocks are laid over the
sample's sheets and must then be valid. ``text`` blocks are shown output, or commands for machines a test does
not have.
"""

from __future__ import annotations

import importlib.util
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest

from analyzer import cli
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import CourseSheet, SessionSheet

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
LANGUAGES = {"sh", "python", "toml", "text"}

MODELS = {"car": CarSheet, "session": SessionSheet, "course": CourseSheet}

SLOW_PAGES = {"archive.md", "first-day.md"}
"""Their blocks take half a minute or more; the other tests run the same commands one by one."""

LONG = ("PYTHONPATH=tests python -m reference.measure",)
"""Commands that take many minutes: what they run must be there."""


def blocks(page: Path) -> list[tuple[str, str]]:
    """Return language and text of every fenced block of a page."""
    return re.findall(r"^```(\w*)\n(.*?)^```$", page.read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE)


def commands(text: str) -> list[str]:
    """Return the commands of a shell block, comments cut off."""
    lines = [re.sub(r"\s+#.*$", "", line).strip() for line in text.splitlines()]
    return [line for line in lines if line and not line.startswith("#")]


def run_command(line: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Run one command of ours in this process, anything else in a shell."""
    if not line.startswith("analyzer "):
        subprocess.run(["sh", "-ec", line], check=True, timeout=300)
        return
    monkeypatch.setattr(sys, "argv", shlex.split(line))
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == 0, line


def runnable() -> list[Any]:
    """Return every page of the docs that has something to run."""
    pages = [page for page in PAGES[2:] if any(kind in ("sh", "python") for kind, _ in blocks(page))]
    marks = {name: [pytest.mark.slow] for name in SLOW_PAGES}
    return [pytest.param(page, marks=marks.get(page.name, []), id=page.name) for page in pages]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_block_says_what_it_is(page: Path):
    assert {kind for kind, _ in blocks(page)} <= LANGUAGES
    assert page.read_text(encoding="utf-8").count("\n```") == 2 * len(blocks(page))


@pytest.mark.parametrize("page", runnable())
def test_blocks_of_the_page_run_in_order(page: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys):
    shutil.copytree(ROOT / "sample_logs", tmp_path / "sample_logs", ignore=shutil.ignore_patterns("report*"))
    monkeypatch.chdir(tmp_path)
    names: dict[str, Any] = {}
    for kind, text in blocks(page):
        if kind == "sh":
            for line in commands(text):
                if line not in LONG:
                    run_command(line, monkeypatch)
        elif kind == "python":
            exec(compile(text, page.name, "exec"), names)

    assert capsys.readouterr().out or page.name == "accuracy.md"


def test_tasks_of_the_library_take_three_lines_at_most():
    page = (ROOT / "docs" / "library.md").read_text(encoding="utf-8")
    tasks = page.split("## Ten tasks in three lines\n")[1].split("\n## ")[0]
    shown = re.findall(r"^```python\n(.*?)^```$", tasks, re.DOTALL | re.MULTILINE)

    assert len(shown) == 10
    assert max(len(task.splitlines()) for task in shown) <= 3


def test_tasks_of_the_library_run_as_cells_of_a_notebook(sample_review, tmp_path, monkeypatch):
    """In the shell that notebooks run: each cell succeeds, and what its last line gives can be shown."""
    shells = pytest.importorskip("IPython.core.interactiveshell", reason="no notebook shell is installed")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path / "profile"))
    shell = shells.InteractiveShell()
    shell.user_ns["reviewed"] = sample_review
    page = (ROOT / "docs" / "library.md").read_text(encoding="utf-8")
    tasks = page.split("## Ten tasks in three lines\n")[1].split("\n## ")[0]

    for task in re.findall(r"^```python\n(.*?)^```$", tasks, re.DOTALL | re.MULTILINE):
        outcome = shell.run_cell(task)
        outcome.raise_error()
        assert outcome.success
        if outcome.result is not None:
            assert "text/plain" in shell.display_formatter.format(outcome.result)[0]

    assert {path.name for path in tmp_path.iterdir()} >= {"runs.csv", "third_run.png", "r03.parquet"}
    assert len(shell.user_ns["season_hits"]) == sum(len(run.bottoming) for run in sample_review.runs)


def test_first_day_names_every_command_of_a_first_day_in_order():
    page = next(page for page in PAGES if page.name == "first-day.md")
    called = [
        shlex.split(line)[1]
        for kind, text in blocks(page)
        if kind == "sh"
        for line in commands(text)
        if line.startswith("analyzer ")
    ]

    assert list(dict.fromkeys(called)) == ["start", "check", "bar", "review", "confirm", "choose", "course"]


def laid_over(base: Any, block: Any) -> Any:
    """Return `base` with what `block` states; a bar, a channel and a list replace what was there."""
    if not isinstance(base, dict) or not isinstance(block, dict) or {"kind", "column"} & set(block):
        return block
    return {**base, **{key: laid_over(base.get(key), value) for key, value in block.items()}}


def toml_blocks() -> list[Any]:
    found = [(page, text) for page in PAGES for kind, text in blocks(page) if kind == "toml"]
    return [pytest.param(text, id=f"{page.name}-{number}") for number, (page, text) in enumerate(found)]


@pytest.mark.parametrize("text", toml_blocks())
def test_sheets_shown_in_the_docs_are_valid(text: str):
    block = tomllib.loads(text)
    sheets = {name: tomllib.loads((ROOT / "sample_logs" / f"{name}.toml").read_text()) for name in MODELS}
    of_a_car = {"front", "rear", "logger"} & set(block)
    kind = "course" if "sections" in block else "car" if of_a_car else "session"

    whole = {"name", "mass", "front", "rear"} <= set(block)
    MODELS[kind].model_validate(block if whole else laid_over(sheets[kind], block))


def test_commands_of_the_readme_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys):
    """What stands behind the installation in its first block is run as it stands."""
    first, second = (text for kind, text in blocks(ROOT / "README.md") if kind == "sh")
    *install, main_job = first.strip().split(" && ")
    assert install == ["python3 -m venv .venv", ".venv/bin/pip install -q ."]
    *_, set_up, tests = second.strip().split(" && ")
    assert set_up == '.venv/bin/pip install -q -e ".[test]"'
    assert tests == ".venv/bin/pytest -n 2 --dist loadfile"
    shutil.copytree(ROOT / "sample_logs", tmp_path / "sample_logs", ignore=shutil.ignore_patterns("report*"))
    monkeypatch.chdir(tmp_path)

    run_command(main_job.strip().removeprefix(".venv/bin/"), monkeypatch)

    assert (tmp_path / "sample_logs" / "report" / "report.html").is_file()
    assert "softened the car as predicted" in capsys.readouterr().out
    (python,) = (text for kind, text in blocks(ROOT / "README.md") if kind == "python")
    assert len([line for line in python.splitlines() if line]) <= 5
    exec(python, {})
    assert "as predicted" in capsys.readouterr().out


@pytest.mark.slow
def test_first_block_of_the_readme_runs_word_for_word(tmp_path: Path):
    """A clone, a fresh environment, the main job: as a newcomer does it (needs a package index)."""
    subprocess.run(["git", "clone", "-q", str(ROOT), str(tmp_path / "clone")], check=True)
    first = next(text for kind, text in blocks(ROOT / "README.md") if kind == "sh")

    done = subprocess.run(
        ["sh", "-ec", first], cwd=tmp_path / "clone", capture_output=True, text=True, timeout=900
    )

    assert done.returncode == 0, done.stderr
    assert (tmp_path / "clone" / "sample_logs" / "report" / "report.html").is_file()


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_scripts_named_in_the_docs_are_there(page: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.syspath_prepend(str(ROOT / "tests"))
    text = page.read_text(encoding="utf-8")
    modules = [name for name in re.findall(r"python -m ([\w.]+)", text) if name != "venv"]
    scripts = re.findall(r"python ((?:tests|docs)/[\w/]+\.py)", text)

    assert [name for name in modules if importlib.util.find_spec(name) is None] == []
    assert [name for name in scripts if not (ROOT / name).is_file()] == []
    for name in re.findall(r"pytest (?:-m slow )?(tests/\S+)`", text):
        assert (ROOT / name.split()[0]).exists()
