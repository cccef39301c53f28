"""Every bar setting in one model: stiffness, steps, which differ, other days, friction."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from comparison.comparison_helpers import BAR, car, hole, run, session_runs, setup
from scipy.stats import tukey_hsd

from analyzer.comparison.bar_settings import axle_settings
from analyzer.comparison.ledger import RunValue, fit_groups
from analyzer.comparison.results import AxleSettings
from analyzer.core.estimate import Estimate
from analyzer.core.mixed_effects import pair_probability, widest
from analyzer.prediction.setup import predict_setup
from analyzer.processing.results import RunEstimates
from analyzer.sheets.session import Setup

CAR = car({"rear": {"bar": BAR}})
SETUPS = {
    "A": setup(hole(3), hole(2)),
    "B": setup(hole(1), hole(2)),
    "C": setup(hole(2), hole(2)),
    "D": setup(hole(2), hole(1)),
    "E": setup("off", hole(1)),
}


def models(
    runs: list[RunEstimates], setups: dict[str, Setup] | None = None, session_of: dict[str, str] | None = None
) -> dict[str, AxleSettings]:
    used = setups or SETUPS
    predictions = {name: predict_setup(CAR, name, hardware) for name, hardware in used.items()}
    return {model.axle: model for model in axle_settings(CAR, used, runs, predictions, session_of)}


def value(estimate: Estimate | None) -> float:
    assert estimate is not None
    assert estimate.value is not None
    return estimate.value


def test_settings_of_a_car_that_is_as_its_sheet_says_come_back() -> None:
    found = models(session_runs(CAR, [(n, SETUPS[n]) for n in "ABCDEABCDE"], within=None))
    front, rear = found["front"], found["rear"]
    assert [s.setting for s in front.settings] == [
        "off",
        "hole 1, 0 spacers",
        "hole 2, 0 spacers",
        "hole 3, 0 spacers",
    ]
    assert front.settings[2].setups == ("C", "D")
    assert front.settings[2].runs == 4
    assert [s.runs for s in rear.settings] == [4, 6]
    for model in found.values():
        assert value(model.springs) == pytest.approx(value(model.springs_predicted), rel=1e-6)
        for item in model.settings:
            assert value(item.measured) == pytest.approx(value(item.predicted), rel=1e-6)
            assert value(item.ratio) == pytest.approx(1.0, rel=1e-6)
        for item in model.settings[1:]:
            assert value(item.step) == pytest.approx(value(item.predicted_step), rel=1e-6)
            assert value(item.unexplained) == pytest.approx(0.0, abs=1e-3)
    # Without its bar the axle is measured as it is: nothing of the bar's prediction is in it.
    assert value(front.settings[0].measured) == pytest.approx(value(front.springs), rel=1e-6)


def test_a_step_is_known_far_better_than_the_stiffness_itself() -> None:
    front = models(session_runs(CAR, [(n, SETUPS[n]) for n in "ABCABC"], 0.003))["front"]
    last = front.settings[-1]
    assert last.step is not None
    assert last.step.interval is not None
    assert last.measured.interval is not None
    assert np.ptp(last.step.interval) < 0.3 * np.ptp(last.measured.interval)
    assert last.step.interval[0] < value(last.predicted_step) < last.step.interval[1]


def test_a_setting_whose_bar_is_softer_than_its_sheet_stands_out() -> None:
    weak = car({"front": {"bar": {"motion_ratio": 0.50}}, "rear": {"bar": BAR}})
    runs = session_runs(CAR, [(n, SETUPS[n]) for n in "EEECCC"], 0.002)
    weaker = session_runs(weak, [("A", SETUPS["A"])] * 3, 0.002, 5)
    front = models([*runs, *(replace(r, name=f"n{r.name}") for r in weaker)])["front"]
    middle, last = front.settings[1:]
    assert middle.unexplained is not None
    assert last.unexplained is not None
    assert middle.unexplained.interval is not None
    assert last.unexplained.interval is not None
    assert middle.unexplained.interval[0] < 0.0 < middle.unexplained.interval[1]
    assert last.unexplained.interval[1] < 0.0


def test_pairs_agree_with_a_general_library() -> None:
    """Tukey's honestly significant difference of scipy on the same numbers."""
    draw = np.random.default_rng(4)
    groups = [m + 0.02 * draw.standard_normal(n) for m, n in ((0.0, 3), (0.03, 3), (0.05, 4), (0.05, 2))]
    values = [
        RunValue(f"{g}{k}", str(g), float(v), None, 10.0 * g + k)
        for g, group in enumerate(groups)
        for k, v in enumerate(group)
    ]
    fit = fit_groups(values)
    reference = tukey_hsd(*groups)
    limits = reference.confidence_interval(0.95)
    for i in range(4):
        for j in range(i + 1, 4):
            change = fit.change(str(i), str(j))
            assert pair_probability(change.t, 4, change.dof) == pytest.approx(
                reference.pvalue[i, j], abs=1e-6
            )
            half = widest(4, change.dof) * change.std_error
            assert change.value + half == pytest.approx(limits.high[j, i], abs=1e-6)


