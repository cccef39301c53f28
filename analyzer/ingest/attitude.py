"""How far the box of the inertial unit leans against the car: found in the motion itself, and turned back.

A box bolted to a tunnel or a floor leans by a degree or two, and then its roll gyro reads a part of the yaw
rate: on a car that turns at 60 deg/s one degree is 1 deg/s of roll that is not there. What tells the lean is
a chain that needs neither a level box nor a level road:

1. The turn rates, integrated, carry the direction of up through the run in the axes of the box, but for its
   first value and the offsets of the gyros (strapdown integration; any text on inertial navigation).
2. Along up the mean specific force is g, in corners and on banks alike. That settles the first value and the
   offsets, since the force points another way in every corner.
3. The pots tell how the body leans over the ground. Along its path a road is level but for grades, and
   across it level but for banks; so up, less the body's own roll and pitch, is the axis of the box, leaning
   as it is bolted. Grades and banks are outliers of this fit, not assumptions of it.

A lean about the vertical axis mixes drive and brake force into the lateral force, which shows as roll of the
pots that goes along with the longitudinal force.

Without a pitch gyro or a whole accelerometer, pitch alone is told, and only on a level road: the roll gyro,
integrated, is the body's roll by the pots but for the lean's share of the heading (`_pitch_by_turning`).

What is left of step 3 once the lean is known is the road itself: `cross_slopes` gives its slope across the
path, whatever the side-slip.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analyzer.core import regression, signals
from analyzer.core.filebacked import by_pieces
from analyzer.core.signals import Bools, Floats
from analyzer.core.units import AXLE_CORNERS, AXLES, CORNERS, STANDARD_GRAVITY
from analyzer.ingest.calibration import felt_beside_cg
from analyzer.ingest.recording import BoxLean, Check, HealthRow, Recording, Verdict
from analyzer.sheets.car import CarSheet
from analyzer.vehicle.axle import suspension_pitch, suspension_roll, wheel_travel

RATE: Final = 25.0
"""Rows per second at which the turn rates are integrated [Hz]: a road turns a car more slowly."""
ROWS_S: Final = 0.2
"""Length of the rows of the fit, averages of the above [s]."""
WINDOW_S: Final = 90.0
"""Longest stretch with one first value and one set of gyro offsets [s]: they wander over minutes."""
SHORTEST_S: Final = 8.0
"""A stretch that is shorter tells nothing [s]."""
MOST_WINDOWS: Final = 10
"""Stretches of a long log that are looked at, evenly spread: a quarter of an hour tells all there is."""
LONGEST_BRIDGE_S: Final = 0.3
"""Longest hole in a turn rate that is bridged; a longer one ends the stretch [s]."""
LEAST_HEADING: Final = math.radians(40.0)
"""A car that turns its heading through less cannot tell a lean from a slope of the ground [rad]."""
FORCE_BAND: Final = 0.5
"""Low-pass of the force along up [Hz]: crests and dips are quicker."""
PATH_BAND: Final = 0.7
"""Low-pass of the change of speed [Hz]."""
LEAST_IN_PLANE: Final = 0.2 * STANDARD_GRAVITY
"""In-plane force from which the direction of the path is taken from it [m/s2]."""
LONGEST_CHANGE_S: Final = 2.0
"""A fainter force that lasts longer is a straight [s]; a change of side takes about a second."""
USUAL_LEAN: Final = math.radians(1.5)
"""Standard deviation of the lean of boxes as they are bolted, before the log is looked at [rad]: tunnels and
floors lean by 1 to 3 degrees (engineering judgement)."""
OFF_PLACE: Final = 0.5
"""Standard uncertainty of where the box sits, either way, whatever the sheet says [m]: a guess is off by so
much. Found beside the lean, it costs the lean of a box that is where it is said to be nothing (96 drives of
cars drawn at random)."""
_PRIORS: Final = {
    # Name: expected value and standard deviation; engineering judgement, wide.
    "up_x": (0.0, math.radians(6.0)),
    "up_y": (0.0, math.radians(6.0)),
    "offset_x": (0.0, math.radians(0.5)),
    "offset_y": (0.0, math.radians(0.5)),
    "roll": (0.0, USUAL_LEAN),
    "pitch": (0.0, USUAL_LEAN),
    # Body roll and pitch over the ground per that of the pots: tyres add a fifth to a third.
    "roll_gain": (1.25, 0.15),
    "pitch_gain": (1.2, 0.2),
    # The same from tyres that the dampers load, seconds of roll and pitch rate.
    "roll_lag": (0.0, 0.03),
    "pitch_lag": (0.0, 0.03),
    # Scale of the accelerometer's size.
    "scale": (0.0, 0.02),
    # How far the box sits from where the sheet has it [m].
    "place_x": (0.0, OFF_PLACE),
    "place_y": (0.0, OFF_PLACE),
}
_OWN: Final = ("up_x", "up_y", "offset_x", "offset_y")
"""Unknowns that every stretch has for itself; the others are common to all."""
_SHARED: Final = (
    "roll",
    "pitch",
    "roll_gain",
    "pitch_gain",
    "roll_lag",
    "pitch_lag",
    "scale",
    "place_x",
    "place_y",
)
INDEPENDENT_S: Final = 1.0
"""Rows closer together count as one [s]: undulations of a road last about a second at speed."""
USUAL_PACE: Final = 8.0
"""Speed from which a row counts in full [m/s]."""
LEAST_PACE: Final = 0.05
"""Weight of a row of a car that stands."""
FORCE_SPREAD: Final = (0.05, 1.0)
ALONG_SPREAD: Final = (math.radians(0.15), math.radians(2.0))
ACROSS_SPREAD: Final = (math.radians(0.15), math.radians(0.5))
"""Least and greatest spread that the fit believes of the mean force along up [m/s2], of grades and of the
cross slope of level road [rad]. What lies farther out across the path is a bank."""
FIRST_ACROSS: Final = math.radians(6.0)
"""The fit across the path starts this wide and narrows down, so that a wrong start is left behind [rad]."""
STRAIGHT: Final = math.radians(8.0)
STRAIGHT_STEPS: Final = 10
"""A second fit starts from the rows in which the car turns by less than this [rad/s], for so many steps.
Banked to one side all the while, a run reads to the first one as one of a box that leans: they end apart."""
PASSES: Final = 2
"""Times that what was found is turned back and what is left is found again."""
STEPS: Final = 26
NARROWING: Final = 0.78
"""Steps of the fit, and the part of its spread across the path that each leaves at least: 6 degrees come down
to the least of `ACROSS_SPREAD` in 15 steps, and the others settle."""
FORMAL: Final = 1.2
"""Factor on the standard errors of the fit, whose rows are not quite independent: engineering judgement."""
LEFT_OUT: Final = (math.radians(0.06), math.radians(0.04), math.radians(0.25))
"""What the chain leaves out for roll, pitch and yaw of a box [rad]: on level courses the rigid-body engine of
the tests shows 0.02, 0.01 and 0.08 degrees, the virtual car, which drifts on banks and is not alike left and
right, 0.09, 0.02 and 0.5. It is the same in all runs of a car on a course."""
BANKED_LEFT_OUT: Final = math.radians(0.15)
"""The same for roll and pitch where no row is level [rad]; in proportion to the rows on banks and grades."""
TURNING_LEFT_OUT: Final = math.radians(0.25)
"""What pitch by roll and yaw rate alone leaves out [rad]: 0.06 degrees on level courses of the rigid-body
engine of the tests, 0.2 on the least banks that pass for level."""
LEVEL_PART: Final = 0.02
LEVEL_SPREAD: Final = math.radians(0.2)
LEAST_GAIN: Final = 1.1
"""A road is level where no more of the rows than this lie far from it [1], the others spread less than this
[rad], and the body rolls over the ground by this many times what the pots show at least [1]: a bank of 1.5
degrees that grows with the force shows as a gain of 0.6."""
ROAD_LEFT_OUT: Final = math.radians(0.15)
PATH_LEFT_OUT: Final = 0.025
CHANGE_LEFT_OUT_S: Final = 0.04
"""What the cross slope leaves out: the road's own unevenness between the wheels [rad]; the part of a bank
that is missed where the path does not point as the force in the plane says [1]; and what it is late by, and
points wrong, while a slope changes [s]. Measured on the rigid-body engine of the tests."""
LEAST_LEAN: Final = math.radians(0.01)
"""Nobody states a lean closer than this [rad]."""
SAID: Final = math.radians(1.0)
"""A lean above this is worth the eye of whoever bolted the box [rad]."""
YAW_BAND: Final = 2.0
"""Low-pass of the fit for the lean about the vertical axis [Hz]."""
LEAST_LONGITUDINAL: Final = 0.4
"""Drive and brake forces that vary less tell no lean about the vertical axis [m/s2]."""
LEAST_TOLD: Final = 0.1
"""Part that a run must tell of an angle, beside what is usual, to count among the runs of a session."""
LEAST_OWN: Final = math.radians(0.02)
"""Least own error of a run's lean [rad]: runs of the virtual car with one box scatter by 0.018 degrees in
roll, 0.012 in pitch."""
LOOSE: Final = (math.radians(0.2), math.radians(0.2), math.radians(0.5))
"""Difference between runs in roll, pitch and yaw from which a box is said to have moved [rad]: 1 % of
gradients at most below it. Yaw of one box scatters by 0.25 to 0.3 degrees between short runs, which is more
than they state."""
_INERTIAL: Final = tuple(f"{sensor}_{axis}" for sensor in ("accel", "gyro") for axis in "xyz")


def turned_to_the_car(recording: Recording, car: CarSheet) -> Recording:
    """Return a recording whose inertial channels are turned from the axes of the box to those of the car.

    Parameters
    ----------
    recording : Recording
        As read and checked; its box leans by what the sheet states, or by what its motion tells.
    car : CarSheet
        For track width, wheelbase and motion ratios, and a lean that was measured (``logger.imu.lean``).

    Returns
    -------
    Recording
        With `Recording.box`, and a health row that says the lean with its error. Where a lean cannot be told
        nothing is turned, and the usual lean of a bolted box is its uncertainty.
    """
    if not any(name in recording.data.columns for name in _INERTIAL):
        return recording
    box = _stated(car)
    if box is None:
        box = found_lean(recording, car)
    return with_lean(recording, box)


def with_lean(recording: Recording, box: BoxLean) -> Recording:
    """Return the recording with its inertial channels turned by `box` instead of by what it has now."""
    made = _turned(recording, box)
    # One row alone says the lean; it stands at the roll gyro, which a lean spoils most.
    rows = tuple(row for row in recording.health if row.check != Check.BOX_ATTITUDE)
    steps = tuple(step for step in recording.steps if step not in _steps(recording.box))
    return replace(made, box=box, health=(*rows, _row(box)), steps=(*steps, *_steps(box)))


def _steps(box: BoxLean) -> tuple[str, ...]:
    """Return what was done to the channels of a box."""
    if box.source == "unknown":
        return ()
    told = ", ".join(
        f"{name} {math.degrees(angle):+.2f}° ± {math.degrees(std):.2f}°"
        for name, angle, std in zip(_ANGLES, box.angles, box.std, strict=True)
        if std < USUAL_LEAN
    )
    return (f"box turned to the car's axes: {told} ({box.source}; logger.imu.lean)",)


def _row(box: BoxLean) -> HealthRow:
    most = max(math.hypot(*box.angles[:2]), abs(box.angles[2]))
    size, limit = math.degrees(most), math.degrees(SAID)
    loose = max((apart for apart, limit in zip(box.apart, LOOSE, strict=True) if apart > limit), default=0.0)
    if box.source == "unknown":
        text = f"Not known how far the box leans: {box.why}. Its usual lean stands in the errors."
        return HealthRow(Check.BOX_ATTITUDE, "gyro_x", Verdict.NOT_TESTED, None, limit, "deg", text)
    angles = ", ".join(
        f"{words[int(angle < 0.0)]} by {abs(math.degrees(angle)):.1f} ± {math.degrees(std):.1f}°"
        for words, angle, std in zip(_LEANS, box.angles, box.std, strict=True)
        if std < USUAL_LEAN
    )
    text = f"The box leans {angles} ({_SOURCES[box.source]}); all its channels are turned back."
    untold = [name for name, std in zip(_ANGLES, box.std, strict=True) if std >= USUAL_LEAN]
    if untold and box.why:
        text += f" Its {' and '.join(untold)} stand in the errors as usual: {box.why}."
    if loose > 0.0:
        text += (
            f" It leans otherwise from run to run, by {math.degrees(loose):.1f}°: look whether it is loose, "
            "or name the run before which it was taken off (runs.box_moved)."
        )
        return HealthRow(Check.BOX_ATTITUDE, "gyro_x", Verdict.SUSPECT, size, limit, "deg", text)
    return HealthRow(Check.BOX_ATTITUDE, "gyro_x", Verdict.GOOD, size, limit, "deg", text)


_SOURCES: Final = {"found": "found in this log", "session": "all runs of the session", "stated": "stated"}
_ANGLES: Final = ("roll", "pitch", "yaw")
_LEANS: Final = (("to the right", "to the left"), ("nose down", "nose up"), ("turned left", "turned right"))
"""What positive and negative angles about x, y and z (ISO 8855) mean."""


def _stated(car: CarSheet) -> BoxLean | None:
    """Return the lean that the sheet states; an angle without an error is taken as read to 0.2 degrees."""
    lean = car.logger.imu.lean
    if lean is None:
        return None
    angles = (lean.roll, lean.pitch, lean.yaw)
    std = tuple(math.radians(0.2) if angle.std is None else angle.std for angle in angles)
    return BoxLean((angles[0].value, angles[1].value, angles[2].value), (std[0], std[1], std[2]), "stated")


def pooled_leans(found: Mapping[str, BoxLean]) -> dict[str, BoxLean]:
    """Return the lean of the box in each run of one mounting, told by all of them.

    Parameters
    ----------
    found : mapping
        Run -> what it tells by itself. A stated lean stays as it is.

    Returns
    -------
    dict
        A lean that differs from run to run by more than its errors is drawn to the mean by its own error
        alone (`PooledMean.of`); a run that could not tell it takes the mean. Runs that tell its pitch alone
        are heard only where no other tells more.
    """
    whole = any(box.source == "found" and not box.why for box in found.values())
    told = {r: _told(box) for r, box in found.items() if box.source == "found" and not (whole and box.why)}
    if not told:
        return dict(found)
    means = [_mean_of([each[axis] for each in told.values() if each[axis] is not None]) for axis in range(3)]
    common = tuple(
        math.sqrt(float(np.mean([found[run].common[axis] ** 2 for run in told]))) for axis in range(3)
    )
    kept = {run for run in found if found[run].source == "stated" or set(told) == {run}}
    return {
        run: box if run in kept else _pooled(told.get(run, _NOTHING), means, common)
        for run, box in found.items()
    }


_Told = tuple[tuple[float, float] | None, ...]
_NOTHING: Final[_Told] = (None, None, None)


def _told(box: BoxLean) -> _Told:
    """Return angle and own error per axis as the run itself tells them, without what is usual."""
    told: list[tuple[float, float] | None] = []
    for angle, std, common in zip(box.angles, box.std, box.common, strict=True):
        share = 1.0 - (std / USUAL_LEAN) ** 2
        if share < LEAST_TOLD:
            told.append(None)
            continue
        told.append((angle / share, max(math.sqrt(max(std**2 / share - common**2, 0.0)), LEAST_OWN)))
    return tuple(told)


def _mean_of(told: Sequence[tuple[float, float] | None]) -> regression.PooledMean | None:
    values = np.array(told, dtype=np.float64)
    return regression.pooled_mean(values[:, 0], values[:, 1]) if len(values) else None


def _pooled(
    told: _Told,
    means: Sequence[regression.PooledMean | None],
    common: Sequence[float],
) -> BoxLean:
    angles, std, apart = [], [], []
    for axis, mean in enumerate(means):
        own = told[axis]
        if mean is None:
            best = 0.0, USUAL_LEAN
        elif own is None:
            best = _beside_the_usual(mean.mean, math.hypot(mean.std, mean.apart, common[axis]))
        else:
            angle, error = mean.of(*own)
            best = _beside_the_usual(angle, math.hypot(error, common[axis]))
        angles.append(best[0])
        std.append(best[1])
        apart.append(0.0 if mean is None else mean.apart)
    return BoxLean(
        (angles[0], angles[1], angles[2]),
        (std[0], std[1], std[2]),
        "session",
        common=(common[0], common[1], common[2]),
        apart=(apart[0], apart[1], apart[2]),
    )


def _beside_the_usual(angle: float, std: float) -> tuple[float, float]:
    """Return an angle and its error where the usual lean of bolted boxes counts as well [rad]."""
    share = USUAL_LEAN**2 / (USUAL_LEAN**2 + std**2)
    return angle * share, std * math.sqrt(share)


def rotation_of(angles: tuple[float, float, float]) -> Floats:
    """Return the matrix that takes components along the axes of the box to those along the car's axes.

    The box is turned from the car's axes about x, then y, then z of the car [rad].
    """
    (cr, cp, cy), (sr, sp, sy) = np.cos(angles), np.sin(angles)
    return np.array(
        [
            [cy * cp, cy * sp * sr - sy * cr, cy * sp * cr + sy * sr],
            [sy * cp, sy * sp * sr + cy * cr, sy * sp * cr - cy * sr],
            [-sp, cp * sr, cp * cr],
        ]
    )


def _turned(recording: Recording, box: BoxLean) -> Recording:
    """Return the recording with every inertial channel turned; its present lean is taken back first."""
    matrix = rotation_of(box.angles) @ rotation_of(recording.box.angles).T
    if np.array_equal(matrix, np.eye(3)):
        return recording
    turned: dict[str, Floats] = {}
    for sensor in ("accel", "gyro"):
        names = [f"{sensor}_{axis}" for axis in "xyz"]
        values = {
            k: recording.data[name].to_numpy(dtype=np.float64, copy=False)
            for k, name in enumerate(names)
            if name in recording.data.columns
        }
        # At rest an axis that was not logged reads nothing, or gravity.
        resting = np.array([0.0, 0.0, STANDARD_GRAVITY if sensor == "accel" else 0.0])
        for row in values:
            turned[names[row]] = _sum_of(values, matrix[row], row, resting)
    # Built anew: a frame that is assigned to takes its columns out of their files.
    columns = {str(name): turned.get(str(name), values) for name, values in recording.data.items()}
    return replace(recording, data=pd.DataFrame(columns, index=recording.data.index, copy=False))


def _sum_of(values: dict[int, Floats], gains: Floats, own: int, resting: Floats) -> Floats:
    """Return the sum of channels times gains; where one is lost that only leaks in, it counts as at rest."""

    def piece(first: int, end: int) -> Floats:
        done: Floats = gains[own] * values[own][first:end]
        for k in range(3):
            if k == own:
                continue
            leak = values[k][first:end] if k in values else np.full(end - first, resting[k])
            done += gains[k] * np.where(np.isfinite(leak), leak, resting[k])
        return done

    return by_pieces(len(values[own]), piece)


# The lean of one run.


def found_lean(recording: Recording, car: CarSheet) -> BoxLean:
    """Return how far the box of a run leans, with its error; `BoxLean.why` where it cannot be told."""
    needed = [*_INERTIAL, *(f"damper_{corner}" for corner in CORNERS)]
    missing = [name for name in needed if not recording.usable(name)]
    # A pot that reads past its damper's stroke has another scale than the others: roll would look like pitch.
    past = [row for row in recording.health if row.check == Check.STROKE]
    missing += [row.channel for row in past if row.verdict is Verdict.SUSPECT]
    if missing:
        return _by_turning(recording, car, missing)
    stretches = _stretches(recording, car)
    if not stretches:
        return BoxLean.unknown(USUAL_LEAN, "no stretch of 8 s without a hole in which the car turns")
    tilt, own, common = _of_both([_found_tilt(stretches, steps)[:3] for steps in (0, STRAIGHT_STEPS)])
    found = _yaw([s.turned(rotation_of((tilt[0], tilt[1], 0.0))) for s in stretches])
    # What is found counts by its error beside what is usual.
    yaw, yaw_std, yaw_common = 0.0, USUAL_LEAN, 0.0
    if found is not None:
        yaw_common = LEFT_OUT[2]
        yaw, yaw_std = _beside_the_usual(found[0], math.hypot(found[1], yaw_common))
    std = np.minimum(np.hypot(own, common), USUAL_LEAN)
    return BoxLean(
        (float(tilt[0]), float(tilt[1]), yaw),
        (float(std[0]), float(std[1]), yaw_std),
        "found",
        common=(float(common[0]), float(common[1]), yaw_common),
    )


def _by_turning(recording: Recording, car: CarSheet, missing: Sequence[str]) -> BoxLean:
    """Return what roll and yaw rate alone tell of a box whose `missing` channels would tell the rest."""
    why = f"it needs {', '.join(dict.fromkeys(missing))}"
    if not {"gyro_x", "gyro_z", *(f"damper_{c}" for c in CORNERS)}.isdisjoint(missing):
        return BoxLean.unknown(USUAL_LEAN, why)
    stretches = _stretches(recording, car)
    pitch = _pitch_by_turning(stretches) if stretches else None
    if pitch is None:
        return BoxLean.unknown(USUAL_LEAN, f"{why}, or longer driving on a level road")
    angle, std = pitch
    usual, none = USUAL_LEAN, 0.0
    return BoxLean((none, angle, none), (usual, std, usual), "found", why, (none, TURNING_LEFT_OUT, none))


def _found_tilt(stretches: list[Stretch], straight: int) -> tuple[Floats, Floats, Floats]:
    """Return roll and pitch of the box as `_tilt` does; for `straight` see `_fitted`."""
    # Angles are taken as small in the fit, and the path is seen by a level box: what was found is turned
    # back, and what is left is found again.
    tilt = np.zeros(2)
    for _ in range(PASSES):
        back = rotation_of((float(tilt[0]), float(tilt[1]), 0.0))
        more, own, common = _tilt([stretch.turned(back) for stretch in stretches], straight)
        tilt = tilt + more
    return tilt, own, common


def _of_both(found: list[tuple[Floats, Floats, Floats]]) -> tuple[Floats, Floats, Floats]:
    """Return the likelier of two leans with its errors; its own one holds how likely the other one is.

    A lean is as likely as boxes are bolted so (`USUAL_LEAN`); the spread is that of a mixture of both.
    """
    (near, own, common), (far, _, _) = sorted(found, key=lambda one: float(one[0] @ one[0]))
    odds = math.exp(-0.5 * float(far @ far - near @ near) / USUAL_LEAN**2)
    share = odds / (1.0 + odds)
    return near, np.hypot(own, math.sqrt(share) * (far - near)), common


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of a run at `rate` rows per second.

    Parameters
    ----------
    start : int
        Row of the run that is its first.
    rate : float
        [Hz].
    force, turn : array
        Shape (n, 3), specific force [m/s2] and turn rate [rad/s] along the axes of the box.
    roll, pitch : array
        Of the body by the pots [rad].
    gaining : array
        Change of speed [m/s2]; zeros without a speed.
    used : array of bool
        False where a row rests on suspect samples of pots or accelerations.
    pace : array
        Weight of a row: a car that stands looks at one place of the ground all the time.
    """

    start: int
    rate: float
    force: Floats
    turn: Floats
    roll: Floats
    pitch: Floats
    gaining: Floats
    used: Bools
    pace: Floats

    def turned(self, matrix: Floats) -> Stretch:
        """Return the stretch with force and turn rate turned by `matrix`."""
        return replace(self, force=self.force @ matrix.T, turn=self.turn @ matrix.T)


