"""The engine's car itself: rest, statics, road, moving frame and stops against hand figures and standards."""

from __future__ import annotations

import math

import numpy as np
import pytest
from engine.car import CORNERS, ENGINE_CAR, GRAVITY, EngineAxle, EngineCar
from engine.plan import STANDING, STEP, Plan, manoeuvre, slowed
from engine.quasi_static import quasi_static
from engine.road import profiles
from engine.simulation import Driven, drive_plans


def _axles(car: EngineCar) -> list[tuple[str, EngineAxle, float]]:
    """Return name, axle and sprung mass."""
    return [
        ("front", car.front, car.front_mass - car.front.unsprung),
        ("rear", car.rear, car.rear_mass - car.rear.unsprung),
    ]


def _moment(car: EngineCar) -> float:
    """Return the moment about the roll axis per lateral force [kg m], by hand, camber gain 0."""
    return sum(
        sprung * (car.sprung_height - axle.roll_centre) + axle.unsprung * axle.wheel_radius
        for _, axle, sprung in _axles(car)
    )


def _stiffness(axle: EngineAxle) -> float:
    return (axle.wheel_rate + axle.bar_rate * axle.bar_ratio**2) * axle.track**2 / 2.0


@pytest.fixture(scope="module")
def course() -> Driven:
    return drive_plans(ENGINE_CAR, [manoeuvre("course", 5)], "A", 5)[0]


def test_car_rests_on_its_scales(course: Driven) -> None:
    still = course.time < STANDING
    for corner in CORNERS:
        assert course.load[corner][still].mean() == pytest.approx(ENGINE_CAR.static_load(corner), rel=2e-3)
        assert np.abs(course.damper[corner][still]).max() < 1e-3
    assert course.force[still].mean(axis=0) == pytest.approx([0.0, 0.0, GRAVITY], abs=0.02)


def test_small_forces_obey_the_hand_balance() -> None:
    settled = quasi_static(ENGINE_CAR)
    first = settled.body_force.size // 2 + 1
    force = settled.body_force[first]
    held = sum(_stiffness(axle) * settled.roll[name][first] for name, axle, _ in _axles(ENGINE_CAR))
    assert held / force == pytest.approx(_moment(ENGINE_CAR), rel=0.006)


def test_moving_contacts_take_moment_off_the_springs() -> None:
    """K phi = M f_y - sum of m phi (h_rc f_z + h_s f_y^2 / f_z), the balance of `processing.moment_arm`."""
    settled = quasi_static(ENGINE_CAR)
    force, height = settled.body_force, ENGINE_CAR.sprung_height
    up = np.sqrt(GRAVITY**2 + settled.lateral**2 - force**2)
    held, moved = np.zeros_like(force), np.zeros_like(force)
    for name, axle, sprung in _axles(ENGINE_CAR):
        roll = settled.roll[name]
        held += _stiffness(axle) * roll
        moved += sprung * roll * (axle.roll_centre * up + height * force**2 / up)
    part = held[force > 1.0] / (_moment(ENGINE_CAR) * force[force > 1.0])
    whole = (held + moved)[force > 1.0] / (_moment(ENGINE_CAR) * force[force > 1.0])
    level = force[force > 1.0] / GRAVITY
    assert whole[level < 0.5] == pytest.approx(1.0, abs=0.002)
    assert whole[level < 1.06] == pytest.approx(1.0, abs=0.008)
    # The textbook balance with a fixed roll axis misses by up to 3 %.
    assert part[level < 0.2] == pytest.approx(0.996, abs=0.001)
    assert part[level < 1.06].min() < 0.975


def test_bar_has_the_stiffness_it_is_given() -> None:
    # Stiffness of the front axle from the engine's own roll, with the bar and without it.
    found = {}
    for factor in (1.0, 0.0):
        car = ENGINE_CAR.with_front_bar(factor)
        settled = quasi_static(car)
        first = settled.body_force.size // 2 + 1
        force, roll = settled.body_force[first], settled.roll
        found[factor] = (_moment(car) * force - _stiffness(car.rear) * roll["rear"][first]) / roll["front"][
            first
        ]
    front = ENGINE_CAR.front
    bar = front.bar_rate * front.bar_ratio**2 * front.track**2 / 2.0
    assert found[1.0] - found[0.0] == pytest.approx(bar, rel=0.01)


def test_loads_carry_the_weight_and_the_moment_about_the_ground() -> None:
    settled = quasi_static(ENGINE_CAR)
    plan = Plan(*(np.full(3000, v) for v in (15.0, 0.0, 0.0, 0.0)))
    turning = 6.0 / 15.0 * np.clip(plan.time / 1.5, 0.0, 1.0)
    driven = drive_plans(ENGINE_CAR, [Plan(plan.speed, turning, plan.bank, plan.slip)])[0]
    loads = {c: driven.load[c][-1] for c in CORNERS}
    assert sum(loads.values()) == pytest.approx(ENGINE_CAR.mass * GRAVITY, rel=1e-3)
    transfer = sum(
        (loads[f"{letter}R"] - loads[f"{letter}L"]) * axle.track / 2.0
        for letter, axle in (("F", ENGINE_CAR.front), ("R", ENGINE_CAR.rear))
    )
    # Moment of all masses in a left turn, and the body's weight leaning outwards about the ground.
    leaning = ENGINE_CAR.sprung * GRAVITY * ENGINE_CAR.sprung_height * driven.body_roll[-1]
    assert transfer == pytest.approx(ENGINE_CAR.mass * 6.0 * ENGINE_CAR.cg_height + leaning, rel=0.02)
    assert np.interp(6.0, settled.lateral, settled.left_share["front"]) == pytest.approx(
        loads["FL"] / (loads["FL"] + loads["FR"]), abs=2e-3
    )


