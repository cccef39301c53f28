"""Checks of the inertial unit, speed and position: gravity, axes, units, offsets, and enough cornering."""

from typing import Final

import numpy as np

from analyzer.core.signals import runs_of
from analyzer.core.units import STANDARD_GRAVITY, unit_factor
from analyzer.ingest.checks import clock, inputs, senses
from analyzer.ingest.checks.inputs import Findings, Floats, Signals
from analyzer.ingest.checks.senses import Fault
from analyzer.ingest.recording import Check, Verdict

TILT: Final = 0.06
"""Sideways or forward part of gravity on a standing car, in g: 3.4 degrees of sensor and ground together
(engineering judgement)."""
WORST_TILT: Final = 0.17
GRAVITY_BAND: Final = 0.06
WORST_GRAVITY_BAND: Final = 0.15
STRAIGHT_TURN: Final = np.radians(8.0)
"""Turn rate below which a car drives straight on [rad/s] (engineering judgement)."""
RATE_OFFSET: Final = 0.02
"""Turn rate of a standing car [rad/s], about 1 degree per second (engineering judgement)."""
WORST_RATE_OFFSET: Final = 0.15
CORNERING: Final = 0.3
"""Lateral specific force below which a gradient says little, in g (engineering judgement)."""
LEAST_CORNERING: Final = 0.15
YAW_RATIOS: Final = (0.2, 5.0)
"""Speed times yaw rate over lateral force within which nothing is blamed; engineering judgement."""
YAW_BLOCKS: Final = 7
"""Half seconds over which yaw rate and lateral force are averaged before they are compared."""
LEAST_YAW_BLOCKS: Final = 20
"""Half seconds of movement from which they are compared."""
YAW_CLEAR: Final = 0.55
"""Correlation from which their sign is told: the rigid-body engine's drift course gives 0.70 and more."""
MOST_LATERAL: Final = 2.5
"""Lateral force over half seconds that a car reaches only on wings, in g; its yaw rate and speed then confirm
it. Tyres give 1.0 to 1.6 (engineering judgement), and a bank of 20 degrees adds a half."""
FASTEST: Final = 110.0
"""Highest believable speed [m/s]."""
_WRONG_UNITS: Final = (
    (1000.0, "milli-g under a g heading"),
    (STANDARD_GRAVITY, "m/s² under a g heading"),
    (1 / STANDARD_GRAVITY, "g under a m/s² heading"),
    (0.001, "g under a milli-g heading"),
)
"""How many times too large an acceleration reads, and what that is."""
_WRITTEN: Final = ("g", "m/s^2", "mg")
"""Units that a sheet may state instead."""
GRAVITY_NEAR: Final = 0.1
"""How near gravity on z must come to a wrong unit."""


def check_inertial(signals: Signals) -> Findings:
    """Run all checks of accelerations, turn rates, speed and position."""
    found = Findings()
    accels = [n for n in ("accel_x", "accel_y", "accel_z") if signals.trusted(n)]
    # In the order in which one check can be trusted by the next: gravity and axes, then units, then signs.
    axes_wrong = _gravity(found, signals)
    check_forward_size(found, signals)
    for name in accels:
        _scale_change(found, signals, name)
    largest = _lateral_size(found, signals)
    # A channel that was found wrong is no witness for the next check: not before all senses are heard
    # together, since what fits them is asked once.
    signals.heed(found)
    _lateral(found, signals, largest)
    for name in ("accel_x", "accel_y"):
        if not axes_wrong and name in accels:
            _tilt(found, signals, name)
    signals.heed(found)
    # The clock before the change of speed: a rate that is wrong looks like a unit.
    check_forward(found, signals, clock.check_clock_rate(found, signals))
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
        _track(found, signals)
    return found


