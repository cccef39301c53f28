"""The runs of one session from their logs to their estimates, worked out once and stored.

How box and pots are bolted is told by all runs together: one mounting, many witnesses. Which unit of a log
lies is told by how far the car rolls, by its turn rates, and then by the sheet.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import accumulate
from pathlib import Path
from typing import Any, Final

import numpy as np

from analyzer.comparison.setups import run_stiffness_ratio
from analyzer.core.files import file_sha256
from analyzer.core.signals import Blocks, Floats
from analyzer.core.store import Store, digest_of, run_key
from analyzer.core.units import AXLE_CORNERS, AXLES, STANDARD_GRAVITY, Axle, Uncertain
from analyzer.ingest.attitude import pooled_leans, with_lean
from analyzer.ingest.read_run import read_recording
from analyzer.ingest.recording import BoxLean, Check, HealthRow, Recording, Verdict
from analyzer.ingest.zero import shared_zero, unknown_zeros
from analyzer.prediction.results import SetupPrediction
from analyzer.processing.estimate_run import estimate_run, with_provisional
from analyzer.processing.results import RunEstimates
from analyzer.sheets.car import CarSheet
from analyzer.sheets.session import CourseSheet, Run, Setup
from analyzer.vehicle.axle import suspension_roll, wheel_travel
from analyzer.vehicle.bar.rate import bar_rates

_FORM: Final = "recording and estimates"
_WITNESS: Final = "what a run tells of its mounting"
RunResult = tuple[Recording, RunEstimates]


@dataclass(frozen=True, slots=True)
class RunSheets:
    """What the sheets say that the results of a session's runs rest on: as used, not as files stand by now.

    Parameters
    ----------
    car, course : CarSheet, CourseSheet or None
        The car and where it was driven.
    setups : mapping
        Name -> hardware.
    runs : sequence of Run
        Entries of the session sheet, in the order they were driven.
    logs : mapping
        Run -> its log files; a run without its logs is missing.
    predict : callable
        Name of a set-up -> its prediction.
    """

    car: CarSheet
    course: CourseSheet | None
    setups: Mapping[str, Setup]
    runs: Sequence[Run]
    logs: Mapping[str, Sequence[Path]]
    predict: Callable[[str], SetupPrediction]

    def run(self, name: str) -> Run:
        """Return the entry of a run."""
        return next(run for run in self.runs if run.name == name)


@dataclass(slots=True)
class _Seen:
    """What is known of a run's logs: what they tell, or why they cannot be used."""

    witness: Witness | None = None
    error: Exception | None = None
    recording: Recording | None = None
    changed: bool = False


