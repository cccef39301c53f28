"""Measure the estimates against the engine and print the table of docs/accuracy.md.

PYTHONPATH=tests python -m engine.measure
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from engine.car import ENGINE_CAR
from engine.runs import Truth, estimate, make_run, sheet_of, slow_gradient

from analyzer.processing.results import RunEstimates

Array = npt.NDArray[np.float64]
AXLES = ("front", "rear")
LOAD_BAND = 20.0
"""Band in which loads are compared [Hz]: wheel hop passes, what a pot at 100 Hz cannot show does not."""
SETTLED_S = 9.0
"""The car is at rest or speeding up before this [s]."""


@dataclass(frozen=True)
class ShareError:
    """Root mean square error of a left share: clear of bump stops, in stop hits, and clear but unfiltered."""

    clear: float
    in_stops: float | None
    unfiltered: float


def share_errors(truth: Truth, estimates: RunEstimates, band: float = LOAD_BAND) -> dict[str, ShareError]:
    """Return the error of the left share of both axles against the engine's contact loads."""
    found = {}
    moving = (truth.time > SETTLED_S) & (truth.time < truth.time[-1] - 1.0)
    index = estimates.loads.index.to_numpy()
    for axle in AXLES:
        share = np.interp(truth.time, index, estimates.loads[f"left_share_{axle}"].to_numpy())
        difference = share - truth.left_share(axle)
        known = moving & np.isfinite(difference)
        passed = _low_pass(np.where(known, difference, 0.0), 1.0 / float(np.diff(truth.time).mean()), band)
        clear, stops = known & ~truth.in_contact, known & truth.in_contact
        found[axle] = ShareError(
            clear=_rms(passed[clear]),
            in_stops=_rms(passed[stops]) if stops.any() else None,
            unfiltered=_rms(difference[clear]),
        )
    return found


def _rms(values: Array) -> float:
    return float(np.sqrt((values**2).mean()))


def _low_pass(values: Array, rate: float, band: float) -> Array:
    """Return `values` below `band`, by a windowed sinc of 0.2 s."""
    half = round(0.1 * rate)
    offsets = np.arange(-half, half + 1) / rate
    taps = np.sinc(2.0 * band * offsets) * np.hanning(offsets.size)
    result: Array = np.convolve(values, taps / taps.sum(), mode="same")
    return result


def _row(folder: Path, name: str, road_class: str, seed: int, bank: float) -> list[str]:
    sheet = sheet_of(ENGINE_CAR)
    values: dict[str, tuple[float, float]] = {}
    cells = [f"{name} {bank:g}°" if bank else name, road_class, str(seed)]
    # The second set-up is driven differently, over another stretch of road, with other noise.
    for setup, driven in (("full", seed), ("0.8", seed + 50)):
        run = make_run(folder / "run.csv", setup, name, driven, road_class, bank)
        truth = slow_gradient(run)
        estimates = estimate(run, sheet)
        for axle in AXLES:
            value = estimates.roll_gradient_body[axle].value
            if value is None:
                return [*cells, *("-" for _ in range(8))]
            values[f"{setup} {axle}"] = (value, truth[axle])
        if setup == "full":
            errors = share_errors(run.truth, estimates)
            closure = [estimates.further[k].value for k in ("vertical_closure", "roll_moment_closure")]
    cells += [_percent(*values[f"full {axle}"]) for axle in AXLES]
    for axle in AXLES:
        (after, true_after), (before, true_before) = values[f"0.8 {axle}"], values[f"full {axle}"]
        cells.append(_percent(after / before, true_after / true_before))
    cells += [f"{errors[axle].clear:.4f}" for axle in AXLES]
    return cells + ["-" if c is None else f"{100.0 * c:+.1f}" for c in closure]


def _percent(found: float, true: float) -> str:
    return f"{100.0 * (found / true - 1.0):+.2f}"


def main() -> None:
    """Print one row per manoeuvre, road class and seed, then the scatter over them."""
    heads = ["drive", "road", "seed", "gradient front %", "rear %", "ratio front %", "rear %"]
    heads += ["share front", "rear", "vertical %", "moment %"]
    print("| " + " | ".join(heads) + " |\n|" + " --- |" * len(heads), flush=True)
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for name, bank in (("course", 0.0), ("slalom", 0.0), ("sweep", 0.0), ("bowl", 15.0)):
            for road_class in ("A", "B"):
                for seed in (21, 22, 23):
                    rows.append(_row(Path(folder), name, road_class, seed, bank))
                    print("| " + " | ".join(rows[-1]) + " |", flush=True)
    figures = np.array([[float(c) for c in row[3:7]] for row in rows if "-" not in row[3:7]])
    print(f"\nmean over {len(figures)} runs: {np.round(figures.mean(axis=0), 3)}")
    print(f"scatter from run to run: {np.round(figures.std(axis=0, ddof=1), 3)}")


if __name__ == "__main__":
    main()
