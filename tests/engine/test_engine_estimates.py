"""Estimates from logs of the engine's car against what the engine itself did.

The goals are those of docs/accuracy.md, where the measured figures stand. Truth of a gradient is the engine's
own quasi-static answer over the same forces; truth of a load is its contact force.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from engine.car import CORNERS, ENGINE_CAR, EngineCar
from engine.measure import SETTLED_S, share_errors
from engine.quasi_static import quasi_static
from engine.runs import EngineRun, Wanted, estimate, make_run, make_session, sheet_of, slow_gradient
from engine.sheets import FRONT_BARS

from analyzer.core.units import RAD_PER_MPS2_TO_DEG_PER_G
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import HealthRow, Verdict
from analyzer.processing.results import RunEstimates
from analyzer.report.cards import cards
from analyzer.session.review import review_session

Array = npt.NDArray[np.float64]
AXLES = ("front", "rear")

LOW_STOPS = ENGINE_CAR.with_both(stop_gap=0.030)
"""The car with its bump stops nearer, so that it meets them on the bank."""


@dataclass(frozen=True)
class Case:
    """A drive on two set-ups that differ by a fifth of the front bar's rate."""

    name: str
    road_class: str
    seed: int
    bank: float = 0.0

    def __str__(self) -> str:
        return f"{self.name}-{self.road_class}-{self.bank:g}deg-{self.seed}"


@dataclass(frozen=True)
class Estimated:
    run: EngineRun
    estimates: RunEstimates
    truth: dict[str, float]


CASES = [Case("course", "A", 1), Case("slalom", "B", 2), Case("bowl", "A", 1, bank=15.0)]
MORE = [
    Case(name, road_class, seed, bank)
    for name, bank in (("course", 0.0), ("slalom", 0.0), ("sweep", 0.0), ("bowl", 12.0))
    for road_class in ("A", "B")
    for seed in (11, 12)
]


def _estimated(folder: Path, case: Case, setup: str, car: EngineCar = ENGINE_CAR) -> Estimated:
    path = folder / f"{case}-{setup}.csv"
    run = make_run(path, setup, case.name, case.seed, case.road_class, case.bank, car=car)
    truth = slow_gradient(run) if case.bank else run.truth.body_gradient
    # A slalom hardly turns the car's heading, so it cannot tell how its box leans.
    return Estimated(run, estimate(run, sheet_of(car, level_box=case.name == "slalom")), truth)


@pytest.fixture(
    scope="module", params=[*CASES, *(pytest.param(c, marks=pytest.mark.slow) for c in MORE)], ids=str
)
def pair(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Estimated, Estimated]:
    folder, case = tmp_path_factory.mktemp("engine"), request.param
    # The second set-up is driven differently, over another stretch of road, with other noise.
    other = replace(case, seed=case.seed + 50)
    return _estimated(folder, case, "full"), _estimated(folder, other, "0.8")


def _value(estimated: Estimated, axle: str) -> float:
    value = estimated.estimates.roll_gradient_body[axle].value
    assert value is not None, estimated.estimates.roll_gradient_body[axle].notes
    return value


def test_gradient_is_the_engines_within_one_percent(pair: tuple[Estimated, Estimated]) -> None:
    for estimated in pair:
        for axle in AXLES:
            assert _value(estimated, axle) == pytest.approx(estimated.truth[axle], rel=0.01)


def test_ratio_of_two_setups_is_the_engines(pair: tuple[Estimated, Estimated]) -> None:
    before, after = pair
    for axle in AXLES:
        found = _value(after, axle) / _value(before, axle)
        assert found == pytest.approx(after.truth[axle] / before.truth[axle], rel=0.003)


def test_no_channel_is_called_bad(pair: tuple[Estimated, Estimated]) -> None:
    for estimated in pair:
        run = estimated.run
        recording = read_recording(run.path.stem, (run.path,), sheet_of(run.car), None, None)
        assert not [row for row in recording.health if row.verdict is Verdict.BAD]