@dataclass(slots=True)
class RunStore:
    """The runs of one session; a review and an archive that ask for the same run share its result.

    Each log is read once. What the runs tell together (`same_mounting`) goes into the estimates of each, so
    all of them are looked at before the first is estimated.

    Parameters
    ----------
    store : Store
        Where results lie.
    sheets : RunSheets
        What they rest on.
    seed : int
        Seed of the random draws.
    hashes : dict
        Run -> SHA-256 of each of its logs, as far as they are known already.
    hold : bool
        Whether recordings that were read are held until their run is asked for, so that no log is read again.
    known : dict
        Run -> what it tells, from an earlier look at logs of the same hashes; taken from here and added to.
    """

    store: Store
    sheets: RunSheets
    seed: int = 0
    hashes: dict[str, list[str] | None] = field(default_factory=dict)
    hold: bool = True
    known: dict[str, Witness] = field(default_factory=dict)
    _seen: dict[str, _Seen] = field(default_factory=dict, init=False)
    _mountings: dict[str, Mounting] | None = field(default=None, init=False)

    def look(self, name: str) -> None:
        """Find out what a run tells of the mounting; a log that is of no use is told when it is asked for."""
        if name not in self._seen:
            self._look(name, self.hold)

    def recording(self, name: str) -> Recording:
        """Return a run as read, with the mounting that the session tells.

        Raises
        ------
        LogError
            When a log cannot be used; a failure is not stored.
        """
        self._look_at_all(name)
        return self._mounted(name)

    def result(self, name: str) -> RunResult:
        """Return recording and estimates of a run; raises as `recording`."""
        self._look_at_all(name)
        mounting = self._mounting(name)
        key = self._key(name, _FORM, mounting, self.seed)
        found: Any = None if key is None else self.store.get(key)
        if _is_result(found):
            recording, estimates = found
            self._seen[name].recording = None
            # The same log may lie in another folder now.
            sources = zip(recording.sources, self.sheets.logs[name], strict=True)
            return replace(recording, sources=tuple(replace(s, path=p) for s, p in sources)), estimates
        result = self.estimated(self._mounted(name))
        # A log that changed while it was read is not the one the key was made of.
        if key is not None and not self.changed:
            self.store.put(key, result)
        return result

    @property
    def changed(self) -> bool:
        """Whether a log was no longer what its hash says when it was read."""
        return any(seen.changed for seen in self._seen.values())

    def estimated(self, recording: Recording) -> RunResult:
        """Return recording and estimates of a run whose logs have been read; nothing is stored."""
        car, run = self.sheets.car, self.sheets.run(recording.run)
        rates = bar_rates(car, self.sheets.setups[run.setup])
        estimates = estimate_run(recording, car, run.setup, rates, self.sheets.course, self.seed)
        ratio = run_stiffness_ratio(car, self.sheets.predict(run.setup), estimates)
        estimates = replace(estimates, further={**estimates.further, "roll_stiffness_ratio": ratio})
        return recording, with_provisional(estimates, car, self.sheets.setups[run.setup])

    def _look_at_all(self, asked: str) -> None:
        # The run that is asked for comes first: its recording is wanted next, and held.
        if asked not in self._seen:
            self._look(asked, hold=True)
        for run in self.sheets.runs:
            if run.name in self.sheets.logs:
                self.look(run.name)
        if self._mountings is None:
            told = {name: seen.witness for name, seen in self._seen.items() if seen.witness is not None}
            self._mountings = mountings(self.sheets.runs, told)

    def _mounting(self, name: str) -> Mounting:
        error = self._seen[name].error
        if error is not None:
            raise error
        assert self._mountings is not None
        return self._mountings[name]

    def _mounted(self, name: str) -> Recording:
        mounting = self._mounting(name)
        recording, self._seen[name].recording = self._seen[name].recording, None
        if recording is None or mounting.zeros:
            # With another zero all checks of the pots come out otherwise, so the log is read anew.
            recording = self._read(name, mounting.zeros)
            # It may have changed since it was looked at.
            self._seen[name].changed |= self._is_another(recording)
        return with_lean(recording, mounting.box)

    def _look(self, name: str, hold: bool) -> None:
        seen = self._seen[name] = _Seen()
        # What an earlier look found holds only for the very logs it was found in.
        known = self.known.get(name)
        if known is not None and list(known.logs) == self.hashes.get(name):
            seen.witness = known
            return
        key = self._key(name, _WITNESS)
        found = None if key is None else self.store.get(key)
        if isinstance(found, Witness):
            seen.witness = self.known[name] = found
            return
        try:
            recording = self._read(name)
        except Exception as error:  # costs the others nothing; whoever asks for this run is told
            seen.error = error
            return
        seen.witness = self.known[name] = witness_of(recording, self.sheets.car)
        seen.recording = recording if hold else None
        seen.changed = self._is_another(recording)
        if key is not None and not seen.changed:
            self.store.put(key, seen.witness)

    def _is_another(self, recording: Recording) -> bool:
        """Return whether what was read is not what the hashes of its logs say."""
        hashes = self.hashes.get(recording.run)
        return hashes is not None and [source.sha256 for source in recording.sources] != hashes

    def _read(self, name: str, zeros: Mapping[str, Uncertain] | None = None) -> Recording:
        run = self.sheets.run(name)
        recording = record_run(run, self.sheets.logs[name], self.sheets.car, zeros or {})
        return with_unit_doubts(recording, self.sheets.car, self.sheets.predict(run.setup))

    def _key(self, name: str, form: str, *more: Any) -> str | None:
        """Return what a result of a run is stored under; None without a store or a log that can be read."""
        if not self.store.used:
            return None
        if name not in self.hashes:
            self.hashes[name] = _hashes(self.sheets.logs[name])
        hashes = self.hashes[name]
        if hashes is None:
            return None
        run, course = self.sheets.run(name), self.sheets.course
        setup = self.sheets.setups[run.setup]
        plain = (
            # What is marked as not measured decides what the figures are called.
            {**self.sheets.car.model_dump(), "unmeasured": self.sheets.car.unmeasured + setup.unmeasured},
            None if course is None else course.model_dump(),
            setup.model_dump(),
            run.model_dump(exclude={"box_moved"}),
        )
        return digest_of(run_key(form, *plain, hashes), *more)


