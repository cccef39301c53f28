"""The bed itself: package, steady turns, modes and synthesised logs against published or hand figures."""

from __future__ import annotations

import math

import numpy as np
import pytest
from published_cars.driven_logs import (
    HARD,
    LOG_RATE,
    PLAN_DURATION,
    STEADY_PART,
    DrivenRun,
    driven_run,
    lateral_plan,
    sensed,
)
from published_cars.multi_body import (
    PACKAGE_GRAVITY,
    ROLL,
    STEER,
    Array,
    PublishedCar,
    drive,
    published_car,
    roll_modes,
    steady_turn,
    suspension_roll,
    tyre_loads,
)
from vehiclemodels.parameters_vehicle2 import parameters_vehicle2

DEG_PER_G = math.degrees(1.0) * PACKAGE_GRAVITY

# Steady turn at 15 m/s and 0.09 g: roll gradients [deg/g] of the body, front and rear suspension; load
# transfer of one wheel [N/g] front and rear. Computed beforehand from the same package with a time
# integration and by a closed form that agrees to 0.03 %; the loads to about 0.1 %.
STEADY_TURNS = {
    (1, 1.0): (8.6954, 7.3148, 7.7712, 3176.0, 2177.0),
    (1, 0.5): (9.7748, 8.4894, 8.7449, 2957.0, 2426.0),
    (1, 0.0): (11.2671, 10.1135, 10.0912, 2653.0, 2770.0),
    (2, 1.0): (8.8717, 7.3408, 7.7200, 2930.0, 2168.0),
    (2, 0.5): (9.4730, 8.0000, 8.2510, 2819.0, 2301.0),
    (2, 0.0): (10.1930, 8.7892, 8.8868, 2687.0, 2459.0),
    (3, 1.0): (6.4669, 4.9744, 5.2754, 4357.0, 3411.0),
    (3, 0.5): (7.2983, 5.9240, 5.9644, 4012.0, 3819.0),
    (3, 0.0): (8.5222, 7.3217, 6.9786, 3505.0, 4419.0),
}


def test_package_gives_its_own_test_vector() -> None:
    # unit_tests/test_derivatives.py of commonroad-vehicle-models 3.0.2, vehicle 2, multi-body model.
    state = [
        10.8808433066274794, 0.5371850187869442, 0.0980442671005920, 18.0711398687457745,
        0.1649995631003776, 0.6158755000936103, -0.1198403612262477, -0.2762672756169581,
        0.0131909920269115, -0.0718483683742141, -0.3428324595054725, 0.0103233373083297,
        -0.0399590564140291, -0.0246468320579360, -0.0551575051990853, 0.5798277643297529,
        0.0172059354801703, 0.0067890113155477, -0.0184269459410162, -0.0408207136116175,
        -1.0064484829203018, 0.0166808347900582, -0.0049188492004049, 53.6551710641082451,
        50.7045242506744316, 56.7917911784219598, 200.7079633169796296, -0.0939969123691911,
        -0.0881514621614376,
    ]  # fmt: skip
    expected = [
        17.8820162482414098, 2.6300428035858809, 0.1500000000000000, 2.7009396644636450,
        0.6158755000936103, 1.3132879472301846, -0.2762672756169581, -0.1360581472638375,
        -0.0718483683742141, 0.4909514227532223, -2.6454134031927374, -0.0399590564140291,
        0.0486778649724968, -0.0551575051990853, 0.0354501802049087, -1.1130397141873534,
        0.0067890113155477, -0.0886810139593130, -0.0408207136116175, 0.0427680029698811,
        -4.3436374104751501, -0.0049188492004049, 0.1142109377736169, 10.0527321757776047,
        0.0436512393438736, -154.12795711273924, 422.12780928288305, -0.2105876149500405,
        -0.2126005780977984,
    ]  # fmt: skip
    car = published_car(2)
    assert car.rates(np.array(state), 0.15, 0.63 * 9.81) == pytest.approx(np.array(expected), abs=1e-7)
    assert car.parameters.K_tsf == parameters_vehicle2().K_tsf == pytest.approx(-6914.8817, abs=1e-4)


@pytest.mark.parametrize(("number", "front_bar"), STEADY_TURNS)
def test_steady_turn_gives_the_known_gradients_and_load_transfer(number: int, front_bar: float) -> None:
    lateral = 0.09 * PACKAGE_GRAVITY
    state = steady_turn(number, front_bar, lateral)
    front, rear = suspension_roll(state)
    loads = tyre_loads(published_car(number, front_bar), state)[0]
    body_known, front_known, rear_known, front_load, rear_load = STEADY_TURNS[number, front_bar]
    # A right turn: the left side goes down, which the package counts negative.
    assert -state[ROLL] / lateral * DEG_PER_G == pytest.approx(body_known, rel=2e-4)
    assert -front[0] / lateral * DEG_PER_G == pytest.approx(front_known, rel=2e-4)
    assert -rear[0] / lateral * DEG_PER_G == pytest.approx(rear_known, rel=2e-4)
    assert (loads[0] - loads[1]) / 2 / 0.09 == pytest.approx(front_load, rel=1.5e-3)
    assert (loads[2] - loads[3]) / 2 / 0.09 == pytest.approx(rear_load, rel=1.5e-3)
    assert loads.sum() == pytest.approx(published_car(number).parameters.m * PACKAGE_GRAVITY, rel=1e-6)


