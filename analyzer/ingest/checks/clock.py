"""Whether the clock of a log agrees with the motion in it: rate of the rows, pots beside accelerations."""

from pathlib import Path
from typing import Final, Literal

import numpy as np

from analyzer.core.signals import Blocks
from analyzer.core.units import unit_factor
from analyzer.ingest.checks.inputs import POTS, Findings, Floats, Signals, ground_velocity
from analyzer.ingest.clocks import STATED_TOLERANCE, match_clocks
from analyzer.ingest.logfile import LogFile
from analyzer.ingest.recording import Check, Verdict
from analyzer.ingest.timebase import TimeBase
from analyzer.sheets.car import Logger

LEAST_BLOCKS: Final = 20
"""Half seconds of driving from which change of speed and force are compared."""
SLOWEST: Final = 2.0
"""Speed from which a car's sensors of speed can be trusted [m/s]."""
CLEAR: Final = 0.75
"""Correlation from which a ratio counts; on sound drives of the beds it is 0.86 and more, and with stamps
that run twice too fast, whose half seconds are long ones, 0.78."""
TURN_CLEAR: Final = 0.6
"""The same for speed times yaw rate, which side slip parts from lateral force: 0.73 and more on the beds."""
RATE_RATIOS: Final = (0.625, 1.6)
"""Forward force over change of speed outside of which clock or unit is wrong: side slip, pitch and banks make
it 0.94 to 1.33 on sound drives of the rigid-body engine and of the virtual car."""
TURN_RATIOS: Final = (0.7, 2.4)
"""Speed times yaw rate over lateral force within which the units of all three are right: drifting and banks
of 12 degrees make it 0.94 to 2.3 on sound drives of the rigid-body engine and of the virtual car."""
USUAL_TURN: Final = 1.4
"""The middle of what they show."""
PLACE_RATIOS: Final = (0.8, 1.25)
"""Logged speed over that of the positions within which clock and unit of speed are right."""
ALIKE: Final = 1.25
"""How near another time column must come to the rate that the motion shows."""
Ratio = tuple[float, float]
"""How often one motion is the other one, and which way round it is meant: ratio and correlation."""


def check_clock_rate(found: Findings, signals: Signals) -> bool:
    """Hold the rate of the rows against the motion; return whether clock or unit of speed was found wrong.

    A clock that is slow by a factor shows every change of speed too small by it, and leaves speed times yaw
    rate beside lateral force as it is, which involves no time: so the two tell a clock from a unit. Positions
    beside speed tell it without any acceleration.
    """
    forward = _clear_ratio(signals.once("forward ratio", forward_ratio), CLEAR)
    place = _clear_ratio(signals.once("place ratio", place_ratio), CLEAR)
    turn = _clear_ratio(signals.once("turn ratio", turn_ratio), TURN_CLEAR)
    if forward is None and place is None and "speed" in signals.data:
        found.untested("clock rate", "time", "Too little braking and accelerating to tell, and no positions.")
    units = _units_of_speed(signals, forward, place, turn)
    if units:
        _speed_in(found, signals, units)
        return True
    off = _what_is_off(forward, place, turn)
    if "clock" in off:
        _wrong_clock(found, signals, off["clock"], _rather_a_clock(off, turn))
        return True
    if off:
        _wrong_unit(found, off)
        # Where the yaw rate says that it is the speed, forward acceleration is not blamed beside it.
        return "accel_x" not in off
    value = place if place is not None else forward
    if value is not None and RATE_RATIOS[0] < value < RATE_RATIOS[1]:
        found.add("clock rate", "time", Verdict.GOOD, value, RATE_RATIOS[1], "1", "Agrees with the motion.")
    return False


def _what_is_off(forward: float | None, place: float | None, turn: float | None) -> dict[str, float]:
    """Return what explains the three ratios by being off alone, and its factor; empty when nothing has to be.

    With a clock `c` times too slow, speed `s` and forward force `a` times too large, force over change of
    speed is a c / s, speed over that of the positions c s, and speed times yaw rate over lateral force s.
    """

    def sound(clock: float = 1.0, speed: float = 1.0, ahead: float = 1.0) -> bool:
        ratios = (
            (forward, ahead * clock / speed, RATE_RATIOS),
            (place, clock * speed, PLACE_RATIOS),
            (turn, speed, TURN_RATIOS),
        )
        return all(r is None or low < r / factor < high for r, factor, (low, high) in ratios)

    if sound():
        return {}
    # What positions show is worth more than forward force, which hills and a tilted box move, too. All that
    # fit are named: without positions the same ratio speaks for any of the three.
    named = {}
    clock = place if place is not None else forward
    if clock is not None and sound(clock=clock):
        named["clock"] = clock
    speed = place if place is not None else None if forward is None else 1.0 / forward
    if speed is not None and sound(speed=speed):
        named["speed"] = speed
    if forward is not None and sound(ahead=forward):
        named["accel_x"] = forward
    return named


