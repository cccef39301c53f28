"""Many faults at once, drawn at random: never a traceback, never sure of what is wrong, intervals hold."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from engine.random_bed import AXLES, Drive, Logged, drive, elsewhere, faults_of, logged_run, moving_line

from analyzer.core.estimate import Estimate
from analyzer.ingest.recording import Verdict

SESSIONS = 64
DRIVES = 12
SURE, LIE = 0.01, 0.05
"""An interval so narrow, relative, must not be so far off."""


def _named(run: Logged) -> str:
    return f"session {run.faults.seed}, {run.drive.name} on {run.drive.bank:g} deg"


@dataclass(frozen=True)
class Gradient:
    """A gradient in body axes beside the engine's."""

    logged: Logged
    axle: str
    found: Estimate
    true: float

    @property
    def error(self) -> float:
        """Found over true, less 1."""
        assert self.found.value is not None
        return self.found.value / self.true - 1.0

    @property
    def half(self) -> float | None:
        """Half width of the run's own interval, relative; None without one."""
        ends = self.found.interval
        return None if ends is None else (ends[1] - ends[0]) / 2.0 / self.true

    @property
    def held(self) -> bool:
        """Whether interval and calibration together, 95 %, hold the truth."""
        assert self.half is not None
        return abs(self.error) <= np.hypot(self.half, 1.96 * (self.found.calibration or 0.0) / self.true)

    def __str__(self) -> str:
        return f"{_named(self.logged)}, {self.axle}: {self.error:+.3f}"