@pytest.mark.parametrize("settings", [3, 6])
def test_any_false_difference_among_all_pairs_is_said_in_one_session_of_twenty(settings: int) -> None:
    draw = np.random.default_rng(settings)
    dof, sessions = 2.0 * settings, 2000
    means = draw.standard_normal((sessions, settings)) / np.sqrt(3.0)
    spread = np.sqrt(draw.chisquare(dof, sessions) / dof * 2.0 / 3.0)
    t = np.ptp(means, axis=1) / spread
    # Three runs on each of `settings` alike settings: their widest pair, and plain intervals for contrast.
    assert np.mean(t > widest(settings, dof)) == pytest.approx(0.05, abs=0.015)
    assert np.mean(t > widest(2, dof)) > 0.10


def test_another_day_does_not_pass_for_another_setting() -> None:
    past = [
        replace(r, name=f"may: {r.name}", setup=f"may: {r.setup}")
        for r in session_runs(CAR, [("A", SETUPS["A"]), ("C", SETUPS["C"])] * 3, 0.002, 1)
    ]
    # On that day the whole car rolled 4 % more: softer tyres, another load.
    past = [
        run(r.name, r.setup, {a: 1.04 * (e.value or 0.0) for a, e in r.roll_gradient_body.items()})
        for r in past
    ]
    now = session_runs(CAR, [("A", SETUPS["A"]), ("B", SETUPS["B"])] * 3, 0.002, 2)
    setups = {**SETUPS, "may: A": SETUPS["A"], "may: C": SETUPS["C"]}
    days = {r.name: "may" for r in past}
    front = models([*past, *now], setups, days)["front"]
    assert front.sessions == ("may", "")
    settings = {s.setting: s for s in front.settings}
    assert settings["hole 3, 0 spacers"].runs == 6
    for item in front.settings:
        assert value(item.ratio) == pytest.approx(1.0, abs=0.01)
    blind = {s.setting: s for s in models([*past, *now], setups)["front"].settings}
    assert abs(value(blind["hole 2, 0 spacers"].ratio) - 1.0) > 0.03


def test_a_day_without_a_common_setting_is_left_out_and_said() -> None:
    past = [
        replace(r, name=f"may: {r.name}", setup=f"may: {r.setup}")
        for r in session_runs(CAR, [("C", SETUPS["C"])] * 2, 0.002, 1)
    ]
    now = session_runs(CAR, [("A", SETUPS["A"]), ("B", SETUPS["B"])] * 2, 0.002, 2)
    found = models([*past, *now], {**SETUPS, "may: C": SETUPS["C"]}, {r.name: "may" for r in past})
    assert len(found["front"].settings) == 2
    assert any("may: no setting in common" in note for note in found["front"].notes)
    # The rear bar stood in hole 2 on both days.
    assert found["rear"].settings[0].runs == 6


def test_friction_is_pooled_over_the_runs_or_its_absence_has_a_reason() -> None:
    runs = session_runs(CAR, [("A", SETUPS["A"]), ("B", SETUPS["B"])] * 2)
    rubbing = Estimate(40.0, "N", 4.0, (0.0, 80.0), calibration=15.0)
    told = [replace(r, further={"friction_front": rubbing}) for r in runs]
    found = models(told)
    assert found["front"].friction.value == pytest.approx(40.0)
    assert found["front"].friction.calibration == pytest.approx(15.0)
    assert found["rear"].friction.value is None
    assert "rear" in found["rear"].friction.notes[0]


def test_no_roll_no_model() -> None:
    mute = [run("r1", "A", {})]
    assert models(mute) == {}