def test_level_road_gradient_is_the_engines_within_one_percent(pair: tuple[Estimated, Estimated]) -> None:
    for estimated in pair:
        for axle in AXLES:
            found = estimated.estimates.roll_gradient[axle]
            true = estimated.run.truth.level_gradient[axle]
            if estimated.run.truth.bank.max() > 0.01:
                # A bank presses the car down. How the roll centre then moves is in no sheet, so half of the
                # 1.9 % by which the arm shortens here stays, inside the stated calibration.
                assert found.value is not None
                assert found.calibration is not None
                assert abs(found.value - true) < min(2.0 * found.calibration, 0.0125 * true)
            else:
                assert found.value == pytest.approx(true, rel=0.01)


def test_curve_over_force_is_the_engines(pair: tuple[Estimated, Estimated]) -> None:
    """Local slopes of the engine's own quasi-static curve; they fall by 5 % from 0.2 to 0.8 g."""
    for estimated in pair:
        if estimated.run.truth.bank.max() > 0.01:
            continue  # a bank has a curve of its own
        settled = quasi_static(ENGINE_CAR.with_front_bar(FRONT_BARS[estimated.run.setup]))
        for axle in AXLES:
            local = np.gradient(settled.roll[axle], settled.body_force) * RAD_PER_MPS2_TO_DEG_PER_G
            for level in (0.2, 0.5):
                found = estimated.estimates.further[f"gradient_{axle}_at_{level:g}_g"].value
                true = np.interp(level * 9.80665, settled.body_force, local)
                assert found == pytest.approx(true, rel=0.01)


def test_part_of_tyre_roll_is_told_and_the_engines(pair: tuple[Estimated, Estimated]) -> None:
    for estimated in pair:
        level = estimated.run.truth.level_gradient
        true = 100.0 * (1.0 - (level["front"] + level["rear"]) / 2.0 / level["total"])
        notes = estimated.estimates.roll_gradient["total"].notes
        (told,) = [float(note.split(" %")[0]) for note in notes if "is tyre roll" in note]
        assert told == pytest.approx(true, abs=1.5)


def test_left_share_is_the_engines(pair: tuple[Estimated, Estimated]) -> None:
    for estimated in pair:
        errors = share_errors(estimated.run.truth, estimated.estimates)
        for axle in AXLES:
            assert errors[axle].clear < 0.01


def test_loads_close(pair: tuple[Estimated, Estimated]) -> None:
    for estimated in pair:
        further = estimated.estimates.further
        for name in ("vertical_closure", "roll_moment_closure"):
            value = further[name].value
            assert value is not None
            assert abs(value) < 0.02
        for name in ("vertical_closure_scatter", "roll_moment_closure_scatter"):
            value = further[name].value
            assert value is not None
            assert value < 0.02
        assert [row.verdict for row in _closing(estimated.estimates)] == [Verdict.GOOD, Verdict.GOOD]


def _closing(estimates: RunEstimates) -> list[HealthRow]:
    return [row for row in estimates.checks if row.channel == "wheel loads"]


def test_lowest_load_evenness_and_light_time_are_the_engines(pair: tuple[Estimated, Estimated]) -> None:
    for estimated in pair:
        truth, car = estimated.run.truth, estimated.run.car
        # From 12 samples a second down: the estimates' own band.
        slow = {c: _slow(truth.loads[c].to_numpy(), 1.0 / float(np.diff(truth.time).mean())) for c in CORNERS}
        driving = (truth.time > 4.5) & (truth.time < truth.time[-1] - 0.5)
        for axle in AXLES:
            left, right = (slow[f"{axle[0].upper()}{side}"][driving] for side in "LR")
            found = estimated.estimates.load_share[axle]
            static = car.static_load(f"{axle[0].upper()}L")
            lower = np.minimum(left, right)
            assert found.lowest_load.value == pytest.approx(lower.min(), abs=0.03 * static)
            # Left and right may go about as low: the corner named must.
            named = left if found.lowest_corner == f"{axle[0].upper()}L" else right
            assert named.min() == pytest.approx(lower.min(), abs=0.03 * static)
            assert found.evenness.value == pytest.approx((2.0 * lower / (left + right)).mean(), abs=0.01)
            for light in found.light:
                true = float((lower < light.below * static).mean())
                assert light.share.value == pytest.approx(true, abs=0.01)


