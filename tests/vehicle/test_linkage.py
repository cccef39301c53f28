"""Levers and links over full travel, against independent large-rotation solutions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import minimize
from vehicle.bar_helpers import BOLT, LENGTH, LEVERS, SPACER, SPACING, TUBE_INERTIA, bladed, formed

from analyzer.sheets.bar import Link
from analyzer.vehicle.bar.beam import internal_forces, solve
from analyzer.vehicle.bar.linkage import (
    Linkage,
    bar_motion,
    link_motion,
    linkage,
    rate_over_travel,
)
from analyzer.vehicle.bar.pieces import blade_state, bladed_model, formed_model


def turn_by_search(lever: float, length: float, angle: float, travel: float) -> float:
    """The lever's turn by walking in small steps and closing the link's length by Newton on the residual."""
    low = np.array([lever - length * math.sin(angle), -length * math.cos(angle)])
    turn = 0.0
    for part in np.linspace(0.0, 1.0, 201)[1:]:
        end = low + np.array([0.0, part * travel / math.cos(angle)])
        for _ in range(20):
            tip = lever * np.array([math.cos(turn), math.sin(turn)])
            rest = float((tip - end) @ (tip - end)) - length**2
            slope = 2.0 * float((tip - end) @ (lever * np.array([-math.sin(turn), math.cos(turn)])))
            turn -= rest / slope
    return turn


@pytest.mark.parametrize("angle", [-0.3, 0.0, 0.25])
@pytest.mark.parametrize("travel", [-0.06, -0.02, 0.04, 0.08])
def test_turn_of_the_lever_against_a_search(angle: float, travel: float) -> None:
    found = link_motion(0.2, 0.14, angle, np.array([travel]))
    assert found.lever_angle[0] == pytest.approx(turn_by_search(0.2, 0.14, angle, travel), abs=1e-9)


def test_gain_is_the_slope_of_the_turn() -> None:
    step = 1e-6
    travel = np.array([-0.05, 0.0, 0.03])
    found = link_motion(0.18, 0.12, 0.2, travel)
    up = link_motion(0.18, 0.12, 0.2, travel + step).lever_angle
    down = link_motion(0.18, 0.12, 0.2, travel - step).lever_angle
    assert found.gain == pytest.approx((up - down) / (2.0 * step), rel=1e-6)
    assert found.gain[1] * 0.18 * math.cos(0.2) == pytest.approx(1.0, rel=1e-9)


def test_rate_over_travel_against_least_energy() -> None:
    """Large rotations by another road: both levers free, links as stiff springs, energy made least by a
    general minimiser; the force is what the moved link ends then carry."""
    lever, length, angle, rate, stiff = 0.15, 0.12, 0.15, 100e3, 1e9

    def lever_force(travel: float) -> float:
        ends = []
        for side in (1.0, -1.0):
            low = [
                lever - length * math.sin(angle),
                -length * math.cos(angle) + side * travel / math.cos(angle),
            ]
            ends.append(np.array(low))
        torsion = rate * (lever * math.cos(angle)) ** 2 / 2.0

        def lengths(turns: np.ndarray) -> list[float]:
            tips = [lever * np.array([math.cos(t), math.sin(t)]) for t in turns]
            return [float(np.linalg.norm(tip - end)) - length for tip, end in zip(tips, ends, strict=True)]

        def energy(turns: np.ndarray) -> float:
            rest = lengths(turns)
            return 0.5 * torsion * (turns[0] - turns[1]) ** 2 + 0.5 * stiff * sum(r * r for r in rest)

        start = np.array([turn_by_search(lever, length, angle, s * travel) for s in (1.0, -1.0)])
        best = minimize(
            energy, start, method="Nelder-Mead", options={"xatol": 1e-13, "fatol": 1e-13, "maxiter": 4000}
        )
        forces = []
        for turn, end, rest in zip(best.x, ends, lengths(best.x), strict=True):
            tip = lever * np.array([math.cos(turn), math.sin(turn)])
            along = (tip - end) / np.linalg.norm(tip - end)
            forces.append(-stiff * rest * along[1] / math.cos(angle))
        return (forces[0] - forces[1]) / 2.0

    for travel in (0.005, 0.03, 0.06):
        found = float(rate_over_travel(rate, lever, length, angle, np.array([travel]))[0])
        assert found == pytest.approx(lever_force(travel) / travel, rel=2e-3)


def test_small_travel_gives_the_static_rate_and_large_travel_hardens() -> None:
    rates = rate_over_travel(100e3, 0.2, 0.15, 0.0, np.array([0.0, 1e-6, 0.05, 0.09]))
    assert rates[0] == 100e3
    assert rates[1] == pytest.approx(100e3, rel=1e-6)
    assert rates[0] < rates[2] < rates[3]


def test_short_lever_moves_more_and_is_warned_of() -> None:
    link = bladed(link={"length": "0.12 m"}).link
    calm = bar_motion(100e3, Linkage(0.236), link, 0.58, 0.065, 0.065)
    short = bar_motion(100e3, Linkage(0.11), link, 1.0, 0.065, 0.065)
    over = bar_motion(100e3, Linkage(0.06), link, 1.2, 0.065, 0.065)
    assert not calm.warnings
    assert calm.twist is not None
    assert short.twist is not None
    assert short.twist > 2.0 * calm.twist
    assert over.twist is None
    assert over.rate_change is None
    assert any("over centre" in line for line in over.warnings)
    assert over.least_meeting_angle == 0.0
    nearly = bar_motion(100e3, Linkage(0.085), link, 1.0, 0.065, 0.065)
    assert any("of one line" in line for line in nearly.warnings)
    low, high = calm.lever_range
    assert low < 0.0 < high


def test_over_centre_is_where_lever_and_link_lie_in_one_line() -> None:
    """Dead centre of a slider: the lower end can rise no further than lever + link reach."""
    lever, length = 0.06, 0.12
    # In droop the lower end goes down until the distance to the axis is lever + length.
    farthest = math.sqrt((lever + length) ** 2 - lever**2) - length
    travel = -np.array([farthest - 1e-5, farthest + 1e-5])
    found = link_motion(lever, length, 0.0, travel)
    assert not np.isnan(found.lever_angle[0])
    assert np.isnan(found.lever_angle[1])
    assert found.meeting_angle[0] < 0.05


def test_rod_ends_bind() -> None:
    table = {"length": "0.12 m", "lean": "8 deg", "lower_bolt": "along car", "rod_end_limit": "10 deg"}
    leaning = Link.model_validate(table)
    upright = Linkage(0.15, lean=math.radians(8.0))
    found = bar_motion(100e3, upright, leaning, 1.0, 0.065, 0.065)
    swing = float(np.abs(found.side.link_angle).max())
    assert math.cos(found.misalignment) == pytest.approx(math.cos(swing) * math.cos(math.radians(8.0)))
    assert any("binds" in line for line in found.warnings)
    free = Link.model_validate({**table, "lower_bolt": "along tube"})
    assert not bar_motion(100e3, upright, free, 1.0, 0.065, 0.065).warnings
    silent = bar_motion(100e3, upright, Link.model_validate({"lean": "8 deg"}), 1.0, 0.03, 0.03)
    assert any("rod_end_limit" in line for line in silent.assumed)
    assert any("link.length" in line for line in silent.assumed)


def test_spacers_tilt_the_upper_rod_end_under_load() -> None:
    """By hand: four spacers, e outboard, in the outermost hole of a bar without lean.

    Per force the bolt's end turns by e^2 / 2 E I (bolt), e (a - r) / G J (blade, 36 x 7: J = 3612 mm^4),
    (c + e) S / 6 E I + ((c + e)^2 - e^2) / 2 E I (tube, overhang c) and by 2 (1 + 2 (c + e) / S) / (S k)
    (mounts).
    """
    bar = bladed(link={"length": "0.14 m", "rod_end_limit": "3 deg"})
    state = blade_state(bar, 1, 4)
    model = bladed_model(bar, state, state)
    solution = solve(model)
    found = linkage(model, solution.loads)
    e, c, span, a = 4.0 * SPACER, (LENGTH - SPACING) / 2.0, SPACING, LEVERS[0]
    bolt = 207e9 * math.pi * BOLT**4 / 64.0
    tube = 200e9 * TUBE_INERTIA
    wanted = e**2 / (2.0 * bolt) + e * a / (79.5e9 * 3612e-12)
    wanted += (c + e) * span / (6.0 * tube) + ((c + e) ** 2 - e**2) / (2.0 * tube)
    wanted += 2.0 * (1.0 + 2.0 * (c + e) / span) / (span * 20e6)
    assert found.tilt == pytest.approx(wanted, rel=2e-3)
    motion = bar_motion(float(solution.rate), found, bar.link, 0.58, 0.06, 0.08)
    assert motion.twist is not None
    force = float(solution.rate) * found.lever * motion.twist / 2.0
    ends = motion.side.link_angle[[0, -1]] - motion.side.lever_angle[[0, -1]]
    assert motion.tilt[[0, -1]] == pytest.approx(wanted * force * np.cos(ends), rel=0.01)
    assert math.degrees(motion.misalignment) > 3.0
    assert motion.binds_at is not None
    assert abs(motion.binds_at) < 0.08
    assert any("a rod end binds" in line and "80 mm of droop" in line for line in motion.warnings)
    none = linkage(bladed_model(bar, *[blade_state(bar, 1, 0)] * 2), solution.loads)
    assert abs(none.tilt) < 0.6 * found.tilt


def test_lean_and_tilt_add_up_in_one_way_of_travel() -> None:
    """A link that leans has its foot outboard; droop tilts the bolt further away from it, bump towards it."""
    link = Link.model_validate({"length": "0.14 m"})
    for lean in (0.05, -0.05):
        found = bar_motion(100e3, Linkage(0.25, lean=lean, tilt=2e-5), link, 0.6, 0.06, 0.06)
        force = 100e3 * 0.25 * float(np.ptp(found.side.lever_angle)) / 2.0
        assert found.misalignment == pytest.approx(0.05 + 2e-5 * force, rel=0.03)
        worst = found.wheel[int(np.nanargmax(found.tilt))]
        assert worst * lean < 0.0


def test_linkage_of_a_sheet() -> None:
    bar = bladed(link={"angle": "12 deg", "lean": "5 deg"})
    state = blade_state(bar, 1, 2)
    model = bladed_model(bar, state, state)
    found = linkage(model)
    assert found.lever == pytest.approx(LEVERS[0])
    assert math.degrees(found.angle) == pytest.approx(12.0)
    assert math.degrees(found.lean) == pytest.approx(5.0)
    # Torque per link force from the statics: the tube's torque over the left link's unit force.
    tube = next(p for p in model.pieces if p.part == "tube" and p.side == "middle")
    _, moment, _ = internal_forces(tube, model, solve(model).loads, np.array([0.5]))
    assert abs(float(moment.x[0])) == pytest.approx(found.effective_lever, rel=1e-9)


def test_linkage_of_a_bent_bar_with_dropped_arms() -> None:
    """An arm that drops 40 mm over 200 mm makes a vertical link stand 11.3 degrees off square."""
    corners = [(0.2, 0.45, -0.04), (0.0, 0.45, 0.0), (0.0, -0.45, 0.0), (0.2, -0.45, -0.04)]
    bar = formed(
        outside_diameter="22 mm",
        points=[{"x": f"{x} m", "y": f"{y} m", "z": f"{z} m"} for x, y, z in corners],
        mounts={"left": "0.4 m", "right": "-0.4 m"},
    )
    found = linkage(formed_model(bar))
    assert found.lever == pytest.approx(math.hypot(0.2, 0.04))
    assert abs(found.angle) == pytest.approx(math.atan2(0.04, 0.2))
    assert found.angle < 0.0
    assert found.effective_lever == pytest.approx(0.2)
    told = "link.angle: not stated, upright taken, 11 deg off square to the lever"
    assert told in bar_motion(50e3, found, None, 0.6, 0.05, 0.05).assumed
    stated = Link.model_validate({"angle": "0 deg"})
    assert told not in bar_motion(50e3, found, stated, 0.6, 0.05, 0.05).assumed
