"""The page that follows one sample: modules and functions that exist, in order, and the program's numbers."""

import gzip
import importlib
import math
import re
from pathlib import Path

import pytest

from analyzer.comparison.stiffness import RunStiffness, roll_sheet, run_stiffness
from analyzer.core.units import STANDARD_GRAVITY
from analyzer.processing.motion import working_base
from analyzer.processing.roll.equation import roll_columns
from analyzer.report.tables import changes_table
from analyzer.vehicle.bar.rate import bar_rates
from analyzer.vehicle.roll import roll_paths, roll_weights

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "one-sample.md").read_text(encoding="utf-8")
STEPS = re.findall(r"^\| (\d+) \| `([\w.]+)` \| `(\w+)` \| .* \| ([^|]+) \|$", PAGE, flags=re.M)
ROOMS = ["ingest", "processing", "comparison", "report"]
INSTANT = 24.0


def test_steps_are_counted_and_never_go_back_to_an_earlier_room():
    assert [int(step[0]) for step in STEPS] == list(range(1, 24))
    places = [ROOMS.index(module.split(".")[0]) for _, module, _, _ in STEPS]
    assert places == sorted(places)
    assert set(places) == set(range(len(ROOMS)))


@pytest.mark.parametrize(("module", "function"), sorted({step[1:3] for step in STEPS}))
def test_module_has_the_function(module, function):
    assert callable(getattr(importlib.import_module(f"analyzer.{module}"), function))


def test_modules_of_a_room_come_once():
    """A module that is left is not gone back to."""
    modules = [module for _, module, _, _ in STEPS]
    entered = [m for m, before in zip(modules, ["", *modules], strict=False) if m != before]
    assert len(entered) == len(set(entered))


def numbers_of(review):
    """Return the last cell of every step, in order, as the program has it."""
    car = review.session.car
    recording = next(r for r in review.recordings if r.run == "r03")
    run = next(r for r in review.runs if r.name == "r03")
    setup = next(s for s in review.setups if s.name == "A")
    (change,) = review.comparisons
    with gzip.open(ROOT / "sample_logs" / "r03.csv.gz", "rt", encoding="utf-8") as lines:
        cell = next(line for line in lines if line.startswith("24.000,")).split(",")[1]

    place = recording.data.index.get_indexer([INSTANT], method="nearest")[0]
    zeroed = recording.data["damper_FL"].iloc[place]
    zero = next(h for h in recording.health if h.channel == "damper_FL" and h.check == "zero").value
    suspect = recording.suspect["damper_FL"].iloc[place]
    working = working_base(recording)
    at = abs(working.time - INSTANT).argmin()
    motion = run.motion.data.iloc[at]
    paths = roll_paths(car, bar_rates(car, review.session.sheet.setups["A"]))
    columns = roll_columns(run.motion, run.motion.parked.to_numpy(), roll_weights(paths))
    row = abs(columns.time - INSTANT).argmin()
    stiffness = run_stiffness("front", run, roll_sheet(car, setup.predicted))
    assert isinstance(stiffness, RunStiffness)
    verdict = changes_table(review.comparisons).rows[0]

    return [
        f"{cell} V",
        f"{1e3 * zeroed + zero:.3f} mm",
        f"sample {place} at {recording.sample_rate:g} Hz",
        f"{1e3 * zeroed:.3f} mm",
        "suspect" if suspect else "not suspect",
        f"pitch {math.degrees(recording.box.angles[1]):+.2f} deg",
        f"{1e3 * working.values['damper_FL'][at]:.3f} mm",
        f"{1e3 * motion['wheel_FL']:.3f} mm",
        f"{math.degrees(motion['roll_front']):.3f} deg",
        f"{math.degrees(columns.roll['front'][row]):.3f} deg",
        f"{columns.force[row] / STANDARD_GRAVITY:.3f} g",
        f"{1e3 * run.fits['front'].slope:.3f} mrad per m/s²",
        f"friction loop {run.further['friction_loop']}",
        str(run.roll_gradient_body["front"]),
        str(run.roll_gradient["front"]),
        f"{run.loads['load_FL'].iloc[at]:.0f} N",
        f"{math.exp(stiffness.log):.0f} N m/deg",
        str(setup.measured["roll_stiffness_front"]),
        str(next(r for r in setup.ledger if r.quantity == "roll stiffness front").ratio),
        str(change.stiffness_ratio),
        str(change.predicted_ratio),
        change.verdict.value,
        ", ".join(cell.text for cell in verdict[:3]),
    ]


def test_numbers_are_those_of_the_program(sample_review):
    assert [number for *_, number in STEPS] == numbers_of(sample_review)


if __name__ == "__main__":
    # Write the page's numbers anew.
    from analyzer.session.review import review_session

    page = PAGE
    for (*step, old), new in zip(STEPS, numbers_of(review_session(ROOT / "sample_logs")), strict=True):
        page = re.sub(
            rf"(?m)^(\| {step[0]} \| .* \| ){re.escape(old)} \|$", lambda m, n=new: f"{m[1]}{n} |", page
        )
    (ROOT / "docs" / "one-sample.md").write_text(page, encoding="utf-8")