def _slow(values: Array, rate: float, band: float = 5.0) -> Array:
    half = round(0.4 * rate)
    offsets = np.arange(-half, half + 1) / rate
    taps = np.sinc(2.0 * band * offsets) * np.kaiser(offsets.size, 5.65)
    result: Array = np.convolve(np.pad(values, half, mode="edge"), taps / taps.sum(), mode="valid")
    return result


def _bank_error(estimated: Estimated) -> tuple[Array, Array, Array]:
    """Return time, error and truth of the bank [deg] over the cornering part."""
    truth = estimated.run.truth
    bank = estimated.estimates.motion.data["bank"]
    moving = (truth.time > SETTLED_S) & (truth.time < bank.index[-1] - 2.0)
    found = np.interp(truth.time, bank.index.to_numpy(), bank.to_numpy())
    true = np.degrees(truth.bank)
    return truth.time[moving], (np.degrees(found) - true)[moving], true[moving]


def test_steady_bank_is_the_roads(pair: tuple[Estimated, Estimated], request: pytest.FixtureRequest) -> None:
    if request.node.callspec.params["pair"].bank == 0.0:
        pytest.skip("no bank in this drive")
    for estimated in pair:
        time, error, true = _bank_error(estimated)
        steady = (np.abs(np.gradient(true, time)) < 0.2) & (true > 3.0)
        assert np.count_nonzero(steady) > 1000
        assert np.sqrt((error[steady] ** 2).mean()) < 0.3


def test_level_ground_shows_no_bank(
    pair: tuple[Estimated, Estimated], request: pytest.FixtureRequest
) -> None:
    case = request.node.callspec.params["pair"]
    if case.bank:
        pytest.skip("a drive on banks")
    for estimated in pair:
        _, error, _ = _bank_error(estimated)
        assert np.sqrt((error**2).mean()) < 4.0


@pytest.fixture(scope="module")
def bottomed(tmp_path_factory: pytest.TempPathFactory) -> Estimated:
    return _estimated(tmp_path_factory.mktemp("stops"), Case("bowl", "B", 2, bank=18.0), "full", LOW_STOPS)


def test_bottoming_events_are_found(bottomed: Estimated) -> None:
    contacts, events = bottomed.run.truth.contacts, bottomed.estimates.bottoming
    assert len(contacts) > 10
    for contact in contacts:
        near = [e for e in events if e.corner == contact.corner]
        near = [e for e in near if e.start_s - 0.03 < contact.end and e.end_s + 0.03 > contact.start]
        deep = contact.peak - 0.030
        # 0.3 mm is what the linearity of a pot leaves open; two standard deviations of its noise come on top.
        assert near or deep < 5e-4
        if deep > 1e-3:
            assert max(e.peak for e in near) == pytest.approx(contact.peak, abs=5e-4)
            assert all(
                e.bank is not None and np.degrees(e.bank) == pytest.approx(18.0, abs=5.0) for e in near
            )
    for event in events:
        true = [c for c in contacts if c.corner == event.corner]
        assert any(c.start - 0.03 < event.end_s and c.end + 0.03 > event.start_s for c in true)


def test_bottoming_does_not_bend_the_gradient(bottomed: Estimated) -> None:
    for axle in AXLES:
        assert _value(bottomed, axle) == pytest.approx(bottomed.truth[axle], rel=0.01)


def test_left_share_in_stop_hits(bottomed: Estimated) -> None:
    errors = share_errors(bottomed.run.truth, bottomed.estimates)
    for axle in AXLES:
        assert errors[axle].clear < 0.01
        assert errors[axle].in_stops is not None
        assert errors[axle].in_stops < 0.02