def _usual(signals: Signals, name: str) -> float | None:
    """Return the level of a channel at rest, or its median over the run where the car does not stand."""
    standing = signals.standing_mean(name)
    if standing is not None:
        return standing
    means = signals.mean(name)
    if name == "accel_z":
        # Banks press the car down, so the corners of a banked course say nothing of gravity.
        for witness, most in (("gyro_z", STRAIGHT_TURN), ("accel_y", senses.STRAIGHT)):
            if signals.trusted(witness):
                straight = np.where(np.abs(signals.mean(witness)) < most, means, np.nan)
                if np.isfinite(straight).sum() >= 4:
                    means = straight
                break
    means = means[np.isfinite(means)]
    return float(np.median(means)) if len(means) >= 4 else None


def _gravity(found: Findings, signals: Signals) -> bool:
    """Check that gravity is on z and 1 g; return whether the axes are wrong."""
    if not signals.trusted("accel_z"):
        return False
    # The usual reading, parked or driven on the level: gravity is in it whatever the car does.
    level = _usual(signals, "accel_z")
    if level is None:
        found.untested(Check.GRAVITY, "accel_z", "Too short.")
        return False
    g = level / STANDARD_GRAVITY
    others = {n: _usual(signals, n) for n in ("accel_x", "accel_y") if n in signals.data}
    # A unit on its side shows gravity on another axis; all three accelerations are then wrong.
    for name, other in others.items():
        if other is not None and abs(abs(other) / STANDARD_GRAVITY - 1.0) < 0.15 and abs(g) < 0.5:
            text = f"Gravity stands on {name}, not on accel_z: the unit is turned. State logger.imu.axes."
            for channel in ("accel_x", "accel_y", "accel_z"):
                if channel in signals.data:
                    found.add("axes", channel, Verdict.BAD, g, 1.0, "g", text)
            return True
    # Turned over, or a logger that subtracts gravity the other way: said apart, since the remedy is a sign.
    if abs(g + 1.0) < WORST_GRAVITY_BAND:
        text = (
            "Gravity is negative: z points down, or the logger writes acceleration without sign of "
            "specific force. State logger.imu.axes."
        )
        found.add("axes", "accel_z", Verdict.BAD, g, 1.0, "g", text)
        return False
    # A unit that lies is a clean factor; anything else is scale, offset or aliased vibration.
    lie = _wrong_unit_of_gravity(g)
    if lie is not None:
        text = f"Reads {g:.4g} g at rest: {_unit_words(signals, 'accel_z', lie)}."
        found.add(Check.UNIT, "accel_z", Verdict.BAD, g, 1.0, "g", text)
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
    found.add(Check.GRAVITY, "accel_z", verdict, g, GRAVITY_BAND, "g", comment)
    return False


def _wrong_unit_of_gravity(g: float) -> float | None:
    return next((factor for factor, _ in _WRONG_UNITS if abs(g / factor - 1.0) < GRAVITY_NEAR), None)


def _unit_words(signals: Signals, name: str, factor: float) -> str:
    """Return what makes an acceleration read `factor` times too large, and what to write where."""
    what = dict(_WRONG_UNITS)[factor]
    channel = signals.logger.channels.get(name)
    stated = None if channel is None else channel.unit
    write = f"logger.channels.{name}.unit"
    if stated is not None:
        true = unit_factor(stated, "acceleration") / factor
        right = [unit for unit in _WRITTEN if abs(unit_factor(unit, "acceleration") / true - 1.0) < 0.01]
        write = f'{write} = "{right[0]}"' if right else write
    return f"this looks like {what}, a factor of {max(factor, 1.0 / factor):.4g} ({write})"


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
    # Further than m/s² under a g heading, which is one wrong unit throughout.
    jump = most > MOST_LATERAL * STANDARD_GRAVITY**2 and most > 6.0 * float(levels.min())
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


def _lateral_size(found: Findings, signals: Signals) -> float | None:
    """Return the size of lateral force, its unit checked, in g; None where it is not told or of no use."""
    if not signals.trusted("accel_y"):
        return None
    means = signals.mean("accel_y")
    means = means[np.isfinite(means)]
    if len(means) < 12:
        found.untested(Check.CORNERING, "accel_y", "Less than 6 s of samples.")
        return None
    # Not the greatest: a kerb strike is no cornering.
    largest = float(np.percentile(np.abs(means), 98)) / STANDARD_GRAVITY
    return None if _lateral_lies(found, signals, largest) else largest


