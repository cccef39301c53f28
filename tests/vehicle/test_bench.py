"""What a bench test shows of its bar, how far it goes for variants, and what speaks against it."""

from __future__ import annotations

import math
from typing import Any

import pytest
from vehicle.bar_helpers import bladed, car

from analyzer.prediction.settings import bar_ladder
from analyzer.prediction.setup import predict_setup
from analyzer.sheets.bar import BenchTest
from analyzer.sheets.session import BarSetting, Setup
from analyzer.vehicle.bar.beam import solve
from analyzer.vehicle.bar.pieces import blade_state, bladed_model
from analyzer.vehicle.bar.rate import bench_remarks, bench_result, computed_bench_rate

LOADS = ["0 N", "100 N", "200 N", "300 N"]


def readings(*deflections: float, **more: Any) -> BenchTest:
    ways = [f"{value} mm" for value in deflections]
    return BenchTest.model_validate({"loads": LOADS[: len(ways)], "deflections": ways, **more})


def with_test(factor: float, use: bool = True, **bench: Any) -> dict[str, Any]:
    """Return changes of the sheet for a test that gives `factor` of the computed rate, to 1 %."""
    state = blade_state(bladed(), bench.get("hole", 1), bench.get("spacers", 0))
    held = factor * float(solve(bladed_model(bladed(), state, state)).rate) / 2.0
    return {"front": {"bar": {"bench": {"rate": f"{held} N/m ± 1 %", "use": use, **bench}}}}


def test_other_parts_keep_their_own_change_beside_a_test_that_is_used() -> None:
    """Every neighbour got the tested rate again, whatever it was made of: 0 % in place of +10, +32, +91."""
    plain, used = (bar_ladder(car(changes), "front") for changes in ({}, with_test(0.92)))
    assert plain is not None
    assert used is not None
    pairs = ((plain.what_if, used.what_if), (plain.comparison, used.comparison))
    for before, after in (both for old, new in pairs for both in zip(old, new, strict=True)):
        assert after.change == before.change
        assert after.ratio.value == pytest.approx(before.ratio.value, rel=1e-9, abs=1e-9)
        assert after.rate.value == pytest.approx(0.92 * before.rate.value, rel=1e-9)
    change = {item.change.partition(" (")[0]: item.ratio for item in used.comparison}
    assert change["solid, equal diameter"].value > 50.0


def test_factor_carried_over_has_an_error_that_grows_with_the_difference() -> None:
    """Extra error by the stated rule: hypot(f - 1, 3 %) times rate and shares of compliance moved."""
    sheet = car(with_test(0.92))
    at, bar = BarSetting(hole=1), bladed()
    test = solve(bladed_model(bar, *(blade_state(bar, 1, 0),) * 2))
    # Both sheets get the same factor; only the one whose test is used doubts it elsewhere.
    for hole, spacers in ((1, 0), (1, 4), (2, 0), (3, 0), (3, 4)):
        other = solve(bladed_model(bar, *(blade_state(bar, hole, spacers),) * 2))
        moved = [float(other.rate / test.rate) - 1.0]
        for part in other.compliance:
            moved.append(float(other.compliance[part] * other.rate - test.compliance[part] * test.rate))
        extra = math.hypot(0.08, 0.03) * math.hypot(*moved)
        setup = Setup(front_bar=BarSetting(hole=hole, spacers=spacers))
        rate = predict_setup(sheet, "x", setup).bars["front"].rate
        least = math.hypot(0.01, extra)
        assert rate.std_error / rate.value >= least * 0.999
        assert rate.std_error / rate.value == pytest.approx(least, rel=0.12)
    first = predict_setup(sheet, "x", Setup(front_bar=at)).bars["front"].rate
    assert first.std_error / first.value == pytest.approx(0.01, rel=1e-6)


def test_a_test_that_is_used_is_told_among_what_is_taken() -> None:
    for changes, words in (
        (with_test(0.92, hole=2), "0.920 at hole 2, 0 spacers, carried over"),
        (with_test(0.92, use=False), None),
    ):
        found = predict_setup(car(changes), "x", Setup(front_bar=BarSetting()))
        told = [line for line in found.assumed if "bench:" in line]
        assert [words in line for line in told] == ([] if words is None else [True])


def test_readings_on_a_line_are_known_to_their_resolution() -> None:
    """An even spread over a step of 0.1 mm is 0.0289 mm; on a line over 0 to 300 N: 0.0289 / 223.6 per N."""
    found = bench_result(readings(0.0, 1.8, 3.6, 5.4))
    assert found.residual == pytest.approx(1e-4 / math.sqrt(12.0))
    slope_error = 1e-4 / math.sqrt(12.0) / math.sqrt(50000.0)
    assert found.held_rate_std == pytest.approx(slope_error / (1.8e-5) ** 2, rel=1e-9)
    low, high = found.rate.interval
    assert high - low == pytest.approx(2.0 * 1.96 * 2.0 * found.held_rate_std, rel=1e-3)
    fine = bench_result(readings(0.0, 1.8, 3.6, 5.4, resolution="0.01 mm"))
    assert fine.held_rate_std == pytest.approx(found.held_rate_std / 10.0, rel=1e-9)
    stated = BenchTest.model_validate(
        {"loads": LOADS, "deflections": [f"{way} mm ± 0.2 mm" for way in (0.0, 1.8, 3.6, 5.4)]}
    )
    assert bench_result(stated).residual == pytest.approx(2e-4)
    silent = {"loads": LOADS, "deflections": ["0 mm", "1.8 mm", "3.6 mm", "5.4 mm"]}
    taken = predict_setup(car({"front": {"bar": {"bench": silent}}}), "x", Setup(front_bar=BarSetting()))
    assert any("bench.resolution: not stated" in line and "0.1 mm" in line for line in taken.assumed)


def remarks(bench: BenchTest, ratio: float = 1.0, error: float = 0.04) -> dict[str, Any]:
    bar = bladed().model_copy(update={"bench": bench})
    return {remark.kind: remark for remark in bench_remarks(bar, ratio, error)}


def test_a_strange_ratio_names_the_likely_mistake() -> None:
    at_first = readings(0.0, 1.8, 3.6, 5.4)
    assert remarks(at_first, 1.08) == {}
    assert remarks(at_first, 0.6, 0.2) == {}
    assert list(remarks(at_first, 1.7)) == ["strange ratio", "twice"]
    assert list(remarks(at_first, 0.6)) == ["strange ratio", "half"]
    bar = bladed().model_copy(update={"bench": at_first})
    state = blade_state(bar, 3, 1)
    ratio = float(solve(bladed_model(bar, state, state)).rate / computed_bench_rate(bar))
    found = remarks(at_first, ratio)
    assert list(found) == ["strange ratio", "other setting"]
    assert found["other setting"].settings[0] == (3, 1)


def test_readings_that_do_not_belong_together_are_named() -> None:
    assert remarks(readings(0.0, 1.8, 3.7, 5.4)) == {}
    slack = remarks(readings(0.0, 2.6, 4.4, 6.2))["slack"]
    assert slack.value == pytest.approx(0.8e-3)
    assert slack.readings == (1,)
    scatter = remarks(readings(0.0, 4.0, 1.0, 5.4))
    assert scatter["scatter"].value > 0.3
    assert scatter["out of step"].readings == (2, 3)
    twice = BenchTest.model_validate(
        {"loads": ["0 N", "100 N", "100 N", "200 N"], "deflections": ["0 mm", "1.8 mm", "1.8 mm", "3.6 mm"]}
    )
    assert remarks(twice)["repeated"].readings == (2, 3)
