"""Trends: the truth of a car that wears, none in one that does not, and intervals that hold what they say."""

import datetime as dt
import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from archive.season_maker import Plan, write_season
from processing.linear_car import LinearCar
from scipy.stats import poisson

from analyzer.archive.results import SessionPoint
from analyzer.archive.season_pass import _car, archive_folder, poisson_rate, season_change, verdict
from analyzer.core.estimate import Estimate
from analyzer.report.season_page import trend_table
from analyzer.report.season_sentences import advice, car_answer, moved, notes

WEAR = 0.2


def true_change(end, wear):
    """Change of the stiffness a sheet of the unworn car sees, from the closed form of the linear car."""
    new = LinearCar()
    bar = [rate * (1.0 - wear if axle == end else 1.0) for axle, rate in enumerate(new.bar)]

    def seen(car):
        slopes, _, _ = car.static_slopes()
        return 1.0 / sum(new.stiffness(axle) * slopes[axle] for axle in (0, 1))

    return seen(replace(new, bar=tuple(bar))) / seen(new) - 1.0


@pytest.fixture(scope="module")
def worn(tmp_path_factory):
    from analyzer.archive import season_pass as run
    from analyzer.archive.tasks import estimate_task

    seasons = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(run, "run_locally", lambda tasks, _workers: map(estimate_task, tasks))
        for name, wear in (("worn", WEAR), ("sound", 0.0)):
            folder = tmp_path_factory.mktemp(name)
            write_season(folder, Plan(sessions=6, runs=3, wear=wear, gap="15 mm", seconds=40.0))
            (seasons[name],) = archive_folder(folder).cars
    return seasons


def trend(car, quantity):
    (found,) = [t for t in car.trends if t.quantity == quantity]
    return found


def test_worn_bar_is_found_with_its_size_and_its_end(worn):
    car = worn["worn"]
    total = trend(car, "roll_stiffness_total")
    assert total.verdict == "falling"
    assert total.change.value == pytest.approx(true_change(0, WEAR), rel=0.05)
    assert total.smallest_visible.value < 0.01
    assert trend(car, "roll_gradient_front_over_rear").verdict == "rising"
    assert "at the front" in advice(car)[0]
    assert "fell by" in car_answer(car)
    assert car.ordered_by == "date"
    assert [label for _, label in car.sessions][:2] == ["2031-03-01", "2031-03-08"]


def test_sound_car_shows_no_trend_and_says_what_would_have_shown(worn):
    car = worn["sound"]
    total = trend(car, "roll_stiffness_total")
    low, high = total.change.interval
    assert low < 0.0 < high
    assert total.verdict == "no change seen"
    assert moved(car.trends) == []
    assert "would have shown" in car_answer(car)


def test_bottoming_is_counted_per_course(worn):
    rates = worn["worn"].bottoming
    assert [rate.course for rate in rates] == ["Kettle Yard"] * 6
    assert all(rate.runs == 3 for rate in rates)
    assert sum(rate.events for rate in rates) > 0
    for rate in rates:
        low, high = rate.rate.interval
        assert low <= rate.events / 3 <= high


def test_without_dates_the_folder_names_order(tmp_path, inline):
    write_season(tmp_path, Plan(sessions=3, runs=1, dated=False))
    sheet = tmp_path / "teal" / "s001" / "session.toml"
    sheet.write_text('date = "2030-01-01"\n' + sheet.read_text())
    (car,) = archive_folder(tmp_path).cars
    assert car.ordered_by == "folder name"
    assert [folder for folder, _ in car.sessions] == ["teal/s000", "teal/s001", "teal/s002"]
    sheet.write_text(sheet.read_text().replace('date = "2030-01-01"\n', ""))
    for number, day in ((0, "2031-05-01"), (1, "2031-04-01"), (2, "2031-06-01")):
        sheet = tmp_path / "teal" / f"s00{number}" / "session.toml"
        sheet.write_text(f"date = {day}\n" + sheet.read_text())
    (car,) = archive_folder(tmp_path).cars
    assert car.ordered_by == "date"
    assert [folder for folder, _ in car.sessions] == ["teal/s001", "teal/s000", "teal/s002"]
    assert len(inline) == 3