def _lateral(found: Findings, signals: Signals, largest: float | None) -> None:
    """Check whether lateral force is lateral at all, its sign, and its size, told before [g]."""
    # What rolls the pots is lateral, whatever the column is called.
    if largest is None or not signals.trusted("accel_y") or _lateral_on_x(found, signals):
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
        else (
            f"Lateral force hardly passes {largest:.2f} g: not enough cornering for a roll gradient"
            f"{_or_in_g(signals, largest)}."
        )
    )
    found.add(Check.CORNERING, "accel_y", verdict, largest, CORNERING, "g", comment)


def _or_in_g(signals: Signals, largest: float) -> str:
    """Return the other reading of a small force whose sheet states m/s²; empty for another unit."""
    channel = signals.logger.channels.get("accel_y")
    if channel is None or channel.unit is None or unit_factor(channel.unit, "acceleration") != 1.0:
        return ""
    if not CORNERING < largest * STANDARD_GRAVITY < MOST_LATERAL:
        return ""
    return ', or the log counts in g (logger.channels.accel_y.unit = "g")'


def _lateral_lies(found: Findings, signals: Signals, largest: float) -> bool:
    """Say so where the unit of lateral force is none that fits; in doubt it is of no use until answered.

    Told by what needs no rate of a sheet: speed times yaw rate, gravity that the same box reads in the same
    wrong unit, and a force that no tyre gives.
    """
    turn = signals.once("turn ratio", clock.turn_ratio)
    if turn is not None and turn[1] >= clock.TURN_CLEAR:
        for factor, _ in _WRONG_UNITS:
            near = 1.0 / UNIT_NEAR < turn[0] * factor / clock.USUAL_TURN < UNIT_NEAR
            # A force read too small beside km/h under m/s, 2.7 times nearer to right, must also be small.
            if near and (factor > 1.0 or largest < CORNERING):
                why = f"reaches {largest:.2g} g where speed times yaw rate gives {turn[0]:.2g} times as much"
                _lateral_unit_row(found, signals, why, factor, turn[0], clock.USUAL_TURN * UNIT_NEAR, "1")
                return True
        if clock.TURN_RATIOS[0] < turn[0] < clock.TURN_RATIOS[1]:
            return False
    if largest > MOST_LATERAL:
        why = f"reaches {largest:.2g} g, which tyres do not give"
        fits = (factor for factor, _ in _WRONG_UNITS if LEAST_CORNERING < largest / factor < MOST_LATERAL)
        _lateral_unit_row(found, signals, why, next(fits, None), largest, MOST_LATERAL, "g")
        return True
    level = _usual(signals, "accel_z") if signals.trusted("accel_z") else None
    lie = None if level is None else _wrong_unit_of_gravity(level / STANDARD_GRAVITY)
    # One box: what hardly corners as it is written, and does in the unit that gravity shows, bears that unit.
    if lie is None or largest >= CORNERING or not CORNERING < largest / lie < MOST_LATERAL:
        return False
    why = f"hardly passes {largest:.2g} g, and gravity reads as little on accel_z"
    _lateral_unit_row(found, signals, why, lie, largest, CORNERING, "g")
    return True


def _lateral_unit_row(
    found: Findings,
    signals: Signals,
    why: str,
    factor: float | None,
    value: float,
    limit: float,
    unit: str,
) -> None:
    words = "wrong unit (logger.channels.accel_y.unit)"
    if factor is not None:
        words = _unit_words(signals, "accel_y", factor)
    text = f"Lateral force {why}: {words}. It is not used until that is answered."
    found.add(Check.UNIT, "accel_y", Verdict.BAD, value, limit, unit, text)


