"""Help is whole sentences at any width, under both names, and the shell can complete what it lists."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from docs.commands_page import command_names

from analyzer.cli import Command, app

ROOT = Path(__file__).parents[1]


def printed(*words: str, **environment: str) -> str:
    call = [sys.executable, "-c", "from analyzer.cli import run; run()", *words]
    plain = {**os.environ, "NO_COLOR": "1", **environment}
    return subprocess.run(call, env=plain, capture_output=True, text=True, check=True).stdout


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_the_list_of_commands_cuts_no_sentence(width: int):
    text = printed("-h", COLUMNS=str(width))
    told = " ".join(text.split())
    assert "..." not in told.replace("[ARGS]...", "")
    for command in app.registered_commands:
        (sentence, *_) = command.callback.__doc__.split("\n\n")
        assert sentence.endswith(".")
        assert " ".join(sentence.split()) in told


def test_the_help_says_where_to_begin():
    told = " ".join(printed("-h").split("Options:")[0].split())
    named = re.findall(r"analyzer (\w+)", told)
    assert named == ["start", "desk", "docs"]
    assert set(named) <= set(command_names())
    assert printed("docs", told.rpartition(" ")[2].rstrip(".")).startswith("# A first day")


def test_short_and_long_form_of_help_are_the_same():
    assert printed("-h") == printed("--help")
    assert printed("review", "-h") == printed("review", "--help")


def test_every_argument_and_option_has_a_sentence_of_its_own():
    import typer.main

    group = typer.main.get_command(app)
    for name in command_names():
        command = group.commands[name]
        assert isinstance(command, Command)
        for param in command.params:
            first, *others = param.help.rstrip(".").split()
            assert param.help.endswith(".")
            assert first[0].isupper()
            assert len(others) >= 2, param.help


def test_the_distributions_name_is_a_command_too():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["scripts"][project["name"]] == project["scripts"]["analyzer"]


@pytest.mark.parametrize(
    ("words", "place", "offered"), [("analyzer re", "1", "review"), ("analyzer bar --la", "2", "--lateral")]
)
def test_the_shell_completes_commands_and_options(words: str, place: str, offered: str):
    code = "import sys; sys.argv = ['analyzer']; from analyzer.cli import run; run()"
    asked = {"_ANALYZER_COMPLETE": "complete_bash", "COMP_WORDS": words, "COMP_CWORD": place}
    done = subprocess.run(
        [sys.executable, "-c", code], env={**os.environ, **asked}, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    assert offered in done.stdout.split()
