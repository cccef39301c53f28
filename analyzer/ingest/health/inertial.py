"""Checks of the inertial unit, speed and position: gravity, axes, units, offsets, and enough cornering."""

from __future__ import annotations

from typing import Final

import numpy as np

from analyzer.constants import STANDARD_GRAVITY
from analyzer.ingest.health.forward import check_forward, check_forward_size, forward_axis
from analyzer.ingest.health.roll_rate import check_roll_rate
from analyzer.ingest.health.signals import (
    POTS,
    SIDE_SIGN,
    Findings,
    Signals,
    moving_correlation,
    partial_correlation,
    runs_of,
)
from analyzer.ingest.recording import Verdict

TILT: Final = 0.06
"""Sideways or forward part of gravity on a standing car, in g: 3.4 degrees of sensor and ground together
(engineering judgement)."""
WORST_TILT: Final = 0.17
GRAVITY_BAND: Final = 0.06
WORST_GRAVITY_BAND: Final = 0.15
RATE_OFFSET: Final = 0.02
"""Turn rate of a standing car [rad/s], about 1 degree per second (engineering judgement)."""
WORST_RATE_OFFSET: Final = 0.15
CORNERING: Final = 0.3
"""Lateral specific force below which a gradient says little, in g (engineering judgement)."""
LEAST_CORNERING: Final = 0.15
YAW_BLOCKS: Final = 7
"""Half seconds over which yaw rate and lateral force are averaged before they are compared."""
LEAST_YAW_BLOCKS: Final = 20
"""Half seconds of movement from which they are compared."""
YAW_CLEAR: Final = 0.55
"""Correlation from which their sign is told: the rigid-body engine's drift course gives 0.70 and more."""
FASTEST: Final = 110.0
"""Highest believable speed [m/s]."""
_WRONG_UNITS: Final = (
    (1000.0, "milli-g under a g heading"),
    (STANDARD_GRAVITY, "m/s² under a g heading"),
    (1 / STANDARD_GRAVITY, "g under a m/s² heading"),
    (0.001, "g under a milli-g heading"),
)


def check_inertial(signals: Signals) -> Findings:
    """Run all checks of accelerations, turn rates, speed and position."""
    found = Findings()
    accels = [n for n in ("accel_x", "accel_y", "accel_z") if signals.trusted(n)]
    axes_wrong = _gravity(found, signals)
    check_forward_size(found, signals)
    for name in accels:
        _scale_change(found, signals, name)
        if not axes_wrong and name != "accel_z":
            _tilt(found, signals, name)
    _lateral(found, signals)
    signals.heed(found)
    check_forward(found, signals)
    signals.heed(found)
    for name in ("gyro_x", "gyro_y", "gyro_z"):
        if name in signals.data:
            _rate_offset(found, signals, name)
    _yaw(found, signals)
    check_roll_rate(found, signals)
    if "speed" in signals.data:
        _speed(found, signals)
    if "latitude" in signals.data or "longitude" in signals.data:
        _position(found, signals)
    return found


def _usual(signals: Signals, name: str) -> float | None:
    """Return the level of a channel at rest, or its median over the run where the car does not stand."""
    standing = signals.standing_mean(name)
    if standing is not None:
        return standing
    means = signals.mean(name)
    means = means[np.isfinite(means)]
    return float(np.median(means)) if len(means) >= 4 else None


