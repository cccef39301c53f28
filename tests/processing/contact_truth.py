"""Contacts of the engine's dampers as single physical hits, and how found events compare with them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from engine.car import CORNERS, EngineCar
from engine.road import ROUGHNESS
from engine.runs import EngineRun, Truth, estimate, make_run
from engine.simulation import Driven

from analyzer.processing.results import BottomingEvent, RunEstimates

ROUGHNESS.setdefault("C", 256e-6)  # ISO 8608:2016 table C.2, geometric mean of class C [m3]
STEP = 1e-3
DEEP = 0.001
"""Stop compression from which a contact must be found [m]."""
NEAR_S = 0.010


@dataclass(frozen=True)
class TrueHit:
    """One physical hit in the engine: parted from others by more than 1 mm of release or 25 ms."""

    corner: str
    start: float
    end: float
    peak: float


@dataclass
class Score:
    """What was found of what happened; errors in s and m."""

    wanted: int = 0
    found: int = 0
    events: int = 0
    invented: int = 0
    starts: list[float] | None = None
    peaks: list[float] | None = None
    parts: list[float] | None = None

    def __post_init__(self) -> None:
        self.starts, self.peaks, self.parts = [], [], []

    @property
    def recall(self) -> float:
        return self.found / max(self.wanted, 1)

    @property
    def precision(self) -> float:
        return 1.0 - self.invented / max(self.events, 1)


def true_hits(car: EngineCar, driven: Driven) -> list[TrueHit]:
    hits = []
    for corner in CORNERS:
        gap, travel = car.axle(corner).stop_gap, driven.damper[corner]
        edges = np.flatnonzero(np.diff(np.concatenate([[0], (travel >= gap - 0.001).astype(int), [0]])))
        joined: list[tuple[int, int]] = []
        for low, high in zip(edges[::2], edges[1::2], strict=True):
            if joined and low - joined[-1][1] < 0.025 / STEP:
                joined[-1] = (joined[-1][0], int(high))
            else:
                joined.append((int(low), int(high)))
        for low, high in joined:
            inside = np.flatnonzero(travel[low:high] > gap)
            if inside.size:
                times = driven.time[low + inside[[0, -1]]]
                hits.append(TrueHit(corner, float(times[0]), float(times[1]), float(travel[low:high].max())))
    return hits


def true_modes(car: EngineCar, truth: Truth, event: BottomingEvent) -> np.ndarray:
    """Return heave, pitch, roll and warp part of a corner's damper travel at an event's peak [m]."""
    place = round(event.peak_s / STEP)
    fl, fr, rl, rr = (truth.driven.damper[c][place] / car.axle(c).damper_ratio for c in CORNERS)
    modes = np.array([fl + fr + rl + rr, fl + fr - rl - rr, fr + rr - fl - rl, fl - fr - rl + rr]) / 4.0
    signs = {"FL": (1, 1, -1, 1), "FR": (1, 1, 1, -1), "RL": (1, -1, -1, -1), "RR": (1, -1, 1, 1)}
    return modes * signs[event.corner] * car.axle(event.corner).damper_ratio


def add_run(score: Score, car: EngineCar, truth: Truth, estimates: RunEstimates) -> None:
    """Hold one run's events to the engine's."""
    hits = true_hits(car, truth.driven)
    events = list(estimates.bottoming)
    assert score.starts is not None
    assert score.peaks is not None
    assert score.parts is not None
    for hit in hits:
        near = [e for e in events if e.corner == hit.corner]
        near = [e for e in near if e.start_s < hit.end + NEAR_S and e.end_s > hit.start - NEAR_S]
        if hit.peak - car.axle(hit.corner).stop_gap <= DEEP:
            continue
        score.wanted += 1
        if not near:
            continue
        score.found += 1
        deepest = max(near, key=lambda e: e.peak)
        score.starts.append(min(e.start_s for e in near) - hit.start)
        score.peaks.append(deepest.peak - hit.peak)
        assert deepest.budget is not None
        found = deepest.budget
        parts = np.array([found.heave, found.pitch, found.roll, found.warp])
        score.parts.append(float(np.abs(parts - true_modes(car, truth, deepest)).max()))
    score.events += len(events)
    for event in events:
        same = [h for h in hits if h.corner == event.corner]
        if not any(event.start_s < h.end + NEAR_S and event.end_s > h.start - NEAR_S for h in same):
            score.invented += 1


def score_of(
    folder: Path, cases: list[tuple[str, float, float, str, int]], car: EngineCar, rate: float = 200.0
) -> Score:
    """Drive cases of manoeuvre, bank [deg], gap [m], road class and seed, and score what is found."""
    score = Score()
    for name, bank, gap, road, seed in cases:
        low = car.with_both(stop_gap=gap)
        run: EngineRun = make_run(folder / "run.csv", "full", name, seed, road, bank, rate=rate, car=low)
        add_run(score, low, run.truth, estimate(run))
    return score
