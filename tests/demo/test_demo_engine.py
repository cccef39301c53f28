"""The virtual car against closed forms: statics, steady corners, bank, roll mode, energy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from demo.drive_helpers import TEAL_COUPE, bars_of, bend_plan, settled

import analyzer.demo.engine as engine_room
from analyzer.demo.engine import Engine
from analyzer.demo.sample_session import axle_roll, roll_stiffness
from analyzer.demo.virtual_car import GRAVITY, CarTruth
from analyzer.demo.virtual_course import ground_chunks

G = GRAVITY


def with_axles(car: CarTruth, **changes: float) -> CarTruth:
    return replace(car, front=replace(car.front, **changes), rear=replace(car.rear, **changes))


def elastic_moment(car: CarTruth) -> float:
    """Moment the springs carry per g of lateral force [N m]: sprung arms, and wheels less their camber."""
    total = 0.0
    for axle, loads in ((car.front, car.loads[:2]), (car.rear, car.loads[2:])):
        sprung = sum(loads) / G - axle.unsprung
        total += sprung * (car.sprung_cg_height - axle.roll_centre)
        total += axle.unsprung * axle.wheel_radius * (1.0 - axle.camber_gain * axle.track / 2.0)
    return total * G


def test_standing_still() -> None:
    plan = bend_plan(np.array([0.0]), np.array([0.0]), np.array([0.0]), 1.0)
    motion, mean = settled(TEAL_COUPE, plan)
    assert mean["load"][0] == pytest.approx(TEAL_COUPE.loads, rel=1e-6)
    assert mean["load"].sum() == pytest.approx(TEAL_COUPE.mass * G, rel=1e-9)
    assert mean["force"][0] == pytest.approx([0.0, 0.0, G], abs=1e-6)
    assert np.max(np.abs(motion.travel)) < 1e-7


def test_load_transfer_and_roll_on_the_level() -> None:
    """Outer share 0.5 + h a / (t g) (statics; any textbook), and the roll balance of both axles.

    The rolled body's mass stands off-centre, which adds up to m g h phi; so the share lies a little above.
    """
    level = np.array([-0.3, 0.3])
    plan = bend_plan(np.full(2, 15.0), level * G / 15.0**2, np.zeros(2), 5.0)
    _, mean = settled(TEAL_COUPE, plan)
    track = 0.5 * (TEAL_COUPE.front.track + TEAL_COUPE.rear.track)
    right = mean["load"][:, [1, 3]].sum(1) / mean["load"].sum(1)
    middle = right.mean()
    share = 0.5 + (right - middle)[1]
    textbook = 0.5 + TEAL_COUPE.cg_height * 0.3 / track
    assert textbook < share < textbook + 0.012
    assert mean["load"].sum(1) == pytest.approx([TEAL_COUPE.mass * G] * 2, rel=1e-3)
    rates = roll_stiffness(TEAL_COUPE, bars_of(TEAL_COUPE))
    front, rear = (
        np.degrees(axle_roll(mean["travel"][:, part], axle.track))
        for part, axle in ((slice(0, 2), TEAL_COUPE.front), (slice(2, 4), TEAL_COUPE.rear))
    )
    carried = (rates["front"] * front + rates["rear"] * rear) / (mean["force"][:, 1] / G)
    assert carried == pytest.approx([elastic_moment(TEAL_COUPE)] * 2, rel=0.01)


def test_unsprung_moment_reaches_the_springs_unless_wheels_stay_upright() -> None:
    """Camber gain 2 / track keeps the wheels upright, and the springs then carry the sprung mass alone."""
    upright = replace(
        TEAL_COUPE,
        front=replace(TEAL_COUPE.front, camber_gain=2.0 / TEAL_COUPE.front.track),
        rear=replace(TEAL_COUPE.rear, camber_gain=2.0 / TEAL_COUPE.rear.track),
    )
    plain = with_axles(TEAL_COUPE, camber_gain=0.0)
    carried = []
    for car in (upright, plain):
        plan = bend_plan(np.array([15.0]), np.array([0.2 * G / 225.0]), np.zeros(1), 5.0)
        _, mean = settled(car, plan)
        rates = roll_stiffness(car, bars_of(car))
        angles = np.degrees(
            [
                axle_roll(mean["travel"][0, :2], car.front.track),
                axle_roll(mean["travel"][0, 2:], car.rear.track),
            ]
        )
        carried.append((rates["front"] * angles[0] + rates["rear"] * angles[1]) / (mean["force"][0, 1] / G))
    wheels = sum(axle.unsprung * axle.wheel_radius for axle in (plain.front, plain.rear)) * G
    assert carried[1] - carried[0] == pytest.approx(wheels, rel=0.05)
    assert wheels > 0.08 * carried[0]


def test_bank_against_statics() -> None:
    """On a bank th at centripetal a: f_y = a cos th - g sin th, f_z = g cos th + a sin th (free body).

    At the neutral speed a = g tan th the car feels no side force and 1 / cos th: 1.0306 g at 14 degrees.
    """
    bank = np.array([14.0, 14.0, 10.0])
    centripetal = np.array([np.tan(np.radians(14.0)), 0.8, 1.0]) * G
    speed = 20.0
    plan = bend_plan(np.full(3, speed), centripetal / speed**2, bank, 6.0)
    _, mean = settled(TEAL_COUPE, plan)
    force = mean["force"] / G
    assert force[0, 1] == pytest.approx(0.0, abs=0.01)
    assert force[0, 2] == pytest.approx(1.0306, abs=0.004)
    normal = mean["load"].sum(1) / (TEAL_COUPE.mass * G)
    th = np.radians(bank)
    assert normal == pytest.approx(np.cos(th) + centripetal / G * np.sin(th), rel=0.008)
    assert normal[2] == pytest.approx(1.158, rel=0.008)  # 10 degrees, 1 g
    size = np.hypot(force[:, 1], force[:, 2])
    assert size == pytest.approx(np.hypot(centripetal / G, 1.0), rel=0.003)


def free_engine(car: CarTruth) -> tuple[Engine, list]:
    plan = bend_plan(np.array([15.0]), np.zeros(1), np.zeros(1), 3.0)
    engine = Engine(car, bars_of(car))
    grounds = list(ground_chunks(plan, car))
    engine.start(grounds[0].pose[0])
    return engine, grounds


def modes(car: CarTruth) -> tuple[np.ndarray, np.ndarray]:
    """Eigenvalues and shapes of small motions about straight running at 15 m/s, driver's hands off."""
    engine, grounds = free_engine(car)
    rest = (engine.place.copy(), engine.velocity.copy())

    def rates(state: np.ndarray) -> np.ndarray:
        a, b, c = state[3:6]
        engine.place, engine.velocity = rest[0] + state[:3], rest[1] + state[10:13]
        engine.turn[0] = np.eye(3) + np.array([[0.0, -c, b], [c, 0.0, -a], [-b, a, 0.0]])
        engine.turning[0], engine.travel[0], engine.travel_speed[0] = state[13:16], state[6:10], state[16:20]
        engine.asked[:] = 0.0
        engine._skew()
        engine._geometry(grounds[0].steer[0])
        return np.concatenate([state[10:], engine._accelerations(engine._tyres(grounds[0], 1))[0]])

    step = 1e-6
    matrix = np.stack([(rates(step * e) - rates(-step * e)) / (2.0 * step) for e in np.eye(20)], axis=1)
    values, shapes = np.linalg.eig(matrix)
    swinging = values.imag > 1.0
    return values[swinging], np.abs(shapes[3:10, swinging])