SPEED_UNITS: Final = ("m/s", "km/h", "mph", "kn")
"""Units that a speed may be logged in under the heading of another one."""
_FORWARD: Final = (1.07, 0.08)
_TURN: Final = (1.36, 0.15)
_PLACE: Final = (1.0, 0.05)
"""Middle and relative spread of the three ratios on sound drives: 258 of the rigid-body engine, on banks and
level, have 1.07 and 5 %, 1.34 and 10 %, wider on banks; positions as receivers give them."""
FITS: Final = 9.0
"""Sum of squares, each over its spread, up to which a unit fits, and by which it must fit better."""
CLEARLY: Final = 4.0
"""The same by which it must fit better than a clock of any rate, or a forward force of any scale."""


def _units_of_speed(
    signals: Signals, forward: float | None, place: float | None, turn: float | None
) -> dict[str, float]:
    """Return the units that speed is in where the one stated is not, each with its factor, the best first.

    A speed that reads `s` times too large makes force over change of speed 1 / s, speed times yaw rate over
    lateral force s, and speed over that of positions s. Two of them must say so together, and better than a
    clock of any rate, which leaves speed times yaw rate as it is.
    """
    channel = signals.logger.channels.get("speed")
    if forward is None or turn is None or channel is None or channel.unit is None:
        return {}
    stated = unit_factor(channel.unit, "speed")

    def misfit(factor: float, clock: float = 1.0) -> float:
        ratios = [(forward * factor / clock, _FORWARD), (turn / factor, _TURN)]
        if place is not None:
            ratios.append((place / factor / clock, _PLACE))
        return sum((float(np.log(ratio / middle)) / spread) ** 2 for ratio, (middle, spread) in ratios)

    units = {unit: stated / unit_factor(unit, "speed") for unit in SPEED_UNITS}
    found = {unit: misfit(factor) for unit, factor in units.items() if abs(factor - 1.0) > 0.01}
    best = min(found.values())
    clock = misfit(1.0, forward / _FORWARD[0] if place is None else place)
    # On banks speed times yaw rate is as large as with a wrong unit, and a clock or a force may be off.
    if best > FITS or best + FITS > misfit(1.0) or best + CLEARLY > clock:
        return {}
    return {unit: units[unit] for unit in sorted(found, key=lambda u: found[u]) if found[unit] < best + FITS}


def speed_by_one(
    found: Findings, signals: Signals, ratio: float, own: float, by: Literal["turn", "forward"]
) -> bool:
    """Say that speed is in another unit where one ratio alone shows it; return whether it does.

    Parameters
    ----------
    ratio : float
        Speed times yaw rate over lateral force (`turn`), or forward force over change of speed (`forward`).
    own : float
        By how much the unit of the other channel is wrong where it is: that must not explain it as well.
    """
    channel = signals.logger.channels.get("speed")
    if channel is None or channel.unit is None:
        return False
    stated = unit_factor(channel.unit, "speed")
    middle, spread = _TURN if by == "turn" else _FORWARD

    def fits(factor: float) -> bool:
        return abs(float(np.log(ratio / middle / factor))) < 2.0 * spread

    factors = {unit: stated / unit_factor(unit, "speed") for unit in SPEED_UNITS}
    units = {u: f for u, f in factors.items() if abs(f - 1.0) > 0.01 and fits(f if by == "turn" else 1.0 / f)}
    if not units or fits(own) or fits(1.0 / own):
        return False
    _speed_in(found, signals, units, ("yaw rate" if by == "turn" else "forward acceleration",))
    return True


def _speed_in(
    found: Findings,
    signals: Signals,
    units: dict[str, float],
    by: tuple[str, ...] = ("forward acceleration", "yaw rate"),
) -> None:
    """Say in which unit the speed is; it is used, for no gradient, load or share rests on its size."""
    factor = next(iter(units.values()))
    stated = signals.logger.channels["speed"].unit
    key = "logger.channels.speed.unit"
    where = f'{key} = "{next(iter(units))}"' if len(units) == 1 else key
    shown = f"{' and '.join(by)} {'shows' if len(by) == 1 else 'show'}"
    text = (
        f"Is {factor:.2g} times what {shown}: this looks like "
        f"{' or '.join(units)} under a {stated} heading ({where}). Gradients and loads do not rest on it; "
        "distances and what goes with speed do."
    )
    found.add(Check.UNIT, "speed", Verdict.SUSPECT, factor, RATE_RATIOS[1], "1", text)