def thinned(values: Floats, bad: Bools, every: int) -> tuple[Floats, Bools]:
    """Return averages over `every` samples and whether more than half of them are bad."""
    count = len(values) // every
    means = signals.filled(values, bad)[: count * every].reshape(count, every).mean(axis=1)
    return means, bad[: count * every].reshape(count, every).mean(axis=1) > 0.5


def _stretches(recording: Recording, car: CarSheet) -> list[Stretch]:
    """Return the stretches of a run from which the lean of its box is found; none of them in a short log."""
    every = max(1, round(recording.sample_rate / RATE))
    rate = recording.sample_rate / every
    count = len(recording.data) // every
    if count < SHORTEST_S * rate:
        return []

    def rows(name: str) -> tuple[Floats, Bools]:
        # What was not logged counts as zero: `_pitch_by_turning` alone is asked then, without use for it.
        if not recording.usable(name):
            return np.zeros(count), np.zeros(count, dtype=np.bool_)
        raw = recording.data[name].to_numpy(dtype=np.float64, copy=False)
        suspect = recording.suspect[name].to_numpy(dtype=np.bool_, copy=False)
        return thinned(raw, ~np.isfinite(raw) | suspect, every)

    columns = {name: rows(name) for name in (*_INERTIAL, *(f"damper_{c}" for c in CORNERS))}
    wheels = {}
    for axle in AXLES:
        for corner in AXLE_CORNERS[axle]:
            wheels[corner] = wheel_travel(columns[f"damper_{corner}"][0], car.axle(axle).damper_motion_ratio)
    rolls = [
        suspension_roll(wheels[left], wheels[right], car.axle(a)) for a, (left, right) in AXLE_CORNERS.items()
    ]
    roll = (rolls[0] + rolls[1]) / len(AXLES)
    pitch = suspension_pitch([wheels[c] for c in CORNERS], car.mass.wheelbase.value)
    speed = rows("speed")[0] if recording.usable("speed") else None
    lost = np.logical_or.reduce([columns[f"gyro_{axis}"][1] for axis in "xyz"])
    bad = np.logical_or.reduce([flags for _, flags in columns.values()])
    force, turn = (
        np.column_stack([columns[f"{sensor}_{axis}"][0] for axis in "xyz"]) for sensor in ("accel", "gyro")
    )
    # At the CG: a box beside it feels the square of the yaw rate as a side force, along with the drive force.
    place = car.logger.imu.position
    arm = (place.x.value, place.y.value, place.z.value)
    swing = [signals.derivative(columns[f"gyro_{axis}"][0], rate) for axis in "xyz"]
    tangential, centripetal = felt_beside_cg(list(turn.T), swing, arm)
    force = force - np.column_stack(tangential) - np.column_stack(centripetal)
    found = stretches_of(rate, force, turn, (roll, pitch), speed, (lost, bad))
    return found[:: max(1, -(-len(found) // MOST_WINDOWS))]


def stretches_of(
    rate: float,
    force: Floats,
    turn: Floats,
    leaning: tuple[Floats, Floats],
    speed: Floats | None,
    masks: tuple[Bools, Bools],
) -> list[Stretch]:
    """Return the stretches of a run in which the turn rates have no hole and the heading turns enough.

    Parameters
    ----------
    rate : float
        Rows per second [Hz], about `RATE`.
    force, turn : array
        Shape (n, 3), specific force at the CG [m/s2] and turn rate [rad/s].
    leaning : tuple of arrays
        Roll and pitch of the body by the pots [rad].
    speed : array or None
        [m/s].
    masks : tuple of arrays of bool
        Rows without turn rates, and rows that rest on suspect samples of anything.
    """
    lost, bad = masks
    gaining, pace = np.zeros(len(force)), np.ones(len(force))
    if speed is not None:
        taps = signals.lowpass_taps(rate, PATH_BAND, PATH_BAND)
        gaining = signals.smooth(signals.derivative(speed, rate), taps)
        pace = np.clip(speed / USUAL_PACE, LEAST_PACE, 1.0)
    whole = np.ones(len(force), dtype=np.bool_)
    for a, b in signals.runs_of(lost):
        if b - a > LONGEST_BRIDGE_S * rate:
            whole[a:b] = False
    found = []
    for a, b in _pieces(whole, rate):
        heading = np.cumsum(turn[a:b, 2]) / rate
        used = ~bad[a:b]
        if np.ptp(heading) < LEAST_HEADING or used.sum() < SHORTEST_S * rate:
            continue
        roll, pitch = (part[a:b] for part in leaning)
        found.append(Stretch(a, rate, force[a:b], turn[a:b], roll, pitch, gaining[a:b], used, pace[a:b]))
    return found


def _pieces(whole: Bools, rate: float) -> list[tuple[int, int]]:
    """Return first and last row (exclusive) of pieces without a hole, none longer than `WINDOW_S`."""
    found: list[tuple[int, int]] = []
    for a, b in signals.runs_of(whole):
        if b - a < SHORTEST_S * rate:
            continue
        parts = max(1, math.ceil((b - a) / rate / WINDOW_S))
        edges = np.linspace(a, b, parts + 1).round().astype(int).tolist()
        found += pairwise(edges)
    return found


# Roll and pitch of the box: up by the turn rates, held to gravity and to the road.


@dataclass(frozen=True, slots=True)
class _Equations:
    """Three linear equations per row in the unknowns of one stretch: columns @ unknowns + rest = residual.

    ``force``: mean specific force along up less g [m/s2]; ``along``, ``across``: slope of the road along and
    across the path [rad]. The columns stand in the order of `_OWN` and `_SHARED`; `pace` weighs the rows,
    `time` [s] is that from the first one of the stretch, `straight` says where the car hardly turns.
    """

    force: tuple[Floats, Floats]
    along: tuple[Floats, Floats]
    across: tuple[Floats, Floats]
    pace: Floats
    time: Floats
    straight: Bools


@dataclass(frozen=True, slots=True)
class _Fit:
    """What the fit found.

    Parameters
    ----------
    unknowns, covariance : array
        Of all stretches, shared ones last, and `FORMAL` squared times their covariance.
    systems : list
        Equations per stretch.
    places : list
        Per stretch, where its unknowns stand.
    spreads : list of float
        Of the mean force along up [m/s2], of grades and of the cross slope of level road [rad].
    away : float
        Part of the rows that lie on banks.
    """

    unknowns: Floats
    covariance: Floats
    systems: list[_Equations]
    places: list[NDArray[np.intp]]
    spreads: list[float]
    away: float


def _tilt(stretches: list[Stretch], straight: int) -> tuple[Floats, Floats, Floats]:
    """Return roll and pitch of the box, their own standard errors and what all runs leave out alike [rad]."""
    fit = _fitted(stretches, _PRIORS, straight)
    where = [k - len(_SHARED) for k in (_SHARED.index("roll"), _SHARED.index("pitch"))]
    formal = np.sqrt(np.diag(fit.covariance)[where])
    # Rows on banks are no witnesses across the path, and there the pots miss most of the body's motion.
    return fit.unknowns[where], formal, np.hypot(LEFT_OUT[:2], fit.away * BANKED_LEFT_OUT)


def _pitch_by_turning(stretches: list[Stretch]) -> tuple[float, float] | None:
    """Return the pitch of the box by roll and yaw rate alone, with its error [rad]; None where banks hide it.

    A box with its nose down by d reads the roll rate p - d r, and along a level road p is the rate of the
    body's roll less yaw rate times its pitch. Integrated, since bumps come back to nothing and the heading
    does not. A bank looks the same to a car that drifts on it, so a road that is not level tells nothing.
    """
    fit = _fit_of([_turning_equations(stretch) for stretch in stretches], _PRIORS, 0)
    first = len(fit.unknowns) - len(_SHARED)
    place, gain = (first + _SHARED.index(name) for name in ("pitch", "roll_gain"))
    if fit.away > LEVEL_PART or fit.spreads[2] > LEVEL_SPREAD or fit.unknowns[gain] < LEAST_GAIN:
        return None
    std = math.hypot(math.sqrt(fit.covariance[place, place]), TURNING_LEFT_OUT)
    return float(fit.unknowns[place]), min(std, USUAL_LEAN)


def _turning_equations(stretch: Stretch) -> _Equations:
    """Return the equation across the road alone, of roll and yaw rate and the pots."""
    rate, count = stretch.rate, len(stretch.force)
    yaw = stretch.turn[:, 2]
    time = np.arange(count) / rate
    columns = {
        "up_y": np.ones(count),
        "offset_x": -time,
        "pitch": np.cumsum(yaw) / rate,
        "roll_gain": -stretch.roll,
        "roll_lag": -np.gradient(stretch.roll) * rate,
        "pitch_gain": np.cumsum(yaw * stretch.pitch) / rate,
    }
    zero = np.zeros(count)
    parts = [columns.get(name, zero) for name in (*_OWN, *_SHARED)]
    across = _averaged(np.column_stack([*parts, np.cumsum(stretch.turn[:, 0]) / rate]), stretch)
    others, time = _averaged(np.column_stack([np.abs(yaw), stretch.pace, time]), stretch)
    nothing = (np.zeros_like(across[0]), np.zeros_like(across[1]))
    return _Equations(nothing, nothing, across, others[:, 1], time, others[:, 0] < STRAIGHT)


def _fitted(stretches: list[Stretch], priors: Mapping[str, tuple[float, float]], straight: int) -> _Fit:
    """Return the fit; its first `straight` steps take the road from rows in which the car hardly turns."""
    return _fit_of([_equations(stretch) for stretch in stretches], priors, straight)


def _fit_of(systems: list[_Equations], priors: Mapping[str, tuple[float, float]], straight: int) -> _Fit:
    own, shared = len(_OWN), len(_SHARED)
    size = own * len(systems) + shared
    places = [np.r_[own * k : own * (k + 1), size - shared : size] for k in range(len(systems))]
    names = [*_OWN * len(systems), *_SHARED]
    expected = np.array([priors[n][0] for n in names])
    known = np.array([priors[n][1] ** -2.0 for n in names])
    unknowns = expected.copy()
    spreads = [FORCE_SPREAD[1], ALONG_SPREAD[1], FIRST_ACROSS]
    # Iteratively reweighted least squares with a redescending weight (Huber and Ronchetti 2009): the spread
    # of each equation is that of the rows themselves, the one across the path narrows step by step.
    for step in range(STEPS):
        normal, right = np.diag(known), known * expected
        residuals: list[list[Floats]] = [[], [], []]
        for system, place in zip(systems, places, strict=True):
            for k, (columns, rest) in enumerate((system.force, system.along, system.across)):
                weights = _weights(rest + columns @ unknowns[place], spreads[k])
                if k and step < straight:
                    weights = weights * system.straight
                weighted = columns * (weights * system.pace * ROWS_S / INDEPENDENT_S)[:, None]
                normal[np.ix_(place, place)] += weighted.T @ columns
                right[place] -= weighted.T @ rest
        unknowns = np.linalg.solve(normal, right)
        for system, place in zip(systems, places, strict=True):
            for k, (columns, rest) in enumerate((system.force, system.along, system.across)):
                residuals[k].append(np.abs(rest + columns @ unknowns[place]))
        sizes = [np.concatenate(r) for r in residuals]
        for k, limits in enumerate((FORCE_SPREAD, ALONG_SPREAD)):
            spreads[k] = float(np.clip(1.48 * np.median(sizes[k]), *limits))
        near = sizes[2][sizes[2] < 3.0 * spreads[2]]
        level = 1.48 * float(np.median(near)) if len(near) else FIRST_ACROSS
        spreads[2] = max(float(np.clip(level, *ACROSS_SPREAD)), NARROWING * spreads[2])
    covariance = FORMAL**2 * np.linalg.inv(normal)
    away = float(np.mean(sizes[2] > 4.0 * spreads[2]))
    return _Fit(unknowns, covariance, systems, places, spreads, away)


@dataclass(frozen=True, slots=True)
class CrossSlope:
    """Slope of the road across the path: time from the run's first row [s], slope and its error [rad]."""

    time: Floats
    slope: Floats
    std: Floats


def cross_slopes(
    stretches: list[Stretch], lean_std: tuple[float, float, float], roll_gain: tuple[float, float]
) -> list[CrossSlope]:
    """Return the slope of the road across the path of a car, left side lower positive.

    Parameters
    ----------
    stretches : list of Stretch
        In the axes of the car.
    lean_std : tuple of float
        What the lean of the box, which was turned back, is known to [rad].
    roll_gain : tuple of float
        Roll of the body over the ground per that of the stretches, and its standard uncertainty.

    Notes
    -----
    Up, carried by the turn rates, less the body's own lean over the ground, taken across the path. No speed
    times turning and no force in it, so neither side-slip nor crests are. The error is that of the fit and
    of what is left out: `ROAD_LEFT_OUT`, `PATH_LEFT_OUT`, `CHANGE_LEFT_OUT_S`.
    """
    known = [max(std, LEAST_LEAN) for std in lean_std]
    priors = _PRIORS | {"roll": (0.0, known[0]), "pitch": (0.0, known[1]), "roll_gain": roll_gain}
    found = []
    # The offsets of the gyros belong to a stretch, what they share to a quarter of an hour.
    for first in range(0, len(stretches), MOST_WINDOWS):
        group = stretches[first : first + MOST_WINDOWS]
        fit = _fitted(group, priors, STRAIGHT_STEPS)
        for stretch, system, place in zip(group, fit.systems, fit.places, strict=True):
            columns, rest = system.across
            slope = -(rest + columns @ fit.unknowns[place])
            formal = np.einsum("ij,jk,ik->i", columns, fit.covariance[np.ix_(place, place)], columns)
            change = CHANGE_LEFT_OUT_S * np.gradient(slope, system.time) if len(slope) > 1 else 0.0
            std = np.sqrt(formal + ROAD_LEFT_OUT**2 + (PATH_LEFT_OUT * slope) ** 2 + change**2)
            found.append(CrossSlope(system.time + stretch.start / stretch.rate, slope, std))
    return found


def _weights(residuals: Floats, spread: float) -> Floats:
    """Return the weight of each row: 1 / variance near zero, next to none far out."""
    return (1.0 + (residuals / (2.0 * spread)) ** 2) ** -2.0 / spread**2


def _equations(stretch: Stretch) -> _Equations:
    rate, count = stretch.rate, len(stretch.force)
    # The axes of the first row's box, seen from the box as it turns on.
    turned = _turning(stretch.turn / rate)
    north, west, up = (turned[:, axis, :] for axis in range(3))
    columns = {"up_x": north, "up_y": west}
    # An offset of a gyro turns the whole frame: the angle of the error in the axes of the first row.
    for axis, name in enumerate(("offset_x", "offset_y")):
        angle = np.cumsum(turned[:, :, axis], axis=0) / rate
        error = np.column_stack([angle[:, 1], -angle[:, 0], np.zeros(count)])
        columns[name] = np.einsum("nji,nj->ni", turned, error)
    taps = signals.lowpass_taps(rate, FORCE_BAND, FORCE_BAND)
    zero, one = np.zeros(count), np.ones(count)

    def along_up(vector: Floats) -> Floats:
        return signals.smooth(np.einsum("ni,ni->n", stretch.force, vector), taps)

    force = [along_up(columns[name]) for name in _OWN]
    force += [zero] * 6 + [-STANDARD_GRAVITY * one]
    # What a box ahead or to the left of its place in the sheet feels, by the metre.
    swing = [signals.derivative(part, rate) for part in stretch.turn.T]
    for arm in ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0)):
        tangential, centripetal = felt_beside_cg(list(stretch.turn.T), swing, arm)
        felt = np.column_stack(tangential) + np.column_stack(centripetal)
        force.append(-signals.smooth(np.einsum("ni,ni->n", felt, up), taps))
    # Roll and pitch of the road under the car: of up, less the box in the car and the car over the road.
    rolling = np.gradient(stretch.roll) * rate
    pitching = np.gradient(stretch.pitch) * rate
    roll = [columns[name][:, 1] for name in _OWN]
    roll += [-one, zero, -stretch.roll, zero, -rolling, zero, zero, zero, zero]
    pitch = [-columns[name][:, 0] for name in _OWN]
    pitch += [zero, -one, zero, -stretch.pitch, zero, -pitching, zero, zero, zero]
    ahead, aside = _path(stretch, taps)

    def rows(parts: list[Floats], rest: Floats) -> tuple[Floats, Floats]:
        return _averaged(np.column_stack([*parts, rest]), stretch)

    def mixed(of_pitch: Floats, of_roll: Floats) -> tuple[Floats, Floats]:
        parts = [of_pitch * p + of_roll * r for p, r in zip(pitch, roll, strict=True)]
        return rows(parts, -of_pitch * up[:, 0] + of_roll * up[:, 1])

    parts = [np.abs(stretch.turn[:, 2]), stretch.pace, np.arange(count) / rate]
    others, time = _averaged(np.column_stack(parts), stretch)
    return _Equations(
        force=rows(force, along_up(up) - STANDARD_GRAVITY),
        along=mixed(-ahead, aside),
        across=mixed(aside, ahead),
        pace=others[:, 1],
        time=time,
        straight=others[:, 0] < STRAIGHT,
    )


def _turning(angles: Floats) -> Floats:
    """Return the matrices that take components along the axes of each row to those of the first: (n, 3, 3).

    Their rows are the axes of the first row in components along those of row n. The products are formed by
    doubling, which takes the logarithm of the count in steps over whole arrays.
    """
    size = np.linalg.norm(angles, axis=1)
    # Rodrigues' formula; its factors go to 1 and 1/2 at rest.
    sine = np.sinc(size / np.pi)
    cosine = 0.5 * np.sinc(size / (2.0 * np.pi)) ** 2
    x, y, z = angles.T
    zero = np.zeros_like(x)
    cross = np.array([[zero, -z, y], [z, zero, -x], [-y, x, zero]]).transpose(2, 0, 1)
    done = np.eye(3) + sine[:, None, None] * cross + cosine[:, None, None] * (cross @ cross)
    step = 1
    while step < len(done):
        done = np.concatenate([done[:step], done[:-step] @ done[step:]])
        step *= 2
    result: Floats = done
    return result


def _path(stretch: Stretch, taps: Floats) -> tuple[Floats, Floats]:
    """Return the direction of the path in the axes of the car: cosine and sine of its angle from the nose.

    A drifting car points away from its path. The force in the plane of the road stands square to the path but
    for what gains speed, so it shows the path whatever the side-slip; on straights the nose does. In between,
    as in a change of side, the path swings over.
    """
    # In the plane of the road, not of the body: a degree of pitch turns the path on a bank by two.
    pitch, roll = _PRIORS["pitch_gain"][0] * stretch.pitch, _PRIORS["roll_gain"][0] * stretch.roll
    ahead, aside, up = stretch.force.T
    ahead, aside = (signals.smooth(part, taps) for part in (ahead + pitch * up, aside - roll * up))
    in_plane = ahead + 1j * aside
    square = np.sqrt(np.maximum(np.abs(in_plane) ** 2 - stretch.gaining**2, 0.0))
    turned = in_plane / (stretch.gaining + 1j * np.where(aside >= 0.0, square, -square) + 1e-9)
    told = (square > LEAST_IN_PLANE) & (turned.real > 0.0)
    for a, b in signals.runs_of(~told):
        if b - a > LONGEST_CHANGE_S * stretch.rate:
            turned[a:b], told[a:b] = 1.0, True
    angle = signals.filled(np.angle(turned), ~told) if told.any() else np.zeros(len(told))
    return np.cos(angle), np.sin(angle)


def _averaged(columns: Floats, stretch: Stretch) -> tuple[Floats, Floats]:
    """Return columns and rest of the rows of the fit: averages over `ROWS_S` of rows that can be used."""
    every = max(1, round(ROWS_S * stretch.rate))
    count = len(columns) // every
    means = columns[: count * every].reshape(count, every, -1).mean(axis=1)
    kept = means[stretch.used[: count * every].reshape(count, every).all(axis=1)]
    return kept[:, :-1], kept[:, -1]


# Yaw of the box: roll of the pots that goes along with the longitudinal force.


def _yaw(stretches: list[Stretch]) -> tuple[float, float] | None:
    """Return the lean about the vertical axis [rad] and its own standard error; None if untold.

    A car alike left and right does not roll by drive and brake forces, so what goes along with them is the
    part of them in the lateral force of a box that is turned. On a bank the ground twists the axles, which
    need not be alike, so that their mean rolls, and in a drift the longitudinal force follows the bank, too:
    the roll rate, less the body's own beside it, is how the ground turns and stands for its twist.
    """
    parts = [_yaw_rows(stretch) for stretch in stretches]
    table = np.vstack(parts)
    design, roll = table[:, :-1], table[:, -1]
    if float(np.std(design[:, 1])) < LEAST_LONGITUDINAL or float(np.std(design[:, 0])) < LEAST_LONGITUDINAL:
        return None
    fit = regression.least_squares(design, roll)
    # Rows of 0.04 s are far from independent: the band of the fit gives 2 x 2 Hz of them.
    repeated = stretches[0].rate / (2.0 * YAW_BAND)
    formal = float(np.linalg.norm(fit.influence[1]) * np.std(fit.residuals) * math.sqrt(repeated))
    # Roll per lateral force at the usual vertical force, its bend left out.
    slope = float(fit.coefficients[0] + fit.coefficients[2] * STANDARD_GRAVITY)
    if slope <= 0.0:
        return None
    return float(fit.coefficients[1]) / slope, FORMAL * formal / slope


def _yaw_rows(stretch: Stretch) -> Floats:
    rate = stretch.rate
    taps = signals.lowpass_taps(rate, YAW_BAND, YAW_BAND)
    force = [signals.smooth(np.ascontiguousarray(part), taps) for part in stretch.force.T]
    turn = [signals.smooth(np.ascontiguousarray(part), taps) for part in stretch.turn.T]
    roll = signals.smooth(stretch.roll, taps)
    columns = [force[1], force[0], force[1] * force[2], force[1] ** 3, force[2]]
    columns += [
        signals.derivative(turn[0], rate),
        np.gradient(roll) * rate,
        turn[0],
        signals.derivative(turn[2], rate),
    ]
    # The square of the yaw rate is the side force of a box that sits aside of its place in the sheet: a car
    # that drifts feels it along with the longitudinal force.
    columns += [turn[1] * turn[2], turn[2] ** 2, np.ones_like(roll)]
    keep = ~signals.touched(~stretch.used, len(taps) // 2)
    return np.column_stack([*columns, roll])[keep]
