"""Drifts over banks that twist the ground: side-slip is not measured, and the interval knows it."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest
from engine.drift_bed import AXLES, Drift, banked_drift, bowl_drift

pytestmark = pytest.mark.slow

DRIFTS = range(100, 140)


@pytest.fixture(scope="module")
def bowl(tmp_path_factory: pytest.TempPathFactory) -> Drift:
    found = bowl_drift(tmp_path_factory.mktemp("bowl"))
    assert found is not None
    return found


def test_ground_that_passes_for_roll_is_in_the_interval_and_told(bowl: Drift) -> None:
    """The front gradient is half too high, the rear one a third of the true: 8 and 11 % stated before."""
    for axle in AXLES:
        assert abs(bowl.error(axle)) <= bowl.half(axle)
        assert "side-slip is not measured" in " ".join(bowl.found.roll_gradient_body[axle].notes)
    assert [note for note in bowl.found.notes if "side-slip is not measured" in note]


@pytest.mark.parametrize("without", ["gyro_y", "gyro_z", "speed"])
def test_without_what_tells_side_slip_the_ground_is_in_the_interval_too(tmp_path: Path, without: str) -> None:
    found = bowl_drift(tmp_path, without)
    assert found is not None
    for axle in AXLES:
        assert abs(found.error(axle)) < 1.25 * found.half(axle)


def test_parts_of_that_drift_are_no_two_cars(bowl: Drift) -> None:
    assert not [d for d in bowl.found.differences if d.beyond_error]


def test_intervals_hold_over_drifts_on_banks_drawn_at_random() -> None:
    """All of 76 hold. Without what side-slip leaves open 39 of 68 did, and 18 were off by twice it."""
    with tempfile.TemporaryDirectory() as folder:
        drifts = [one for seed in DRIFTS if (one := banked_drift(seed, Path(folder))) is not None]
    known = [
        (one, axle)
        for one in drifts
        for axle in AXLES
        if one.found.roll_gradient_body[axle].interval is not None
    ]
    assert len(known) >= 60
    parts = np.array([abs(one.error(axle)) / one.half(axle) for one, axle in known])
    assert float(np.mean(parts <= 1.0)) >= 0.92
    assert float(parts.max()) < 2.0
    # Not wide for nothing. Where the ground's twist was left out too soon a quarter was off by 11 % and more.
    assert float(np.median([one.half(axle) for one, axle in known])) < 0.04
    errors = np.abs([one.error(axle) for one, axle in known])
    assert float(np.quantile(errors, 0.75)) < 0.04
