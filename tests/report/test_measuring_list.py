"""The measuring list: what is still open of a car, by its weight, on one page, and nobody's sheet is lost."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from analyzer.cli import main
from analyzer.ingest.template import starter_bar, starter_sheets
from analyzer.prediction.propagation import replace_values, sheet_quantities
from analyzer.prediction.settings import sheet_weights
from analyzer.prediction.setup import predict_setup
from analyzer.report.measuring_list import SKETCHES, WAYS, measuring_pages, to_measure
from analyzer.sheets.car import CarSheet
from analyzer.sheets.read import marked_keys, read_car
from analyzer.sheets.session import BarSetting, Setup

SAMPLE = Path(__file__).parents[2] / "sample_logs"


def _run(monkeypatch: pytest.MonkeyPatch, *arguments: str) -> int:
    monkeypatch.setattr("sys.argv", ["analyzer", *arguments])
    try:
        main()
    except SystemExit as ended:
        return int(ended.code or 0)
    return 0


@pytest.fixture(name="started", scope="module")
def _started(tmp_path_factory: pytest.TempPathFactory) -> Path:
    sheet = tmp_path_factory.mktemp("started") / "car.toml"
    sheet.write_text(starter_sheets(SAMPLE / "r01.csv.gz")["car.toml"], encoding="utf-8")
    return sheet


def _gradients(car: CarSheet, setting: tuple[int, int] = (1, 1)) -> dict[str, float]:
    front, rear = (BarSetting(hole=hole) for hole in setting)
    found = predict_setup(car, "tried", Setup(front_bar=front, rear_bar=rear))
    return {axle: found.roll_gradient_body[axle].value for axle in ("front", "rear")}


@pytest.mark.parametrize("key", ["mass.cg_height", "front.bar.motion_ratio", "rear.bar.tube.wall"])
def test_a_weight_is_what_the_car_does_with_that_error_in_it(started: Path, key: str) -> None:
    car = read_car(started)
    weight = sheet_weights(car)[key]
    value = dict(sheet_quantities(car))[key].value
    # Differences over a tenth of the error, up and down, of the plain prediction.
    sheets = [replace_values(car, {key: value + sign * 0.1 * weight.std}) for sign in (1.0, -1.0, 0.0)]
    gradients = [_gradients(sheet) for sheet in sheets]
    moved = {axle: abs(gradients[0][axle] - gradients[1][axle]) / 0.2 for axle in ("front", "rear")}
    assert weight.gradient == pytest.approx(max(moved[axle] / gradients[2][axle] for axle in moved), rel=1e-3)
    changes = []
    for axle, setting in (("front", (len(car.front.bar.holes), 1)), ("rear", (1, len(car.rear.bar.holes)))):
        ratios = [
            _gradients(sheet, setting)[axle] / here[axle]
            for sheet, here in zip(sheets, gradients, strict=True)
        ]
        changes.append(abs(ratios[0] - ratios[1]) / 0.2 / abs(ratios[2] - 1.0))
    assert weight.change == pytest.approx(max(changes), rel=1e-3)


def test_every_placeholder_is_on_the_list_and_what_is_known_is_not(started: Path) -> None:
    car = read_car(started)
    rows = {row.key: row for row in to_measure(car)}
    assert rows.keys() <= WAYS.keys()
    assert all(row.placeholder for row in rows.values())
    assert {
        "mass.cg_height",
        "track_width",
        "bar.holes",
        "damper.bump_stop_gap",
        "logger.channels",
    } <= rows.keys()
    assert rows["mass.corner_loads"].fields == ("FL", "FR", "RL", "RR")
    # Measured with its error, and without the mark: off the list. Without an error: still on it.
    text = started.read_text(encoding="utf-8")
    line = next(line for line in text.splitlines() if line.startswith("cg_height"))
    for written, there in (('cg_height = "0.5 m ± 0.01 m"', False), ('cg_height = "0.5 m"', True)):
        measured = started.with_name("measured.toml")
        measured.write_text(text.replace(line, written), encoding="utf-8")
        found = {row.key: row for row in to_measure(read_car(measured))}
        assert ("mass.cg_height" in found) is there
        assert not there or not found["mass.cg_height"].placeholder


def test_the_list_begins_with_what_matters_most(started: Path) -> None:
    rows = to_measure(read_car(started))
    assert rows[0].key == "logger.channels"
    weighed = [row.matters for row in rows if row.gradient is not None]
    assert weighed == sorted(weighed, reverse=True)
    assert weighed[0] > 10 * weighed[-1]
    weights = sheet_weights(read_car(started))
    heaviest = max(
        (weight for key, weight in weights.items() if key.endswith(".bar.motion_ratio")),
        key=lambda w: w.change,
    )
    row = next(row for row in rows if row.key == "bar.motion_ratio")
    assert (row.gradient, row.change) == (heaviest.gradient, heaviest.change)


def test_marks_in_comments_alone_count_for_nothing() -> None:
    text = (
        "# TO MEASURE all\n[front.bar] # a bar\n#: wall = 3 # TO MEASURE\nholes = [\n  1, # TO MEASURE\n]\n"
        "tube . length = 2 # TO MEASURE\nkind = 4\n"
    )
    assert marked_keys(text) == ("front.bar.holes", "front.bar.tube.length")


@pytest.mark.parametrize("kind", ["bladed", "formed", "none"])
def test_a_started_car_has_one_page(started: Path, kind: str) -> None:
    text = started.read_text(encoding="utf-8")
    for axle in ("front", "rear"):
        head = f"[{axle}.bar]\n"
        before, after = text.split(head)
        kept = after[after.index("\n\n") if axle == "front" else after.index("[logger]") :]
        text = before + head + starter_bar(kind) + "\n" + kept.lstrip("\n")
    sheet = started.with_name(f"{kind}.toml")
    sheet.write_text(text, encoding="utf-8")
    rows = to_measure(read_car(sheet))
    assert {row.key for row in rows} <= WAYS.keys()
    assert any(row.key.startswith("bar.") for row in rows) is (kind != "none")
    (page,) = measuring_pages("car", rows)
    words = [text.get_text() for text in page.axes[0].texts]
    assert all(any(WAYS[row.key].name.split()[0] in word for word in words) for row in rows)
    assert any("never work under a jack alone" in word for word in words)


def test_the_command_writes_the_list_and_spares_a_log(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    log, folder = SAMPLE / "r01.csv.gz", tmp_path / "own"
    assert (
        _run(monkeypatch, "start", str(folder), "--from", str(log), "--list", str(tmp_path / "list.pdf")) == 0
    )
    assert (tmp_path / "list.pdf").read_bytes().startswith(b"%PDF-")
    first = (tmp_path / "list.pdf").read_bytes()
    assert _run(monkeypatch, "start", str(folder), "--list", str(tmp_path / "list.pdf")) == 0
    assert (tmp_path / "list.pdf").read_bytes() == first
    capsys.readouterr()
    for out, why in (
        (folder / "car.toml", "does not end in .pdf or .svg"),
        (tmp_path / "my.svg", "is there already"),
    ):
        if not out.exists():
            out.write_text("mine")
        kept = out.read_bytes()
        assert _run(monkeypatch, "start", str(folder), "--list", str(out)) == 2
        assert why in capsys.readouterr().err
        assert out.read_bytes() == kept
    assert _run(monkeypatch, "start", str(folder)) == 2
    assert "--from LOG" in capsys.readouterr().err


def test_a_car_with_every_error_stated_has_nothing_to_list(started: Path) -> None:
    car = read_car(started)
    assert to_measure(car) != ()

    def known(node):  # every quantity with an error of its own
        if hasattr(node, "std") and hasattr(node, "value"):
            return replace(node, std=0.01 * abs(node.value)) if node.std is None else node
        if hasattr(node, "model_copy"):
            return node.model_copy(
                update={name: known(getattr(node, name)) for name in type(node).model_fields}
            )
        if isinstance(node, (list, tuple)):
            return type(node)(known(entry) for entry in node)
        return node

    assert to_measure(known(car).marked(())) == ()


ON_NO_SKETCH = {"spring.rate", "mass.corner_loads", "mass.unsprung", "logger.imu.position", "logger.channels"}
"""Measured on a bench or on scales, not along the car."""


def test_every_dimension_of_a_started_car_is_on_a_sketch_and_the_page_is_one(started: Path) -> None:
    drawn = {size[0] for sketch in SKETCHES for size in sketch.sizes}
    rows = to_measure(read_car(started))
    assert {row.key for row in rows} - ON_NO_SKETCH <= drawn
    assert len(measuring_pages("car", rows)) == 1
    # A sketch reaches neither into its neighbour's ground nor below its own.
    for sketch in SKETCHES:
        assert all(0.0 <= x <= 45.0 and 0.0 <= y <= 26.0 for line in sketch.lines for x, y in line)
