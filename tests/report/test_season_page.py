"""The page, figure and tables of a season: complete, harmless, the same for the same season."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from report.browser import Browser
from report.hostile import HOSTILE

from analyzer.archive.results import Archive, BottomingRate, CarSeason, SessionPoint, Trend, UnknownFigure
from analyzer.archive.season_pass import poisson_rate, season_change, verdict
from analyzer.core.estimate import Estimate
from analyzer.core.files import SEASON_FORMAT
from analyzer.report.season_page import season_dict, unknown_table, write_season
from analyzer.report.season_sentences import advice, car_answer, change_words

UNITS = {"roll_stiffness_total": "N m/deg", "roll_gradient_front_over_rear": "1", "free_play_front": "mm"}


def trend(quantity: str, setting: str, values: list[float]) -> Trend:
    points = tuple(
        SessionPoint(
            f"s{i}",
            f"2031-03-{i + 1:02d}",
            float(i),
            Estimate(v, UNITS[quantity], std_error=0.001 * v, interval=(0.998 * v, 1.002 * v), n=3),
        )
        for i, v in enumerate(values)
    )
    change, visible = season_change(points, quantity != "free_play_front")
    return Trend(quantity, setting, points, change, visible, verdict(change))


def car(
    name: str = "Teal coupe", setting: str = "front hole 1, no spacer", course: str = "Kettle Yard"
) -> CarSeason:
    rates = tuple(
        BottomingRate(course, f"s{i}", f"2031-03-{i + 1:02d}", float(i), 3, n, n // 4, poisson_rate(n, 3))
        for i, n in enumerate((0, 2, 5, 9, 14))
    )
    return CarSeason(
        car=name,
        sessions=tuple((f"s{i}", f"2031-03-{i + 1:02d}") for i in range(5)),
        ordered_by="date",
        runs=15,
        left_out=1,
        trends=(
            trend("roll_stiffness_total", setting, [3000.0, 2970.0, 2941.0, 2909.0, 2880.0]),
            trend("roll_gradient_front_over_rear", setting, [0.90, 0.905, 0.911, 0.915, 0.92]),
            trend("free_play_front", "", [0.50, 0.55, 0.61, 0.65, 0.70]),
        ),
        bottoming=rates,
    )


def archive(folder: Path, *cars: CarSeason) -> Archive:
    left_out = (
        ("s1", "r02", "r02.csv: holds a header and no rows; check the copy"),
        ("s9", "", "session.toml: is not TOML"),
    )
    return Archive(folder, cars or (car(),), 6, 16, 2, left_out)


@pytest.fixture
def written(tmp_path: Path) -> Path:
    return write_season(archive(tmp_path))


def test_page_holds_answer_figures_tables_and_reasons(written: Path):
    page = written.read_text(encoding="utf-8")
    assert page.count("<svg") == 3
    for word in (
        "Teal coupe",
        "fell by 4.0",
        "at the front",
        "rod ends",
        "Kettle Yard",
        "holds a header",
        "is not TOML",
    ):
        assert word in page
    assert page.index("fell by") < page.index("<svg")
    assert "no proof that a part is sound" in page
    assert not re.search(r"(?:src|href)=[\"'](?!#|data:)", page)
    assert "{{" not in page


def test_results_are_the_dictionary_and_tables_hold_its_figures(written: Path, tmp_path: Path):
    results = json.loads((written.parent / "results.json").read_text())
    assert results == season_dict(archive(tmp_path))
    assert results["format"] == SEASON_FORMAT
    change = results["cars"][0]["trends"][0]["change"]
    assert change["value"] == pytest.approx(2880.0 / 3000.0 - 1.0, abs=2e-3)
    with (written.parent / "tables" / "trends.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert [row["verdict"] for row in rows] == ["falling", "rising", "rising"]
    assert float(rows[0]["change"]) == change["value"]
    with (written.parent / "tables" / "bottoming.csv").open() as file:
        assert [int(row["events"]) for row in csv.DictReader(file)] == [0, 2, 5, 9, 14]
    with (written.parent / "tables" / "left_out.csv").open() as file:
        assert [row["session"] for row in csv.DictReader(file)] == ["s1", "s9"]


def test_same_season_is_the_same_bytes_and_is_not_drawn_twice(written: Path, tmp_path: Path):
    stamp = written.stat().st_mtime_ns
    assert write_season(archive(tmp_path)) == written
    assert written.stat().st_mtime_ns == stamp
    other = tmp_path / "other"
    other.mkdir()
    again = write_season(archive(other))
    assert again.read_bytes() == written.read_bytes()
    assert (other / "season.svg").read_bytes() == (tmp_path / "season.svg").read_bytes()
    write_season(archive(tmp_path, car("Ochre saloon")))
    assert "Ochre saloon" in written.read_text(encoding="utf-8")


def test_end_that_gave_way_is_named_only_when_it_shows():
    worn = car()
    total, split, play = worn.trends
    assert "at the front" in advice(worn)[0] or "at the front" in advice(worn)[1]
    other = replace(worn, trends=(total, replace(split, verdict="falling"), play))
    assert any("at the rear" in line for line in advice(other))
    unknown = replace(worn, trends=(total, replace(split, verdict="no change seen"), play))
    assert any("cannot be told" in line for line in advice(unknown))


def test_change_is_told_without_sign_from_the_smaller_end():
    falling = Estimate(-0.04, "1", std_error=0.005, interval=(-0.05, -0.03))
    assert change_words(falling) == "4.0 % (3.0 to 5.0)"
    assert change_words(Estimate(0.04, "1", std_error=0.005, interval=(0.03, 0.05))) == "4.0 % (3.0 to 5.0)"


def test_car_without_a_usable_run_or_with_too_few_sessions_says_so(tmp_path: Path):
    empty = CarSeason("Teal coupe", (("s0", "s0"),), "folder name", 0, 3, (), ())
    assert "None of the runs" in car_answer(empty)
    short = replace(car(), trends=(trend("roll_stiffness_total", "x", [1.0, 2.0]),))
    assert "too few sessions" in car_answer(short)
    page = write_season(archive(tmp_path, empty, short)).read_text(encoding="utf-8")
    assert "None of the runs" in page


def lacking(session: str, run: str, *quantities: str, reason: str = "no usable damper_RL in the log"):
    return tuple(UnknownFigure(q, session, f"2031-03-0{session[1]}", run, reason) for q in quantities)


def test_what_runs_lack_is_told_once_with_its_reason(tmp_path: Path):
    rear = ("roll_gradient_rear", "left_share_rear")
    zero = lacking("s3", "r02", "left_share_front", reason="zero of the front pots is not known")
    unknown = (
        *lacking("s1", "r01", *rear),
        *lacking("s1", "r02", *rear),
        *lacking("s3", "r01", *rear),
        *zero,
    )
    short = replace(car(), unknown=unknown)
    rows = [[cell.text for cell in row] for row in unknown_table(short).rows]
    assert rows == [
        [
            "Rear roll gradient and rear left share",
            "r01 and r02 of 2031-03-01 and r01 of 2031-03-03",
            "No usable damper_RL in the log.",
        ],
        ["Front left share", "r02 of 2031-03-03", "Zero of the front pots is not known."],
    ]
    page = write_season(archive(tmp_path, short))
    assert "Figures that runs lack" in page.read_text(encoding="utf-8")
    with (page.parent / "tables" / "unknown.csv").open() as file:
        found = list(csv.DictReader(file))
    assert len(found) == len(unknown)
    assert found[0]["reason"] == "no usable damper_RL in the log"
    # Where nothing is followed, more sessions would not help.
    nothing = car_answer(replace(short, trends=()))
    assert nothing.endswith("could be worked out in any run: no usable damper_RL in the log.")
    assert unknown_table(car()).rows == ()


@pytest.mark.parametrize("width", [320, 390, 1280])
def test_page_opens_quietly_and_does_not_scroll_sideways(browser: Browser, tmp_path: Path, width: int):
    names = [car(name, name, name) for name in HOSTILE.values()]
    page = write_season(archive(tmp_path, car(), *names))
    browser.open(page, width)
    browser.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert browser.messages() == []
    assert [a for a in browser.requests() if not a.startswith("data:")] == [page.resolve().as_uri()]
    assert browser.evaluate("document.documentElement.scrollWidth") <= width
    assert browser.evaluate("document.querySelectorAll('script, img[onerror]').length") == 0