def _lateral_on_x(found: Findings, signals: Signals) -> bool:
    """Tell exchanged axes or a wrong sign of lateral force by the pots; return whether it is unusable."""
    pots = [name for name in inputs.POTS if signals.trusted(name)]
    if len(pots) < 3:
        return False
    forward = "accel_x" if signals.sensed("accel_x") else None
    # With the forward force taken out: braking in a turn moves the pots as well.
    on_y = {pot: inputs.SIDE_SIGN[pot] * _partial(signals, pot, "accel_y", forward) for pot in pots}
    if forward is not None and _rolls_with_x(signals, pots, on_y):
        text = (
            "The pots roll with accel_x, not accel_y: the axes are exchanged. State logger.imu.axes "
            "or the columns."
        )
        for name in ("accel_x", "accel_y"):
            found.add("axes", name, Verdict.BAD, None, None, "", text)
        return True
    against = all(r < -0.4 for r in on_y.values())
    fits = senses.possible(signals)
    small = senses.simplest(fits)
    # Pots that all count the other way hide a lateral force that does so, too; what else was seen tells.
    if fits and not (any(Fault.LATERAL in f for f in small) and (against or len(small) == 1)):
        return False
    if not fits and (not against or senses.part_under_braking(signals)):
        return False
    text = (
        "All pots roll against it: lateral force has the wrong sign"
        if against
        else "Pots and lateral force both count the other way"
    )
    text += ", left turns must give positive values (logger.channels.accel_y.sign)."
    # As few faults explain it otherwise, as exchanged sides with a yaw rate that counts the other way.
    if against and not all(Fault.LATERAL in faults for faults in small):
        text = (
            "All pots roll against it; whether it has the wrong sign nothing in the log tells "
            "(logger.channels.accel_y.sign)."
        )
    if len(fits) > 1 or not against:
        text += _what_fits(signals)
    found.add("sign", "accel_y", Verdict.BAD, float(np.mean(list(on_y.values()))), -0.4, "1", text)
    return True


def _what_fits(signals: Signals) -> str:
    """Return a sentence with all that the senses fit together; empty where nothing is wrong or told."""
    fits = senses.possible(signals)
    return f" {senses.named(fits)}." if any(fits) else ""


def _rolls_with_x(signals: Signals, pots: list[str], on_y: dict[str, float]) -> bool:
    """Return whether the sides part with accel_x, and more so than with accel_y.

    Pots exchanged across the car look alike but for the size: a car rolls more per lateral force than it
    pitches per forward force. Lateral force that goes with speed times yaw rate settles it as well.
    """
    forward = forward_axis(signals)
    if forward is not None:
        return forward == "accel_y"
    on_x = [inputs.SIDE_SIGN[pot] * _partial(signals, pot, "accel_x", "accel_y") for pot in pots]
    one_sense = all(r > 0.4 for r in on_x) or all(r < -0.4 for r in on_x)
    y_in_order = all(r > 0.2 for r in on_y.values()) or all(r < -0.2 for r in on_y.values())
    if not one_sense or y_in_order:
        return False
    # A lateral force that goes with speed times yaw rate is where it belongs.
    if signals.trusted("gyro_z") and signals.trusted("speed"):
        product = signals.mean("gyro_z") * signals.mean("speed")
        if abs(inputs.moving_correlation(product, signals.mean("accel_y"), signals.still)) > 0.7:
            return False
    # The size is left to tell: how far each force moves the pots, freed of the other force.
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
    return inputs.partial_correlation(signals.mean(pot)[used], signals.mean(cause)[used], rest)


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
    r = inputs.moving_correlation(product, lateral, signals.still)
    used = np.isfinite(product) & np.isfinite(lateral) & ~signals.still
    if abs(r) < YAW_CLEAR or used.sum() < LEAST_YAW_BLOCKS:
        found.untested(
            "yaw rate", "gyro_z", "Lateral force does not follow speed times yaw rate closely enough to tell."
        )
        return
    # A speed whose unit is in doubt already is no reason to doubt the yaw rate.
    doubts = [row.value for row in found.rows if row.check == Check.UNIT and row.channel == "speed"]
    ratio = float(product[used].std() / lateral[used].std()) / (doubts[0] or 1.0 if doubts else 1.0)
    if r < 0:
        found.add(
            "yaw rate",
            "gyro_z",
            Verdict.BAD,
            r,
            0.0,
            "1",
            "Turns against the lateral force: yaw rate or lateral force counts the other way "
            f"(logger.channels.gyro_z.sign or accel_y.sign).{_what_fits(signals)}",
        )
    elif not YAW_RATIOS[0] < ratio < YAW_RATIOS[1]:
        if not doubts and clock.speed_by_one(found, signals, ratio, float(np.degrees(1.0)), "turn"):
            return
        text = (
            f"Speed times yaw rate is {ratio:.3g} times the lateral force: wrong unit of yaw rate or speed."
        )
        found.add("yaw rate", "gyro_z", Verdict.BAD, ratio, YAW_RATIOS[1], "1", text)
    else:
        text = "Agrees with lateral force and speed."
        found.add("yaw rate", "gyro_z", Verdict.GOOD, ratio, YAW_RATIOS[1], "1", text)