def _gravity(found: Findings, signals: Signals) -> bool:
    """Check that gravity is on z and 1 g; return whether the axes are wrong."""
    if not signals.trusted("accel_z"):
        return False
    level = _usual(signals, "accel_z")
    if level is None:
        found.untested("gravity", "accel_z", "Too short.")
        return False
    g = level / STANDARD_GRAVITY
    others = {n: _usual(signals, n) for n in ("accel_x", "accel_y") if n in signals.data}
    for name, other in others.items():
        if other is not None and abs(abs(other) / STANDARD_GRAVITY - 1.0) < 0.15 and abs(g) < 0.5:
            text = f"Gravity stands on {name}, not on accel_z: the unit is turned. State logger.imu.axes."
            for channel in ("accel_x", "accel_y", "accel_z"):
                if channel in signals.data:
                    found.add("axes", channel, Verdict.BAD, g, 1.0, "g", text)
            return True
    if abs(g + 1.0) < WORST_GRAVITY_BAND:
        text = (
            "Gravity is negative: z points down, or the logger writes acceleration without sign of "
            "specific force. State logger.imu.axes."
        )
        found.add("axes", "accel_z", Verdict.BAD, g, 1.0, "g", text)
        return False
    for factor, what in _WRONG_UNITS:
        if abs(g / factor - 1.0) < 0.1:
            text = f"Reads {g:.4g} g at rest: this looks like {what} (logger.channels.accel_z.unit)."
            found.add("unit", "accel_z", Verdict.BAD, g, 1.0, "g", text)
            return False
    off = abs(g - 1.0)
    verdict = (
        Verdict.GOOD if off <= GRAVITY_BAND else Verdict.SUSPECT if off <= WORST_GRAVITY_BAND else Verdict.BAD
    )
    comment = (
        "Gravity is on z."
        if verdict is Verdict.GOOD
        else (
            f"Averages {g:.2f} g where gravity gives 1 g: scale, offset or vibration beyond the "
            "sample rate; not usable as it is."
        )
    )
    found.add("gravity", "accel_z", verdict, g, GRAVITY_BAND, "g", comment)
    return False


def _scale_change(found: Findings, signals: Signals, name: str) -> None:
    """Find a channel whose scale changes in mid-file (counts first, then g)."""
    size = np.abs(signals.mean(name)) + signals.spread(name)
    parts = [p[np.isfinite(p)] for p in np.array_split(size, 20)]
    levels = np.array([np.median(p) for p in parts if len(p) >= 3])
    if len(levels) < 8:
        found.untested("scale", name, "The log is too short.")
        return
    # A standing car is quiet on x and y, so only a rise far beyond any driving counts.
    most = float(levels.max())
    usual = float(np.median(levels))
    jump = most > 8.0 * STANDARD_GRAVITY and most > 6.0 * float(levels.min())
    if name == "accel_z":
        jump = jump or (float(levels.min()) > 0 and most / float(levels.min()) > 4.0)
    comment = (
        f"Its size changes from {float(levels.min()):.3g} to {most:.3g} m/s² within the run: the "
        "scale was changed."
        if jump
        else "One scale throughout."
    )
    found.add(
        "scale", name, Verdict.BAD if jump else Verdict.GOOD, most / max(usual, 1e-9), 6.0, "1", comment
    )


def _tilt(found: Findings, signals: Signals, name: str) -> None:
    standing = signals.standing_mean(name)
    if standing is None:
        found.untested("tilt or offset", name, "The car does not stand for 2 s in this run.")
        return
    g = standing / STANDARD_GRAVITY
    verdict = Verdict.GOOD if abs(g) <= TILT else Verdict.SUSPECT if abs(g) <= WORST_TILT else Verdict.BAD
    comment = (
        "Level at rest."
        if verdict is Verdict.GOOD
        else (
            f"Reads {g:+.3f} g at rest: the unit leans by about "
            f"{np.degrees(np.arcsin(min(1.0, abs(g)))):.0f} degrees, the ground does, or it has an offset."
        )
    )
    found.add("tilt or offset", name, verdict, g, TILT, "g", comment)


