"""Whether the inertial channels agree with the dampers, and the roll equation below where they do not.

A channel that holds its samples, comes late or shakes is wrong in what is quick, and the roll equation rests
on what is quick. Below `SLOW_BAND` such a channel is right but for its lag and for what folds down, and what
dampers, inertia and a lag add to the steady roll is a sum of its own derivatives:

    phi(t) = s f(t + tau) + c phi'(t) + d phi''(t),  f the force as logged

to the second order in lag and frequency. So the slope needs the accelerometer's slow part and the pots alone.
"""

import math
from dataclasses import replace
from typing import Final

import numpy as np

from analyzer.core.regression import least_squares
from analyzer.core.signals import derivative, lowpass_taps, touched
from analyzer.processing.roll.disturbances import Fitted, bench_of, force_behind
from analyzer.processing.roll.equation import (
    BAND,
    DRIVEN,
    ROLLING,
    SLOW_BAND,
    RollColumns,
    slow_part,
)
from analyzer.processing.roll.fit import NOISE_DOUBTED, fit_roll, mix_rolls
from analyzer.vehicle.roll import Weights

LATE: Final = {"accelerometer": 0.025, "roll gyro": 0.020}
"""Lag against the dampers from which a channel is told to disagree [s]. On sound drives of the rigid-body
engine they show 5 and 1 ms, on a car with tyres that damp nothing 11 ms; an accelerometer 0.3 m off its place
in the sheet looks like 20 ms."""
LATE_SURE: Final = 5.0
"""A lag counts when it is this many standard errors: engineering judgement."""
KEPT: Final = ("roll acceleration", *DRIVEN)
"""Terms that stay: the gyro's, since a road that banks turns the body as well, and what the driver does."""
APART_SURE: Final = 2.0
APART: Final = 0.015
"""Slopes of the whole and of the slow equation disagree beyond so many standard errors of both, and this part
of the slope: on banks the slow one is up to 1.5 % off on the rigid-body engine."""
FRICTION_SURE: Final = 5.0
"""Friction counts when it is this many standard errors: engineering judgement."""
LONGEST: Final = 0.3
"""A longer lag is not looked for [s]: engineering judgement."""
RULES: Final = f"what is slower than {SLOW_BAND:g} Hz alone rules the gradient"
UNKNOWN: Final = f"accelerometer or gyro cannot be trusted, not even below {SLOW_BAND:g} Hz"