def _speed(found: Findings, signals: Signals) -> None:
    values = signals.data["speed"]
    odd = (values > FASTEST) | (values < -15.0)
    share = float(odd.mean())
    for first, end in runs_of(odd):
        found.mark("speed", first, end)
    verdict = Verdict.GOOD if not share else Verdict.SUSPECT if share < 0.1 else Verdict.BAD
    comment = (
        "Believable throughout."
        if not share
        else f"{share:.2%} of the samples are no speed a car has; left out. Check its unit."
    )
    found.add(Check.SPEED_RANGE, "speed", verdict, share, 0.0, "1", comment)


def _position(found: Findings, signals: Signals) -> None:
    names = [n for n in ("latitude", "longitude") if n in signals.data]
    lost = np.ones(signals.base.count, dtype=bool)
    # Without a fix receivers write nought in both; in one alone it is the equator or the zero meridian.
    for name in names:
        lost &= signals.data[name] == 0.0
    for name in names:
        _nowhere(found, signals, name)
    share = float(lost.mean())
    verdict = Verdict.GOOD if share < 0.02 else Verdict.SUSPECT if share < 0.5 else Verdict.BAD
    comment = (
        "A fix throughout."
        if verdict is Verdict.GOOD
        else f"No satellite fix for {share:.0%} of the run; left out."
    )
    stretches = runs_of(lost)
    for name in names:
        for first, end in stretches:
            found.mark(name, first, end)
        found.add(Check.POSITION_FIX, name, verdict, share, 0.02, "1", comment)


def _track(found: Findings, signals: Signals) -> None:
    """Say so where the track turns against lateral force; it alone tells a car that is mirrored whole."""
    fits = senses.possible(signals)
    if not fits or not all(Fault.TRACK in faults for faults in senses.simplest(fits)):
        return
    # Which of both it is no channel tells: a position of the wrong hemisphere, or a whole logger mirrored.
    text = (
        f"The track turns against lateral force. {senses.named(fits)} (logger.channels.longitude.sign, or "
        "the signs and columns named)."
    )
    found.add(Check.POSITION, "longitude", Verdict.SUSPECT, None, None, "", text)


def _nowhere(found: Findings, signals: Signals, name: str) -> None:
    """Leave out and name positions that lie nowhere on earth."""
    most = np.pi / 2 if name == "latitude" else np.pi
    beyond = np.abs(signals.data[name]) > most
    share = float(beyond.mean())
    if not share:
        return
    for first, end in runs_of(beyond):
        found.mark(name, first, end)
    where = signals.seconds(int(np.argmax(beyond)))
    text = (
        f"{share:.2%} of the positions lie beyond {np.degrees(most):.0f} degrees, first at {where:.2f} s; "
        f"left out. Check its unit (logger.channels.{name}.unit)."
    )
    verdict = Verdict.BAD if share > 0.5 else Verdict.SUSPECT
    found.add(Check.POSITION, name, verdict, share, 0.0, "1", text)