def record_run(
    run: Run, logs: Sequence[Path], car: CarSheet, zeros: Mapping[str, Uncertain] | None = None
) -> Recording:
    """Read the logs of one run by itself, as its entry in the session sheet says; raises `LogError`."""
    level = None if run.level is None else (run.level[0].value, run.level[1].value)
    offsets = None if run.clock_offsets is None else [offset.value for offset in run.clock_offsets]
    return read_recording(run.name, logs, car, level, offsets, zeros or {})


def _hashes(logs: Sequence[Path]) -> list[str] | None:
    """Return the hash of each log; None when one cannot be read: whoever reads it says so in plain words."""
    try:
        return [file_sha256(path) for path in logs]
    except OSError:
        return None


def _is_result(found: object) -> bool:
    return (
        isinstance(found, tuple)
        and len(found) == 2
        and isinstance(found[0], Recording)
        and isinstance(found[1], RunEstimates)
    )


# How box and pots are bolted, told by all runs of a session together.


@dataclass(frozen=True, slots=True)
class Witness:
    """What one run tells of how box and pots are bolted.

    Parameters
    ----------
    logs : tuple of str
        SHA-256 of its logs: the same log under two names is one witness.
    box : BoxLean
        Lean of the box as the run itself tells it.
    zero : dict
        Pot -> reading at static ride height and its standard uncertainty [m].
    untold : dict
        Pot whose zero neither log nor sheet tells -> what it reads on the straight [m].
    """

    logs: tuple[str, ...]
    box: BoxLean
    zero: dict[str, tuple[float, float]]
    untold: dict[str, float]


@dataclass(frozen=True, slots=True)
class Mounting:
    """How box and pots are bolted in one run, as the session tells it.

    Parameters
    ----------
    box : BoxLean
        Lean of the box.
    zeros : dict
        Pot -> zero borrowed from the other runs [m]; a pot whose run tells its own is missing.
    """

    box: BoxLean
    zeros: dict[str, Uncertain] = field(default_factory=dict)


def witness_of(recording: Recording, car: CarSheet) -> Witness:
    """Return what a run that was read by itself tells."""
    unknown = unknown_zeros(recording, car)
    straight = {
        row.channel: row.value / 1000.0
        for row in recording.health
        if row.check == Check.ZERO_OF_RUN and row.value is not None
    }
    return Witness(
        logs=tuple(source.sha256 for source in recording.sources),
        box=recording.box,
        zero={pot: (recording.zero[pot], std) for pot, std in recording.zero_std.items()},
        untold={pot: straight[pot] for pot in sorted(unknown)},
    )


def mountings(runs: Sequence[Run], witnesses: Mapping[str, Witness]) -> dict[str, Mounting]:
    """Return the mounting in each run of a session that has a witness.

    Parameters
    ----------
    runs : sequence of Run
        In the order they were driven; ``box_moved`` begins another mounting of the box.
    witnesses : mapping
        Run -> what it tells. The others of the session do not count.
    """
    # Each move of the box begins another group: its lean before says nothing of its lean after.
    numbers = accumulate(int(run.box_moved) for run in runs)
    group = {run.name: number for run, number in zip(runs, numbers, strict=True) if run.name in witnesses}
    # By content: a log that stands there twice tells nothing new.
    first: dict[tuple[str, ...], str] = {}
    for name in group:
        first.setdefault(witnesses[name].logs, name)
    once = {name: witnesses[name] for name in first.values()}
    leans: dict[str, BoxLean] = {}
    for number in sorted(set(group.values())):
        leans |= pooled_leans({name: w.box for name, w in once.items() if group[name] == number})
    found = {}
    for name in group:
        own = witnesses[name]
        zeros = {pot: _borrowed(pot, reading, once) for pot, reading in own.untold.items()}
        box = leans[first[own.logs]] if group[first[own.logs]] == group[name] else own.box
        found[name] = Mounting(box, {pot: zero for pot, zero in zeros.items() if zero is not None})
    return found