def _rather_a_clock(off: dict[str, float], turn: float | None) -> bool:
    """Return whether speed times yaw rate, which knows no clock, is nearer to usual with speed as it is."""
    if "speed" not in off:
        return True
    return turn is not None and abs(np.log(turn / USUAL_TURN)) < abs(np.log(turn / off["speed"] / USUAL_TURN))


def _wrong_unit(found: Findings, off: dict[str, float]) -> None:
    """Name the channels whose unit explains the motion where no clock does."""
    listed = " or ".join(f"logger.channels.{name}.unit" for name in off)
    for name, factor in off.items():
        text = f"Is about {factor:.2g} times what the motion of the other channels shows ({listed})."
        found.add(Check.UNIT, name, Verdict.SUSPECT, factor, RATE_RATIOS[1], "1", text)


def take_right_clock(file: LogFile, logger: Logger) -> None:
    """Give a log the further time column that its motion agrees with, where it contradicts the one taken."""
    rate = 1.0 / file.interval
    base = TimeBase(float(file.seconds[0]), rate, len(file.seconds))
    signals = Signals(Blocks(file.channels, rate), base, logger, None, {}, set())
    ratios = forward_ratio(signals), place_ratio(signals), turn_ratio(signals)
    clear = [_clear_ratio(r, least) for r, least in zip(ratios, (CLEAR, CLEAR, TURN_CLEAR), strict=True)]
    factor = _what_is_off(clear[0], clear[1], clear[2]).get("clock")
    if factor is None:
        return
    for name, seconds in file.rivals.items():
        lasts = float((seconds[-1] - seconds[0]) / (file.seconds[-1] - file.seconds[0]))
        if 1.0 / ALIKE < lasts * factor < ALIKE:
            file.take_times(seconds)
            file.steps.append(
                f'time taken from column "{name}" instead: the motion contradicts the other one by a factor '
                f"of {factor:.2g} (logger.channels.time.column)"
            )
            return


def _clear_ratio(ratio: Ratio | None, least: float) -> float | None:
    return None if ratio is None or ratio[1] < least else ratio[0]


def _wrong_clock(found: Findings, signals: Signals, factor: float, sure: bool) -> None:
    stated = signals.logger.sample_rate
    rate = signals.base.rate if stated is None else stated.value
    key = "logger.channels.time.unit or .column" if stated is None else "logger.sample_rate"
    what = "slow" if factor > 1.0 else "fast"
    times = factor if factor > 1.0 else 1.0 / factor
    text = f"The clock runs about {times:.2g} times too {what} for the motion"
    text += f": the rows come at about {_rounded(rate * factor):g} Hz and not {rate:.4g} Hz ({key})"
    if not sure:
        text += (
            ", or a unit is wrong (logger.channels.speed.unit, accel_x.unit), which only a yaw rate or "
            "positions could tell"
        )
    elif "latitude" not in signals.data:
        text += ", or forward acceleration is off by as much (logger.channels.accel_x.unit)"
    verdict = Verdict.BAD if sure else Verdict.SUSPECT
    found.add("clock rate", "time", verdict, factor, RATE_RATIOS[1], "1", text + ".")


def _rounded(rate: float) -> float:
    """Return a rate to the two digits that the motion tells."""
    return float(f"{rate:.2g}")


def _freed(values: Floats, basis: Floats) -> Floats:
    return np.asarray(values - basis @ np.linalg.lstsq(basis, values, rcond=None)[0], dtype=np.float64)


def _ratio(one: Floats, other: Floats) -> Ratio | None:
    spread = float(one.std()), float(other.std())
    if min(spread) <= 0.0:
        return None
    # Of the spreads, not a slope: noise of either would take its part off that.
    return spread[0] / spread[1], float(np.corrcoef(one, other)[0, 1])


def forward_ratio(signals: Signals) -> Ratio | None:
    """Return forward force over change of speed, both freed of what side slip and lean put into them."""
    names = ("accel_x", "accel_y", "speed")
    if not all(signals.trusted(name) for name in names) or len(signals.still) < LEAST_BLOCKS:
        return None
    speed = signals.mean("speed")
    rate = np.gradient(speed, signals.block / signals.base.rate)
    # Means of three blocks belong to the same stretch as the central difference.
    ahead, side = (np.convolve(signals.mean(n), [0.25, 0.5, 0.25], mode="same") for n in names[:2])
    used = np.isfinite(rate) & np.isfinite(ahead) & np.isfinite(side) & ~signals.still & (speed > SLOWEST)
    used[[0, -1]] = False
    if used.sum() < LEAST_BLOCKS:
        return None
    side = side[used]
    basis = np.column_stack([np.ones(len(side)), side, np.abs(side), side**2])
    return _ratio(_freed(ahead[used], basis), _freed(rate[used], basis))


