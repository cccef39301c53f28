"""Confirm: the whole answer on a change, and its plain forms."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from typing import Any

import pytest
from comparison.comparison_helpers import SOFT, STIFF, car, hole, run, session_runs, setup
from rich.console import Console

from analyzer.comparison import confirm as confirm_module
from analyzer.comparison.confirm import PastSession, confirm, driving_order
from analyzer.comparison.known_differences import known_differences
from analyzer.comparison.results import ChangeVerdict, Confirmation, SetupResult
from analyzer.comparison.verdict import plan_order, plan_power, plan_runs
from analyzer.core.errors import AnalyzerError
from analyzer.core.estimate import Estimate
from analyzer.prediction.setup import predict_setup
from analyzer.processing.results import RunEstimates
from analyzer.report import notebook, reasons
from analyzer.report.plain_data import confirmation_json
from analyzer.report.sentences import yielding_bars
from analyzer.report.terminal import print_confirmation
from analyzer.sheets.session import SessionSheet, Setup

CAR = car()


def session(
    runs: list[RunEstimates], setups: dict[str, Setup] | None = None, **conditions: Any
) -> SessionSheet:
    table = {name: s.model_dump() for name, s in (setups or {"A": STIFF, "B": SOFT}).items()}
    return SessionSheet.model_validate(
        {
            "name": "test day",
            "car": "car.toml",
            "setups": table,
            "runs": [
                {"name": r.name, "logs": [f"{r.name}.csv"], "setup": r.setup, "conditions": conditions}
                for r in runs
            ],
        }
    )


def confirmed(order: str, scatter: float = 0.003, drift: float = 0.0, seed: int = 0) -> Confirmation:
    runs = session_runs(CAR, [(n, STIFF if n == "A" else SOFT) for n in order], scatter, seed, drift=drift)
    return confirm(CAR, session(runs), runs, "A", "B")


def printed(confirmation: Confirmation) -> str:
    out = io.StringIO()
    print_confirmation(confirmation, Console(file=out, width=80, color_system=None))
    return out.getvalue()


def test_everything_is_there_and_plain() -> None:
    found = confirmed("AAABBB")
    table = confirmation_json(found)
    text = json.dumps(table, allow_nan=False)
    assert json.loads(text)["verdict"] == "softened as predicted"
    assert set(table["stiffness"]) == {"A", "B"}
    assert set(table["stiffness"]["A"]) == {"front", "rear", "total"}
    assert table["order"] == "A-B"
    assert table["drift_per_run"] is None
    assert len(table["without_one_run"]) == 6
    names = {part["part"] for part in table["ledger"]}
    assert {
        "front springs",
        "front bar",
        "front tyre roll",
        "front load by roll centre",
        "front measured",
        "front unexplained",
    } <= names


def test_ledger_adds_up() -> None:
    parts = {part.name: part for part in confirmed("AAABBB").parts}

    def value(name: str, which: str) -> float:
        found = getattr(parts[name], which).value
        assert found is not None
        return float(found)

    for which in ("before", "after", "change"):
        whole = value("front springs and bar", which)
        assert value("front springs", which) + value("front bar", which) == pytest.approx(whole)
    assert value("front springs", "change") == 0.0
    for which in ("before", "after"):
        left = value("front measured", which) - value("front springs and bar", which)
        assert value("front unexplained", which) == pytest.approx(left, rel=1e-6)
    change = value("front measured", "change") - value("front bar", "change")
    assert value("front unexplained", "change") == pytest.approx(change, rel=1e-6)


@pytest.mark.parametrize("order", ["AABBA", "ABABAB", "AABBAABB"])
def test_drift_is_taken_out_and_shown(order: str) -> None:
    steady, drifting = confirmed(order), confirmed(order, drift=0.01)
    assert drifting.drift is not None
    assert drifting.drift.value == pytest.approx(-0.0148, abs=0.004)
    assert drifting.order.count("A") >= 2
    assert steady.comparison.stiffness_ratio.value is not None
    assert drifting.comparison.stiffness_ratio.value == pytest.approx(
        steady.comparison.stiffness_ratio.value, abs=0.004
    )
    assert "drift of" in printed(drifting)


def test_conditions_are_predicted_once_and_once_without_each_run(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []

    def counted(car: Any, runs: list[RunEstimates], *further: Any) -> Any:
        asked.append(len(runs))
        return known_differences(car, runs, *further)

    monkeypatch.setattr(confirm_module, "known_differences", counted)
    assert confirmed("AABB").left_out
    assert asked == [4, 3, 3, 3, 3]


def test_what_a_bar_does_not_touch_changes_by_nothing_and_not_by_rounding() -> None:
    """On rigid tyres the front bar leaves what the roll centres carry as it was."""
    rigid = car({axle: {"tyre_rate": None} for axle in ("front", "rear")})
    runs = session_runs(rigid, [("A", STIFF), ("B", SOFT)] * 3, 0.003)
    found = confirm(rigid, session(runs), runs, "A", "B")
    parts = {part.name: part.change for part in found.parts}
    for name in ("front load by roll centre", "rear load by roll centre", "rear load by unsprung mass"):
        assert (parts[name].value, parts[name].std_error) == (0.0, 0.0)
    assert "0.0000000" not in printed(found)


def test_a_b_a_of_single_runs_has_an_answer_with_an_honest_interval() -> None:
    found = confirmed("ABA")
    assert found.order == "A-B-A"
    ratio = found.comparison.stiffness_ratio
    assert ratio.interval is not None
    assert ratio.interval[1] - ratio.interval[0] > 0.1
    assert found.comparison.verdict is ChangeVerdict.CANNOT_TELL
    assert " runs: " in reasons.next_runs(found.plan, found.comparison)


def test_a_verdict_that_hangs_on_one_run_is_told() -> None:
    runs = session_runs(CAR, [("A", STIFF)] * 3 + [("B", STIFF)] * 2, 0.001)
    soft = {a: e.value * 1.3 for a, e in runs[0].roll_gradient_body.items() if e.value}
    odd = run("odd", "B", soft)
    found = confirm(CAR, session([*runs, odd]), [*runs, odd], "A", "B")
    without = {item.run: item.verdict for item in found.left_out}
    assert without["odd"] is ChangeVerdict.NO_CHANGE
    assert without["odd"] is not found.comparison.verdict
    assert "Without odd" in printed(found)


def test_more_than_two_set_ups_in_one_model() -> None:
    setups = {"A": STIFF, "B": SOFT, "C": setup(hole(2)), "D": setup(hole(2, 1))}
    order = [(name, setups[name]) for name in "ABCDABCD"]
    runs = session_runs(CAR, order, 0.008)
    found = confirm(CAR, session(runs, setups), runs, "A", "B")
    assert [item.setup for item in found.settings] == ["A", "B", "C", "D"]
    pairs = {(p.before, p.after): p for p in found.pairs}
    assert len(pairs) == 6
    assert pairs["A", "B"].different
    assert not pairs["C", "D"].different
    for item in found.settings:
        assert item.measured.value == pytest.approx(item.predicted.value, rel=0.03)
        assert item.updated.std_error is not None
    assert "not shown to differ" in printed(found)


def test_car_and_axle_ratio_are_both_given() -> None:
    found = confirmed("AAABBB", scatter=0.001)
    old, new = (predict_setup(CAR, "x", s).roll_stiffness["total"].value for s in (STIFF, SOFT))
    assert old is not None
    assert new is not None
    assert found.car_ratio.value == pytest.approx(new / old, abs=0.01)


def test_unknown_or_equal_names_are_one_line() -> None:
    runs = session_runs(CAR, [("A", STIFF), ("B", SOFT)])
    with pytest.raises(AnalyzerError, match="use one of A, B"):
        confirm(CAR, session(runs), runs, "A", "Z")
    with pytest.raises(AnalyzerError, match="name two set-ups"):
        confirm(CAR, session(runs), runs, "A", "A")


def test_a_set_up_without_runs_is_answered_not_crashed() -> None:
    runs = session_runs(CAR, [("A", STIFF)] * 3)
    found = confirm(CAR, session(runs), runs, "A", "B")
    assert found.comparison.verdict is ChangeVerdict.CANNOT_TELL
    json.dumps(confirmation_json(found), allow_nan=False)
    assert "no run on this set-up" in " ".join(printed(found).split())


def test_no_usable_run_at_all_is_answered_not_crashed() -> None:
    runs = session_runs(CAR, [("A", STIFF)] * 3)
    found = confirm(CAR, session(runs), [], "A", "B")
    assert found.shown == {}
    assert found.order == "not driven"
    printed(found)


def test_text_fits_eighty_columns_and_is_the_same_twice() -> None:
    text = printed(confirmed("AAABBB"))
    assert all(len(line) <= 80 for line in text.splitlines())
    assert text == printed(confirmed("AAABBB"))
    assert "softened the car as predicted" in text
    assert "Caution" in text


def test_order_in_words() -> None:
    runs = session_runs(CAR, [("A", STIFF), ("A", STIFF), ("B", SOFT), ("A", STIFF)])
    assert driving_order(runs, "A", "B") == "A-B-A"


def test_plan_grows_with_scatter_and_gives_up_honestly() -> None:
    few, many = plan_runs(-0.05, 0.01), plan_runs(-0.05, 0.03)
    assert few.runs is not None
    assert many.runs is not None
    assert few.runs < many.runs
    assert few.power >= 0.9
    hopeless = plan_runs(-0.005, 0.03)
    assert hopeless.runs is None
    assert "below what can be verified" in reasons.plan(hopeless)


def test_plan_power_of_an_even_order_is_that_without_drift_but_one_degree_less() -> None:
    from analyzer.core.mixed_effects import detection_power

    # Half A, all B, half A: both means sit in the middle, so drift costs no precision.
    assert plan_power(0.05, 0.02, 4) == pytest.approx(detection_power(0.05, 0.02 * 0.5**0.5, 5.0), abs=1e-9)
    assert plan_order(4, ("A", "B")) == "2 on A, 4 on B, then 2 on A again"


@pytest.mark.parametrize("front", [1e-6, 0.3, 6.0, 40.0])
@pytest.mark.parametrize("error", [None, 0.002, 0.5])
def test_wild_runs_are_answered_not_crashed(front: float, error: float | None) -> None:
    runs = session_runs(CAR, [("A", STIFF), ("B", SOFT)] * 2, 0.01)
    wild = run("wild", "B", {"front": front, "rear": 9.0}, error)
    found = confirm(CAR, session([*runs, wild]), [*runs, wild], "A", "B")
    json.dumps(confirmation_json(found), allow_nan=False)
    assert printed(found)


def test_bar_settings_and_earlier_days_are_printed_within_the_width() -> None:
    setups = {"A": STIFF, "B": SOFT, "C": setup(hole(2))}
    runs = session_runs(CAR, [(n, setups[n]) for n in "ABCABC"], 0.004)
    past = PastSession("may", setups, session_runs(CAR, [(n, setups[n]) for n in "AC"], 0.004, 3))
    found = confirm(CAR, session(runs, setups), runs, "A", "B", earlier=[past])
    text = printed(found)
    assert "Settings of the front bar, with the runs of may:" in text
    assert "above softest" in text
    assert all(len(line) <= 80 for line in text.splitlines())
    assert found.bars[0].settings[-1].runs == 3
    table = confirmation_json(found)
    assert table["bar_settings"][0]["sessions"] == ["may"]
    assert len(found.bars[0].pairs) == 3


def with_stress_factors(result: SetupResult, factor: float) -> SetupResult:
    bars = {
        axle: replace(bar, stress_factor=Estimate(factor, "1")) for axle, bar in result.predicted.bars.items()
    }
    return replace(result, predicted=replace(result.predicted, bars=bars))


def test_a_bar_that_yields_is_told_of_as_in_a_review() -> None:
    found = confirmed("AAABBB")
    sound = replace(
        found, before=with_stress_factors(found.before, 1.2), after=with_stress_factors(found.after, 1.2)
    )
    assert "would yield" not in printed(sound)
    weak = replace(sound, after=with_stress_factors(found.after, 0.84))
    (told,) = yielding_bars([weak.before, weak.after])
    assert "on B: 0.84" in told
    assert told in " ".join(printed(weak).split())
    notebook.show_in_notebooks()
    assert told in weak._repr_html_()  # type: ignore[attr-defined]
    factors = confirmation_json(weak)["stress_factor"]
    assert [factors[name]["front"]["value"] for name in "AB"] == [1.2, 0.84]