def roll_mode(car: CarTruth) -> complex:
    """The slowest mode in which the body mainly rolls."""
    values, shapes = modes(car)
    rolling = shapes[0] > 3.0 * shapes[1]  # roll angle against pitch angle
    body = rolling & (shapes[0] > 0.5 * shapes[3:].max(0))
    return complex(values[body][np.argmin(np.abs(values[body]))])


def test_roll_mode_against_closed_form(monkeypatch: pytest.MonkeyPatch) -> None:
    """Roll centres on the ground, no side grip, no damping: the body turns about its own CG.

    w^2 = (K - m g h) / I with springs and tyres in series, the wheels carried sideways along.
    """
    monkeypatch.setattr(engine_room, "HOLD", 0.0)
    car = with_axles(
        TEAL_COUPE,
        roll_centre=0.0,
        roll_centre_drop=0.0,
        camber_gain=0.0,
        tyre_slip=0.0,
        friction=0.0,
        bump_damping=10.0,
        rebound_damping=10.0,
        tyre_damping=0.0,
    )
    rates = roll_stiffness(car, bars_of(car))
    stiffness = 0.0
    for axle, name in ((car.front, "front"), (car.rear, "rear")):
        spring, tyre = np.degrees(rates[name]), 0.5 * axle.tyre_rate * axle.track**2
        stiffness += spring * tyre / (spring + tyre)
    height = car.mass * G * car.cg_height
    frequency = np.sqrt((stiffness - height) / car.roll_inertia) / (2.0 * np.pi)
    assert abs(roll_mode(car)) / (2.0 * np.pi) == pytest.approx(frequency, rel=0.04)


