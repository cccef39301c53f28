"""Ten thousand settings of a bar at once: rate alone, and rate, stress and roll of the whole car.

``python tests/benchmarks/bench_settings.py``. Goal: under a second. The least and the middle of several
rounds are printed; one after another, settings would take as long as the last line says.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

ROUNDS = 9
COUNT = 10_000


def main() -> None:
    """Print the times."""
    import numpy as np
    from benchmarks.watching import load
    from vehicle.bar_helpers import bladed, car

    from analyzer.vehicle.axle import car_roll
    from analyzer.vehicle.bar.beam import solve
    from analyzer.vehicle.bar.pieces import BladeState, bladed_model
    from analyzer.vehicle.bar.section import array
    from analyzer.vehicle.bar.stress import safety_factor, stress_points

    rng = np.random.default_rng(1)
    sheet, bar = car(), bladed(blade={"length": "0.28 m", "tip_depth": "25 mm"})
    many = BladeState(rng.uniform(0.18, 0.26, COUNT), rng.uniform(-0.03, 0.03, COUNT), array(0.0))
    one = BladeState(array(0.22), array(0.01), array(0.0))

    def rate() -> None:
        solve(bladed_model(bar, many, many))

    def whole() -> None:
        model = bladed_model(bar, many, many)
        solution = solve(model)
        car_roll(sheet, {"front": solution.rate, "rear": 0.0})
        safety_factor(stress_points(bar, model, solution), solution.rate * 0.03)

    print(load())
    for name, call in (("rate", rate), ("rate, stress, roll", whole)):
        times = timed(call)
        print(
            f"{COUNT} settings, {name:18s}: least {min(times):.3f} s, middle {statistics.median(times):.3f} s"
        )
    single = statistics.median(timed(lambda: solve(bladed_model(bar, one, one))))
    print(f"one setting alone: {single * 1e3:.2f} ms; {COUNT} of them {single * COUNT:.1f} s")


def timed(call: Callable[[], object]) -> list[float]:
    """Return the seconds of several rounds, after one that warms up."""
    call()
    times = []
    for _ in range(ROUNDS):
        begin = time.perf_counter()
        call()
        times.append(time.perf_counter() - begin)
    return times


if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]
    main()
