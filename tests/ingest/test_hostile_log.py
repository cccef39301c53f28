"""A log that holds markup and formulas wherever text can stand does no harm from start to report."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest
from ingest.paddock_logs import written
from ingest.session_faults import sample_run
from typer.testing import CliRunner

from analyzer.cli import app

MARKUP = "<script>alert(1)</script>"
STYLE = "[red]x[/red]"
FORMULA = '=HYPERLINK("http://x")'
NUMBER = re.compile(r"[-+]?[\d.]+(e[-+]?\d+)?", re.IGNORECASE)


def run(*arguments: str | Path) -> str:
    done = CliRunner().invoke(app, [str(a) for a in arguments])
    assert done.exit_code == 0, done.output
    return done.output


@pytest.fixture
def log(tmp_path: Path) -> Path:
    table = sample_run()
    for name in (MARKUP, STYLE, "{{7*7}}", "@SUM(A1)"):
        table[name] = 1.0
    names = [f"{FORMULA}FL pot [V]" if n == "FL pot" else n for n in table.columns]
    names = ['"' + n.replace('"', '""') + '"' for n in names]
    lines = written(table, names=names).splitlines()
    for line, column, cell in ((500, 2, '"=1+1"'), (700, 3, MARKUP), (900, 6, "@SUM(1)")):
        cells = lines[line].split(",")
        cells[column] = cell
        lines[line] = ",".join(cells)
    path = tmp_path / f"<b>{STYLE.replace('/', '')}&=1.csv"
    path.write_text(f'"=cmd|calc",{MARKUP}\n' + "\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.mark.slow
def test_names_and_cells_stay_text(log: Path) -> None:
    checked = run("check", log, "--all")
    assert log.stem in checked.replace("\n", "")
    assert "line 502" in " ".join(checked.split())
    folder = log.parent / "session"
    run("start", folder, "--from", log)
    run("review", folder)
    page = (folder / "report" / "report.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert "<b>[red]" not in page
    assert "&lt;b&gt;[red]" in page
    tables = sorted((folder / "report" / "tables").glob("*.csv"))
    assert len(tables) >= 5
    for table in tables:
        with table.open(encoding="utf-8", newline="") as file:
            cells = [cell for row in csv.reader(file) for cell in row if cell]
        assert not [c for c in cells if c[0] in "=@+-\t\r" and not NUMBER.fullmatch(c)], table.name