def _borrowed(pot: str, here: float, witnesses: Mapping[str, Witness]) -> Uncertain | None:
    return shared_zero([w.zero[pot] for w in witnesses.values() if pot in w.zero], here)


# Which unit of a log lies: told by how far the car rolls, by its turn rates, and then by the sheet.


BEYOND: Final = 2.0
"""Measured over predicted roll, either way, from which a unit is asked for: no bar, spring or tyre of a sheet
that was measured is off by so much (engineering judgement)."""
ROLL_OF_CARS: Final = (0.15, 12.0)
"""Suspension roll per lateral force of cars on wheels [deg/g]; logs of formula cars show 0.3, soft road cars
7 (engineering judgement)."""
APART: Final = 3.0
"""Roll of one axle over that of the other which no frame twists by; 0.88 to 1.0 on the beds, 2.2 from logs of
cars whose motion ratios are not known."""
GYRO_RATIOS: Final = (0.4, 3.5)
"""Roll rate over that of the pots on level ground outside of which one of both lies: 1.0 to 1.6 on the beds,
tyres and side slip included."""
GYRO_UNIT: Final = 57.3
"""Degrees under radians, which is a matter of the gyro and not of the pots."""
NEAR: Final = 1.35
"""How near a unit's factor must come to be named: sheets are right to a fifth (engineering judgement)."""
GYRO_NEAR: Final = 1.7
"""The same for the gyro, whose ratio to the pots is 1.0 to 1.6 on sound cars."""
LEAST_BLOCKS: Final = 20
CLEAR: Final = 0.6
CORNERING: Final = 0.4
"""Spread of lateral force that lets roll be told, where the two go together [m/s2]: a slalom of 1.5 g in g
under a m/s² heading leaves 0.9 and less."""
LEVEL_FORCE: Final = 1.08
"""Vertical force in turns up to which the road is level, in g."""
_UNITS: Final[Mapping[float, str]] = {
    25.4: "inches under a heading of mm",
    1 / 25.4: "mm under a heading of inches",
    10.0: "cm under a heading of mm",
    0.1: "mm under a heading of cm",
    1000.0: "m under a heading of mm",
    0.001: "mm under a heading of m",
}

_FORCE_UNITS: Final[Mapping[float, str]] = {
    STANDARD_GRAVITY: "m/s² under a g heading",
    1.0 / STANDARD_GRAVITY: "g under a m/s² heading",
}


@dataclass(frozen=True, slots=True)
class _Roll:
    """What one axle did.

    Parameters
    ----------
    gradient : float
        Suspension roll per lateral force [deg/g], positive.
    gyro : float or None
        Roll rate of the gyro over that of the pots [1]; None on banks, or where they do not go together.
    """

    gradient: float
    gyro: float | None


def with_unit_doubts(recording: Recording, car: CarSheet, prediction: SetupPrediction) -> Recording:
    """Return a recording whose health says which pots, or lateral force, bear a unit that cannot be theirs.

    A channel is called bad by what needs no rate of the sheet alone: roll that no car shows, the other axle's
    roll, the roll rate, a force that is no cornering. The sheet names the factor; where it alone is against
    the channel, that stays in use. What the log tells of lateral force by itself is told by its checks.

    Parameters
    ----------
    recording : Recording
        One run.
    car : CarSheet
        Track and motion ratios.
    prediction : SetupPrediction
        Of the set-up the run was driven on.
    """
    rolls = _rolls(recording, car)
    rows: list[HealthRow] = []
    expected = {axle: prediction.roll_gradient_body[axle].value for axle in rolls}
    lateral = _lateral_doubt(recording, rolls, expected)
    # A lateral force in another unit moves all axles alike: told in place of every pot, which it would blame.
    if lateral is not None:
        return replace(recording, health=(*recording.health, lateral))
    for axle, roll in rolls.items():
        sheet = expected[axle]
        if sheet is None or sheet <= 0.0:
            continue
        factor = sheet / roll.gradient
        reasons = _against(axle, rolls, expected)
        # What a tolerance or a wrong spring explains is left to the comparison; a unit is off by far more.
        if not reasons and 1.0 / BEYOND <= factor <= BEYOND:
            continue
        verdict = Verdict.BAD if reasons else Verdict.SUSPECT
        for corner in AXLE_CORNERS[axle]:
            text = _words(axle, corner, roll.gradient, sheet, reasons, alone=_alone(axle, rolls, expected))
            rows.append(HealthRow(Check.UNIT, f"damper_{corner}", verdict, factor, BEYOND, "1", text))
    return replace(recording, health=(*recording.health, *rows)) if rows else recording