def test_roll_mode_is_that_of_a_stiff_car(monkeypatch: pytest.MonkeyPatch) -> None:
    """Published road cars of 7-9 deg/g roll at 2.0-2.1 Hz, 0.2-0.3 damped; this one has 1.5 deg/g."""
    monkeypatch.setattr(engine_room, "HOLD", 0.0)
    value = roll_mode(with_axles(TEAL_COUPE, friction=0.0))
    assert 1.5 < abs(value) / (2.0 * np.pi) < 3.0
    assert 0.2 < -value.real / abs(value) < 0.6


def energy(engine: Engine) -> float:
    """Mechanical energy above static rest [J]; springs, bars and tyres linear."""
    car, w = engine.car, engine.travel[0]
    velocity = np.concatenate(
        [engine.turn[0].T @ engine.velocity[0], engine.turning[0], engine.travel_speed[0]]
    )
    jacobian = engine.J[0].reshape(12, 10)
    moving = 0.5 * velocity @ (jacobian.T @ jacobian + engine.block) @ velocity
    centres = engine.place[0] + engine.centre[0] @ engine.turn[0].T
    contacts = engine.place[0] + (engine.contact_0 + np.stack([0 * w, 0 * w, w], 1)) @ engine.turn[0].T
    height = car.sprung_mass * engine.place[0, 2] + np.sum(engine.mass * centres[:, 2])
    rate = car.per_wheel("spring_rate") * car.per_wheel("motion_ratio") ** 2
    springs = np.sum(engine.suspension.static * w + 0.5 * rate * w**2)
    bars = np.sum(engine.suspension.bars[0, ::2] * (w[::2] - w[1::2]) ** 2) / 4.0
    squash = engine.squash_0 - contacts[:, 2]
    return float(moving + G * height + springs + bars + 0.5 * np.sum(engine.tyre_rate * squash**2))


def bounce(car: CarTruth) -> np.ndarray:
    engine, grounds = free_engine(car)
    engine.velocity[:, 2] = -0.3
    energies = []
    for ground in grounds:
        for k in range(ground.steer.shape[0]):
            engine._geometry(ground.steer[k])
            energies.append(energy(engine))
            engine.step(ground, k)
    drop = 0.5 * car.sprung_mass * 0.3**2
    return (np.array(energies) - energies[0]) / drop


def test_energy_is_kept_without_dampers_and_lost_with_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine_room, "HOLD", 0.0)
    free = with_axles(
        TEAL_COUPE, bump_damping=0.0, rebound_damping=0.0, friction=0.0, tyre_damping=0.0, tyre_slip=0.0
    )
    kept = bounce(free)
    assert np.max(np.abs(kept)) < 0.03
    lost = bounce(TEAL_COUPE)
    assert np.max(lost) < 0.01
    assert lost[-1] < -0.93


def test_stop_force_grows_and_turns_to_metal() -> None:
    suspension = Engine(TEAL_COUPE, bars_of(TEAL_COUPE)).suspension
    gap = TEAL_COUPE.per_wheel("stop_gap")
    full = TEAL_COUPE.per_wheel("full_bump")
    touched = suspension.stop_force(np.full(4, 0.004))
    assert touched == pytest.approx(TEAL_COUPE.per_wheel("stop_rate") * 0.004 * 1.2, rel=1e-12)
    past = suspension.stop_force(full - gap + 0.001) - suspension.stop_force(full - gap)
    assert np.all(past > 2000.0)
    assert np.all(suspension.stop_force(np.full(4, -0.001)) == 0.0)
