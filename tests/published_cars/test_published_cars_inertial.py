"""Published cars whose inertial channels hold, lag and shake: gradients right, or unknown with the reason."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from engine.inertial_faults import CHANNELS, InertialFaults, inertial_faults
from published_cars.driven_logs import HARD, LOG_RATE, DrivenRun, driven_run
from published_cars.measure import quasi_static
from published_cars.steered_logs import noisy, write_steered
from scipy.interpolate import CubicSpline

from analyzer.session.review import review_session

FINE = 10
"""Steps of the sensors per row of the log, enough for a tone of 40 Hz."""


def _spoilt(run: DrivenRun, faults: InertialFaults) -> DrivenRun:
    """Return a run as a logger with such channels writes it, sensors with the usual noise."""
    channels = noisy(run, faults.seed).channels
    time = channels.index.to_numpy()
    steps = time[0] + np.arange((len(time) - 1) * FINE) / (LOG_RATE * FINE)
    for name in CHANNELS:
        exact = CubicSpline(time, channels[name].to_numpy())(steps)
        rows = faults.spoil(name, exact, LOG_RATE * FINE, FINE)
        channels[name] = np.append(rows, rows[-1])
    return replace(run, channels=pd.DataFrame(channels))


@pytest.mark.parametrize(
    ("number", "front_bar", "seed"),
    [
        (2, 1.0, 4),
        *(
            pytest.param(1 + seed % 3, float(seed % 2), seed, marks=pytest.mark.slow)
            for seed in range(2003, 2012)
        ),
    ],
)
def test_gradients_are_the_cars_or_unknown(tmp_path: Path, number: int, front_bar: float, seed: int) -> None:
    run = _spoilt(driven_run(number, front_bar), inertial_faults(seed))
    (found,) = review_session(write_steered(tmp_path, number, front_bar, run)).runs
    own = quasi_static(number, front_bar, HARD)
    for axle in ("front", "rear"):
        gradient = found.roll_gradient[axle]
        if gradient.value is None:
            assert gradient.notes
            continue
        assert gradient.interval is not None
        error, half = gradient.value / own[axle] - 1.0, np.ptp(gradient.interval) / 2.0 / own[axle]
        assert abs(error) < 0.02
        assert abs(error) < np.hypot(half, 1.96 * (gradient.calibration or 0.0) / own[axle])
