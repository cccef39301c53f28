"""The command itself: its extra, its start, and what its pages say of a car."""

from __future__ import annotations

import re
import shutil
import statistics
import subprocess
import sys
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from analyzer import cli
from analyzer.comparison.choosing.wishes import parse_wish
from analyzer.core.errors import AnalyzerError
from analyzer.desk import folder as desk_folder, work
from analyzer.desk.folder import Folder
from analyzer.desk.sheet_form import Edit
from analyzer.desk.work import WISHES, tried_bar, weights
from analyzer.prediction.setup import predict_setup
from analyzer.report import sentences
from analyzer.sheets.read import read_car
from analyzer.sheets.session import Setup
from analyzer.vehicle.bar import rate

SAMPLE = Path(__file__).parents[2] / "sample_logs"


def test_help_loads_nothing_of_it():
    code = "import sys\nfrom analyzer import cli\ntry:\n    cli.main()\nexcept SystemExit:\n    pass\n"
    code += (
        "print([n for n in ('starlette', 'uvicorn', 'tomlkit', 'analyzer.desk.server') if n in sys.modules])"
    )
    said = subprocess.run(
        [sys.executable, "-c", code, "--help"], capture_output=True, text=True, check=True, timeout=60
    )
    assert "desk" in said.stdout
    assert said.stdout.rstrip().endswith("[]")


def test_without_its_extra_it_says_what_to_install(tmp_path: Path):
    code = (
        "import sys\nsys.modules['uvicorn'] = None\nfrom analyzer import cli\n"
        f"sys.argv = ['analyzer', 'desk', {str(tmp_path)!r}]\ncli.main()"
    )
    said = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=60
    )
    assert said.returncode == 2
    assert (
        said.stderr
        == 'analyzer: the page needs uvicorn; install it with pip install "drift-bar-analyzer[desk]"\n'
    )


def test_a_folder_that_is_a_file_is_a_plain_line(tmp_path: Path):
    (tmp_path / "note").write_text("x")
    with pytest.raises(AnalyzerError, match="note: is a file; name a folder of the session"):
        Folder(tmp_path / "note")


@pytest.mark.parametrize("wish", WISHES)
def test_every_wish_on_the_list_is_understood(wish: str):
    assert parse_wish(wish).goals


def test_a_key_on_the_bar_costs_few_solutions_and_no_reading(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    for name in ("car.toml", "session.toml"):
        shutil.copy(SAMPLE / name, tmp_path)
    folder, counts = Folder(tmp_path), Counter()

    def counted(module, name: str) -> None:
        real = getattr(module, name)

        def count(*args, **named):
            counts[name] += 1
            return real(*args, **named)

        monkeypatch.setattr(module, name, count)

    def key(number: int) -> float:
        wall = Edit(("front", "bar", "tube", "wall"), f"{2.0 + number / 20.0:.2f} mm", "quantity")
        before = time.process_time()
        found = tried_bar(folder, "front", [wall])
        assert found["refused"] == [], found
        return time.process_time() - before

    key(0)
    counted(rate, "solve")
    counted(desk_folder, "toml_table")
    # This bar, the fitted one and that of the other axle with all tolerances, and this one once more alone.
    key(1)
    assert counts == {"solve": 4}
    # Sheets that were changed on disk are read anew.
    (tmp_path / "car.toml").write_bytes((SAMPLE / "car.toml").read_bytes() + b"# looked at\n")
    key(2)
    assert counts == {"solve": 8, "toml_table": 1}
    # Processor time: what else this machine does is no part of it. A fifth of this where it was written.
    assert statistics.median(key(number) for number in range(3, 12)) < 0.1


def test_what_counts_is_what_makes_the_error():
    car = read_car(SAMPLE / "car.toml")
    counts = weights(car)
    assert counts
    assert all(5 <= percent <= 100 for percent in counts.values())
    # The value that counts most, known exactly, takes its part of the variance with it.
    key, percent = max(counts.items(), key=lambda item: item[1])
    assert percent >= 10

    def error(sheet) -> float:
        found = predict_setup(
            sheet, "fitted", Setup(front_bar=car.front.bar.fitted, rear_bar=car.rear.bar.fitted)
        )
        return {axle: found.roll_gradient_body[axle].std_error for axle in ("front", "rear")}

    node, *steps = car, *key.split(".")
    chain = [node]
    for step in steps[:-1]:
        chain.append(getattr(chain[-1], step))
    exact = replace(getattr(chain[-1], steps[-1]), std=0.0)
    for parent, step in zip(reversed(chain), reversed(steps), strict=True):
        exact = parent.model_copy(update={step: exact})
    before, after = error(car), error(exact)
    gone = max(1.0 - (after[axle] / before[axle]) ** 2 for axle in before)
    assert gone == pytest.approx(percent / 100.0, abs=0.03)


def test_every_command_that_an_answer_names_is_explained_beside_the_answers():
    """Whoever works at the desk has no command line: the page says where each command's work is."""
    source = (Path(sentences.__file__)).read_text(encoding="utf-8")
    known = {command.name or command.callback.__name__ for command in cli.app.registered_commands}
    named = set(re.findall(r"analyzer ([a-z]+)", source)) & known
    page = (Path(work.__file__).parent / "results.html.j2").read_text(encoding="utf-8")

    assert {"confirm", "choose", "check"} <= named
    assert [name for name in sorted(named) if f"analyzer {name}" not in page] == []