def turn_ratio(signals: Signals) -> Ratio | None:
    """Return speed times yaw rate over lateral force, over some seconds, in which the path decides."""
    names = ("gyro_z", "accel_y", "speed")
    if not all(signals.trusted(name) for name in names) or len(signals.still) < LEAST_BLOCKS:
        return None
    window = np.ones(7) / 7.0
    product = np.convolve(signals.mean("gyro_z") * signals.mean("speed"), window, mode="same")
    lateral = np.convolve(signals.mean("accel_y"), window, mode="same")
    used = np.isfinite(product) & np.isfinite(lateral) & ~signals.still
    return _ratio(product[used], lateral[used]) if used.sum() >= LEAST_BLOCKS else None


def place_ratio(signals: Signals) -> Ratio | None:
    """Return logged speed over the speed of the positions."""
    names = ("latitude", "longitude", "speed")
    if not all(signals.trusted(name) for name in names) or len(signals.still) < LEAST_BLOCKS:
        return None
    moved = np.hypot(*ground_velocity(signals))
    speed = np.convolve(signals.mean("speed"), [0.25, 0.5, 0.25], mode="same")
    used = np.isfinite(moved) & np.isfinite(speed) & ~signals.still & (speed > SLOWEST)
    used[[0, -1]] = False
    if used.sum() < LEAST_BLOCKS:
        return None
    # Sums of both, since speed need not change for its scale to show.
    apart = _ratio(speed[used], moved[used])
    return None if apart is None else (float(speed[used].sum() / max(moved[used].sum(), 1e-9)), apart[1])


# Pots and inertial unit of one log, which its stamps put at one time: whether they saw the same motion then.


COMPARED_HZ: Final = 100.0
"""Rate at which they are compared: an offset is read to 0.6 ms, at 50 Hz to 7 ms."""
LONGEST: Final = 300.0
"""Part of the run that is looked at, from its middle [s]."""
CLOSE: Final = 0.95
"""Correlation of what pots and unit say from which their offset is told: sound logs of the beds show 0.97."""
SURE: Final = 5.0
"""An offset counts from so many of its standard errors on (engineering judgement)."""
_UNIT: Final = ("accel_y", "accel_z", "gyro_x", "gyro_z")


def check_own_offset(found: Findings, signals: Signals) -> None:
    """Find pots that come later or earlier than the inertial unit of the same log, as after a filter.

    By the equation of motion of the sprung body, as for two loggers; on sound logs of the beds it finds 1 ms
    at most by roll, and 11 ms by heave.
    """
    # A channel that anything was found of is no witness of time.
    odd = {row.channel for row in found.rows if row.verdict in (Verdict.SUSPECT, Verdict.BAD)}
    pots = [name for name in POTS if signals.trusted(name)]
    unit = [name for name in _UNIT if signals.trusted(name)]
    # One axle alone does not carry the whole moment: that of the sample car would show an offset of 37 ms.
    if len(pots) < len(POTS) or len(unit) < 2 or odd & {*pots, *unit}:
        return
    size = max(1, int(signals.base.rate / COMPARED_HZ))
    count = signals.base.count // size
    rate = signals.base.rate / size
    first = max(0, (count - int(LONGEST * rate)) // 2)
    end = min(count, first + int(LONGEST * rate))

    def part(names: list[str]) -> LogFile:
        channels = {
            name: signals.data[name][first * size : end * size].reshape(-1, size).mean(axis=1)
            for name in names
        }
        seconds = signals.base.start + np.arange(first, end) / rate
        return LogFile(Path("log"), seconds, None, channels)

    match = match_clocks(part(pots), part(unit))
    if match is None or not match.certain or match.std_error is None or match.match < CLOSE:
        return
    off = match.offset
    if STATED_TOLERANCE < abs(off) <= SURE * match.std_error:
        found.untested("clock offset", "time", "Pots and inertial unit share too little motion to tell.")
        return
    if abs(off) <= STATED_TOLERANCE:
        comment = "Pots and inertial unit of the log show the same motion at the same time."
        found.add("clock offset", "time", Verdict.GOOD, off, STATED_TOLERANCE, "s", comment)
        return
    late, early = ("pots", "inertial unit") if off > 0.0 else ("inertial unit", "pots")
    comment = (
        f"Within the log the {late} come {1000.0 * abs(off):.0f} ± {1000.0 * match.std_error:.0f} ms after "
        f"the {early}, by {match.basis}: look for a filter of the logger on one of them, or a late bus."
    )
    found.add("clock offset", "time", Verdict.SUSPECT, off, STATED_TOLERANCE, "s", comment)