def points(values, errors, places=None):
    return [
        SessionPoint(str(i), str(i), float(i if places is None else places[i]), Estimate(v, "1", std_error=e))
        for i, (v, e) in enumerate(zip(values, errors, strict=True))
    ]


@pytest.mark.parametrize("logarithmic", [True, False])
@pytest.mark.parametrize("count", [4, 8])
def test_interval_of_a_change_holds_the_truth(logarithmic, count):
    rng = np.random.default_rng(11)
    true = 0.05
    held = 0
    repeats = 1500
    for _ in range(repeats):
        along = np.arange(count) / (count - 1.0)
        level = 100.0 * (np.exp(math.log1p(true) * along) if logarithmic else 1.0 + true * (along - 0.5))
        errors = rng.uniform(0.1, 1.0, count)
        values = level * np.exp(0.02 * rng.standard_normal(count)) + errors * rng.standard_normal(count)
        change, _ = season_change(points(values, errors), logarithmic)
        low, high = change.interval
        held += low <= true <= high
    assert 0.93 <= held / repeats <= 0.97


def test_false_alarms_are_as_rare_as_stated():
    rng = np.random.default_rng(12)
    alarms = 0
    for _ in range(1500):
        values = 100.0 * np.exp(0.02 * rng.standard_normal(6))
        change, _ = season_change(points(values, np.full(6, 0.3)), True)
        alarms += verdict(change) != "no change seen"
    assert 0.03 <= alarms / 1500 <= 0.07


@pytest.mark.parametrize(
    ("values", "places", "word"),
    [([100.0], None, "1 session"), ([100.0, 90.0], None, "2 sessions"), ([1.0, 2.0, 3.0], [0, 0, 7], "days")],
)
def test_too_few_sessions_cannot_tell(values, places, word):
    change, visible = season_change(points(values, [0.1] * len(values), places), True)
    assert change.value is None
    assert visible.value is None
    assert word in change.notes[0]
    assert verdict(change) == "cannot tell"


def test_poisson_interval_against_the_distribution_itself():
    # Garwood's limits: the rate at which seeing this many or more (or fewer) has probability 2.5 %.
    for events in (0, 1, 3, 17, 120):
        estimate = poisson_rate(events, 4)
        low, high = (4.0 * end for end in estimate.interval)
        assert poisson.cdf(events, high) == pytest.approx(0.025, abs=1e-9)
        assert low == 0.0 if events == 0 else poisson.sf(events - 1, low) == pytest.approx(0.025, abs=1e-9)
        assert estimate.value == events / 4


@pytest.mark.slow
def test_free_play_and_friction_are_followed_when_they_exist(tmp_path, monkeypatch):
    from analyzer.archive import season_pass as run, tasks as estimating

    write_season(tmp_path, Plan(sessions=5, runs=2))
    original = estimating._figures

    def with_wear(found):
        # Stands for an estimate another room gives: it grows with the session, read off the time of the run.
        number = float(tmp_path.joinpath("now").read_text())
        grown = {"free_play_front": Estimate(1e-3 * (1.0 + 0.1 * number), "m", std_error=2e-5)}
        return original(found) | grown

    def work(tasks, _workers):
        for task in tasks:
            tmp_path.joinpath("now").write_text(task.session.rsplit("/", 2)[1][1:])
            yield estimating.estimate_task(task)

    monkeypatch.setattr(estimating, "_figures", with_wear)
    monkeypatch.setattr(run, "run_locally", work)
    (car,) = archive_folder(tmp_path).cars
    found = trend(car, "free_play_front")
    assert found.verdict == "rising"
    assert found.change.value == pytest.approx(0.4 / 1.2, rel=0.05)
    assert any("rod ends" in line for line in advice(car))
    table = pd.read_parquet(tmp_path / "archive" / "data" / "estimates")
    assert (table["quantity"] == "free_play_front").sum() == 10