# Check of the forward acceleration against the change of speed, which alone tells forward from sideways.


STRAIGHT: Final = 2.0
"""Lateral force up to which a car goes where it points [m/s2]; sideways it brakes without slowing along x."""
SPEEDING: Final = 1.0
"""Change of speed that is told from noise [m/s2]."""
LEAST_BLOCKS: Final = 8
FORWARD_CLEAR: Final = 0.8
FORWARD_RATIOS: Final = (0.4, 2.5)
"""Forward force over change of speed outside of which a unit is wrong; pitch and grade make it 0.9 to 1.15,
and the nearest unit that could be meant lies 3.6 away (km/h and m/s)."""
LARGEST: Final = 3.0
"""Forward force over half seconds that no car reaches, in g."""
AXIS_MARGIN: Final = 0.3
"""How much more one axis must go with the change of speed than the other (engineering judgement)."""


def check_forward_size(found: Findings, signals: Signals) -> None:
    """Check that forward acceleration is of a size that cars reach."""
    if not signals.trusted("accel_x"):
        return
    means = signals.mean("accel_x")
    finite = means[np.isfinite(means)]
    largest = float(np.percentile(np.abs(finite), 98)) / STANDARD_GRAVITY if len(finite) >= 12 else 0.0
    if largest > LARGEST:
        text = f"Reaches {largest:.0f} g, which no car does: wrong unit (logger.channels.accel_x.unit)."
        found.add(Check.UNIT, "accel_x", Verdict.BAD, largest, LARGEST, "g", text)


def check_forward(found: Findings, signals: Signals, clock_wrong: bool = False) -> None:
    """Check unit and sign of forward acceleration; its size only where the clock was not found wrong."""
    if not all(signals.trusted(name) for name in ("accel_x", "speed", "accel_y")):
        return
    if len(signals.still) < LEAST_BLOCKS:
        found.untested("sign", "accel_x", "The log is too short.")
        return
    means = signals.mean("accel_x")
    rate = np.gradient(signals.mean("speed"), signals.block / signals.base.rate)
    # Straight parts only: a drifting car's forward axis points out of its path.
    used = (np.abs(rate) > SPEEDING) & (np.abs(signals.mean("accel_y")) < STRAIGHT) & ~signals.still
    used &= np.isfinite(means) & np.isfinite(rate)
    if used.sum() < LEAST_BLOCKS or float(rate[used].std()) < SPEEDING:
        found.untested("sign", "accel_x", "Too little braking and accelerating on the straight to tell.")
        return
    # The correlation tells the sign, the spread the unit; a slope would take noise off both.
    r = float(np.corrcoef(means[used], rate[used])[0, 1]) if float(means[used].std()) > 0.0 else 0.0
    ratio = float(means[used].std() / rate[used].std())
    if abs(r) < FORWARD_CLEAR:
        found.untested("sign", "accel_x", "Does not follow the change of speed closely enough to tell.")
    elif r < 0.0:
        text = "Goes against the change of speed: wrong sign (logger.channels.accel_x.sign)."
        found.add("sign", "accel_x", Verdict.BAD, r, 0.0, "1", text)
    elif not clock_wrong and not FORWARD_RATIOS[0] < ratio < FORWARD_RATIOS[1]:
        if clock.speed_by_one(found, signals, ratio, STANDARD_GRAVITY, "forward"):
            return
        text = (
            f"Is {ratio:.3g} times the change of speed: wrong unit of accel_x or speed "
            "(logger.channels.….unit)."
        )
        found.add(Check.UNIT, "accel_x", Verdict.BAD, ratio, FORWARD_RATIOS[1], "1", text)
    else:
        found.add("sign", "accel_x", Verdict.GOOD, r, 0.0, "1", "Goes with the change of speed.")


