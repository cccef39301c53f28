"""Sheets as forms: what was not changed stays byte by byte, what was changed is changed alone."""

from __future__ import annotations

import random
import re
import tomllib
from collections.abc import Iterator
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
from analyzer.ingest.template import STARTER_COURSE, starter_bar, starter_car, starter_sheets
from analyzer.sheets.car import CarSheet
from analyzer.sheets.fields import Sheet, keys_of
from analyzer.sheets.read import TO_MEASURE, marked_keys, refusals
from analyzer.sheets.session import CourseSheet, SessionSheet

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


OUTLINE = (("-3.5 mm", "-18 mm"), ("3.5 mm", "-18 mm"), ("2 mm", "18 mm"), ("-2 mm", "18 mm"))
COURSE_BY_GATES = b"""# walked
name = "yard"
[[sections]]
name = "first"  # by the wall
start = { latitude = "47.1 deg", longitude = "8.2 deg" }
end = { latitude = "47.2 deg", longitude = "8.2 deg", width = "20 m" } # at the cone
bank = "3 deg"
"""


def with_outline(car: Path) -> bytes:
    """Return a car sheet whose front blades have an outline, on lines of its own with remarks."""
    rows = "".join(
        f'  ["{across}", "{depth}"], # corner {n}\n' for n, (across, depth) in enumerate(OUTLINE, 1)
    )
    text = car.read_text(encoding="utf-8")
    return text.replace("blade.root =", f"blade.outline = [\n{rows}]\nblade.root =", 1).encode()


