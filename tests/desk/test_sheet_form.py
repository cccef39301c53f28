"""Sheets as forms: what was not changed stays byte by byte, what was changed is changed alone."""

from __future__ import annotations

import random
import re
import tomllib
from pathlib import Path

import pytest

from analyzer.core.errors import AnalyzerError
from analyzer.desk.sheet_form import (
    Edit,
    Field,
    Group,
    apply,
    edited,
    fields,
    form_of,
    opened,
    read_edits,
)
from analyzer.ingest.template import starter_bar, starter_sheets
from analyzer.sheets.car import CarSheet
from analyzer.sheets.fields import Sheet, keys_of
from analyzer.sheets.read import TO_MEASURE, refusals
from analyzer.sheets.session import SessionSheet

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_logs"


def blocks() -> list[str]:
    """Return every sheet, or part of one, that stands in the docs or as text in a test."""
    pages = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]
    found = [text for page in pages for text in re.findall(r"```toml\n(.*?)```", page.read_text(), re.DOTALL)]
    for file in sorted((ROOT / "tests").rglob("*.py")):
        for text in re.findall(r'"""\\?\n(.*?)"""', file.read_text(encoding="utf-8"), re.DOTALL):
            if re.search(r"^\[[\w.]+\]$", text, re.MULTILINE) and _is_toml(text):
                found.append(text)
    return found


def _is_toml(text: str) -> bool:
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return False
    return True


def sheets() -> list[tuple[type[Sheet], bytes]]:
    started = starter_sheets(SAMPLE / "r01.csv.gz")
    found: list[tuple[type[Sheet], bytes]] = [
        *((CarSheet, path.read_bytes()) for path in SAMPLE.rglob("car.toml")),
        *((SessionSheet, path.read_bytes()) for path in SAMPLE.rglob("session.toml")),
        (CarSheet, started["car.toml"].encode()),
        (SessionSheet, started["session.toml"].encode()),
    ]
    for text in blocks():
        table = tomllib.loads(text)
        found.append((SessionSheet if "runs" in table or "setups" in table else CarSheet, text.encode()))
    # As other editors save them.
    model, plain = found[0]
    return [*found, (model, b"\xef\xbb\xbf" + plain), (model, plain.replace(b"\n", b"\r\n"))]


SHEETS = sheets()


def test_there_are_sheets_to_try():
    assert len(SHEETS) > 12


@pytest.mark.parametrize("number", range(len(SHEETS)))
def test_opened_and_saved_without_a_change_is_the_same_file(number: int):
    model, data = SHEETS[number]
    form = form_of(model, opened(data))
    # What the page sends back when every box is typed anew with what stands in it.
    same = [
        Edit(part.place, _typed(part), part.kind)
        for part in fields(form)
        if part.value and part.kind != "kept"
    ]

    assert edited(data, ()) == data
    assert edited(data, same) == data


def _typed(part: Field) -> str:
    return f"{part.value} ± {part.error}" if part.error else part.value


def test_a_value_is_changed_and_nothing_else():
    data = (SAMPLE / "car.toml").read_bytes()
    new = edited(data, [Edit(("front", "track_width"), "61 in ± 0.1 in", "quantity")])

    changed = [(a, b) for a, b in zip(data.splitlines(), new.splitlines(), strict=True) if a != b]
    assert len(changed) == 1
    assert changed[0][1] == 'track_width = "61 in ± 0.1 in"'.encode()


def test_a_comment_stays_behind_its_value():
    data = (SAMPLE / "car.toml").read_bytes()
    (before,) = (line for line in data.splitlines() if line.startswith(b"cg_height"))
    new = edited(data, [Edit(("mass", "cg_height"), "0.5 m", "quantity")])

    (after,) = (line for line in new.splitlines() if line.startswith(b"cg_height"))
    assert after.partition(b"#")[2] == before.partition(b"#")[2] != b""


def test_numbers_keep_their_digits_and_stay_numbers():
    data = b"[front.spring]\nmotion_ratio = 0.95 # tried\n"
    assert edited(data, [Edit(("front", "spring", "motion_ratio"), "0.90", "quantity")]) == data.replace(
        b"0.95", b"0.90"
    )


