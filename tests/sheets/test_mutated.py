"""Damaged sheets: each is read and predicted from, or refused in one line."""

from pathlib import Path

import pytest
from sheets.mutated import prepared, run_case

FOUND: tuple[int, ...] = (45933,)
"""Seeds that once ended in a traceback or a warning of the arithmetic."""


def test_damage_is_one_line(tmp_path: Path) -> None:
    folder = prepared(tmp_path)
    outcomes = [run_case(seed, folder) for seed in (*FOUND, *range(40))]
    assert {"read", "refused"} == set(outcomes)


@pytest.mark.slow
def test_damage_is_one_line_many_times(tmp_path: Path) -> None:
    folder = prepared(tmp_path)
    for seed in range(1_000, 1_600):
        run_case(seed, folder)