def slow_columns(columns: RollColumns, weights: Weights) -> RollColumns:
    """Return the columns below `SLOW_BAND`, the lateral force brought forward to where it meets the roll."""
    rate = columns.rate
    suspect = touched(columns.suspect, len(lowpass_taps(rate, SLOW_BAND, SLOW_BAND)) // 2, 1)
    known = {n: slow_part(v, rate) for n, v in columns.known.items()}
    slow = replace(
        columns,
        roll={axle: slow_part(v, rate) for axle, v in columns.roll.items()},
        force=slow_part(columns.force, rate),
        terms={n: slow_part(columns.terms[n], rate) for n in KEPT if n in columns.terms},
        known=known,
        noise={n: v * SLOW_BAND / BAND for n, v in columns.noise.items() if n == "lateral force"},
        lost={axle: slow_part(v, rate) for axle, v in columns.lost.items()},
        suspect=suspect,
    )
    # All that is dynamic, from the pots alone: noise of the accelerometer would grow with each derivative.
    mean = mix_rolls(slow, weights, np.ones(len(slow.force), dtype=np.bool_)).rolls[0]
    rate_of_roll = derivative(mean, rate)
    rolling = dict(zip(ROLLING, (rate_of_roll, derivative(rate_of_roll, rate)), strict=True))
    slow = replace(slow, terms={**rolling, **slow.terms}, slow={**rolling, **slow.terms, **known})
    # Brought forward by its lag, the force leaves but little for the derivatives of the roll to stand for.
    return _brought_forward(slow, float(np.clip(force_behind(slow, slow.force, mean), -LONGEST, LONGEST)))


def _brought_forward(slow: RollColumns, lag: float) -> RollColumns:
    """Return slow columns with the lateral force `lag` seconds earlier."""
    time = slow.time
    force = np.interp(time + lag, time, slow.force)
    late = np.interp(time + lag, time, slow.suspect.astype(np.float64)) > 0.0
    terms = {**slow.slow, "lateral force": force}
    return replace(slow, force=force, suspect=slow.suspect | late, slow=terms, slow_by=lag)


def blind(columns: RollColumns) -> bool:
    """Return whether no roll gyro tells how the road turns the body."""
    return "roll acceleration" not in columns.terms


def disagreement(run: Fitted) -> tuple[str, ...]:
    """Return in words how the inertial channels of a run disagree with its dampers; empty where they do not.

    By the noise that the fit leaves room for, by lags, and by the slope of the slow part, which needs neither
    gyro nor anything quick.
    """
    fit = run.fit
    # Where noise rules, or inertia is unknown, lags and slopes would only show that once more.
    if fit.unsure > NOISE_DOUBTED:
        return (f"noise of the accelerometer may hide {100.0 * fit.unsure:.1f} % of the slope",)
    if blind(run.columns):
        return ("no usable roll rate in the log",)
    found = [
        f"the {name} comes {1e3 * abs(lag):.0f} ms {'late' if lag > 0.0 else 'early'}"
        for name, lag, std in _lags(run)
        if abs(lag) > max(LATE[name], LATE_SURE * std)
    ]
    # Dampers that stick hold the roll at its turns, which all that is slow would take for a stiffer car.
    slow = fit_roll(slow_columns(_without_friction(run), run.weights), run.weights)
    if isinstance(slow, str):
        return tuple(found)
    aparts = {axle: slow.slope[axle] / fit.slope[axle] - 1.0 for axle in fit.axles}
    # An accelerometer bends both axles the same way; what moves one up and the other down is the ground, of
    # which the slow part knows less.
    if len({apart > 0.0 for apart in aparts.values()}) > 1:
        return tuple(found)
    for axle, apart in aparts.items():
        parts = [(f.std_error(axle) or 0.0) / f.slope[axle] for f in (fit, slow)]
        beyond = max(APART, APART_SURE * math.hypot(slow.unsure, fit.unsure, *parts))
        if fit.error and slow.error and abs(apart) > beyond:
            found.append(f"{axle} slope {100.0 * apart:+.1f} % apart from that of quick parts")
    return tuple(found)


def _without_friction(run: Fitted) -> RollColumns:
    """Return the columns less the roll that friction holds, by the whole fit, where it is beyond doubt.

    Pots alone tell where friction turns round; what cannot be friction, since it drives the roll, stays.
    """
    fit, columns = run.fit, run.columns
    held = np.zeros_like(columns.force)
    for name in (f"friction {axle}" for axle in fit.axles):
        size = -fit.terms.get(name, 0.0)
        if size > FRICTION_SURE * fit.term_errors.get(name, math.inf):
            held -= size * columns.terms[name]
    # The terms stand in the equation of the mean roll, in which both axles count alike.
    return replace(columns, roll={axle: roll - held for axle, roll in columns.roll.items()})


def _lags(run: Fitted) -> list[tuple[str, float, float]]:
    """Return lags of accelerometer and roll gyro behind the dampers and their standard errors [s].

    A column that is late by tau lacks tau times its own derivative. Dampers and body answer the driver alike,
    so it is the road that tells a lag from a damper; on a smooth one the error says that nothing does.
    """
    columns, fit = run.columns, run.fit
    bench = bench_of(columns, run.weights, fit)
    size = {"lateral force": float(least_squares(bench.design, bench.mean).coefficients[0]), **fit.terms}
    found = []
    for name, source, column in (
        ("accelerometer", "lateral force", columns.force),
        ("roll gyro", "roll acceleration", columns.terms.get("roll acceleration")),
    ):
        if column is None or not size.get(source):
            continue
        probe = bench.probe(derivative(column, columns.rate)[bench.used])
        if probe.error is not None:
            lag, std = probe.value / size[source], probe.error.std_error() / abs(size[source])
            found.append((name, lag, std))
    return found
