"""Masks that are widened, against what widening means sample by sample."""

from __future__ import annotations

import numpy as np
import pytest

from analyzer.core.signals import runs_of, widened


@pytest.mark.parametrize("share", [0.02, 0.1, 0.5, 0.9])
def test_widened_flags_all_within_reach_of_a_flag(share: float) -> None:
    rng = np.random.default_rng(8)
    for _ in range(200):
        flags = rng.random(int(rng.integers(1, 40))) < share
        reach = int(rng.integers(0, 12))
        truth = [bool(flags[max(0, i - reach) : i + reach + 1].any()) for i in range(len(flags))]
        assert widened(flags, reach).tolist() == truth


def test_runs_are_first_and_one_past_last() -> None:
    assert runs_of(np.array([True, False, True, True, False])) == [(0, 1), (2, 4)]
    assert runs_of(np.array([False, True])) == [(1, 2)]
    assert runs_of(np.zeros(3, dtype=np.bool_)) == []