@pytest.mark.parametrize(
    "wrong",
    [
        {"cg_height": 0.57},
        {"front": {"wheel_rate": 60e3}, "rear": {"wheel_rate": 46e3}},
        {"front": {"damper_ratio": 0.80}, "rear": {"damper_ratio": 0.77}},
    ],
    ids=["CG height", "spring rates", "motion ratios"],
)
def test_a_wrong_sheet_shows_in_the_closure(bottomed: Estimated, wrong: dict[str, Any]) -> None:
    run = bottomed.run
    assert all(row.verdict is Verdict.GOOD for row in _closing(bottomed.estimates))
    changes = {
        key: replace(getattr(run.car, key), **value) if isinstance(value, dict) else value
        for key, value in wrong.items()
    }
    rows = _closing(estimate(run, sheet_of(replace(run.car, **changes))))
    assert any(row.verdict in (Verdict.SUSPECT, Verdict.BAD) for row in rows)


@pytest.mark.parametrize(
    "name",
    [
        "course",
        pytest.param("sweep", marks=pytest.mark.slow),
        pytest.param("slalom", marks=pytest.mark.slow),
    ],
)
def test_friction_does_not_bend_the_gradient_and_is_measured(name: str, tmp_path: Path) -> None:
    rubbing = ENGINE_CAR.with_both(friction=150.0)
    estimated = _estimated(tmp_path, Case(name, "A", 4), "full", rubbing)
    for axle in AXLES:
        assert _value(estimated, axle) == pytest.approx(estimated.truth[axle], rel=0.01)
        # Friction is no fault of the accelerometer: what is slow does not have to rule.
        assert not [n for n in estimated.estimates.roll_gradient_body[axle].notes if "rules the" in n]
        friction = estimated.estimates.further[f"friction_{axle}"]
        assert friction.value == pytest.approx(150.0, abs=30.0)
        assert friction.interval is not None
        assert friction.interval[0] <= 150.0 <= friction.interval[1]


@pytest.mark.parametrize(
    ("name", "axle", "play"),
    [
        ("course", "front", 0.003),
        *(
            pytest.param(name, axle, play, marks=pytest.mark.slow)
            for name in ("course", "slalom", "sweep")
            for axle, play in (("front", 0.001), ("rear", 0.003))
            if (name, axle) not in {("course", "front"), ("course", "rear"), ("slalom", "rear")}
        ),
        pytest.param(
            "course",
            "front",
            0.001,
            marks=[pytest.mark.slow, pytest.mark.xfail(strict=True, reason="reads 1.37 mm of 2 mm")],
        ),
        pytest.param("slalom", "front", 0.003, marks=pytest.mark.slow),
        pytest.param("sweep", "front", 0.003, marks=pytest.mark.slow),
    ],
)
def test_free_play_is_found_and_taken_out(name: str, axle: str, play: float, tmp_path: Path) -> None:
    """Truth is the engine's car without play; unseen, 3 mm bend its front gradient by 1.5 %."""
    estimated = _estimated(tmp_path, Case(name, "A", 4), "full", _loose(axle, play))
    width = estimated.estimates.further[f"free_play_{axle}"]
    assert width.value == pytest.approx(2e3 * play, rel=0.3)
    assert [n for n in estimated.estimates.notes if n.startswith(f"{axle} bar: free play of")]
    other = "rear" if axle == "front" else "front"
    assert not [n for n in estimated.estimates.notes if n.startswith(f"{other} bar: free play of")]
    for each in AXLES:
        assert _value(estimated, each) == pytest.approx(estimated.truth[each], rel=0.01)