@pytest.mark.parametrize(
    ("bank", "across", "up"),
    # Body axes of a car that does not roll, 1 g centripetal: statics of the free body on a bank.
    [(0.0, 1.0, 1.0), (10.0, 0.811, 1.158), (20.0, 0.598, 1.282)],
)
def test_banked_turn_reads_as_statics_say(bank: float, across: float, up: float) -> None:
    count = 10
    plan = Plan(
        np.full(count, 15.0),
        np.full(count, GRAVITY / 15.0),
        np.full(count, math.radians(bank)),
        np.zeros(count),
    )
    force = plan.force()[-1] / GRAVITY
    assert force == pytest.approx([0.0, across, up], abs=6e-4)
    # The nose 30 degrees inside the path sees the same force partly from ahead.
    slipped = (
        Plan(plan.speed, plan.turning, plan.bank, np.full(count, math.radians(30.0))).force()[-1] / GRAVITY
    )
    assert np.hypot(slipped[0], slipped[1]) == pytest.approx(across, abs=6e-4)
    assert slipped[0] > 0


def test_bank_turns_the_frame_about_its_axes() -> None:
    # A car on a banked circle: the vertical turning shows in yaw and in pitch (statics of directions).
    count = 10
    bank = math.radians(20.0)
    plan = Plan(np.full(count, 15.0), np.full(count, 0.6), np.full(count, bank), np.zeros(count))
    assert plan.spin()[5] == pytest.approx([0.0, -0.6 * math.sin(bank), 0.6 * math.cos(bank)])
    rolling = Plan(plan.speed, 0.0 * plan.speed, np.linspace(0.0, 0.009, count), 0.0 * plan.speed)
    assert rolling.spin()[5] == pytest.approx([-0.001 / STEP, 0.0, 0.0])


def test_accelerometer_obeys_rigid_body_kinematics(course: Driven) -> None:
    arm = np.array(ENGINE_CAR.imu)
    turning = np.gradient(course.rate, STEP, axis=0)
    expected = course.cg_force + np.cross(turning, arm) + np.cross(course.rate, np.cross(course.rate, arm))
    assert np.abs(expected - course.force)[100:-100].max() < 0.02
    assert np.abs(course.cg_force - course.force).max() > 0.3


def test_road_is_class_a_of_the_standard() -> None:
    # ISO 8608 class A over its band: rms height 3.806 mm (integral of 16e-6 (n / 0.1)^-2 from 0.011 to 2.83).
    heights = [profiles(4000.0, 1.54, "A", seed)[1:] for seed in range(4)]
    both = np.array(heights)
    assert np.sqrt((both**2).mean()) == pytest.approx(3.806e-3, rel=0.1)
    # Left and right agree in long waves and not in short ones.
    apart = both[:, 0] - both[:, 1]
    assert np.sqrt((apart**2).mean()) < 0.6 * math.sqrt(2.0) * 3.806e-3
    rough = profiles(4000.0, 1.54, "B", 0)[1]
    assert rough.std() / both[0, 0].std() == pytest.approx(2.0, rel=1e-6)


def test_forces_brought_on_slowly_give_the_quasi_static_curve() -> None:
    plan = manoeuvre("sweep", 2)
    slow = drive_plans(ENGINE_CAR, [slowed(plan, 1.5)])[0]
    settled = quasi_static(ENGINE_CAR)
    force = slow.cg_force[:, 1]
    found = np.polyfit(force, slow.roll["front"], 1)[0]
    curve = np.polyfit(force, np.interp(force, settled.body_force, settled.roll["front"]), 1)[0]
    assert found == pytest.approx(curve, rel=2e-3)


def test_stop_pushes_only_past_its_gap() -> None:
    early = ENGINE_CAR.with_both(stop_gap=0.010)
    plan = manoeuvre("sweep", 1)
    free, stopped = drive_plans(ENGINE_CAR, [plan])[0], drive_plans(early, [plan])[0]
    shallow = np.abs(free.cg_force[:, 1]) < 1.5
    for corner in CORNERS:
        assert stopped.damper[corner][shallow] == pytest.approx(free.damper[corner][shallow], abs=5e-4)
        assert stopped.damper[corner].max() < free.damper[corner].max() - 1e-3


def test_free_play_leaves_a_soft_zone() -> None:
    loose = ENGINE_CAR.with_both(free_play=0.004)
    plan = manoeuvre("sweep", 1)
    firm, soft = (drive_plans(car, [plan])[0] for car in (ENGINE_CAR, loose))
    unhooked = drive_plans(loose.with_both(bar_rate=0.0), [plan])[0]
    small = np.abs(firm.cg_force[:, 1]) < 0.5
    assert soft.roll["front"][small] == pytest.approx(unhooked.roll["front"][small], abs=3e-5)
    assert soft.roll["front"].max() > firm.roll["front"].max()
