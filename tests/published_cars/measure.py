"""Measure the review against the published cars and print the table of docs/accuracy.md.

PYTHONPATH=tests python -m published_cars.measure
"""

from __future__ import annotations

import math
import tempfile
from pathlib import Path

import numpy as np
from published_cars.driven_logs import FRONT_BARS, GENTLE, HARD, write_session
from published_cars.multi_body import (
    PACKAGE_GRAVITY,
    ROLL,
    published_car,
    roll_modes,
    steady_turn,
    suspension_roll,
)
from published_cars.steered_logs import steered_run, write_steered
from published_cars.test_published_cars_model import STEADY_TURNS
from published_cars.test_published_cars_roll_mode import KNOWN

from analyzer.session.review import Review, review_session

DEG_PER_G = math.degrees(1.0) * PACKAGE_GRAVITY


def quasi_static(number: int, front_bar: float, largest: float) -> dict[str, float]:
    """Return the model's own gradients over a range of lateral acceleration [deg/g]."""
    aims = largest * np.sin(np.linspace(-np.pi, np.pi, 24))
    turns = np.array([steady_turn(number, front_bar, -float(aim)) for aim in aims])
    front, rear = suspension_roll(turns)
    rolls = {"front": front, "rear": rear, "total": turns[:, ROLL]}
    return {name: float(np.polyfit(aims, roll, 1)[0]) * DEG_PER_G for name, roll in rolls.items()}


def _rows(number: int, largest: float, review: Review) -> list[list[str]]:
    rows = []
    full = abs(published_car(number).parameters.K_tsf) * math.radians(1.0)
    changes = {c.after: c.stiffness_change.value for c in review.comparisons}
    for run in review.runs:
        front_bar = FRONT_BARS[run.setup]
        own = quasi_static(number, front_bar, largest)
        tabled = dict(zip(("total", "front", "rear"), STEADY_TURNS[number, front_bar][:3], strict=True))
        row = [str(number), f"{front_bar:g}", f"{largest / PACKAGE_GRAVITY:.2f}"]
        for truth in (tabled, own):
            for key in ("front", "rear", "total"):
                value = run.roll_gradient[key].value
                row.append("-" if value is None else f"{100.0 * (value / truth[key] - 1.0):+.2f}")
        change = changes.get(run.setup)
        row.append("" if change is None else f"{100.0 * (change / (-full / 2.0) - 1.0):+.2f}")
        rows.append(row)
    return rows


def _mode_row(number: int, front_bar: float, kind: str, speed: float) -> list[str]:
    known = near = KNOWN[number, front_bar]
    if speed != 15.0:
        modes = roll_modes(number, front_bar, speed)
        known = min(modes, key=lambda m: abs(m[0] / near[0] - 1.0) + abs(m[1] / near[1] - 1.0))
    run = steered_run(number, front_bar, kind, speed)
    with tempfile.TemporaryDirectory() as folder:
        found = review_session(write_steered(Path(folder), number, front_bar, run)).runs[0].further
    row = [str(number), f"{front_bar:g}", kind, f"{speed:g}"]
    row.append(f"{float(np.abs(run.road_lateral).max()) / PACKAGE_GRAVITY:.2f}")
    for name, true in zip(("roll_frequency", "roll_damping_ratio"), known, strict=True):
        value = found[name].value
        row.append("-" if value is None else f"{100.0 * (value / true - 1.0):+.2f}")
    return row


def print_modes() -> None:
    """Print the errors of roll frequency and damping ratio, one row per vehicle, front bar and drive."""
    heads = ["vehicle", "front bar", "drive", "m/s", "range g", "frequency %", "damping ratio %"]
    print("| " + " | ".join(heads) + " |\n|" + " --- |" * len(heads), flush=True)
    drives = [(kind, 15.0) for kind in ("slalom", "rising", "random")]
    for number, front_bar in KNOWN:
        others = [("random", 10.0), ("random", 20.0)] if (number, front_bar) != (1, 0.0) else []
        for kind, speed in drives + others:
            print("| " + " | ".join(_mode_row(number, front_bar, kind, speed)) + " |", flush=True)


def main() -> None:
    """Print one row per vehicle, front bar and range."""
    heads = ["vehicle", "front bar", "range g", "to table: front %", "rear %", "body %"]
    heads += ["to own answer: front %", "rear %", "body %", "bar change %"]
    print("| " + " | ".join(heads) + " |\n|" + " --- |" * len(heads), flush=True)
    for number in (1, 2, 3):
        for largest in (HARD, GENTLE):
            with tempfile.TemporaryDirectory() as folder:
                review = review_session(write_session(Path(folder), number, largest))
            for row in _rows(number, largest, review):
                print("| " + " | ".join(row) + " |", flush=True)
    print(flush=True)
    print_modes()


if __name__ == "__main__":
    main()