def _lateral_doubt(
    recording: Recording, rolls: Mapping[Axle, _Roll], expected: Mapping[Axle, float | None]
) -> HealthRow | None:
    """Return the row for lateral force that both axles, and what needs no rate, hold in another unit."""
    sheet = [value for value in expected.values() if value is not None and value > 0.0]
    if len(sheet) < len(AXLES):
        return None
    # How many times too large the force reads: alike by both axles.
    reads = [value / rolls[axle].gradient for axle, value in expected.items() if value is not None]
    fits = [u for u in _FORCE_UNITS if all(1.0 / NEAR < factor / u < NEAR for factor in reads)]
    if not fits:
        return None
    gentle = any(
        row.check == Check.CORNERING and row.channel == "accel_y" and row.verdict is Verdict.SUSPECT
        for row in recording.health
    )
    no_car = all(not ROLL_OF_CARS[0] <= roll.gradient <= ROLL_OF_CARS[1] for roll in rolls.values())
    # The gyro beside the pots says that these tell the roll as it is, so that the force is left.
    pots_right = all(
        r.gyro is not None and GYRO_RATIOS[0] <= r.gyro <= GYRO_RATIOS[1] for r in rolls.values()
    )
    if gentle and fits[0] < 1.0:
        why = "and it is next to no cornering as it is written"
    elif no_car and pots_right:
        why = "and no car rolls so, while the roll rate agrees with the pots"
    else:
        return None
    found = " and ".join(f"{roll.gradient:.2g}" for roll in rolls.values())
    text = (
        f"By lateral force the axles roll {found} deg/g, by the sheet "
        f"{' and '.join(f'{value:.2g}' for value in sheet)}, {why}: this looks like "
        f"{_FORCE_UNITS[fits[0]]}, a factor of {STANDARD_GRAVITY:.4g} (logger.channels.accel_y.unit). It is "
        "not used until that is answered."
    )
    return HealthRow(Check.UNIT, "accel_y", Verdict.BAD, reads[0], BEYOND, "1", text)


def _against(
    axle: Axle, rolls: Mapping[Axle, _Roll], expected: Mapping[Axle, float | None]
) -> tuple[str, ...]:
    """Return what speaks against the pots of an axle without any rate of the sheet."""
    roll = rolls[axle]
    reasons: list[str] = []
    if not ROLL_OF_CARS[0] <= roll.gradient <= ROLL_OF_CARS[1]:
        reasons.append("no car rolls so")
    for other, there in rolls.items():
        apart = roll.gradient / there.gradient
        if other == axle or 1.0 / APART <= apart <= APART:
            continue
        # Which of both: the one that is further from what it should be.
        if _off(axle, rolls, expected) > _off(other, rolls, expected):
            reasons.append(f"the {other} axle rolls {1.0 / apart:.2g} times as far")
    if roll.gyro is not None and not GYRO_RATIOS[0] <= roll.gyro <= GYRO_RATIOS[1]:
        gyro_lies = any(
            1.0 / GYRO_NEAR < roll.gyro / unit < GYRO_NEAR for unit in (GYRO_UNIT, 1.0 / GYRO_UNIT)
        )
        if not gyro_lies:
            reasons.append(f"the roll rate is {roll.gyro:.2g} times that of these pots")
    return tuple(reasons)


def _off(axle: Axle, rolls: Mapping[Axle, _Roll], expected: Mapping[Axle, float | None]) -> float:
    sheet = expected[axle]
    return 0.0 if not sheet else abs(math.log(sheet / rolls[axle].gradient))


