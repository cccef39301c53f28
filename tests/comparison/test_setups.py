"""Set-ups over their runs, and the ledger."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from comparison.comparison_helpers import (
    SOFT,
    STIFF,
    car,
    gradient,
    hole,
    results_of,
    run,
    session_runs,
    setup,
)

from analyzer.comparison.setups import run_stiffness_ratio
from analyzer.core.estimate import Estimate
from analyzer.prediction.setup import predict_setup
from analyzer.processing.results import LoadShare

CAR = car()
SETUPS = {"A": STIFF, "B": SOFT}
RUNS = session_runs(CAR, [("A", STIFF), ("B", SOFT)] * 3, scatter=0.003)


def value(estimate: Estimate) -> float:
    assert estimate.value is not None
    return estimate.value


def test_stiffness_of_a_car_that_is_as_its_sheet_says_comes_back() -> None:
    exact = session_runs(CAR, [("A", STIFF), ("B", SOFT)] * 3, within=None)
    for result in results_of(CAR, SETUPS, exact).values():
        for part in ("front", "rear", "total"):
            measured = value(result.measured[f"roll_stiffness_{part}"])
            assert measured == pytest.approx(value(result.predicted.roll_stiffness[part]), rel=1e-9)


def test_axle_stiffness_says_that_the_other_axle_is_from_the_sheet() -> None:
    in_order = session_runs(CAR, [("A", STIFF)] * 3 + [("B", SOFT)] * 3, scatter=0.003)
    result = results_of(CAR, SETUPS, in_order)["A"]
    assert "rear stiffness taken from the sheet" in result.measured["roll_stiffness_front"].notes
    assert "front stiffness taken from the sheet" in result.measured["roll_stiffness_rear"].notes
    assert result.measured["roll_stiffness_total"].notes == ()


@pytest.mark.parametrize("order", ["AAABBB", "AABBBA"])
def test_gradients_stay_as_driven_and_stiffness_has_clear_drift_taken_out(order: str) -> None:
    drifting = session_runs(CAR, [(name, SETUPS[name]) for name in order], within=None, drift=0.005)
    driven = {r.name: value(r.roll_gradient["rear"]) for r in drifting}
    results = results_of(CAR, SETUPS, drifting)
    for result in results.values():
        own = np.exp(np.mean(np.log([driven[name] for name in result.runs])))
        assert value(result.measured["roll_gradient_rear"]) == pytest.approx(own, rel=1e-9)
    # Over the session alike for all set-ups, so that what the line does cancels between the two.
    ratios = [
        value(result.measured["roll_stiffness_total"]) / value(result.predicted.roll_stiffness["total"])
        for result in results.values()
    ]
    assert ratios[0] == pytest.approx(ratios[1], rel=1e-9)
    assert all("taken out" in r.measured["roll_stiffness_total"].notes[-1] for r in results.values())


def test_every_figure_has_both_errors_and_an_interval_that_holds_them() -> None:
    result = results_of(CAR, SETUPS, RUNS)["B"]
    for part in ("front", "rear", "total"):
        found = result.measured[f"roll_stiffness_{part}"]
        assert found.std_error is not None
        assert found.calibration is not None
        assert found.interval is not None
        assert found.interval[1] - found.interval[0] > 3.8 * found.calibration
        assert found.n == 3


def test_ledger_agrees_and_counts_shared_errors_once() -> None:
    result = results_of(CAR, SETUPS, RUNS)["A"]
    rows = {row.quantity: row for row in result.ledger}
    front = rows["roll stiffness front"]
    assert front.agrees is True
    assert value(front.unexplained) == pytest.approx(
        value(front.measured) - value(front.predicted), rel=1e-12
    )
    assert value(front.ratio) == pytest.approx(value(front.measured) / value(front.predicted), rel=1e-12)
    body = rows["roll gradient front (body axes)"]
    assert body.ratio.calibration is not None
    assert body.predicted.std_error is not None
    # Motion ratio and track are in both; the ratio is better known than the prediction alone or as well.
    assert body.ratio.calibration <= 1.05 * body.predicted.std_error / value(body.predicted)


def test_a_heavier_car_is_unexplained() -> None:
    heavy = [run(r.name, r.setup, {k: value(v) * 1.3 for k, v in r.roll_gradient_body.items()}) for r in RUNS]
    row = next(r for r in results_of(CAR, SETUPS, heavy)["A"].ledger if r.quantity == "roll stiffness total")
    assert row.agrees is False
    assert value(row.ratio) == pytest.approx(1 / 1.3, rel=0.01)
    assert value(row.unexplained) < 0.0


def test_a_set_up_without_runs_keeps_its_prediction() -> None:
    result = results_of(CAR, {**SETUPS, "C": setup(hole(2))}, RUNS)["C"]
    assert result.runs == ()
    assert result.ledger == ()
    assert result.measured["roll_stiffness_front"].notes == ("no run on this set-up",)
    assert result.predicted.roll_stiffness["front"].value is not None


def test_a_run_without_roll_gives_its_own_reason() -> None:
    mute = replace(RUNS[0], roll_gradient_body={"front": Estimate.unknown("deg/g", "not enough cornering")})
    result = results_of(CAR, {"A": STIFF}, [mute])["A"]
    assert "not enough cornering" in result.measured["roll_stiffness_front"].notes[0]


def test_one_run_alone_has_the_stated_scatter_added() -> None:
    result = results_of(CAR, SETUPS, RUNS[:2])["A"]
    found = result.measured["roll_gradient_body_front"]
    assert found.std_error is not None
    assert found.std_error > 0.02 * value(found)
    assert any("too few runs" in note for note in found.notes)


def test_a_run_that_stands_apart_is_named_and_kept() -> None:
    odd = run("odd", "A", {k: 1.2 * value(v) for k, v in RUNS[0].roll_gradient_body.items()})
    result = results_of(CAR, SETUPS, [*RUNS, *session_runs(CAR, [("A", STIFF)] * 2, 0.003, seed=9), odd])["A"]
    assert "odd" in result.runs
    assert any("odd stands apart" in note for note in result.measured["roll_gradient_body_front"].notes)


def test_left_share_is_put_together_too() -> None:
    share = LoadShare(Estimate(0.52, "1", std_error=0.004), Estimate(900.0, "N"), Estimate(0.0, "1"))
    runs = [replace(r, load_share={"front": share}) for r in RUNS]
    result = results_of(CAR, SETUPS, runs)["A"]
    assert value(result.measured["left_share_front"]) == pytest.approx(0.52)
    # What a sheet may be off does not shrink with the number of runs.
    wide = replace(share, left_share=replace(share.left_share, calibration=0.02))
    more = results_of(CAR, SETUPS, [replace(r, load_share={"front": wide}) for r in RUNS])["A"]
    halves = [np.ptp(r.measured["left_share_front"].interval) / 2.0 for r in (result, more)]
    assert halves[1] == pytest.approx(np.hypot(halves[0], 1.96 * 0.02))
    assert result.measured["left_share_rear"].value is None


def test_run_ratio_of_a_car_as_predicted_is_one_with_the_errors_of_the_sheet() -> None:
    prediction = predict_setup(CAR, "A", STIFF)
    found = run_stiffness_ratio(CAR, prediction, RUNS[0])
    assert value(found) == pytest.approx(1.0, abs=0.02)
    assert found.calibration is not None
    ledger = next(
        r for r in results_of(CAR, SETUPS, RUNS)["A"].ledger if r.quantity == "roll stiffness total"
    )
    # The same errors by another way: bar rates with their own error instead of through the sheet.
    assert ledger.ratio.calibration is not None
    assert found.calibration == pytest.approx(ledger.ratio.calibration, rel=0.05)
    assert run_stiffness_ratio(CAR, prediction, replace(RUNS[0], roll_gradient_body={})).value is None


def test_stated_sensor_error_counts_and_stated_geometry_is_not_counted_twice() -> None:
    stated = car({"front": {"spring": {"motion_ratio": "0.94 ± 0.02"}}})
    prediction = predict_setup(stated, "A", STIFF)
    body = {"front": 1.27, "rear": 1.63}
    part = 0.02 / 0.94
    plain = replace(run("x", "A", body), roll_gradient_body={k: gradient(v) for k, v in body.items()})
    twice = replace(
        plain, roll_gradient_body={"front": gradient(1.27, calibration=1.27 * part), "rear": gradient(1.63)}
    )
    sensors = replace(
        plain, roll_gradient_body={"front": gradient(1.27, calibration=1.27 * 0.05), "rear": gradient(1.63)}
    )
    base, same, more = (
        run_stiffness_ratio(stated, prediction, r).calibration or 0.0 for r in (plain, twice, sensors)
    )
    assert same == pytest.approx(base, rel=1e-6)
    assert more > 1.05 * base


def test_axle_stiffness_says_when_the_other_end_was_changed_too() -> None:
    order = [(name, setup(hole(f), hole(r))) for name, f, r in (("A", 3, 2), ("B", 1, 2), ("C", 1, 1))]
    sheet = CAR.model_copy(update={"rear": CAR.front})
    found = results_of(sheet, dict(order), session_runs(sheet, order * 2))
    for name, others in (("A", "C"), ("B", "C"), ("C", "A, B")):
        notes = found[name].measured["roll_stiffness_front"].notes
        assert [n for n in notes if n.startswith(f"the rear bar stood otherwise on {others}:")]
    alone = results_of(sheet, dict(order[:2]), session_runs(sheet, order[:2] * 2))
    assert not [n for n in alone["A"].measured["roll_stiffness_front"].notes if "stood otherwise" in n]