def _lateral(found: Findings, signals: Signals) -> None:
    """Check lateral force: its unit, whether it is lateral at all, its sign, and its size."""
    if not signals.trusted("accel_y"):
        return
    means = signals.mean("accel_y")
    means = means[np.isfinite(means)]
    if len(means) < 12:
        found.untested("cornering", "accel_y", "Less than 6 s of samples.")
        return
    largest = float(np.percentile(np.abs(means), 98)) / STANDARD_GRAVITY
    if largest > 6.0:
        text = (
            f"Lateral force reaches {largest:.0f} g, which no car does: wrong unit "
            "(logger.channels.accel_y.unit)."
        )
        found.add("unit", "accel_y", Verdict.BAD, largest, 6.0, "g", text)
        return
    if _lateral_on_x(found, signals):
        return
    verdict = (
        Verdict.GOOD
        if largest >= CORNERING
        else Verdict.SUSPECT
        if largest >= LEAST_CORNERING
        else Verdict.BAD
    )
    comment = (
        "Enough for a gradient."
        if verdict is Verdict.GOOD
        else (f"Lateral force hardly passes {largest:.2f} g: not enough cornering for a roll gradient.")
    )
    found.add("cornering", "accel_y", verdict, largest, CORNERING, "g", comment)


def _lateral_on_x(found: Findings, signals: Signals) -> bool:
    """Tell exchanged axes or a wrong sign of lateral force by the pots; return whether it is unusable."""
    pots = [name for name in POTS if signals.trusted(name)]
    if len(pots) < 3:
        return False
    forward = "accel_x" if signals.trusted("accel_x") else None
    on_y = {pot: SIDE_SIGN[pot] * _partial(signals, pot, "accel_y", forward) for pot in pots}
    if forward is not None and _rolls_with_x(signals, pots, on_y):
        text = (
            "The pots roll with accel_x, not accel_y: the axes are exchanged. State logger.imu.axes "
            "or the columns."
        )
        for name in ("accel_x", "accel_y"):
            found.add("axes", name, Verdict.BAD, None, None, "", text)
        return True
    if all(r < -0.4 for r in on_y.values()):
        text = (
            "All pots roll against it: lateral force has the wrong sign, left turns must give "
            "positive values "
            "(logger.channels.accel_y.sign)."
        )
        found.add("sign", "accel_y", Verdict.BAD, float(np.mean(list(on_y.values()))), -0.4, "1", text)
        return True
    return False


def _rolls_with_x(signals: Signals, pots: list[str], on_y: dict[str, float]) -> bool:
    """Return whether the sides part with accel_x, and more so than with accel_y.

    Pots exchanged across the car look alike but for the size: a car rolls more per lateral force than it
    pitches per forward force. Lateral force that goes with speed times yaw rate settles it as well.
    """
    forward = forward_axis(signals)
    if forward is not None:
        return forward == "accel_y"
    on_x = [SIDE_SIGN[pot] * _partial(signals, pot, "accel_x", "accel_y") for pot in pots]
    one_sense = all(r > 0.4 for r in on_x) or all(r < -0.4 for r in on_x)
    y_in_order = all(r > 0.2 for r in on_y.values()) or all(r < -0.2 for r in on_y.values())
    if not one_sense or y_in_order:
        return False
    if signals.trusted("gyro_z") and signals.trusted("speed"):
        product = signals.mean("gyro_z") * signals.mean("speed")
        if abs(moving_correlation(product, signals.mean("accel_y"), signals.still)) > 0.7:
            return False
    used = signals.moving_blocks(*pots, "accel_x", "accel_y")
    forces = np.column_stack(
        [np.ones(int(used.sum())), signals.mean("accel_x")[used], signals.mean("accel_y")[used]]
    )
    travel = np.column_stack([signals.mean(pot)[used] for pot in pots])
    slopes = np.abs(np.linalg.lstsq(forces, travel, rcond=None)[0]).mean(axis=1)
    return bool(slopes[1] > slopes[2])


def _partial(signals: Signals, pot: str, cause: str, other: str | None) -> float:
    names = (pot, cause) if other is None else (pot, cause, other)
    used = signals.moving_blocks(*names)
    if used.sum() < 12 or float(signals.mean(cause)[used].std()) < 0.5:
        return 0.0
    rest = np.zeros(int(used.sum())) if other is None else signals.mean(other)[used]
    return partial_correlation(signals.mean(pot)[used], signals.mean(cause)[used], rest)