@pytest.mark.slow
def test_play_of_the_softer_bar_is_told_within_its_interval_or_left_open(tmp_path: Path) -> None:
    """On a course the rear bar is told from the front one on half of eight roads and never taken for it.

    Its 6 mm read 3.7 to 8.9, all inside the interval. One more road was told, at 6.6 mm, with a logarithm of
    the likelihood ratio of 2.51, where 2.48 is asked for; it is 2.46 since the log shares out the stiffness.
    """
    told = 0
    for road in range(4, 8):
        estimated = _estimated(tmp_path, Case("course", "A", road), "full", _loose("rear", 0.003))
        width = estimated.estimates.further["free_play_rear"]
        notes = estimated.estimates.notes
        assert not [note for note in notes if note.startswith("front bar: free play of")]
        if width.value is None:
            assert [note for note in notes if note.startswith("front or rear bar, not told apart")]
        else:
            told += 1
            assert width.interval[0] < 6.0 < width.interval[1]
        for each in AXLES:
            assert _value(estimated, each) == pytest.approx(estimated.truth[each], rel=0.01)
    assert told >= 2


def _loose(axle: str, play: float) -> EngineCar:
    return replace(ENGINE_CAR, **{axle: replace(getattr(ENGINE_CAR, axle), free_play=play)})


def test_free_play_of_an_axle_that_is_not_told_says_so(tmp_path: Path) -> None:
    """The rear bar carries 7 % of the roll, and in a slalom both axles roll as one."""
    estimated = _estimated(tmp_path, Case("slalom", "A", 4), "full", _loose("rear", 0.003))
    found = estimated.estimates
    (row,) = (row for row in found.checks if row.check == "free play")
    assert row.channel == "front or rear bar"
    # The reason: how far the likelihoods are apart, and how far they must be.
    assert row.value is not None
    assert row.threshold is not None
    assert 0.0 < row.value < row.threshold
    step = found.further["roll_step"]
    assert step.value is not None
    assert step.std_error is not None
    for axle in AXLES:
        width, gradient = found.further[f"free_play_{axle}"], found.roll_gradient_body[axle]
        assert width.value is None
        assert "does not tell which" in width.notes[0]
        assert any("which one is not told" in note for note in gradient.notes)
        assert _value(estimated, axle) == pytest.approx(estimated.truth[axle], rel=0.01)
        assert gradient.interval is not None
        assert gradient.interval[0] <= estimated.truth[axle] <= gradient.interval[1]
    assert any(note.startswith("front or rear bar, not told apart: free play") for note in found.notes)


def test_review_of_a_session_finds_the_bar_change(tmp_path: Path) -> None:
    wanted = [
        Wanted(setup, name, seed)
        for setup in ("full", "0.8")
        for name, seed in (("course", 1), ("slalom", 2))
    ]
    session = make_session(tmp_path, wanted)
    review = review_session(session.path)
    assert not review.failed
    (comparison,) = review.comparisons
    front = ENGINE_CAR.front
    bar = front.bar_rate * front.bar_ratio**2
    true = (front.wheel_rate + FRONT_BARS["0.8"] * bar) / (front.wheel_rate + bar)
    assert comparison.predicted_ratio.value == pytest.approx(true, rel=1e-6)
    assert comparison.stiffness_ratio.value == pytest.approx(true, rel=0.003)
    interval = comparison.stiffness_ratio.interval
    assert interval is not None
    assert interval[0] < true < interval[1]


@pytest.mark.parametrize("rate", [10.0, 20.0, 25.0])
def test_slow_pots_still_tell_the_roll(rate: float, tmp_path: Path) -> None:
    run = make_run(tmp_path / "r.csv", "full", "course", 1, "A", rate=rate)
    estimates = estimate(run)
    for axle in AXLES:
        gradient = estimates.roll_gradient_body[axle].value
        assert gradient == pytest.approx(run.truth.body_gradient[axle], rel=0.005)


def test_at_ten_samples_a_second_hits_are_unknown_and_said(tmp_path: Path) -> None:
    wanted = [Wanted("full", "course", 1), Wanted("0.8", "course", 2)]
    review = review_session(make_session(tmp_path, wanted, rate=10.0).path)
    assert not review.failed
    for run in review.runs:
        assert [gap.value for gap in run.stops.values()] == [None, None]
        assert any("a hit falls between the samples" in note for note in run.notes)
    driver = cards(review)[2]
    assert not driver.known
    assert "too slowly" in driver.figure
