"""A motion ratio given as a table is read alike when a log is measured and when a set-up is predicted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.polynomial import Polynomial
from processing.linear_car import Drive, G, LinearCar, Noise, drive_car

from analyzer.processing.estimate_run import estimate_run
from analyzer.sheets.car import CarSheet, TravelTable
from analyzer.vehicle.axle import (
    axle_roll_stiffness,
    car_roll,
    damper_travel,
    mass_properties,
    ratio_at,
    relative_spread,
    spring_roll_stiffness,
    static_motion_ratio,
    wheel_rate,
    wheel_travel,
)

CAR = LinearCar()
ROWS = np.arange(-0.06, 0.061, 0.01)
BEND = 1.5
QUIET = Noise(0.0, 0.0, 0.0)


def true_travel(axle: int) -> Polynomial:
    """Return damper travel over wheel travel of a rocker whose ratio at static is that of the linear car."""
    return Polynomial([0.0, CAR.ratio[axle], BEND, -10.0])


def table(travel: Polynomial, rows: np.ndarray = ROWS, step: float = 0.0) -> dict[str, list[str]]:
    """Return the rows a builder would write, read to `step` [m]."""
    damper = travel(rows) if step == 0.0 else np.round(travel(rows) / step) * step
    return {"wheel": [f"{w!r} m" for w in rows.tolist()], "damper": [f"{d!r} m" for d in damper.tolist()]}


def sheet_with_tables(as_stiff: bool = False) -> CarSheet:
    """Return the sheet with rockers; `as_stiff` on springs softer by what the growing ratio adds."""
    axles = {}
    for k, name in enumerate(("front", "rear")):
        less = by_load(k) / CAR.ratio[k] ** 2 if as_stiff else 0.0
        spring = {"rate": f"{CAR.spring[k] - less!r} N/m", "motion_ratio": table(true_travel(k))}
        axles[name] = CAR._axle(k) | {"spring": spring}
    return CAR.sheet(**axles)


def by_load(axle: int) -> float:
    """Return what the load of one spring adds to the rate at the wheel as the rocker's ratio grows [N/m]."""
    return CAR.sprung[axle] * G / 2.0 / CAR.ratio[axle] * 2.0 * BEND


def stiffness(axle: int) -> float:
    """Return the roll stiffness on springs behind rockers [N m/rad]."""
    return CAR.stiffness(axle) + by_load(axle) * CAR.track[axle] ** 2 / 2.0


def steady_slopes() -> np.ndarray:
    """Return suspension roll of both axles per lateral specific force in body axes [rad per m/s2].

    Springs and bars carry all of the moment M; tyres carry the part D that passes the springs as well, which
    leans with the axle (Gillespie, Fundamentals of Vehicle Dynamics, ch. 6): unknowns front, rear and body.
    """
    stiff, tyre, past = (
        np.array([part(k) for k in (0, 1)]) for part in (stiffness, CAR.tyre_stiffness, CAR.direct)
    )
    matrix = np.zeros((3, 3))
    matrix[0, :2] = stiff
    matrix[1:, :2] = np.diag(1.0 + (stiff - G * past) / tyre)
    matrix[1:, 2] = -1.0
    return np.linalg.solve(matrix, [CAR.moment(0) + CAR.moment(1), *(-past / tyre)])[:2]


def logged_by_rockers(peak: float):
    """Drive the linear car and log its dampers through the rockers of `true_travel`."""
    recording, response = drive_car(CAR, Drive(peak=peak, rate=100.0), QUIET)
    data = recording.data.copy()
    for k, (left, right) in enumerate((("FL", "FR"), ("RL", "RR"))):
        half = np.tan(response.roll[k]) * CAR.track[k] / 2.0
        data[f"damper_{left}"] = true_travel(k)(-half)
        data[f"damper_{right}"] = true_travel(k)(half)
    return recording, replace(recording, data=data)


