"""Masses and roll moment from a sheet, against statics worked by hand."""

import math

import pytest

from analyzer.sheets.car import CarSheet
from analyzer.vehicle.axle import DEFAULT_CAMBER_GAIN, camber_gain, mass_properties


def axle(**changes):
    table = {
        "track_width": "1.5 m",
        "roll_centre_height": "0.1 m",
        "wheel_radius": "0.3 m",
        "camber_gain": "0 deg/m",
        "spring": {"rate": "50 N/mm", "motion_ratio": 1.0},
    }
    return table | changes


def car(front=None, rear=None):
    return CarSheet.model_validate(
        {
            "name": "box",
            "mass": {
                "corner_loads": {"FL": "300 kgf", "FR": "300 kgf", "RL": "200 kgf", "RR": "200 kgf"},
                "unsprung": {"front": "80 kg", "rear": "100 kg"},
                "cg_height": "0.5 m",
                "wheelbase": "2.5 m",
            },
            "front": front or axle(),
            "rear": rear or axle(),
        }
    )


def test_sprung_cg_by_moments():
    masses = mass_properties(car())
    assert masses.total == pytest.approx(1000.0)
    assert masses.sprung == pytest.approx(820.0)
    # 1000 x 0.5 = 820 h_s + 180 x 0.3
    assert masses.sprung_cg_height == pytest.approx((500.0 - 54.0) / 820.0)
    assert masses.front.sprung == pytest.approx(520.0)
    # lever: rear sprung mass share of the wheelbase lies ahead of the CG
    assert masses.front_axle_distance == pytest.approx(2.5 * 300.0 / 820.0)
    assert masses.front_axle_distance + masses.rear_axle_distance == pytest.approx(2.5)


def test_moment_about_ground_roll_centres_is_that_of_the_whole_car():
    """Roll centres on the ground, no camber gain: springs carry the moment of all mass about ground."""
    flat = axle(roll_centre_height="0 mm")
    masses = mass_properties(car(flat, flat))
    assert masses.elastic_moment == pytest.approx(1000.0 * 0.5)


def test_solid_axle_keeps_its_unsprung_moment_off_the_springs():
    masses = mass_properties(car(rear=axle(suspension="solid axle", spring_base="1.1 m")))
    assert masses.rear.unsprung_share == pytest.approx(0.0)
    assert masses.rear.elastic_moment == pytest.approx(masses.rear.sprung * masses.rear.roll_arm)


def test_camber_gain_shares_the_unsprung_moment():
    masses = mass_properties(car(front=axle(camber_gain="20 deg/m")))
    assert masses.front.unsprung_share == pytest.approx(1.0 - math.radians(20.0) * 0.75)
    silent = axle()
    del silent["camber_gain"]
    assert camber_gain(car(front=silent).front) == DEFAULT_CAMBER_GAIN