def forward_axis(signals: Signals) -> str | None:
    """Return the acceleration that goes with the change of speed; None where neither clearly does."""
    if not all(signals.sensed(name) for name in ("speed", "accel_x", "accel_y")):
        return None
    if len(signals.still) < 2:  # one block has no change of speed
        return None
    rate = np.gradient(signals.mean("speed"), signals.block / signals.base.rate)
    r = {
        n: abs(inputs.moving_correlation(rate, signals.mean(n), signals.still))
        for n in ("accel_x", "accel_y")
    }
    best = max(r, key=lambda name: r[name])
    return best if r[best] > min(r.values()) + AXIS_MARGIN else None


# Check of the roll gyro against the roll of the pots and of the road, which the accelerometer shows.


USUAL_TRACK: Final = 1.5
"""Track width over motion ratio, enough to tell degrees from radians [m]."""
LEAST_ROLL_RATE: Final = 0.004
"""Spread of the roll rate that lets the gyro be compared [rad/s]."""
ROLL_CLEAR: Final = 0.5
"""Correlation from which the sign is told (engineering judgement)."""
ROLL_RATIOS: Final = (0.15, 8.0)
"""Gyro over pots: outside of it the unit is wrong; degrees and radians lie 57 apart."""
USUAL_RATIO: Final = 1.25
DEGREES: Final = 57.3
UNIT_NEAR: Final = 1.7
"""How near 57.3 must come: half way, by ratio, to the inches under mm that a pot may hold."""
BANKED_ROAD: Final = np.radians(7.0)
"""Slope found in cornering (its 90th percentile) above which the road is banked [rad]: the rigid-body engine
shows 10 degrees and more on banks of 12."""
_PAIRS: Final = (("damper_FL", "damper_FR"), ("damper_RL", "damper_RR"))


def check_roll_rate(found: Findings, signals: Signals) -> None:
    """Check unit and sign of the roll rate by the rate at which pots and road roll.

    The gyro sees the body turn against the horizon: the suspension's roll less the slope of the road towards
    the inside of the turn. On a bank the road's part is several times the other and of the opposite sign.
    """
    if not signals.trusted("gyro_x"):
        return
    known = [(a, b) for a, b in _PAIRS if signals.trusted(a) and signals.trusted(b)]
    if len(known) < 2:
        found.untested("roll rate", "gyro_x", "Needs four pots.")
        return
    if len(signals.still) < 20:
        found.untested("roll rate", "gyro_x", "The log is too short.")
        return
    # Half a second averages the road out and leaves the car's turning in and out.
    step = signals.block / signals.base.rate
    roll = sum((signals.mean(b) - signals.mean(a) for a, b in known), np.zeros(1)) / (2.0 * USUAL_TRACK)
    # The mean of three blocks belongs to the same stretch as the central difference.
    gyro = np.convolve(signals.mean("gyro_x"), [0.25, 0.5, 0.25], mode="same")
    bank = senses.road_bank(signals)
    pots = np.gradient(roll, step)
    front, rear = (np.gradient(signals.mean(b) - signals.mean(a), step) for a, b in known)
    if inputs.moving_correlation(front, rear, signals.still) < -ROLL_CLEAR:
        # One body cannot roll both ways: pots of an axle are exchanged or inverted, which is told of them.
        found.untested("roll rate", "gyro_x", "The pots of one axle count against those of the other.")
        return
    if bank is None and any(name in signals.data for name in signals.bad & {"accel_y", "accel_z"}):
        # The bank is told by accelerations that are called bad already; the gyro is not to blame for them.
        found.untested("roll rate", "gyro_x", "The bank is not known before the accelerations are right.")
        return
    if bank is None:
        _judge(found, signals, gyro, [pots], "bank unknown")
        return
    slope = senses.cornering_slope(signals, bank)
    road = np.gradient(roll - bank, step)
    if slope < senses.LEVEL_ROAD:
        _judge(found, signals, gyro, [pots], "level")
    elif slope > BANKED_ROAD:
        _judge(found, signals, gyro, [road], "banked")
    else:
        _judge(found, signals, gyro, [pots, road], "perhaps banked")