@pytest.mark.parametrize("axle", [0, 1])
def test_measured_is_predicted_to_a_millionth(axle: int) -> None:
    sheet, name = sheet_with_tables(), ("front", "rear")[axle]
    part = sheet.axle(name)
    slope = steady_slopes()[axle]
    force = np.linspace(-9.0, 9.0, 37)
    half = np.tan(slope * force) * part.track_width.value / 2.0
    # What the pots of a car without noise show in steady corners, and the roll that is measured from it.
    left, right = (wheel_travel(true_travel(axle)(side * half), part.damper_motion_ratio) for side in (-1, 1))
    measured = np.polyfit(force, np.arctan((right - left) / part.track_width.value), 1)[0]
    predicted = car_roll(sheet, CAR.bar_rates).axles[name]

    assert measured == pytest.approx(slope, rel=1e-9)
    assert float(predicted.suspension) == pytest.approx(measured, rel=1e-6)
    assert float(predicted.stiffness) == pytest.approx(stiffness(axle), rel=1e-6)
    sprung = mass_properties(sheet).axle(name).sprung
    assert axle_roll_stiffness(part, CAR.bar_rates[name], sprung) == float(predicted.stiffness)


def energy(travel: Polynomial, rate: float, load: float, half: float, roll: float, heave: float) -> float:
    """Return what two springs under `load` each [N] hold at a small roll and heave of the body [J]."""
    wheels = np.array([heave - roll * half, heave + roll * half])
    damper = travel(wheels)
    # The load at the spring carries the body at rest, whose weight at the wheels is that through the ratio.
    weight = load * travel.deriv()(0.0)
    return float((load * damper + rate * damper**2 / 2.0 - weight * wheels).sum())


def test_springs_behind_any_rocker_are_as_stiff_as_their_energy_says() -> None:
    rng = np.random.default_rng(16)
    for _ in range(200):
        k = int(rng.integers(2))
        name = ("front", "rear")[k]
        bend, third, ratio = rng.uniform(-2.0, 2.0), rng.uniform(-12.0, 12.0), rng.uniform(0.6, 1.1)
        travel = Polynomial([0.0, ratio, bend, third])
        rate, sprung, base = rng.uniform(2e4, 1.2e5), rng.uniform(300.0, 800.0), rng.uniform(0.8, 1.7)
        solid = rng.random() < 0.5
        axle = CAR._axle(k) | {"spring": {"rate": f"{rate!r} N/m", "motion_ratio": table(travel)}}
        axle["track_width"] = f"{1.6 if solid else base!r} m"
        if solid:
            axle |= {"suspension": "solid axle", "spring_base": f"{base!r} m"}
        part = CAR.sheet(**{name: axle}).axle(name)
        load = sprung * G / 2.0 / ratio

        def stored(roll: float, heave: float, travel=travel, rate=rate, load=load, base=base) -> float:
            return energy(travel, rate, load, base / 2.0, roll, heave)

        step = 1e-4
        told = (stored(step, 0.0) + stored(-step, 0.0)) / step**2
        assert float(spring_roll_stiffness(part, sprung)) == pytest.approx(told, rel=1e-4)
        step = 1e-5
        told = (stored(0.0, step) + stored(0.0, -step)) / step**2 / 2.0
        assert float(wheel_rate(part, sprung)) == pytest.approx(told, rel=1e-4)


def test_a_table_that_is_straight_is_a_number() -> None:
    straight = TravelTable.model_validate(table(Polynomial([0.0, 0.9])))
    axle = CAR.sheet().axle("front")
    part = axle.model_copy(update={"spring": axle.spring.model_copy(update={"motion_ratio": straight})})
    assert float(wheel_rate(part, 500.0)) == pytest.approx(CAR.spring[0] * 0.81, rel=1e-9)


def test_a_run_measured_with_tables_is_the_run_measured_with_numbers() -> None:
    plain, rockers = logged_by_rockers(peak=7.0)
    one = estimate_run(plain, CAR.sheet(), "A", CAR.bar_rates)
    other = estimate_run(rockers, sheet_with_tables(as_stiff=True), "A", CAR.bar_rates)
    for axle in ("front", "rear"):
        expected = one.roll_gradient_body[axle].value
        assert expected is not None
        assert other.roll_gradient_body[axle].value == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("rows", [ROWS, np.array([-0.05, -0.02, 0.01, 0.045]), np.array([-0.04, 0.0, 0.06])])
