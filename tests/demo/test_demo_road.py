"""The demo's road surface against ISO 8608, and the shape of the course."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from analyzer.demo.virtual_course import (
    BAND,
    CLASS_MEAN,
    DRIVE_COLUMNS,
    KETTLE_YARD,
    STEP,
    TRACK_GAP,
    Manner,
    coherence,
    course_length,
    course_table,
    rough_surface,
)

# Rms height in the band 0.011-2.83 cycles/m and rms vertical speed at 20 m/s that follow from the class means
# of ISO 8608:2016 Table C.2 (A 16, B 64 in 1e-6 m3 at 0.1 cycles/m) and the exponent 2.
RMS_HEIGHT = {"A": 3.806e-3, "B": 7.613e-3}
RMS_SPEED = {"A": 0.0844, "B": 0.1688}


@pytest.mark.parametrize("road_class", ["A", "B"])
def test_height_and_speed_of_a_class(road_class: str) -> None:
    rng = np.random.default_rng(3)
    heights, speeds = [], []
    for _ in range(12):
        profile = rough_surface(1600.0, CLASS_MEAN[road_class], rng, smooth=False).height
        waves = np.fft.rfftfreq(profile.shape[0], STEP)
        climb = np.fft.irfft(np.fft.rfft(profile, axis=0) * (2j * np.pi * waves)[:, None], axis=0)
        heights.append(np.mean(profile**2))
        speeds.append(np.mean((20.0 * climb) ** 2))
    assert np.sqrt(np.mean(heights)) == pytest.approx(RMS_HEIGHT[road_class], rel=0.06)
    assert np.sqrt(np.mean(speeds)) == pytest.approx(RMS_SPEED[road_class], rel=0.03)


def test_spectrum_has_the_slope_of_the_standard() -> None:
    profile = rough_surface(3000.0, CLASS_MEAN["A"], np.random.default_rng(1), smooth=False).height
    waves = np.fft.rfftfreq(profile.shape[0], STEP)
    power = np.mean(np.abs(np.fft.rfft(profile, axis=0)) ** 2, axis=1)
    inside = (waves > BAND[0]) & (waves < BAND[1])
    edges = np.geomspace(BAND[0], BAND[1], 9)
    bands = [(waves >= low) & (waves < high) for low, high in pairwise(edges[2:])]
    centre, mean = (np.log([np.mean(a[band]) for band in bands]) for a in (waves, power))
    # The mean of n^-2 over a band of ratio r lies above that at the mean n, by the same factor in each band.
    assert np.polyfit(centre, mean, 1)[0] == pytest.approx(-2.0, abs=0.06)
    outside = ~((waves >= BAND[0]) & (waves <= BAND[1]))
    assert power[outside].max() < 1e-12 * power[inside].max()


def test_left_and_right_tracks_share_long_waves_only() -> None:
    rng = np.random.default_rng(2)
    cross, direct = 0.0, 0.0
    for _ in range(20):
        surface = rough_surface(400.0, CLASS_MEAN["A"], rng, smooth=False).height
        spectrum = np.fft.rfft(surface, axis=0)
        cross = cross + (spectrum[:, 3] * spectrum[:, 5].conj()).real
        direct = direct + np.abs(spectrum[:, 3]) ** 2
    waves = np.fft.rfftfreq(surface.shape[0], STEP)
    for low, high in ((0.02, 0.1), (0.2, 0.4), (1.0, 2.0)):
        band = (waves > low) & (waves < high)
        weight = waves[band] ** 2
        seen = np.sum((cross * 1.0)[band] * weight) / np.sum(direct[band] * weight)
        wanted = np.mean(coherence(waves[band], np.array(2 * TRACK_GAP)))
        assert seen == pytest.approx(wanted, abs=0.06)


def test_surface_between_its_points() -> None:
    surface = rough_surface(200.0, CLASS_MEAN["B"], np.random.default_rng(4))
    at = surface.at(np.array([100 * STEP, 100.5 * STEP]), np.array([0.0, 0.0]))
    assert at[0] == pytest.approx(surface.height[100, 4], abs=1e-12)
    assert at[1] == pytest.approx(surface.height[100:102, 4].mean(), abs=1e-12)


def test_course_turns_and_banks_as_listed() -> None:
    calm = Manner(pace=1.0, slip=1.0, shift=0.0, waver=0.0, start=3.0, finish=3.0)
    table = course_table(KETTLE_YARD, calm, np.random.default_rng(0))
    column = {name: table[:, index] for index, name in enumerate(DRIVE_COLUMNS)}
    start = 0.0
    for part in KETTLE_YARD:
        middle = int((start + 0.5 * part.length) / STEP)
        curvature = 0.0 if part.radius == 0.0 else 1.0 / part.radius
        assert column["curvature"][middle] == pytest.approx(curvature, abs=1e-6)
        assert abs(np.degrees(column["bank"][middle])) == pytest.approx(part.bank, abs=1e-6)
        start += part.length
    assert start == course_length(KETTLE_YARD)
    rate = column["curvature_rate"]
    rebuilt = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1])) * STEP])
    assert np.max(np.abs(rebuilt - column["curvature"])) < 1e-5
    assert max(part.bank for part in KETTLE_YARD) == 14.0