def _sessions(folder: Path, seeds: range, drives: list[Drive]) -> list[list[Logged]]:
    """Return sessions of two runs of one car each."""
    sessions = []
    for seed in seeds:
        first, other = (drives[(seed + k * len(drives) // 2) % len(drives)] for k in (0, 1))
        pair = (first, other if other.car == first.car else first)
        sessions.append([logged_run(folder, one, faults_of(seed), k) for k, one in enumerate(pair)])
    return sessions


def _gradients(sessions: list[list[Logged]]) -> Iterator[Gradient]:
    """Yield the gradients that were found of logs whose units and clock are what they say."""
    for run in (run for session in sessions for run in session):
        if run.found is None or run.faults.gross:
            continue
        for axle in AXLES:
            found = run.found.roll_gradient_body.get(axle)
            if found is not None and found.value is not None:
                yield Gradient(run, axle, found, run.drive.true[axle])


def _alarms(sessions: list[list[Logged]], look: bool) -> tuple[list[str], int]:
    """Return the runs with a false alarm of a second look or of part against part, and the number of runs."""
    runs = [run for session in sessions for run in session if run.found is not None and not run.faults.gross]
    told = []
    for run in runs:
        assert run.found is not None
        bad = [
            row for row in run.found.checks
            if "second look" in row.check and row.verdict in (Verdict.SUSPECT, Verdict.BAD)
        ]  # fmt: skip
        if bad if look else [d for d in run.found.differences if d.beyond_error]:
            told.append(_named(run))
    return told, len(runs)


def _unsaid(sessions: list[list[Logged]]) -> list[str]:
    """Return the logs with a lying unit or clock that are called good; "cannot tell" is an answer too."""
    missed = []
    for run in (run for session in sessions for run in session if run.faults.gross):
        if run.recording is None:
            continue
        health = run.recording.health
        rows = {row.check: row.verdict for row in health}
        if run.faults.clock != 1.0 and rows.get("clock rate", Verdict.GOOD) is Verdict.GOOD:
            missed.append(f"{_named(run)}: clock")
        bad = {row.channel for row in health if row.verdict is Verdict.BAD}
        pots = (
            {f"damper_{run.faults.inches[0].upper()}{side}" for side in "LR"} if run.faults.inches else set()
        )
        missed += [f"{_named(run)}: {pot}" for pot in sorted(pots - bad)]
    return missed


def _never_sure_of_what_is_wrong(sessions: list[list[Logged]]) -> None:
    for run in (run for session in sessions for run in session):
        # A refusal is one plain line; what is not known has a reason.
        assert (run.found is None) == bool(run.refused)
        assert "\n" not in run.refused
        if run.found is not None:
            for found in run.found.roll_gradient_body.values():
                assert found.value is not None or found.notes
    lies = [one for one in _gradients(sessions) if abs(one.error) > LIE and (one.half or 1.0) < SURE]
    assert not [str(one) for one in lies]


@pytest.mark.parametrize(("seed", "number"), [pytest.param(10, 1, marks=pytest.mark.slow), (7, 1)])
def test_faults_that_come_together_make_no_traceback_and_no_lie(
    tmp_path: Path, seed: int, number: int
) -> None:
    driven = drive(number)
    assert driven is not None
    sessions = _sessions(tmp_path, range(seed, seed + 1), [driven])
    _never_sure_of_what_is_wrong(sessions)
    assert not _unsaid(sessions)


def test_a_car_that_stands_longer_before_an_oval_has_the_same_gradient() -> None:
    force = np.linspace(0.0, 9.0, 50)
    roll = 0.004 * force + 2e-6 * force**3
    rest = np.zeros(30)
    long = moving_line(np.append(rest, force), np.append(rest, roll), np.append(rest, np.full(50, 15.0)))
    assert long == pytest.approx(moving_line(force, roll, np.full(50, 15.0)), rel=1e-9)
    with_rest = float(np.polyfit(np.append(rest, force), np.append(rest, roll), 1)[0])
    assert with_rest != pytest.approx(long, rel=0.002)


@pytest.fixture(scope="module")
def sessions(tmp_path_factory: pytest.TempPathFactory) -> list[list[Logged]]:
    drives = [driven for number in range(DRIVES) if (driven := drive(number)) is not None]
    return _sessions(tmp_path_factory.mktemp("random"), range(SESSIONS), drives)


@pytest.mark.slow
def test_no_session_drawn_at_random_makes_a_traceback_or_a_lie(sessions: list[list[Logged]]) -> None:
    _never_sure_of_what_is_wrong(sessions)


@pytest.mark.slow
def test_a_unit_or_a_clock_that_lies_is_told(sessions: list[list[Logged]]) -> None:
    assert not _unsaid(sessions)


def _part_held(counted: list[Gradient]) -> float:
    return float(np.mean([one.held for one in counted]))


@pytest.mark.slow
def test_intervals_hold_what_they_say_unless_the_accelerometer_shakes_or_lags(
    sessions: list[list[Logged]],
) -> None:
    """122 of 128 held: leaning boxes, held samples, slow pots, no zero, lost and doubled rows, any course."""
    counted = [
        one
        for one in _gradients(sessions)
        if one.half is not None and not one.logged.faults.shake and not one.logged.faults.late
    ]
    assert len(counted) >= 100
    assert 0.92 <= _part_held(counted) <= 0.98, [str(one) for one in counted if not one.held]


@pytest.mark.slow
def test_intervals_hold_what_they_say_over_all_random_sessions(sessions: list[list[Logged]]) -> None:
    """215 of 228 held: 60 of 64 with an accelerometer that shakes, 33 of 36 with one that is late."""
    counted = [one for one in _gradients(sessions) if one.half is not None]
    assert len(counted) >= 200
    assert 0.92 <= _part_held(counted) <= 0.98


@pytest.mark.slow
def test_second_looks_raise_few_false_alarms(sessions: list[list[Logged]]) -> None:
    told, runs = _alarms(sessions, look=True)
    assert len(told) <= runs / 50, told


@pytest.mark.slow
def test_parts_of_one_car_raise_few_false_alarms(sessions: list[list[Logged]]) -> None:
    told, runs = _alarms(sessions, look=False)
    assert len(told) <= 0.05 * runs, told


@pytest.fixture(scope="module")
def ruled(tmp_path_factory: pytest.TempPathFactory) -> list[list[Logged]]:
    drives = [driven for number in range(DRIVES) if (driven := drive(number, ruled=True)) is not None]
    return _sessions(tmp_path_factory.mktemp("ruled"), range(SESSIONS // 2), drives)


@pytest.mark.slow
def test_intervals_hold_what_they_say_where_banks_twist_the_ground(ruled: list[list[Logged]]) -> None:
    """97 of 104 held; 89 before the interval held what side-slip leaves open of the ground's twist."""
    counted = [one for one in _gradients(ruled) if one.half is not None]
    assert len(counted) >= 100
    assert _part_held(counted) >= 0.92
    _never_sure_of_what_is_wrong(ruled)
    assert len(_alarms(ruled, look=False)[0]) <= 1


PLACES = 3
"""Boxes elsewhere that are drawn for every drive."""


@pytest.mark.slow
def test_a_box_elsewhere_than_the_sheet_says_is_found_and_moves_no_gradient(tmp_path: Path) -> None:
    """On 64 others 0.7 % off, 98 % held; before 1.3 % and 73 %, with free play in every fourth run."""
    drives = [driven for number in range(DRIVES) if (driven := drive(number, ruled=True)) is not None]
    runs = [
        logged_run(tmp_path, driven, elsewhere(PLACES * number + k), 0)
        for number, driven in enumerate(drives)
        for k in range(PLACES)
    ]
    counted = [one for one in _gradients([runs]) if one.half is not None]
    assert len(counted) >= 60
    alone = [one for one in counted if abs(one.error) > (one.half or 0.0)]
    assert len(alone) <= 0.08 * len(counted), [str(one) for one in alone]
    assert float(np.sqrt(np.mean([one.error**2 for one in counted]))) < 0.009
    told = 0
    for run in runs:
        assert run.found is not None
        for name, off in zip(("imu_ahead_of_sheet", "imu_left_of_sheet"), run.faults.off_place, strict=False):
            shown = run.found.further[name]
            if shown.value is not None:
                told += 1
                assert abs(shown.value + off) < 0.06
        if abs(run.faults.off_place[1]) > 0.15:
            assert [note for note in run.found.notes if note.startswith("accelerometer seems")]
    assert told >= 60
    loose = [_named(run) for run in runs if run.found and "free play" in {r.check for r in run.found.checks}]
    assert len(loose) <= len(runs) / 12, loose
