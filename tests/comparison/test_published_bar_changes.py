"""Three published multi-body cars: the front bar's change comes back from roll of both axles.

Parameters and steady roll per g of lateral acceleration on level road of commonroad-vehicle-models 3.0.2
(vehicles 1 to 3; parameters trace to DOT HS 807 956, Allen et al.), solved to steady state at 15 m/s:
roll gradient of the body, and of the suspension front and rear [deg/g], with the front bar at 1, 0.5 and 0
of its stiffness. The model's g is 9.81 m/s2.
"""

from __future__ import annotations

import math
from typing import Any

import pytest
from comparison.comparison_helpers import results_of, run, setup

from analyzer.comparison.changes import compare_setups
from analyzer.prediction.setup import predict_change
from analyzer.sheets.car import CarSheet

G = 9.81
NM_PER_DEG = math.pi / 180.0

VEHICLES: dict[int, dict[str, Any]] = {
    1: {
        "sprung": 1094.543, "height": 0.59436, "track": (1.389888, 1.423416),
        "wheel": (21898.3, 21898.3), "bar": (12880.2705, 0.0),
        "roll": {
            1.0: (8.6954, 7.3148, 7.7712), 0.5: (9.7748, 8.4894, 8.7449), 0.0: (11.2671, 10.1135, 10.0912),
        },
    },
    2: {
        "sprung": 965.711, "height": 0.61373, "track": (1.38684, 1.36398),
        "wheel": (24453.1, 19635.5), "bar": (6914.8817, 2643.6010),
        "roll": {
            1.0: (8.8717, 7.3408, 7.7200), 0.5: (9.4730, 8.0000, 8.2510), 0.0: (10.1930, 8.7892, 8.8868),
        },
    },
    3: {
        "sprung": 1316.609, "height": 0.80449, "track": (1.574292, 1.543812),
        "wheel": (33577.4, 39125.0), "bar": (33948.2171, 7731.3742),
        "roll": {1.0: (6.4669, 4.9744, 5.2754), 0.5: (7.2983, 5.9240, 5.9644), 0.0: (8.5222, 7.3217, 6.9786)},
    },
}  # fmt: skip


def sheet(vehicle: dict[str, Any]) -> CarSheet:
    """Return a car sheet with the vehicle's roll moment and stiffness, the rear bar in the rear springs."""
    axles = {}
    for index, name in enumerate(("front", "rear")):
        track = vehicle["track"][index]
        rate = vehicle["wheel"][index]
        if name == "rear":
            rate += vehicle["bar"][index] * 2.0 / track**2
        axles[name] = {
            "suspension": "solid axle",
            "spring_base": f"{track} m",
            "track_width": f"{track} m",
            "roll_centre_height": "0 m",
            "wheel_radius": "0.344 m",
            "spring": {"rate": f"{rate} N/m", "motion_ratio": 1.0},
        }
    axles["front"]["bar"] = {
        "kind": "bladed",
        "motion_ratio": 1.0,
        "tube": {"outside_diameter": "25 mm", "length": "0.9 m"},
        "mounts": {"spacing": "0.8 m"},
        "blade": {"depth": "40 mm", "thickness": "8 mm", "root": "0 mm ± 0 mm"},
        "holes": ["250 mm", "200 mm"],
    }
    # Unsprung mass does not roll the body in this model: the axles weigh next to nothing.
    quarter = (vehicle["sprung"] + 0.002) / 4.0
    return CarSheet.model_validate(
        {
            "name": "published car",
            "mass": {
                "corner_loads": dict.fromkeys(("FL", "FR", "RL", "RR"), f"{quarter} kg"),
                "unsprung": {"front": "0.001 kg", "rear": "0.001 kg"},
                "cg_height": f"{vehicle['height']} m",
                "wheelbase": "2.5 m",
            },
            **axles,
        }
    )


def body_axes(roll: tuple[float, float, float]) -> dict[str, float]:
    """Return suspension roll per body-axes lateral force [deg/g] from that per level-road acceleration."""
    lean = 1.0 + math.radians(roll[0])
    return {"front": roll[1] / lean, "rear": roll[2] / lean}


@pytest.mark.parametrize("number", VEHICLES)
@pytest.mark.parametrize("part", [0.5, 0.0])
def test_front_bar_change_comes_back_within_two_percent(number: int, part: float) -> None:
    vehicle = VEHICLES[number]
    car = sheet(vehicle)
    whole, soft = setup({"hole": 2}), setup({"hole": 1})
    runs = [
        run(f"{name}{index}", name, body_axes(vehicle["roll"][state]))
        for index in range(3)
        for name, state in (("A", 1.0), ("B", part))
    ]
    results = results_of(car, {"A": whole, "B": soft}, runs)
    change = predict_change(car, "A", whole, "B", soft)
    found = compare_setups(car, results["A"], results["B"], change, runs).stiffness_change.value
    assert found is not None
    # Roll per g here is per 9.80665 m/s2, the moment per g too; the model's own g cancels in both.
    true = -(1.0 - part) * vehicle["bar"][0] * NM_PER_DEG
    assert found == pytest.approx(true, rel=0.02)
    assert abs(found / true - 1.0) < 0.02
    front = results["A"].measured["roll_stiffness_front"].value
    assert front == pytest.approx(
        (vehicle["wheel"][0] * vehicle["track"][0] ** 2 / 2.0 + vehicle["bar"][0]) * NM_PER_DEG, rel=0.01
    )