@pytest.mark.parametrize("family", [1, 8])
def test_a_change_of_the_stated_smallest_size_is_seen_in_four_of_five_seasons(family):
    rng = np.random.default_rng(21)
    seen = sizes = 0.0
    known = season_change(
        points(100.0 * np.exp(0.02 * rng.standard_normal(8)), np.full(8, 0.1)), True, family
    )
    assert known[1].level == known[0].level == pytest.approx(1.0 - 0.05 / family)
    # The error of a single season is drawn, too: the size is that of the mean error of many.
    trials = 400
    errors = []
    for _ in range(trials):
        values = 100.0 * np.exp(0.02 * rng.standard_normal(8))
        change, visible = season_change(points(values, np.full(8, 0.1)), True, family)
        sizes += math.log1p(visible.value) / (change.std_error / (1.0 + change.value))
        errors.append(change.std_error / (1.0 + change.value))
    size = sizes / trials * math.sqrt(np.mean(np.square(errors)))
    for _ in range(trials):
        logs = size * np.arange(8) / 7.0 + 0.02 * rng.standard_normal(8)
        change, _ = season_change(points(100.0 * np.exp(logs), np.full(8, 0.1)), True, family)
        seen += verdict(change) == "rising"
    assert 0.75 <= seen / trials <= 0.85


def row(folder, day, value, left_out=None, marks=""):
    return {
        "car_name": "Teal coupe", "folder": folder, "date": day, "course": "", "place": 0, "run": "r01",
        "setting": "", "left_out": left_out, "bottomed": 0,
        "quantity": "friction_front", "value": value, "std_error": 1.0, "unit": "N",
        "provisional": marks,
    }  # fmt: skip


def test_a_session_without_a_date_takes_no_dates_away_and_an_unusable_one_is_none():
    days = [dt.date(2031, 3, day) for day in (1, 8, 15, 22)]
    rows = [row(f"s{i}", day, 40.0 + i) for i, day in enumerate(days)] + [row("a-loose-day", None, 90.0)]
    broken = row("s9", dt.date(2031, 4, 1), 0.0, "no roll")
    car = _car("Teal coupe", [*rows, broken], rows, [])
    assert car.ordered_by == "date"
    assert [folder for folder, _ in car.sessions] == ["s0", "s1", "s2", "s3", "a-loose-day"]
    assert [point.session for point in car.trends[0].points] == ["s0", "s1", "s2", "s3"]
    assert car.left_out == 1
    assert any("without a date" in line for line in notes(car))
    assert trend_table(car).rows[0][0].text.endswith(", N")


def test_trends_say_what_nobody_has_measured_of_what_they_rest_on():
    marks = ["front.damper.motion_ratio | mass.cg_height", "mass.cg_height", "", ""]
    days = [dt.date(2031, 3, day) for day in (1, 8, 15, 22)]
    rows = [row(f"s{i}", day, 40.0 + i, None, marks[i]) for i, day in enumerate(days)]
    car = _car("Teal coupe", rows, rows, [])
    (found,) = car.trends
    both = ("front.damper.motion_ratio", "mass.cg_height")
    rests = [point.estimate.provisional for point in found.points]
    assert rests == [both, both[1:], (), ()]
    assert found.change.provisional == both
    unmarked = [{**one, "provisional": ""} for one in rows]
    assert found.change.value == _car("Teal coupe", unmarked, unmarked, []).trends[0].change.value
    (line,) = trend_table(car).rows
    assert line[4].text.endswith(" *")
    assert any("front.damper.motion_ratio and mass.cg_height" in note for note in notes(car))