def test_travel_and_slope_are_those_of_the_least_squares_cubic(rows: np.ndarray) -> None:
    ratio = TravelTable.model_validate(table(true_travel(0), rows))
    damper = [row.value for row in ratio.damper]
    fitted = Polynomial.fit(rows, damper, min(3, len(rows) - 1)).convert()
    inside = np.linspace(rows[0], rows[-1], 50)

    assert damper_travel(inside, ratio) == pytest.approx(fitted(inside) - fitted(0.0), abs=1e-12)
    assert ratio_at(inside, ratio) == pytest.approx(fitted.deriv()(inside), rel=1e-9)
    assert float(static_motion_ratio(ratio)) == pytest.approx(fitted.deriv()(0.0), rel=1e-9)
    # Beyond the first and last row the curve goes on straight.
    ends = np.array([rows[0], rows[-1]])
    beyond = ends + np.array([-0.01, 0.02])
    straight = fitted(ends) - fitted(0.0) + fitted.deriv()(ends) * (beyond - ends)
    assert damper_travel(beyond, ratio) == pytest.approx(straight, abs=1e-12)


@pytest.mark.parametrize("step", [0.0, 0.0005, 0.001])
def test_wheel_travel_turns_damper_travel_back(step: float) -> None:
    ratio = TravelTable.model_validate(table(true_travel(0), step=step))
    wheel = np.linspace(-0.09, 0.09, 361)

    assert wheel_travel(damper_travel(wheel, ratio), ratio) == pytest.approx(wheel, abs=1e-13)
    assert np.all(np.diff(damper_travel(wheel, ratio)) > 0.0)


def test_rows_read_to_half_a_millimetre_keep_the_slope_within_half_a_percent() -> None:
    ratio = TravelTable.model_validate(table(true_travel(0), step=0.0005))
    middle = len(ROWS) // 2
    joined = (ratio.damper[middle + 1].value - ratio.damper[middle - 1].value) / 0.02

    assert float(static_motion_ratio(ratio)) == pytest.approx(CAR.ratio[0], rel=5e-3)
    assert abs(joined / CAR.ratio[0] - 1.0) > 5e-3  # straight lines between the rows would be further off


def test_a_table_that_does_not_hold_static_counts_travel_from_there() -> None:
    rows = np.array([0.01, 0.02, 0.04, 0.06])
    ratio = TravelTable.model_validate(table(Polynomial([0.003, 0.9]), rows))

    assert damper_travel(np.array([-0.02, 0.0, 0.03]), ratio) == pytest.approx([-0.018, 0.0, 0.027])
    assert wheel_travel(np.array([-0.018, 0.0, 0.027]), ratio) == pytest.approx([-0.02, 0.0, 0.03])
    assert float(static_motion_ratio(ratio)) == pytest.approx(0.9)


def test_rows_through_which_a_cubic_would_turn_back_still_rise() -> None:
    rows = {"wheel": ["-60 mm", "-20 mm", "20 mm", "60 mm"], "damper": ["-50 mm", "-2 mm", "2 mm", "50 mm"]}
    kinked = TravelTable.model_validate(rows)
    steep = TravelTable.model_validate({**rows, "damper": ["-52 mm", "-48 mm", "48 mm", "52 mm"]})
    wheel = np.linspace(-0.08, 0.08, 161)
    for ratio in (kinked, steep):
        assert np.all(np.diff(damper_travel(wheel, ratio)) > 0.0)
        assert float(static_motion_ratio(ratio)) > 0.0


@pytest.mark.parametrize("places", [(-50, 50), (-40, 0, 40), (-50, -30, -15, 0, 15, 30, 50), (5, 20, 40, 60)])
def test_stated_error_of_a_table_is_the_scatter_of_its_slope(places: tuple[int, ...]) -> None:
    """Tables read 1,000 times with the stated errors: their slopes at static scatter as the error says."""
    draw, wheel = np.random.default_rng(3), np.array(places) * 1e-3
    travel = Polynomial([0.0, 0.8, 1.0])

    def read(error: float) -> TravelTable:
        rows = (wheel, travel(wheel))
        w, d = (row + error * draw.standard_normal(len(row)) for row in rows)
        return TravelTable.model_validate(
            {
                "wheel": [f"{x * 1e3!r} mm ± 0.3 mm" for x in w.tolist()],
                "damper": [f"{x * 1e3!r} mm ± 0.3 mm" for x in d.tolist()],
            }
        )

    slopes = [float(static_motion_ratio(read(3e-4))) for _ in range(1000)]
    assert relative_spread(read(0.0)) == pytest.approx(np.std(slopes) / np.mean(slopes), rel=0.08)