def _units_of_turning(ratio: float) -> bool:
    """Return whether degrees and radians explain a ratio of roll rates, which is 1.0 to 1.6 on sound cars."""
    near = (ratio / USUAL_RATIO / unit for unit in (DEGREES, 1.0 / DEGREES))
    return any(1.0 / UNIT_NEAR < part < UNIT_NEAR for part in near)


def _judge(found: Findings, signals: Signals, gyro: Floats, rates: list[Floats], road: str) -> None:
    """Add the row; of two rates both must agree on the sign."""
    used = np.isfinite(gyro) & ~signals.still
    for rate in rates:
        used &= np.isfinite(rate)
    most = max((float(rate[used].std()) for rate in rates), default=0.0) if used.any() else 0.0
    # Pots that hardly move beside a gyro that does are no car that rolls too little.
    if used.sum() < 20 or max(most, 0.3 * float(gyro[used].std())) < LEAST_ROLL_RATE:
        found.untested("roll rate", "gyro_x", "The car rolls too little to tell.")
        return
    # Two readings of the road (level, and banked by the accelerometer): the verdict stands where both agree.
    r = [inputs.moving_correlation(rate, gyro, signals.still) for rate in rates]
    ratio = float(gyro[used].std() / np.median([rate[used].std() for rate in rates]))
    least = min(r, key=abs)
    if all(value < -ROLL_CLEAR for value in r):
        faults = frozenset[object]().union(*senses.simplest(senses.possible(signals)))
        if Fault.ROLL not in faults and faults - {Fault.LATERAL, Fault.FORWARD, Fault.YAW, Fault.TRACK}:
            found.untested("roll rate", "gyro_x", "The pots it is held against are not as they should be.")
            return
        # On banks the road rolls the car against its pots, as a wrong sign would.
        if road == "bank unknown":
            text = (
                "Turns against the roll of the pots: its sign is wrong (logger.channels.gyro_x.sign), or the "
                "course is banked, which cannot be told without vertical acceleration."
            )
            found.add("roll rate", "gyro_x", Verdict.SUSPECT, least, -ROLL_CLEAR, "1", text)
            return
        text = f"Turns against the roll of the pots (logger.channels.gyro_x.sign).{_what_fits(signals)}"
        found.add("roll rate", "gyro_x", Verdict.BAD, least, -ROLL_CLEAR, "1", text)
    elif not all(value > ROLL_CLEAR for value in r):
        text = "Does not follow the roll of pots and road closely enough to tell."
        found.untested("roll rate", "gyro_x", text)
    elif not ROLL_RATIOS[0] < ratio < ROLL_RATIOS[1] and not _units_of_turning(ratio):
        # No unit of a turn rate is so far off. A car sheet tells which pots; without one all are asked for.
        text = f"The roll rate is {ratio:.3g} times that of the pots, as no unit of a turn rate explains"
        found.untested("roll rate", "gyro_x", text + ": the pots' unit is in doubt.")
        for name in inputs.POTS if signals.car is None else ():
            if signals.trusted(name):
                ask = f"{text}: what unit does this pot bear (logger.channels.{name}.unit)?"
                found.add(Check.UNIT, name, Verdict.SUSPECT, ratio, ROLL_RATIOS[1], "1", ask)
    elif not ROLL_RATIOS[0] < ratio < ROLL_RATIOS[1]:
        text = f"Is {ratio:.3g} times the roll rate of the pots: wrong unit (logger.channels.gyro_x.unit)."
        found.add("roll rate", "gyro_x", Verdict.BAD, ratio, ROLL_RATIOS[1], "1", text)
    else:
        what = "pots and banked road" if road == "banked" else "pots"
        found.add(
            "roll rate", "gyro_x", Verdict.GOOD, least, ROLL_CLEAR, "1", f"Follows the roll of the {what}."
        )