def sheets() -> list[tuple[type[Sheet], bytes]]:
    started = starter_sheets(SAMPLE / "r01.csv.gz")
    found: list[tuple[type[Sheet], bytes]] = [
        *((CarSheet, path.read_bytes()) for path in SAMPLE.rglob("car.toml")),
        *((SessionSheet, path.read_bytes()) for path in SAMPLE.rglob("session.toml")),
        *((CourseSheet, path.read_bytes()) for path in SAMPLE.rglob("course.toml")),
        (CourseSheet, STARTER_COURSE.encode()),
        (CourseSheet, COURSE_BY_GATES),
        (CarSheet, with_outline(SAMPLE / "car.toml")),
        (CarSheet, starter_car().encode()),
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
    same = [Edit(part.place, _typed(part), part.kind) for part in fields(form) if part.value]

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


ROW = ("front", "bar", "blade", "outline")


def outline(data: bytes) -> list[list[str]]:
    return tomllib.loads(data.decode())["front"]["bar"]["blade"]["outline"]


def test_corners_of_a_blade_are_rows_with_two_boxes():
    data = with_outline(SAMPLE / "car.toml")
    assert refusals(tomllib.loads(data.decode()), CarSheet) == ()
    group = form_of(CarSheet, opened(data)).group("front").group("bar").group("blade").group("outline")
    assert [tuple(_typed(part) for part in row.parts) for row in group.parts] == list(OUTLINE)
    assert [part.place for part in group.blank.parts] == [(*ROW, "+", 0), (*ROW, "+", 1)]

    # One corner is moved, one taken out and one added, all at once, as a page sends it.
    new = edited(
        data,
        read_edits(
            [
                {"place": [*ROW, 0, 1], "text": "-17.5 mm", "kind": "text"},
                {"place": [*ROW, 4, 0], "text": "-3 mm", "kind": "text"},
                {"place": [*ROW, 4, 1], "text": "0 mm", "kind": "text"},
                {"place": [*ROW, 1], "text": None, "kind": "text"},
            ]
        ),
    )
    kept = [list(corner) for corner in OUTLINE]
    assert outline(new) == [["-3.5 mm", "-17.5 mm"], *kept[2:], ["-3 mm", "0 mm"]]
    assert b"# corner 1" in new
    assert [line for line in new.splitlines() if b"outline" not in line and b'mm"]' not in line][:20] == [
        line for line in data.splitlines() if b"outline" not in line and b'mm"]' not in line
    ][:20]


def test_a_blade_without_an_outline_gets_one():
    data = (SAMPLE / "car.toml").read_bytes()
    typed = [
        Edit((*ROW, number, place), text)
        for number, corner in enumerate(OUTLINE)
        for place, text in enumerate(corner)
    ]
    new = edited(data, typed)
    assert outline(new) == [list(corner) for corner in OUTLINE]
    assert refusals(tomllib.loads(new.decode()), CarSheet) == ()
    assert edited(new, [Edit((*ROW, 1, 0), None)]) != new
    (found,) = refusals(tomllib.loads(edited(new, [Edit((*ROW, 1, 0), None)]).decode()), CarSheet)
    assert found.key == "front.bar.blade.outline[2][2]"


def test_the_mark_of_a_list_of_tables_is_set_at_its_head():
    data = starter_sheets(SAMPLE / "r01.csv.gz")["car.toml"].encode()
    form = form_of(CarSheet, opened(edited(data, [Edit(("front", "bar"), "formed", "bar")])))
    line = form.group("front").group("bar").group("points").line
    assert line is not None
    assert (line.mark, line.marked) == (("front", "bar", "points"), True)


@pytest.mark.parametrize("name", ["car.toml", "session.toml"])
@pytest.mark.parametrize("bar", ["bladed", "formed"])
def test_every_mark_of_a_started_sheet_can_be_taken_off(name: str, bar: str):
    data = starter_sheets(SAMPLE / "r01.csv.gz")[name].encode()
    if name == "car.toml":
        data = edited(data, [Edit((axle, "bar"), bar, "bar") for axle in ("front", "rear")])
    assert len(marked_keys(data.decode())) > 1

    # What the page shows a box for: lines of their own, and heads of tables for all that stands in them.
    def boxes(part: Group | Field) -> Iterator[Field]:
        if isinstance(part, Field):
            if part.mark == part.place and part.marked:
                yield part
            return
        yield from (line for line in (part.line, part.kind) if line is not None and line.marked)
        for inner in part.parts:
            yield from boxes(inner)

    model = CarSheet if name == "car.toml" else SessionSheet
    places = {box.mark for box in boxes(form_of(model, opened(data)))}
    new = edited(data, [Edit(place, "", "mark") for place in places]).decode()
    assert marked_keys(new) == ()
    assert tomllib.loads(new) == tomllib.loads(data.decode())


def test_sections_are_added_and_a_place_becomes_a_gate():
    data = (SAMPLE / "course.toml").read_bytes()
    last = len(tomllib.loads(data.decode())["sections"])
    typed = [
        {"place": ["sections", last, "name"], "text": "way back", "kind": "text"},
        {"place": ["sections", last, "start", "latitude"], "text": "47.1 deg", "kind": "quantity"},
        {"place": ["sections", last, "start", "longitude"], "text": "8.2 deg", "kind": "quantity"},
        {"place": ["sections", last, "end"], "text": "900 m", "kind": "text"},
        {"place": ["sections", 0], "text": None, "kind": "text"},
    ]
    new = edited(data, read_edits(typed))
    found = tomllib.loads(new.decode())["sections"]
    assert found[:-1] == tomllib.loads(data.decode())["sections"][1:]
    assert found[-1]["start"] == {"latitude": "47.1 deg", "longitude": "8.2 deg"}
    (told,) = refusals(tomllib.loads(new.decode()), CourseSheet)
    assert told.place == ("sections", last - 1)
    assert "both be gates" in told.problem


def test_a_place_that_is_none_says_how_to_write_one():
    table = {"name": "yard", "sections": [{"name": "a", "start": "5 kg", "end": "10 m"}]}
    (told,) = refusals(table, CourseSheet)
    assert told.remedy.endswith('or { latitude = "47.1 deg", longitude = "8.2 deg" }')
    gate = {"latitude": "47.1 deg", "longitude": "8.2 deg"}
    table["sections"] = [{"name": "a", "start": {"distance_m": 5.0}, "end": gate}]
    assert "distance_m" not in "".join(item.remedy for item in refusals(table, CourseSheet))


@pytest.mark.parametrize("model", [CarSheet, SessionSheet, CourseSheet])
def test_every_key_of_every_sheet_can_be_typed(model: type[Sheet]):
    kinds = ("quantity", "text", "choice", "whole number", "number", "switch", "day")

    def look(part: Group | Field) -> None:
        if isinstance(part, Field):
            assert part.kind.removeprefix("list of ") in kinds, part.name
            return
        for inner in (*part.parts, *([part.blank] if part.blank else [])):
            look(inner)

    look(form_of(model, opened(b"")))


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
