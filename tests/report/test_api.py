"""``import analyzer``: the public names, what they return, and how results show themselves in a notebook."""

from __future__ import annotations

import dataclasses
import inspect
import io
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from report.hostile import HOSTILE
from report.synthetic_review import Options

import analyzer
from analyzer.core.errors import AnalyzerError
from analyzer.report.plain_data import csv_tables
from analyzer.session.review import save_excel
from analyzer.sheets.fields import Sheet

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "library.md").read_text(encoding="utf-8")
FUNCTIONS = [name for name in analyzer.__all__ if inspect.isfunction(getattr(analyzer, name))]


class Tags(HTMLParser):
    """Fails on a tag that is closed wrongly; counts tags and gathers text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[str] = []
        self.words = ""
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)
        if tag not in ("img", "br", "hr"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words += data


def documented(heading: str) -> list[str]:
    part = PAGE.split(f"## {heading}\n")[1].split("\n## ")[0]
    return re.findall(r"^\| `([^`]+)` \|", part, re.MULTILINE)


def test_the_page_lists_every_public_function_with_its_signature():
    shown = []
    for name in FUNCTIONS:
        signature = inspect.signature(getattr(analyzer, name))
        bare = [p.replace(annotation=inspect.Parameter.empty) for p in signature.parameters.values()]
        call = str(signature.replace(parameters=bare, return_annotation=inspect.Signature.empty))
        shown.append(name + call)

    assert sorted(documented("Functions")) == sorted(shown)


def test_the_page_lists_every_public_class():
    assert sorted(documented("Results")) == sorted(set(analyzer.__all__) - set(FUNCTIONS))


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_function_is_typed_and_explains_its_arguments(name: str):
    function = getattr(analyzer, name)
    signature = inspect.signature(function)
    text = inspect.getdoc(function) or ""

    assert signature.return_annotation is not inspect.Signature.empty
    assert "\nReturns\n-------\n" in text
    for parameter in signature.parameters.values():
        assert parameter.annotation is not inspect.Parameter.empty
        assert re.search(rf"^(\w+, )*{parameter.name}(, \w+)* : ", text, re.MULTILINE)


@pytest.mark.parametrize("name", sorted(set(analyzer.__all__) - set(FUNCTIONS)))
def test_every_public_class_is_explained_and_results_are_frozen(name: str):
    cls = getattr(analyzer, name)

    assert len(inspect.getdoc(cls) or "") > 20
    if dataclasses.is_dataclass(cls):
        assert cls.__dataclass_params__.frozen  # type: ignore[attr-defined]


def test_importing_loads_no_room_and_an_unknown_name_is_told():
    code = (
        "import sys, analyzer; "
        "print(sorted(m for m in sys.modules if m.startswith('analyzer.') or m in ('numpy', 'pandas')))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)

    assert done.stdout.strip() == "[]"
    with pytest.raises(AttributeError, match="No analyzer attribute revue"):
        _ = analyzer.revue


def test_sheets_can_be_read_and_predicted_without_a_log(sample_session, sample_review):
    session = analyzer.load_session(str(sample_session))
    predictions = analyzer.predict(session)

    assert session == sample_review.session
    assert predictions == {setup.name: setup.predicted for setup in sample_review.setups}
    assert set(analyzer.bars(session.car)) == {"front", "rear"}
    assert analyzer.load_car(session.car_path) == session.car


def test_tables_are_those_of_the_report_folder(sample_review):
    written = csv_tables(analyzer.results(sample_review))

    for name, frame in analyzer.tables(sample_review).items():
        read = pd.read_csv(io.StringIO(written[f"{name}.csv"]))
        assert list(frame.columns) == list(read.columns)
        assert len(frame) == len(read)
        for column in read.dropna(axis="columns", how="all").select_dtypes("number"):
            pd.testing.assert_series_equal(
                frame[column].astype(float), read[column].astype(float), check_names=False
            )


def test_a_car_sheet_has_no_set_ups_to_start_from(sample_session):
    car = analyzer.load_car(sample_session / "car.toml")

    assert analyzer.choose(car, "rear 5 % softer").options
    with pytest.raises(analyzer.AnalyzerError, match='no set-up "A"'):
        analyzer.choose(car, "rear 5 % softer", "A")


def test_a_review_is_written_to_a_folder_named_by_text(review_with, tmp_path: Path):
    review = review_with(Options(runs=("r01",), setups=("A",), compared=False))

    page = analyzer.write_report(review, str(tmp_path / "report"))

    assert page == tmp_path / "report" / "report.html"
    assert (tmp_path / "report" / "results.json").is_file()


def test_main_results_show_answer_table_and_figure(sample_review):
    confirmation = analyzer.confirm(sample_review, "A", "B")
    shown = {
        "review": sample_review,
        "comparison": sample_review.comparisons[0],
        "confirmation": confirmation,
        "course": analyzer.course(sample_review),
        "bar": analyzer.bars(sample_review.session.car)["rear"],
    }

    for name, result in shown.items():
        tags = Tags(result._repr_html_())
        assert {"table", "img"} <= set(tags.seen), name
        assert "script" not in tags.seen

    words = Tags(sample_review._repr_html_()).words
    assert "softened the car as predicted" in words
    for run in sample_review.runs:
        assert run.name in words


def test_smaller_results_show_a_table(sample_review):
    choice = analyzer.choose(sample_review, "rear 5 % softer")
    smaller = (
        sample_review.runs[0],
        sample_review.setups[0],
        sample_review.setups[0].predicted,
        choice,
    )

    for result in smaller:
        assert "table" in Tags(result._repr_html_()).seen
    estimate = sample_review.runs[0].roll_gradient["front"]
    assert f"{estimate.value:.2f}" in Tags(estimate._repr_html_()).words
    assert (
        "samples gone" in Tags(analyzer.Estimate.unknown("deg/g", "samples gone")._repr_html_()).words.lower()
    )
    assert sample_review.recordings[0].run in Tags(sample_review.recordings[0]._repr_html_()).words


def parts_of(result: object, seen: dict[int, object]) -> dict[int, object]:
    """Return every object of this package that is reached from a result through fields and containers."""
    if id(result) in seen or isinstance(result, (str, bytes, type, pd.DataFrame, pd.Series)):
        return seen
    if dataclasses.is_dataclass(result):
        seen[id(result)] = result
        inner: list[object] = [getattr(result, field.name) for field in dataclasses.fields(result)]
    elif isinstance(result, Sheet):
        seen[id(result)] = result
        inner = [getattr(result, name) for name in type(result).model_fields]
    elif isinstance(result, dict):
        inner = list(result.values())
    elif isinstance(result, (list, tuple, set, frozenset)):
        inner = list(result)
    else:
        return seen
    for part in inner:
        parts_of(part, seen)
    return seen


def test_every_result_and_all_its_parts_show_as_one_line(sample_review, sample_session):
    results = {
        "review": sample_review,
        "confirmation": analyzer.confirm(sample_review, "A", "B"),
        "choice": analyzer.choose(sample_review, "rear 5 % softer"),
        "course": analyzer.course(sample_review),
        "bars": analyzer.bars(sample_review.session.car),
        "checked": analyzer.check(sample_session / "r01.csv.gz"),
    }
    parts: dict[int, object] = {}
    for result in results.values():
        parts_of(result, parts)
    kinds = {type(part) for part in parts.values()}
    assert len(kinds) > 40
    for part in parts.values():
        line = repr(part)
        assert line.startswith(type(part).__name__ + "(")
        assert line.isprintable()
        assert len(line) <= 160
        assert isinstance(part, analyzer.Estimate) or str(part) == line
    assert repr(sample_review) == 'Review("Evening practice at Kettle Yard": 6 runs on 2 set-ups, 0 left out)'
    assert repr(sample_review.runs) == "<6: r01, r02, r03, r04, r05, r06>"
    gradient = sample_review.runs["r03"].roll_gradient["front"]
    assert repr(gradient) == f"Estimate({gradient})"
    assert f"front {gradient}" in repr(sample_review.runs["r03"])


def test_hostile_names_stay_one_line(review_with):
    names = list(HOSTILE.values())
    review = review_with(Options(session=names[0], runs=tuple(names), setups=(names[0], names[1])))
    for part in parts_of(review, {}).values():
        assert repr(part).isprintable()
        assert len(repr(part)) <= 160
    assert repr(review.runs).isprintable()


def test_runs_are_found_by_name(sample_review):
    for position, name in enumerate(("r01", "r02", "r03", "r04", "r05", "r06")):
        assert sample_review.runs[name] is sample_review.runs[position]
        assert sample_review.recordings[name].run == name
        assert name in sample_review.runs
    assert sample_review.setups["B"].name == "B"
    assert sample_review.runs == tuple(sample_review.runs)
    assert [run.name for run in sample_review.runs[1:3]] == ["r02", "r03"]
    with pytest.raises(KeyError) as caught:
        sample_review.runs["R3"]
    assert str(caught.value).startswith('there is no "R3"; ')
    assert "r01, r02" in str(caught.value)
    # A copy with fewer runs finds them, too.
    fewer = dataclasses.replace(sample_review, runs=sample_review.runs[2:4])
    assert fewer.runs["r04"].name == "r04"
    assert "r01" not in fewer.runs


def test_a_table_of_runs_says_its_units(sample_review):
    table = sample_review.table()
    assert list(table.index) == [run.name for run in sample_review.runs]
    units = table.attrs["units"]
    for run in sample_review.runs:
        gradient = run.roll_gradient["front"]
        assert table.loc[run.name, "setup"] == run.setup
        assert table.loc[run.name, "roll_gradient_front"] == gradient.value
        assert table.loc[run.name, "roll_gradient_front_error"] == gradient.total_error
        assert table.loc[run.name, "hits"] == len(run.bottoming)
        for name, estimate in run.further.items():
            assert units[name] == units[f"{name}_error"] == estimate.unit
            assert pd.isna(table.loc[run.name, name]) == (estimate.value is None)
    assert units["roll_gradient_front"] == "deg/g"
    assert units["lowest_load_front"] == "N"
    assert set(units) <= set(table.columns)
    words = {"setup", "hits", "hard_hits", "condition_driver", "condition_notes"}
    assert set(table.columns) - set(units) == words
    # Conditions in numbers of one unit can be calculated with.
    assert units["condition_track_temperature"] == "°C"
    assert table["condition_track_temperature"].between(10.0, 40.0).all()


def test_channels_say_their_units_and_leave_out_what_is_suspect(sample_review):
    recording = sample_review.recordings["r03"]
    plain = sample_review.channels("r03")
    pd.testing.assert_frame_equal(plain, recording.data)
    assert plain.attrs["units"]["damper_FL"] == "m"
    shown = sample_review.channels("r03", units="display")
    # Definitions of the units: mm, standard gravity, km/h, degrees.
    for name, unit, size in (
        ("damper_FL", "mm", 1000.0),
        ("accel_y", "g", 1 / 9.80665),
        ("speed", "km/h", 3.6),
        ("gyro_x", "deg/s", 57.29577951308232),
    ):
        assert shown.attrs["units"][name] == unit
        pd.testing.assert_series_equal(shown[name], recording.data[name] * size)
    # The recording itself is not touched.
    suspect = recording.suspect.copy()
    suspect.iloc[:5, 0] = True
    marked = dataclasses.replace(recording, suspect=suspect)
    review = dataclasses.replace(sample_review, recordings=(marked,))
    masked = review.channels("r03", suspect_as_missing=True)
    assert masked.isna().equals(suspect | recording.data.isna())
    assert not recording.data.iloc[:5, 0].isna().any()
    with pytest.raises(analyzer.AnalyzerError, match='"display" or "si"'):
        sample_review.channels("r03", units="imperial")


def test_a_table_of_hits_says_its_units(sample_review):
    events = sample_review.events()
    hits = [event for run in sample_review.runs for event in (*run.bottoming, *run.topping)]
    assert len(events) == len(hits) > 3
    for row, hit in zip(events.itertuples(), hits, strict=True):
        assert row.corner == hit.corner
        assert row.peak_s == hit.peak_s
        assert row.stop_compression == hit.stop_compression
        assert row.hard == hit.hard
        assert row.heave == hit.budget.heave
        assert row.cause_road == hit.budget.causes["road"]
    units = events.attrs["units"]
    words = {"run", "setup", "corner", "section", "kind", "hard", "seen"}
    assert {name for name in events.columns if name not in units} == words
    assert units["stop_compression"] == "m"
    # The same figures as in the report's table, in its units.
    told = list(analyzer.tables(sample_review)["bottoming"]["stop_compression_mm"])
    assert list(1000.0 * events["stop_compression"]) == pytest.approx(told, abs=0.01)


def test_a_session_without_hits_or_runs_has_tables_all_the_same(sample_review):
    calm = dataclasses.replace(
        sample_review,
        runs=tuple(dataclasses.replace(run, bottoming=(), topping=()) for run in sample_review.runs),
    )
    assert list(calm.events().columns) == list(sample_review.events().columns)
    assert list(calm.events().dtypes) == list(sample_review.events().dtypes)
    assert calm.events().empty
    assert (calm.table()["hits"] == 0).all()
    none = dataclasses.replace(sample_review, runs=())
    assert none.table().empty
    assert none.table().attrs["units"] == {}


def test_figures_are_kept_whatever_form_the_runs_have(sample_review):
    from analyzer.report.page import all_plates, page_parts

    assert all(plate.digest is not None for plate in all_plates(page_parts(sample_review)))


def test_names_made_of_markup_do_no_harm_in_a_notebook(review_with):
    names = list(HOSTILE.values())
    review = review_with(Options(session=names[0], runs=tuple(names), setups=(names[0], names[1])))

    tags = Tags(review._repr_html_())

    assert not {"script", "iframe", "svg"} & set(tags.seen)
    assert set(tags.seen) <= {
        *("p", "strong", "table", "caption", "thead", "tbody", "tr", "th", "td", "bdi", "br", "small"),
        *("figure", "figcaption", "img"),
    }


USER_SCRIPT = """
import analyzer
from analyzer import Estimate, Review

