"""Write docs/commands.md from the help texts: ``python tests/docs/commands_page.py``."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

PAGE = Path(__file__).parents[2] / "docs" / "commands.md"
INTRODUCTION = """# Commands

Every command prints text, or with `--json` the same results for scripts. Exit code 0: done. 1: a check
failed where that was asked for (`--strict`). 2: bad input or options, told in one line on standard
error. 3: a fault of this program; the runs it fails at are left out, the outputs are written all the same,
and standard error says what to send. 130: stopped from the keyboard. Logs and sheets are never written to;
outputs are written beside their place and moved there when complete. Runs and figures that have not changed
since an earlier call are taken from the user's cache folder; `ANALYZER_CACHE` in the environment names
another folder, or switches that off with `off`.

`drift-bar-analyzer`, the name of the distribution, is the same command as `analyzer`; `-h` is `--help`.
`analyzer --install-completion` lets the shell you are in (bash, zsh, fish or PowerShell) complete commands
and options with the Tab key from its next start on; `analyzer --show-completion` prints what that would add
to the shell's settings, for those who put it there themselves.

This page is generated from the help texts (`python tests/docs/commands_page.py`), and a test holds it to
them.
"""


def help_text(*command: str) -> str:
    """Return the help of one command at 80 columns, as a user sees it without a terminal."""
    environment = {**os.environ, "COLUMNS": "80", "TERMINAL_WIDTH": "80", "NO_COLOR": "1"}
    call = [sys.executable, "-m", "analyzer", *command, "--help"]
    text = subprocess.run(call, env=environment, capture_output=True, text=True, check=True).stdout
    lines = [line.rstrip() for line in text.replace("python -m analyzer", "analyzer").strip().splitlines()]
    return "\n".join(lines)


def command_names() -> list[str]:
    """Return the registered commands in the order of the help."""
    from analyzer.cli import app

    return [command.name or command.callback.__name__ for command in app.registered_commands]


def page() -> str:
    """Return the whole page."""
    parts = [INTRODUCTION]
    for name in command_names():
        parts.append(f"\n## {name}\n\n```text\n{help_text(name)}\n```\n")
    return "".join(parts)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