@pytest.mark.parametrize(
    ("number", "front_bar", "frequency", "damping"),
    # Roll mode at 15 m/s from a numerical Jacobian made beforehand.
    [
        (1, 1.0, 1.980, 0.249),
        (1, 0.0, 1.752, 0.301),
        (2, 1.0, 2.074, 0.320),
        (2, 0.0, 1.957, 0.364),
        (3, 1.0, 2.079, 0.216),
        (3, 0.0, 1.832, 0.280),
    ],
)
def test_roll_mode_is_the_known_one(number: int, front_bar: float, frequency: float, damping: float) -> None:
    modes = roll_modes(number, front_bar)
    assert min(abs(f - frequency) for f, _ in modes) < 0.01 * frequency
    nearest = min(modes, key=lambda mode: abs(mode[0] - frequency))
    assert nearest[1] == pytest.approx(damping, abs=0.008)
    assert len([f for f, _ in modes if 9.5 < f < 12.7]) == 4


def _slope(x: Array, y: Array) -> float:
    return float(np.polyfit(x, y, 1)[0])


def _pot_gradients(run: DrivenRun, car: PublishedCar, part: slice) -> tuple[float, float]:
    """Return front and rear gradient [deg/g] from the pots by hand."""
    pots = run.channels.iloc[part]
    lateral = run.road_lateral[part]
    gradients = []
    for axle, track in (("F", car.parameters.T_f), ("R", car.parameters.T_r)):
        roll = np.arctan((pots[f"damper_{axle}R"] - pots[f"damper_{axle}L"]) / track)
        gradients.append(_slope(lateral, roll.to_numpy()) * DEG_PER_G)
    return gradients[0], gradients[1]


@pytest.mark.slow
def test_sweep_of_vehicle_2_gives_the_slopes_found_before() -> None:
    # Least-squares slopes of a steering sweep to 0.45 g, made beforehand with another manoeuvre.
    for front_bar, front, rear in ((1.0, 7.3681, 7.7559), (0.5, 8.0329, 8.2902), (0.0, 8.8297, 8.9307)):
        run = driven_run(2, front_bar)
        found = _pot_gradients(run, published_car(2, front_bar), _steady_part())
        assert found == pytest.approx((front, rear), rel=2.5e-3)


def _steady_part() -> slice:
    return slice(int(STEADY_PART[0] * LOG_RATE), int(STEADY_PART[1] * LOG_RATE))


@pytest.mark.parametrize(
    ("number", "front_bar"), [(2, 1.0), *(pytest.param(n, 1.0, marks=pytest.mark.slow) for n in (1, 3))]
)
def test_logs_hold_the_quasi_static_gradients(number: int, front_bar: float) -> None:
    run = driven_run(number, front_bar)
    assert np.abs(run.road_lateral).max() == pytest.approx(HARD, rel=0.02)
    aims = HARD * np.sin(np.linspace(-np.pi, np.pi, 24))
    turns = np.array([steady_turn(number, front_bar, -float(aim)) for aim in aims])
    truth = [_slope(aims, roll) * DEG_PER_G for roll in suspension_roll(turns)]
    found = _pot_gradients(run, published_car(number, front_bar), _steady_part())
    assert found == pytest.approx(truth, rel=5e-3)
    assert found == pytest.approx(STEADY_TURNS[number, front_bar][1:3], rel=1e-2)


def test_step_of_integration_does_not_matter() -> None:
    car = published_car(2)

    def steer(t: float) -> float:
        return 0.02 * math.sin(2.0 * math.pi * 0.5 * t)

    _, coarse, _ = drive(car, steer, 4.0, LOG_RATE)
    _, fine, _ = drive(car, steer, 4.0, LOG_RATE, steps_per_sample=8)
    for one, other in zip(suspension_roll(coarse), suspension_roll(fine), strict=True):
        assert np.abs(one - other).max() < 0.01 * np.abs(other).max()


def test_sensors_read_gravity_at_rest_and_the_rolled_pair_in_a_turn() -> None:
    car = published_car(1)
    rest = steady_turn(1, 1.0, 0.0)
    still = sensed(car, rest[np.newaxis], np.zeros((1, 29)))
    assert still["accel_z"][0] == pytest.approx(9.81, rel=1e-4)
    assert max(abs(still[f"damper_{corner}"][0]) for corner in ("FL", "FR", "RL", "RR")) < 1e-9
    # A left turn at 4 m/s2: at roll phi the body reads a cos(phi) + g sin(phi) sideways (statics).
    turn = steady_turn(1, 1.0, -4.0)
    read = sensed(car, turn[np.newaxis], np.zeros((1, 29)))
    phi = turn[ROLL]
    assert phi > 0
    assert turn[STEER] < 0
    assert read["accel_y"][0] == pytest.approx(4.0 * math.cos(phi) + 9.81 * math.sin(phi), rel=1e-3)
    assert read["accel_z"][0] == pytest.approx(9.81 * math.cos(phi) - 4.0 * math.sin(phi), rel=1e-3)
    assert read["gyro_z"][0] > 0
    assert read["damper_FR"][0] > 0 > read["damper_FL"][0]


def test_plan_turns_both_ways_and_ends_straight() -> None:
    plan = np.array([lateral_plan(t, HARD) for t in np.arange(0.0, PLAN_DURATION, 0.01)])
    assert plan.max() == pytest.approx(-plan.min(), rel=1e-3)
    assert abs(plan[0]) < 1e-9
    assert abs(plan[-1]) < 1e-9