def front(review: Review) -> dict[str, Estimate]:
    one: Estimate = review.runs["r01"].roll_gradient["front"]
    return {run.name: run.roll_gradient["front"] for run in review.runs} | {"one": one}

found: Review = analyzer.review("sample_logs", seed=1)
value: float | None = front(found)["r01"].value
analyzer.review(3)
"""


@pytest.mark.slow
def test_a_users_script_is_checked_against_the_types(tmp_path: Path):
    """The one wrong call of the script is found, and nothing else."""
    api = pytest.importorskip("mypy.api")
    script = tmp_path / "script.py"
    script.write_text(USER_SCRIPT, encoding="utf-8")

    # The package's own files are silent, as they are for a user who has it installed.
    options = ["--strict", "--config-file=", "--follow-imports=silent", f"--cache-dir={tmp_path / 'cache'}"]
    said, _, code = api.run([*options, str(script)])

    assert (ROOT / "analyzer" / "py.typed").is_file()
    assert code == 1
    assert said.count("error:") == 1, said
    assert 'Argument 1 to "review"' in said


def test_runs_and_hits_go_to_one_excel_file(sample_review, tmp_path):
    path = tmp_path / "evening.xlsx"
    sample_review.to_excel(path)
    runs, hits, units = pd.read_excel(path, sheet_name=["runs", "hits", "units"]).values()
    table = sample_review.table()
    assert list(runs["run"]) == list(table.index)
    np.testing.assert_allclose(runs["roll_gradient_front"], table["roll_gradient_front"])
    assert len(hits) == len(sample_review.events())
    told = units.set_index(["sheet", "column"])["unit"]
    assert told["runs", "roll_gradient_front"] == table.attrs["units"]["roll_gradient_front"]
    with pytest.raises(AnalyzerError, match="does not end in"):
        sample_review.to_excel(tmp_path / "evening.csv")
    with pytest.raises(AnalyzerError, match="name a file elsewhere"):
        sample_review.to_excel(tmp_path / "nowhere" / "evening.xlsx")


def test_words_of_a_sheet_are_no_formula_in_excel(tmp_path):
    frame = pd.DataFrame({"notes": ["=1+1", "a\x07b"]}, index=pd.Index(["r1", "r2"], name="run"))
    frame.attrs["units"] = {}
    save_excel({"runs": frame}, tmp_path / "x.xlsx")
    cells = openpyxl.load_workbook(tmp_path / "x.xlsx")["runs"]["B"]
    assert [(cell.data_type, cell.value) for cell in cells[1:2]] == [("s", "=1+1")]
