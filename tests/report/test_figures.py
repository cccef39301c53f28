"""Figures: what is drawn where, held at the level of the drawn data."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from report.synthetic_review import Options

from analyzer.core.units import STANDARD_GRAVITY
from analyzer.report.figures import style as plates
from analyzer.report.figures.course_plots import AXIS_LABELS, course_plate, event_place, run_axis
from analyzer.report.figures.review_plots import (
    agreement_plate,
    budget_plate,
    change_plate,
    roll_plates,
    run_plate,
    travel_plate,
)
from analyzer.report.figures.style import markup
from analyzer.report.page import all_plates, page_parts


@pytest.fixture(autouse=True)
def _style():
    with plates.house_style():
        yield


def lines_by_label(axes):
    return {line.get_label(): line for line in axes.get_lines() if not line.get_label().startswith("_")}


def test_every_figure_asks_one_question_and_fits_the_page(review):
    drawn = all_plates(page_parts(review))

    assert [plate.key for plate in drawn][:2] == ["runs", "agreement"]
    assert len({plate.key for plate in drawn}) == len(drawn)
    for plate in drawn:
        assert plate.title.endswith("?")
        assert plate.figure.get_size_inches()[0] == plates.PLATE_WIDTH
        assert plate.alt


def test_axes_carry_units(review):
    units = ("deg", "g ", "mm", "%", "m", "s", "°", "measured / predicted", "after / before")
    for plate in all_plates(page_parts(review)):
        words = [
            text for axes in plate.figure.axes for text in (axes.get_xlabel(), axes.get_ylabel()) if text
        ]
        assert words, plate.key
        for text in words:
            assert any(unit in text for unit in units), text


def test_roll_lines_have_the_measured_and_the_predicted_slope(review):
    front = roll_plates(review)[0]
    lines = lines_by_label(front.figure.axes[0])

    measured = next(line for text, line in lines.items() if text.startswith("B measured"))
    predicted = next(line for text, line in lines.items() if text.startswith("B predicted"))
    for line, gradient in ((measured, 1.92 * 1.06), (predicted, 1.88 * 1.057)):
        x, y = line.get_data()
        assert (y[1] - y[0]) / (x[1] - x[0]) == pytest.approx(gradient, rel=1e-9)
    assert measured.get_linestyle() == "-"
    assert predicted.get_linestyle() == "--"


def test_roll_dots_are_the_samples_less_the_intercept(review):
    run = review.runs[0]
    one = replace(review, runs=(run,))
    dots = roll_plates(one)[0].figure.axes[0].get_lines()[0]
    x, y = dots.get_data()

    points = run.fits["front"].points
    assert set(np.round(x[::3], 9)) <= set(np.round(points["lateral_force"] / STANDARD_GRAVITY, 9))
    expected = np.degrees(points["roll"].iloc[0] - run.fits["front"].intercept)
    assert y[0] == pytest.approx(expected)


def test_roll_figure_is_left_out_for_an_axle_without_a_fit(review):
    runs = tuple(replace(run, fits={"rear": run.fits["rear"]}) for run in review.runs)

    assert [plate.key for plate in roll_plates(replace(review, runs=runs))] == ["roll-rear"]


def test_change_shows_both_ratios_with_intervals_and_what_is_too_small(review):
    axes = change_plate(review.comparisons).figure.axes[0]
    spans = [tuple(line.get_xdata()) for line in axes.get_lines() if len(line.get_xdata()) == 2]
    band = axes.collections[0].get_paths()[0].get_extents()

    assert any(span == pytest.approx((0.880, 0.912)) for span in spans)
    assert any(span == pytest.approx((0.881, 0.905)) for span in spans)
    assert (band.x0, band.x1) == (pytest.approx(1.0 - 0.024), pytest.approx(1.0 + 0.024))


def test_agreement_names_what_does_not_agree(review):
    plate = agreement_plate(review)

    told, off = plate.alt.split("The interval leaves 1 out for ")
    assert "roll gradient rear on A" in off
    assert "roll gradient front" not in off
    assert "roll gradient front A " in told


def test_runs_show_one_row_each(review):
    left = run_plate(review).figure.axes[0]

    assert [tick.get_text() for tick in left.get_yticklabels()] == [
        f"{run.name} {run.setup}" for run in review.runs
    ]


def test_travel_shows_gap_and_full_bump_in_millimetres(review):
    figure = travel_plate(review, 0).figure
    for axes, gap, end in zip(figure.axes, (42.0, 42.0, 46.0, 46.0), (61.0, 61.0, 66.0, 66.0), strict=True):
        levels = [line.get_ydata()[0] for line in axes.get_lines() if len(set(line.get_ydata())) == 1]
        assert gap in [pytest.approx(level) for level in levels]
        assert end in [pytest.approx(level) for level in levels]


def test_travel_marks_each_event_at_its_peak(review):
    run = review.runs[0]
    axes = travel_plate(review, 0).figure.axes[1]
    marks = [line for line in axes.get_lines() if line.get_marker() == "v"]

    assert len(marks) == 1
    assert marks[0].get_ydata()[0] == pytest.approx(1000.0 * run.bottoming[0].peak)
    assert marks[0].get_xdata()[0] == pytest.approx(event_place(run, run.bottoming[0]))


def test_course_has_a_row_per_corner_and_every_event(review):
    rows = course_plate(review).figure.axes[0]
    marks = [line for line in rows.get_lines() if line.get_marker() == "v"]
    spots = [line for line in rows.get_lines() if line.get_marker() == "o"]
    names = [text.get_text() for text in rows.texts if "×" not in text.get_text()]
    counts = [int(text.get_text().rstrip("×")) for text in rows.texts if "×" in text.get_text()]

    assert len(marks) == len(spots) == len(counts) == 2
    assert sum(counts) == sum(len(run.bottoming) for run in review.runs) == 12
    assert sorted(float(line.get_ydata()[0]) for line in spots) == pytest.approx([1.0, 3.0])
    assert names == ["Run-up", "Entry", "Link", "Bowl 14°"]
    assert all(text.get_rotation() == 0 for text in rows.texts)


def test_marks_of_many_runs_and_corners_stand_apart(review_with):
    review = review_with(Options(runs=tuple(f"r{number:02d}" for number in range(1, 31))))
    rng = np.random.default_rng(3)
    times = rng.uniform(1.0, 23.0, (30, 6))
    runs = tuple(
        replace(
            run,
            bottoming=tuple(
                replace(run.bottoming[0], corner=corner, start_s=at, peak_s=at, end_s=at + 0.1)
                for at, corner in zip(times[number], ("FL", "FR", "RL", "RR", "FR", "RR"), strict=True)
            ),
        )
        for number, run in enumerate(review.runs)
    )

    figure = course_plate(replace(review, runs=runs)).figure
    rows = figure.axes[0]
    counted = [text for text in rows.texts if "×" in text.get_text()]
    places = np.array([rows.transData.transform(text.xy) for text in counted])
    apart = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))

    assert sum(int(text.get_text().rstrip("×")) for text in counted) == 180
    assert len(counted) >= 4
    assert apart[~np.eye(len(counted), dtype=bool)].min() > 12.0


def test_course_is_drawn_over_time_without_speed(review_with):
    figure = course_plate(review_with(Options(speed=False))).figure

    assert "time since the car moved off" in figure.axes[1].get_xlabel()
    assert {text.get_text() for text in figure.axes[0].texts} == {"6×"}


def test_budget_bars_add_up_to_the_peak(review):
    axes = budget_plate(review).figure.axes[0]
    first = [
        bar for bar in axes.patches if abs(bar.get_y() + bar.get_height() / 2.0) < 1e-9 and bar.get_width()
    ]
    event = next(e for run in review.runs[1:2] for e in run.bottoming if e.budget is not None)

    assert sum(bar.get_width() for bar in first) == pytest.approx(1000.0 * sum(event.budget.causes.values()))


def test_figures_without_data_are_left_out(review_with):
    empty = review_with(Options(unknown=True, compared=False, bottomed=False))

    assert change_plate(empty.comparisons) is None
    assert agreement_plate(empty) is None
    assert run_plate(empty) is None
    assert budget_plate(empty) is None
    assert roll_plates(empty) == []


def test_the_place_on_the_course_starts_where_the_car_moves_off(review):
    run = review.runs[0]
    place, inside, unit = run_axis(run)

    assert place[inside][0] == 0.0
    assert unit == "m"
    assert AXIS_LABELS[unit] == "distance from the start, m"
    parked = replace(run, motion=replace(run.motion, parked=pd.Series(True, index=run.motion.data.index)))
    assert run_axis(parked)[1].all()


def test_thinning_keeps_every_extreme():
    rng = np.random.default_rng(3)
    y = rng.standard_normal(10_000)
    y[1234], y[8765] = 50.0, -50.0
    x = np.arange(10_000.0)

    place, low, high = plates.envelope(x, y, bins=200)

    assert len(place) == 200
    assert (low.min(), high.max()) == (-50.0, 50.0)
    assert np.all(low <= high)


def test_thinning_leaves_gaps_open():
    y = np.ones(1000)
    y[300:500] = np.nan

    _, low, high = plates.envelope(np.arange(1000.0), y, bins=100)

    assert np.isnan(low[32:48]).all()
    assert np.isfinite(high[:28]).all()


def test_a_short_trace_is_not_thinned():
    x = np.arange(10.0)

    place, low, high = plates.envelope(x, x, bins=100)

    assert np.array_equal(place, x)
    assert np.array_equal(low, high)


def test_a_large_figure_becomes_a_picture(review, monkeypatch):
    plate = roll_plates(review)[0]
    assert plates.markup(plate).startswith("<svg")

    monkeypatch.setattr(plates, "LARGEST_SVG", 1000)

    assert plates.markup(plate).startswith('<img alt="Roll of the front axle')


def test_colours_differ_also_in_black_and_white():
    assert len({style for _, style in plates.CORNER_LOOK.values()}) == 4
    assert len({marker for _, marker in plates.SETUP_LOOK}) == len(plates.SETUP_LOOK)


def drawn_points(axes, marker_face=None):
    """Return place and value of every lone marker, those filled with white apart."""
    lone = [line for line in axes.get_lines() if len(line.get_xdata()) == 1]
    return [
        (float(line.get_xdata()[0]), float(line.get_ydata()[0]))
        for line in lone
        if (line.get_markerfacecolor() == "white") == (marker_face == "white")
    ]


def spans(axes):
    """Return both ends of every horizontal bar, rounded."""
    return {
        tuple(round(float(x), 9) for x in line.get_xdata())
        for line in axes.get_lines()
        if len(line.get_xdata()) == 2 and line.get_ydata()[0] == line.get_ydata()[1]
    }


def test_the_sample_sessions_gradients_are_drawn_as_measured_and_predicted(sample_review):
    axes = run_plate(sample_review).figure.axes
    predicted = {setup.name: setup.predicted.roll_gradient for setup in sample_review.setups}

    for panel, axle in zip(axes, ("front", "rear"), strict=True):
        measured = [run.roll_gradient[axle] for run in sample_review.runs]
        expected = [predicted[run.setup][axle] for run in sample_review.runs]
        assert [x for x, _ in drawn_points(panel)] == pytest.approx([e.value for e in measured])
        assert [x for x, _ in drawn_points(panel, "white")] == pytest.approx([e.value for e in expected])
        for estimate in (*measured, *expected):
            assert tuple(round(end, 9) for end in estimate.interval) in spans(panel)


def test_the_sample_sessions_change_is_drawn_with_both_intervals(sample_review):
    comparison = sample_review.comparisons[0]
    axes = change_plate(sample_review.comparisons).figure.axes[0]

    for estimate in (comparison.stiffness_ratio, comparison.predicted_ratio):
        assert tuple(round(end, 9) for end in estimate.interval) in spans(axes)


def test_the_sample_sessions_events_are_all_on_the_course(sample_review):
    rows = course_plate(sample_review).figure.axes[0]
    total = sum(len(run.bottoming) for run in sample_review.runs)
    counts = [int(text.get_text().rstrip("×")) for text in rows.texts if "×" in text.get_text()]

    assert total > 10
    assert sum(counts) == total


def test_words_for_the_course_tell_where_each_mark_stands(sample_review):
    plate = course_plate(sample_review)
    told = re.findall(r"(F[LR]|R[LR]) (\d+)× at (\d+) m, at most ([\d.]+) mm deep(, hard)?", plate.alt)
    hits = [event for run in sample_review.runs for event in run.bottoming]

    for corner in {event.corner for event in hits}:
        own = [event for event in hits if event.corner == corner]
        marks = [mark for mark in told if mark[0] == corner]
        assert sum(int(mark[1]) for mark in marks) == len(own)
        deepest = max(1000.0 * event.stop_compression for event in own)
        assert max(float(mark[3]) for mark in marks) == pytest.approx(deepest, abs=0.05)
        assert any(mark[4] for mark in marks) == any(event.hard for event in own)


def test_the_travel_of_hits_is_a_drawing_not_a_picture(sample_review):
    made = markup(budget_plate(sample_review))

    assert made.startswith("<svg ")
    assert len(made) < 40_000
