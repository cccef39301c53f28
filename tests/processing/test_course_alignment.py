"""Runs laid over each other: with GPS, with distance, by shape; what is damaged is aligned or left out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analyzer.ingest.recording import Recording
from analyzer.processing.course import Alignment, CourseLine, course_line
from analyzer.processing.estimate_run import estimate_run
from analyzer.processing.results import RunEstimates
from analyzer.session.review import Session, load_session
from analyzer.session.run_store import record_run

SAMPLE = Path(__file__).parents[2] / "sample_logs"
GPS = ["latitude", "longitude"]
STRAIGHT_M = 25.0
"""By its shape alone a run cannot be placed better on a straight than where that starts and ends: less than
half of the shortest one of the sample course [m]."""


@pytest.fixture(scope="module")
def session() -> Session:
    return load_session(SAMPLE)


@pytest.fixture(scope="module")
def recordings(session: Session) -> list[Recording]:
    return [record_run(run, session.logs[run.name], session.car) for run in session.sheet.runs[:2]]


def _estimated(session: Session, recording: Recording) -> RunEstimates:
    return estimate_run(recording, session.car, "A", {"front": 0.0, "rear": 0.0})


def _line(session: Session, *recordings: Recording) -> CourseLine:
    line = course_line([_estimated(session, r) for r in recordings], recordings, session.course)
    assert line is not None
    return line


def _changed(recording: Recording, name: str = "changed", **columns: object) -> Recording:
    return replace(recording, run=name, data=recording.data.assign(**columns))


def _without(recording: Recording, names: list[str], name: str = "changed") -> Recording:
    return replace(
        recording,
        run=name,
        data=recording.data.drop(columns=names),
        suspect=recording.suspect.drop(columns=names),
    )


def _hole(recording: Recording, names: list[str], start: float, end: float) -> Recording:
    data, suspect = recording.data.copy(), recording.suspect.copy()
    inside = (data.index >= start) & (data.index < end)
    data.loc[inside, names] = np.nan
    suspect.loc[inside, names] = True
    return replace(recording, run="changed", data=data, suspect=suspect)


@pytest.fixture(scope="module")
def whole(session: Session, recordings: list[Recording]) -> Alignment:
    """The second run on the first, with all channels."""
    line = _line(session, *recordings)
    assert line.reference == "r01"
    return line.alignments["r02"]


def _agrees(found: Alignment, whole: Alignment, within: float, median: float = 4.0) -> None:
    times = np.linspace(max(found.time[0], 8.0), min(found.time[-1], 44.0), 200)
    apart = np.abs(np.interp(times, found.time, found.place) - np.interp(times, whole.time, whole.place))
    assert apart.max() < within
    assert np.median(apart) < median


def test_gps_lays_runs_of_one_course_over_each_other(whole: Alignment) -> None:
    assert whole.method == "GPS track"
    assert whole.agreement < 5.0
    assert whole.covered[1] > 700.0


def test_gps_places_are_the_same_places(
    session: Session, recordings: list[Recording], whole: Alignment
) -> None:

    line = _line(session, *recordings)
    reference = line.alignments["r01"]
    # At the same place both cars stand at nearly the same position, whatever the time.
    for place in (100.0, 250.0, 400.0, 600.0):
        times = [float(np.interp(place, a.place, a.time)) for a in (reference, whole)]
        spots = [
            np.array([r.data[c].iloc[r.data.index.searchsorted(t)] for c in GPS]) * 6371008.8
            for r, t in zip(recordings, times, strict=True)
        ]
        assert np.hypot(*(spots[0] - spots[1])) < 6.0


def test_without_gps_distance_and_turning_do_it(
    session: Session, recordings: list[Recording], whole: Alignment
) -> None:
    found = _line(session, recordings[0], _without(recordings[1], GPS)).alignments["changed"]
    assert found.method == "distance from speed"
    _agrees(found, whole, 10.0)


def test_speed_dropout_is_bridged_by_the_shape(
    session: Session, recordings: list[Recording], whole: Alignment
) -> None:
    blind = _hole(_without(recordings[1], GPS), ["speed"], 20.0, 24.0)
    found = _line(session, recordings[0], blind).alignments["changed"]
    assert found.method == "shape of the turning"
    _agrees(found, whole, STRAIGHT_M, 8.0)


def test_no_speed_at_all(session: Session, recordings: list[Recording], whole: Alignment) -> None:
    found = _line(session, recordings[0], _without(recordings[1], [*GPS, "speed"])).alignments["changed"]
    assert found.method == "shape of the turning"
    _agrees(found, whole, STRAIGHT_M, 8.0)


def test_gps_outage_is_bridged(session: Session, recordings: list[Recording], whole: Alignment) -> None:
    found = _line(session, recordings[0], _hole(recordings[1], GPS, 22.0, 30.0)).alignments["changed"]
    assert found.method == "GPS track"
    _agrees(found, whole, 8.0)


def test_cut_run_finds_its_part(session: Session, recordings: list[Recording], whole: Alignment) -> None:
    log = recordings[1]
    inside = log.data.index >= 20.0
    cut = replace(log, run="changed", data=log.data[inside], suspect=log.suspect[inside])
    line = _line(session, recordings[0], cut)
    found = line.alignments["changed"]
    _agrees(found, whole, 8.0)
    assert found.covered[0] > 150.0


def _turned_round(recording: Recording) -> Recording:
    """Return the same course driven from its end to its start."""
    data = recording.data.iloc[::-1].set_axis(recording.data.index)
    flipped = data.assign(**{c: -data[c] for c in ("accel_y", "gyro_z", "accel_x", "gyro_x", "gyro_y")})
    swapped = flipped.assign(
        damper_FL=flipped["damper_FR"],
        damper_FR=flipped["damper_FL"],
        damper_RL=flipped["damper_RR"],
        damper_RR=flipped["damper_RL"],
    )
    suspect: pd.DataFrame = recording.suspect.iloc[::-1].set_axis(recording.suspect.index)
    return replace(recording, run="changed", data=swapped, suspect=suspect)


@pytest.mark.parametrize("gps", [True, False], ids=["gps", "no gps"])
def test_opposite_direction_is_left_out(session: Session, recordings: list[Recording], gps: bool) -> None:
    run = _turned_round(recordings[1])
    line = _line(session, recordings[0], run if gps else _without(run, GPS))
    assert "changed" not in line.alignments
    assert line.left_out["changed"] == "driven in the opposite direction"


def test_another_course_is_left_out(session: Session, recordings: list[Recording]) -> None:
    moved = _changed(recordings[1], latitude=recordings[1].data["latitude"] + 3000.0 / 6371008.8)
    line = _line(session, recordings[0], moved)
    assert "another course" in line.left_out["changed"]


def test_other_turning_is_left_out(session: Session, recordings: list[Recording]) -> None:
    rng = np.random.default_rng(4)
    log = _without(recordings[1], GPS)
    steps = np.repeat(rng.choice([-0.6, 0.6], size=60), len(log.data) // 60 + 1)[: len(log.data)]
    line = _line(session, recordings[0], _changed(log, gyro_z=steps))
    assert "does not match" in line.left_out["changed"]