def _rate_offset(found: Findings, signals: Signals, name: str) -> None:
    standing = signals.standing_mean(name)
    if standing is None:
        found.untested("offset", name, "The car does not stand for 2 s in this run.")
        return
    size = abs(standing)
    verdict = (
        Verdict.GOOD if size <= RATE_OFFSET else Verdict.SUSPECT if size <= WORST_RATE_OFFSET else Verdict.BAD
    )
    comment = (
        "Zero at rest." if verdict is Verdict.GOOD else f"Reads {np.degrees(standing):+.2f} deg/s at rest."
    )
    found.add(
        "offset", name, verdict, float(np.degrees(standing)), float(np.degrees(RATE_OFFSET)), "deg/s", comment
    )


def _yaw(found: Findings, signals: Signals) -> None:
    """Check unit and sign of the yaw rate by lateral force = speed x yaw rate of the path."""
    if not all(signals.trusted(n) for n in ("gyro_z", "accel_y", "speed")):
        return
    if len(signals.still) < LEAST_YAW_BLOCKS:
        # Averages of more blocks than there are would come out as long as the window, not as the log.
        found.untested("yaw rate", "gyro_z", "The log is too short.")
        return
    # A drifting car turns its nose as well as its path; over some seconds the path decides.
    window = np.ones(YAW_BLOCKS) / YAW_BLOCKS
    product = np.convolve(signals.mean("gyro_z") * signals.mean("speed"), window, mode="same")
    lateral = np.convolve(signals.mean("accel_y"), window, mode="same")
    r = moving_correlation(product, lateral, signals.still)
    used = np.isfinite(product) & np.isfinite(lateral) & ~signals.still
    if abs(r) < YAW_CLEAR or used.sum() < LEAST_YAW_BLOCKS:
        found.untested(
            "yaw rate", "gyro_z", "Lateral force does not follow speed times yaw rate closely enough to tell."
        )
        return
    ratio = float(product[used].std() / lateral[used].std())
    if r < 0:
        found.add(
            "yaw rate",
            "gyro_z",
            Verdict.BAD,
            r,
            0.0,
            "1",
            "Turns against the lateral force (logger.channels.gyro_z.sign).",
        )
    elif not 0.2 < ratio < 5.0:
        text = (
            f"Speed times yaw rate is {ratio:.3g} times the lateral force: wrong unit of yaw rate or speed."
        )
        found.add("yaw rate", "gyro_z", Verdict.BAD, ratio, 5.0, "1", text)
    else:
        found.add("yaw rate", "gyro_z", Verdict.GOOD, ratio, 5.0, "1", "Agrees with lateral force and speed.")


def _speed(found: Findings, signals: Signals) -> None:
    values = signals.data["speed"]
    with np.errstate(invalid="ignore"):
        odd = (values > FASTEST) | (values < -15.0)
    share = float(odd.mean())
    for first, end in zip(*(edge.tolist() for edge in runs_of(odd)), strict=True):
        found.mark("speed", first, end)
    verdict = Verdict.GOOD if not share else Verdict.SUSPECT if share < 0.1 else Verdict.BAD
    comment = (
        "Believable throughout."
        if not share
        else f"{share:.2%} of the samples are no speed a car has; left out. Check its unit."
    )
    found.add("speed range", "speed", verdict, share, 0.0, "1", comment)


def _position(found: Findings, signals: Signals) -> None:
    names = [n for n in ("latitude", "longitude") if n in signals.data]
    lost = np.ones(signals.base.count, dtype=bool)
    for name in names:
        lost &= signals.data[name] == 0.0
    share = float(lost.mean())
    verdict = Verdict.GOOD if share < 0.02 else Verdict.SUSPECT if share < 0.5 else Verdict.BAD
    comment = (
        "A fix throughout."
        if verdict is Verdict.GOOD
        else f"No satellite fix for {share:.0%} of the run; left out."
    )
    stretches = list(zip(*(edge.tolist() for edge in runs_of(lost)), strict=True))
    for name in names:
        for first, end in stretches:
            found.mark(name, first, end)
        found.add("position fix", name, verdict, share, 0.02, "1", comment)
