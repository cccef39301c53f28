"""How often the intervals of gradients hold the engine's own answer, over cars of all dimensions.

The sheets are exact and without tolerances, so an interval is scatter within the run and what the equations
leave out. Figures over more drives stand in docs/accuracy.md.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest
from engine.other_cars import Counted, counted

DRIVES = 36


@pytest.fixture(scope="module")
def figures() -> list[Counted]:
    with tempfile.TemporaryDirectory() as folder:
        return [one for number in range(1000, 1000 + DRIVES) for one in counted(number, Path(folder))]


def _chosen(figures: list[Counted], start: str) -> list[Counted]:
    chosen = [one for one in figures if one.name.startswith(start)]
    assert len(chosen) > DRIVES
    return chosen


@pytest.mark.slow
@pytest.mark.parametrize("start", ["body axes", "level road, suspension", "curve"])
def test_intervals_hold_the_engines_answer(figures: list[Counted], start: str) -> None:
    """95 % are meant; with 60 to 70 counted the binomial error is 2.7 %."""
    held = [one.held for one in _chosen(figures, start)]
    assert np.mean(held) >= 0.93


@pytest.mark.slow
def test_intervals_are_not_wide_for_nothing(figures: list[Counted]) -> None:
    chosen = _chosen(figures, "body axes")
    halves = [(one.found.interval[1] - one.found.interval[0]) / 2.0 / one.true for one in chosen]  # type: ignore[index]
    assert np.median(halves) < 0.006
    errors = np.array([one.error for one in chosen])
    assert np.sqrt((errors**2).mean()) < 0.003


@pytest.mark.slow
def test_gradients_of_all_cars_are_within_one_percent(figures: list[Counted]) -> None:
    assert max(abs(one.error) for one in _chosen(figures, "body axes")) < 0.01