@pytest.mark.parametrize("kind", ["bladed", "formed", "none"])
@pytest.mark.parametrize("begun", [False, True])
def test_another_kind_of_bar_is_a_valid_placeholder(kind: str, begun: bool):
    started = starter_sheets(SAMPLE / "r01.csv.gz")["car.toml"].encode()
    data = started if begun else (SAMPLE / "car.toml").read_bytes()
    new = edited(data, [Edit(("front", "bar"), kind, "bar")])

    table = tomllib.loads(new.decode("utf-8-sig"))
    assert table["front"]["bar"] == tomllib.loads(starter_bar(kind))
    assert refusals(table, CarSheet) == ()


def test_the_mark_of_what_is_not_measured_goes_and_comes_back():
    data = starter_sheets(SAMPLE / "r01.csv.gz")["car.toml"].encode()
    marked = [line for line in data.decode().splitlines() if line.startswith("cg_height")]
    new = edited(data, [Edit(("mass", "cg_height"), "", "mark")])
    (line,) = (line for line in new.decode().splitlines() if line.startswith("cg_height"))

    assert TO_MEASURE in marked[0]
    assert TO_MEASURE not in line
    assert line.endswith("# whole car, above ground")
    assert edited(new, [Edit(("mass", "cg_height"), "1", "mark")]) == data


def test_a_form_shows_every_key_of_the_models():
    form = form_of(CarSheet, opened((SAMPLE / "car.toml").read_bytes()))

    def look(group: Group) -> None:
        if group.table is not None:
            shown = {part.place[-1] for part in group.parts}
            assert shown >= {key.name for key in keys_of(group.table)} - {"kind"}
        for part in group.parts:
            if isinstance(part, Group):
                look(part)

    look(form)


def test_runs_and_setups_are_added_and_taken_out():
    data = (SAMPLE / "session.toml").read_bytes()
    table = tomllib.loads(data.decode())
    last = len(table["runs"])
    new = edited(
        data,
        read_edits(
            [
                {"place": ["runs", 0], "text": None, "kind": "text"},
                {"place": ["setups", "C", "front_bar"], "text": "off", "kind": "choice"},
                {"place": ["runs", last, "name"], "text": "new", "kind": "text"},
                {"place": ["runs", last, "logs"], "text": "a.csv; b, c.csv", "kind": "list of text"},
                {"place": ["runs", last, "setup"], "text": "C", "kind": "text"},
                {"place": ["runs", 1], "text": None, "kind": "text"},
            ]
        ),
    )

    found = tomllib.loads(new.decode())
    assert [run["name"] for run in found["runs"]] == [*(r["name"] for r in table["runs"][2:]), "new"]
    assert found["runs"][-1]["logs"] == ["a.csv", "b, c.csv"]
    assert found["setups"]["C"] == {"front_bar": "off"}
    assert new.decode().startswith(data.decode().partition("[[runs]]")[0].rstrip())


@pytest.mark.parametrize(
    "sent",
    [
        None,
        {},
        [1],
        [{"place": [], "text": "1", "kind": "text"}],
        [{"place": ["a"] * 13, "text": "1", "kind": "text"}],
        [{"place": ["a", 1.5], "text": "1", "kind": "text"}],
        [{"place": ["a", True], "text": "1", "kind": "text"}],
        [{"place": ["a"], "text": 1, "kind": "text"}],
        [{"place": ["a"], "text": "1"}],
    ],
)
def test_a_message_that_is_none_is_refused_in_a_line(sent: object):
    with pytest.raises(AnalyzerError, match="load it again"):
        read_edits(sent)


def test_an_entry_that_is_not_there_is_refused():
    data = (SAMPLE / "session.toml").read_bytes()
    with pytest.raises(AnalyzerError, match="not there"):
        edited(data, [Edit(("runs", 99, "name"), "x")])


def test_random_changes_leave_every_other_value_and_comment():
    # Any change by the form is the same change in plain tables, and no line elsewhere moves.
    draw = random.Random(5)
    for model, data in SHEETS:
        form = form_of(model, opened(data))
        known = [part for part in fields(form) if part.value and part.kind in ("quantity", "text")]
        for _ in range(3):
            edits = [
                Edit(part.place, f"{draw.randint(1, 9)} mm", part.kind)
                for part in draw.sample(known, min(3, len(known)))
            ]
            table = tomllib.loads(data.decode("utf-8-sig"))
            for edit in edits:
                apply(table, edit)
            new = edited(data, edits)
            assert tomllib.loads(new.decode("utf-8-sig")) == table
            assert [line for line in new.splitlines() if line.lstrip().startswith(b"#")] == [
                line for line in data.splitlines() if line.lstrip().startswith(b"#")
            ]