def _alone(axle: Axle, rolls: Mapping[Axle, _Roll], expected: Mapping[Axle, float | None]) -> bool:
    """Return whether the other axle rolls as the sheet says, so that lateral force is right."""
    return any(_off(other, rolls, expected) < math.log(BEYOND) for other in rolls if other != axle)


def _words(
    axle: Axle, corner: str, gradient: float, sheet: float, reasons: tuple[str, ...], alone: bool
) -> str:
    factor = sheet / gradient
    # The missing factor is named by the slip that makes it, where one comes near enough; else it stays a
    # number.
    near = min(_UNITS, key=lambda unit: abs(math.log(factor / unit)))
    fits = 1.0 / NEAR < factor / near < NEAR
    named = [f"{_UNITS[near]} ({near:.4g})"] if fits else []
    if factor > BEYOND:
        named.append(f"sensor volts or counts of {factor:.2g} of this unit each")
    what = ", or ".join(named) or "no unit of length fits it"
    text = (
        f"The {axle} axle rolls {gradient:.2g} deg/g by these pots and {sheet:.2g} by the sheet"
        f"{': ' if reasons else ''}{', '.join(reasons)}. A factor of {factor:.3g} is missing: {what} "
        f"(logger.channels.damper_{corner}.unit or .volts)"
    )
    others = [] if alone else ["lateral acceleration bears another unit (accel_y.unit)"]
    if not reasons:
        others.append(f"the sheet's rates and bar of the {axle} axle are not the car's")
    return text + "".join(f", or {other}" for other in others) + "."


def _rolls(recording: Recording, car: CarSheet) -> dict[Axle, _Roll]:
    """Return the roll of each axle whose pots and lateral force can be used and go together."""
    if not recording.usable("accel_y"):
        return {}
    side = _means(recording, "accel_y")
    found: dict[Axle, _Roll] = {}
    for axle in AXLES:
        # Means of half seconds: kerbs and noise are gone, the roll of a corner stays.
        names = [f"damper_{corner}" for corner in AXLE_CORNERS[axle]]
        if not all(recording.usable(name) for name in names):
            continue
        sheet = car.front if axle == "front" else car.rear
        left, right = (wheel_travel(_means(recording, n), sheet.damper_motion_ratio) for n in names)
        roll = suspension_roll(left, right, sheet)
        used = np.isfinite(side) & np.isfinite(roll)
        if used.sum() < LEAST_BLOCKS or float(side[used].std()) < CORNERING or not roll[used].std() > 0.0:
            continue
        if float(np.corrcoef(roll[used], side[used])[0, 1]) < CLEAR:
            continue
        slope = float(np.polyfit(side[used], roll[used], 1)[0])
        gradient = float(np.degrees(slope)) * STANDARD_GRAVITY
        if gradient > 0.0:
            found[axle] = _Roll(gradient, _gyro_ratio(recording, roll, side))
    return found


def _gyro_ratio(recording: Recording, roll: Floats, side: Floats) -> float | None:
    """Return the gyro's roll rate over that of the pots on level ground."""
    if not all(recording.usable(name) for name in ("gyro_x", "accel_z")):
        return None
    gyro = np.convolve(_means(recording, "gyro_x"), [0.25, 0.5, 0.25], mode="same")
    up = _means(recording, "accel_z")
    # A bank presses the car into the road; there the gyro sees the road turn, too.
    turning = np.isfinite(up) & (np.abs(side) > 3.0)
    if turning.sum() < LEAST_BLOCKS // 2:
        return None
    if float(np.percentile(up[turning], 90)) > LEVEL_FORCE * STANDARD_GRAVITY:
        return None
    blocks = Blocks({}, recording.sample_rate)
    rate = np.gradient(roll, blocks.size / recording.sample_rate)
    used = np.isfinite(rate) & np.isfinite(gyro)
    if used.sum() < LEAST_BLOCKS or not rate[used].std() > 0.0:
        return None
    if float(np.corrcoef(rate[used], gyro[used])[0, 1]) < CLEAR:
        return None
    return float(gyro[used].std() / rate[used].std())


def _means(recording: Recording, name: str) -> Floats:
    """Return the means of half seconds; NaN where a sample is suspect."""
    values = np.where(recording.suspect[name].to_numpy(), np.nan, recording.data[name].to_numpy())
    return Blocks({name: values}, recording.sample_rate).mean(name)
