"""What road the car drove over: its track in a local plane, a profile along it, bank, crests and dips."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from analyzer.core.filebacked import frame_aside
from analyzer.core.signals import Bools, Floats, derivative, filled, lowpass_taps, runs_of, smooth, widened
from analyzer.core.units import EARTH_RADIUS, STANDARD_GRAVITY
from analyzer.ingest.attitude import cross_slopes, stretches_of, thinned
from analyzer.ingest.recording import Recording
from analyzer.processing.motion import BAND, bank_angle, raw_suspect
from analyzer.processing.results import Motion
from analyzer.sheets.session import Gate

TRACK_BAND: Final = 1.0
"""Low-pass of the track [Hz]: GPS comes at 1 to 25 Hz and a car's path bends slower than this."""
SHAPE_BAND: Final = 0.7
"""Low-pass of the turning that runs are matched by [Hz]."""


@dataclass(frozen=True, slots=True)
class Track:
    """The path of a run on the working base.

    Parameters
    ----------
    east, north : array
        From the first good point of the reference [m].
    suspect : array of bool
        True where there was no good position.
    """

    east: Floats
    north: Floats
    suspect: Bools


def origin_of(recording: Recording) -> tuple[float, float] | None:
    """Return latitude and longitude [rad] of the first good position of a run; None without GPS."""
    if not (recording.usable("latitude") and recording.usable("longitude")):
        return None
    bad = raw_suspect(recording, "latitude") | raw_suspect(recording, "longitude")
    if bad.all():
        return None
    first = int(np.argmin(bad))
    return float(recording.data["latitude"].iloc[first]), float(recording.data["longitude"].iloc[first])


def track_of(recording: Recording, motion: Motion, origin: tuple[float, float] | None = None) -> Track | None:
    """Return the track of a run in the plane that touches the Earth at `origin` [rad]; None without GPS.

    Without an `origin` the run's own first position is taken. Equirectangular projection: on a course of a
    few km it is right to a few mm.
    """
    own = origin_of(recording)
    if own is None:
        return None
    origin = origin or own
    bad = raw_suspect(recording, "latitude") | raw_suspect(recording, "longitude")
    latitude, longitude = (
        filled(recording.data[name].to_numpy(dtype=np.float64, copy=False), bad)
        for name in ("latitude", "longitude")
    )
    every = max(1, round(recording.sample_rate / motion.rate))
    kept = slice(0, len(motion.data) * every, every)
    east, north = _in_plane(latitude[kept], longitude[kept], origin)
    taps = lowpass_taps(motion.rate, TRACK_BAND, TRACK_BAND)
    return Track(smooth(east, taps), smooth(north, taps), widened(bad[kept], len(taps) // 4))


def _in_plane(latitude: Floats, longitude: Floats, origin: tuple[float, float]) -> tuple[Floats, Floats]:
    """Return east and north of `origin` [m]; the longitude may have passed 180 degrees."""
    turn = (longitude - origin[1] + np.pi) % (2.0 * np.pi) - np.pi
    return turn * EARTH_RADIUS * np.cos(origin[0]), (latitude - origin[0]) * EARTH_RADIUS


def gate_place(track: Track, gate: Gate, origin: tuple[float, float], among: Bools) -> int | None:
    """Return the first working sample at which a track passes a gate; None when it does not.

    Passed is where the car comes closest, the first time it is within half the gate's width.
    """
    east, north = _in_plane(np.array(gate.latitude.value), np.array(gate.longitude.value), origin)
    apart = np.hypot(track.east - east, track.north - north)
    within = runs_of((apart <= gate.width.value / 2.0) & among & ~track.suspect)
    if not within:
        return None
    low, high = within[0]
    return low + int(np.argmin(apart[low:high]))


@dataclass(frozen=True, slots=True)
class Profile:
    """A run at even steps along its way, as far as it was driven.

    Parameters
    ----------
    along : array
        Distance from the start of the moving part [m], or time [s].
    by_distance : bool
        Which of them.
    time : array
        Log time [s].
    east, north : array
        Track [m]; NaN in an outage and without GPS.
    turning : array
        How the car turns, left positive, scaled to unit spread; NaN where unknown.
    """

    along: Floats
    by_distance: bool
    time: Floats
    east: Floats
    north: Floats
    turning: Floats


def profile_of(motion: Motion, track: Track | None, step_m: float, step_s: float) -> Profile | None:
    """Return the profile of a run; None when it never moved.

    By distance when the speed was logged without a hole, else by time.
    """
    data, suspect = motion.data, motion.suspect
    moving = np.flatnonzero(~motion.parked.to_numpy())
    if moving.size < 10:
        return None
    window = slice(int(moving[0]), int(moving[-1]) + 1)
    time = data.index.to_numpy(dtype=np.float64)[window]
    by_distance = "distance" in data and not bool(suspect["distance"].to_numpy()[window][:-1].any())
    if by_distance:
        way = np.maximum.accumulate(data["distance"].to_numpy()[window])
        grid = np.arange(way[0], way[-1], step_m)
        # A stop is one distance at many times: a nanometre a sample keeps time a function of the way.
        at = np.interp(grid, way + 1e-9 * np.arange(len(way)), time)
    else:
        at = np.arange(time[0], time[-1], step_s)
        grid = at - time[0]
    if len(grid) < 10:
        return None

    def sampled(values: Floats, bad: Bools) -> Floats:
        result = np.interp(at, time, values[window])
        near = np.interp(at, time, bad[window].astype(np.float64)) > 0.0
        return np.where(near, np.nan, result)

    # Unknown is NaN at every step, so that a run without GPS compares like one in an outage.
    unknown, turning = np.full(len(grid), np.nan), _turning(motion)
    east = unknown if track is None else sampled(track.east, track.suspect)
    north = unknown if track is None else sampled(track.north, track.suspect)
    return Profile(grid, by_distance, at, east, north, unknown if turning is None else sampled(*turning))


def _turning(motion: Motion) -> tuple[Floats, Bools] | None:
    """Return how the car turns, from yaw rate, else from lateral force; both in their usual spread."""
    taps = lowpass_taps(motion.rate, SHAPE_BAND, SHAPE_BAND)
    for name, usual in (("yaw_rate", 0.5), ("road_force_y", 6.0), ("specific_force_y", 6.0)):
        if name in motion.data:
            values = smooth(motion.data[name].to_numpy(), taps) / usual
            return values, motion.suspect[name].to_numpy()
    return None


# The shape of the road under the car. An accelerometer alone cannot tell a crest from a bank: speed times
# the turning of the path is the second account that parts them.

LEVEL_PATH: Final = 0.15
"""Vertical acceleration of the path that is not noticed, standard deviation [m/s2]: engineering judgement; a
crest of 18 m/s over 150 m radius is 2."""
STEADY_SLIP: Final = 0.02
"""Rate of side-slip in a steady drift, standard deviation [rad/s]: engineering judgement."""
SLIP_PER_YAW_CHANGE: Final = 0.7
"""Rate of side-slip per rate of change of yaw rate around that moment [s]: a drift is set up and ended within
about that time; engineering judgement."""
YAW_CHANGE_BAND: Final = 0.4
"""Low-pass of the size of the change of yaw rate [Hz]: about a second to both sides."""
GPS_TURNING: Final = 0.04
"""Error of the path's turning from a GPS track, standard deviation [rad/s]: engineering judgement."""
GPS_SLOW: Final = 3.0
"""Slower than this GPS positions do not tell where the car is heading [m/s]: engineering judgement."""
BANKED: Final = np.radians(4.0)
"""Cross slope from which a stretch is called banked [rad]: engineering judgement."""
DOUBT: Final = 0.5
"""Part of the difference between the two accounts by forces that stands in the error [1]: either may be the
one that is wrong (drifts with side-slip to 40 degrees on the rigid-body engine)."""
STEADIEST: Final = np.radians(0.2)
"""Error of the two accounts by forces on the steadiest banks of the rigid-body engine, rms [rad]."""
CREST: Final = 1.0
"""Vertical acceleration of the path from which a place is a crest or a dip [m/s2]: a tenth of the weight."""
CHANGING_S: Final = 0.45
"""Time to or since the lateral force passed zero, at its present rate, in which no bank is known [s]: about
half the width of the low-pass, over which both sides are mixed. Checked on a rigid-body model."""
QUICK: Final = 0.3 * STANDARD_GRAVITY
"""Change of lateral force per second from which a passage through zero is a change of side [m/s3]:
engineering judgement; a drift changes side at 0.5 to 2 g per second."""
UNKNOWN: Final = np.radians(5.0)
"""Error from which a bank is called not known [rad]: engineering judgement; the stated error is on the safe
side by a factor of three on a rigid-body model."""
SHORTEST_S: Final = 0.8
"""Shortest stretch that is named [s]: about the width of the low-pass."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of one kind of road: ``banked``, ``crest`` or ``dip``, in working samples.

    Parameters
    ----------
    kind : str
        What it is.
    start, end : int
        First sample and the one after the last.
    value : float
        Mean bank [rad], or the extreme vertical acceleration [m/s2].
    error : float
        Standard uncertainty of `value`, in its unit.
    """

    kind: str
    start: int
    end: int
    value: float
    error: float


def path_turning(yaw_rate: Floats, rate: float, track: Track | None, speed: Floats) -> tuple[Floats, Floats]:
    """Return how fast the path turns about the road's normal [rad/s], unsigned, and its standard uncertainty.

    From the GPS track where there is one; else from the yaw rate, which counts a change of side-slip as
    turning and is little worth while a drift is set up or ended.
    """
    taps = lowpass_taps(rate, BAND, 2.0 * BAND)
    slow_yaw = smooth(yaw_rate, taps)
    wide = lowpass_taps(rate, YAW_CHANGE_BAND, YAW_CHANGE_BAND)
    change = np.maximum(smooth(np.abs(derivative(slow_yaw, rate)), wide), 0.0)
    turning, error = np.abs(slow_yaw), np.hypot(STEADY_SLIP, SLIP_PER_YAW_CHANGE * change)
    if track is None:
        return turning, error
    east, north = (derivative(smooth(way, taps), rate) for way in (track.east, track.north))
    course = np.unwrap(np.arctan2(north, east))
    from_gps = np.abs(smooth(derivative(course, rate), taps))
    good = (speed > GPS_SLOW) & ~widened(track.suspect, len(taps) // 2)
    return np.where(good, from_gps, turning), np.where(good, GPS_TURNING, error)


def bank_and_crest(
    force: tuple[Floats, Floats, Floats],
    rate: float,
    yaw_rate: Floats,
    speed: Floats,
    track: Track | None = None,
    carried: tuple[Floats, Floats] | None = None,
    lean_std: float = 0.0,
) -> tuple[Floats, Floats, Floats]:
    """Return bank [rad], its standard uncertainty [rad] and the path's vertical acceleration [m/s2].

    Parameters
    ----------
    force : tuple of arrays
        Specific force in the road plane along x, y and z [m/s2].
    rate : float
        Samples per second [Hz].
    yaw_rate, speed : array
        [rad/s], [m/s].
    track : Track, optional
        From GPS.
    carried : tuple of arrays, optional
        Bank by the direction of up that the turn rates carry, and its standard uncertainty [rad].
    lean_std : float
        To what the box is known to stand level across the car [rad].

    Notes
    -----
    Two accounts of the centripetal acceleration a_c. From the forces alone, taking the path as level:
    a_c^2 = f_in^2 + f_z^2 - g^2. From speed times the turning of the path.
    With the second, the vertical acceleration follows: (g + a_v)^2 = f_in^2 + f_z^2 - a_c^2. Both banks,
    atan2(a_c, g + a_v) - atan2(f_in, f_z), are weighted by what each can know at that moment: the first goes
    wrong by a_v / a_c, the second by v (rate of side-slip) / g. While the force swings through zero neither
    holds. The third account, which is `carried`, asks for none of that and outweighs both where it is known.
    """
    # First account: the path is level, so all force beyond the weight turns the car.
    by_force, turn = bank_angle(force, rate, yaw_rate, speed)
    taps = lowpass_taps(rate, BAND, 2.0 * BAND)
    along, across, normal = (smooth(part, taps) for part in force)
    tangential = smooth(np.gradient(speed) * rate, taps)
    slow_speed = np.maximum(smooth(speed, taps), 0.0)
    # Second account: speed times turning; it cannot exceed the force that is there.
    path, slip = path_turning(yaw_rate, rate, track, slow_speed)
    in_plane = np.sqrt(np.maximum(along**2 + across**2 - tangential**2, 0.0))
    signed = in_plane * np.where(across * turn >= 0.0, 1.0, -1.0)
    square = signed**2 + normal**2
    turning = np.minimum(slow_speed * path, np.sqrt(square) * 0.999)
    vertical = np.sqrt(square - turning**2)
    lean = np.arctan2(signed, normal)
    by_speed = np.arctan2(turning, vertical) - lean
    # What each can know at this moment (Notes): slip spoils the second, a path that is not level the first.
    speed_error = np.maximum(slow_speed, 1.0) * slip / STANDARD_GRAVITY
    rise = vertical - STANDARD_GRAVITY
    unsure = slow_speed * slip
    rise_error = (turning + unsure) * unsure / np.maximum(vertical, 1.0)
    # A crest or dip is believed only where speed and turning can tell it.
    shown = np.where(rise_error < CREST, np.maximum(rise**2 - 4.0 * rise_error**2, 0.0), 0.0)
    unlevel = np.sqrt(LEVEL_PATH**2 + shown)
    level = np.sqrt(np.maximum(square - STANDARD_GRAVITY**2, 0.0))
    force_error = unlevel / np.maximum(np.where(rise_error < CREST, turning, level), 0.5)
    # The mean of least variance (Gauss and Markov), as if the two erred independently.
    weight = speed_error**2 / (speed_error**2 + force_error**2)
    bank = weight * by_force + (1.0 - weight) * by_speed
    error = np.hypot(
        1.0 / np.sqrt(1.0 / speed_error**2 + 1.0 / force_error**2), np.hypot(STEADIEST, lean_std)
    )
    # Side-slip that changes slowly moves the second account as a crest moves the first: nobody knows which.
    by_yaw = slip != GPS_TURNING
    unexplained = np.sqrt(np.maximum((by_speed - by_force) ** 2 - speed_error**2, 0.0))
    error = np.where(by_yaw, np.hypot(error, DOUBT * unexplained), error)
    error = np.where(changing_side(force[1], rate), NOT_CARRIED, error)
    if carried is not None:
        weight = error**2 / (error**2 + carried[1] ** 2)
        bank = weight * carried[0] + (1.0 - weight) * bank
        error = error * carried[1] / np.hypot(error, carried[1])
    # The magnitude of all forces is known; what the bank leaves of it is the vertical acceleration.
    angle = np.clip(bank + lean, -1.4, 1.4)
    crest = np.sqrt(square) * np.cos(angle) - STANDARD_GRAVITY
    return bank, error, crest


def changing_side(side: Floats, rate: float) -> Bools:
    """Return where the force to the `side` [m/s2] changes sign too quickly for a bank to be known.

    The bank's statics hold in a turn. While the force swings through zero the low-passed force belongs to
    neither side, and the angle worked out from it is wrong by about as much as the bank itself.
    """
    across = smooth(side, lowpass_taps(rate, BAND, 2.0 * BAND))
    swing = np.abs(derivative(across, rate))
    return widened((swing > QUICK) & (np.abs(across) < CHANGING_S * swing), round(0.15 * rate))


CARRIED: Final = 25.0
"""Rows per second at which up is carried through a run [Hz], as for the lean of the box."""
NOT_CARRIED: Final = np.radians(90.0)
"""Error where up is not carried [rad]: as good as nothing beside the other accounts."""
LONGEST_HOLE_S: Final = 0.5
"""Longest hole in pots or accelerations over which the slope is drawn straight [s]: engineering judgement."""
ROLL_GAIN: Final = {True: (1.0, 0.05), False: (1.25, 0.15)}
"""Roll of the body over the ground per that of `body_roll`, and its standard deviation, with tyre rates in
the sheet and without: tyre rates are known to some 20 % and a fifth of the roll (engineering judgement)."""


def carried_bank(motion: Motion, tyres: bool) -> tuple[Floats, Floats]:
    """Return the slope across the path, left side lower positive, and its standard uncertainty [rad].

    By the direction of up that the turn rates carry through the run (`ingest.attitude`), without its error
    being moved by side-slip or crests. `NOT_CARRIED` where up is not known: without all three turn rates and
    accelerations, without pots that tell roll and pitch, in short pieces between holes, and on a way that
    hardly turns.

    Parameters
    ----------
    motion : Motion
        With forces at the CG and the body's roll on springs and tyres.
    tyres : bool
        Whether the sheet has tyre rates, so that the roll holds that on the tyres.
    """
    data, suspect = motion.data, motion.suspect
    count = len(data)
    slope, error = np.zeros(count), np.full(count, NOT_CARRIED)
    # A car tips slowly: fewer rows carry up through a run as far, in a part of the time.
    every = max(1, round(motion.rate / CARRIED))
    force, turn = [f"specific_force_{axis}" for axis in "xyz"], ["roll_rate", "pitch_rate", "yaw_rate"]
    names = [*force, *turn, "body_roll", "pitch"]
    if any(name not in data for name in names) or count < 2 * every:
        return slope, error

    def rows(name: str) -> tuple[Floats, Bools]:
        return thinned(data[name].to_numpy(), suspect[name].to_numpy(), every)

    columns = {name: rows(name) for name in names}
    rate = motion.rate / every
    stretches = stretches_of(
        rate,
        np.column_stack([columns[name][0] for name in force]),
        np.column_stack([columns[name][0] for name in turn]),
        (columns["body_roll"][0], columns["pitch"][0]),
        rows("speed")[0] if "speed" in data else None,
        (
            np.logical_or.reduce([columns[name][1] for name in turn]),
            np.logical_or.reduce([bad for _, bad in columns.values()]),
        ),
    )
    # A row stands for the middle of what it averages over; between rows further apart nothing is known.
    time = (np.arange(count) - (every - 1) / 2.0) / motion.rate
    # Each stretch between holes starts anew: nothing of the turn is known inside one.
    for piece in cross_slopes(stretches, motion.box_std, ROLL_GAIN[tyres]):
        if len(piece.time) < 2:
            continue
        low, high = np.searchsorted(time, piece.time[[0, -1]])
        inside = slice(int(low), int(high))
        slope[inside] = np.interp(time[inside], piece.time, piece.slope)
        error[inside] = np.interp(time[inside], piece.time, piece.std)
        for a in np.flatnonzero(np.diff(piece.time) > LONGEST_HOLE_S):
            hole = slice(*np.searchsorted(time, piece.time[a : a + 2]))
            error[hole] = NOT_CARRIED
    return slope, error


def with_road_shape(motion: Motion, track: Track | None = None, tyres: bool = True) -> Motion:
    """Return the motion with bank from all that is logged, ``bank_error`` and ``vertical_acceleration``.

    Up carried by the turn rates tells it best (`carried_bank`; `tyres` as there); where it is not carried,
    the forces with speed and turning have to do. Without these either the bank stays that of the
    accelerometer alone, kept as ``bank_by_force`` too. Where it cannot be known, in a quick change of side or
    where its error is over `UNKNOWN`, it is suspect.
    """
    data, suspect = motion.data, motion.suspect
    if "bank" not in data:
        return motion
    rate, flat = motion.rate, suspect["bank"].to_numpy()
    fx, fy, fz = (data[f"road_force_{axis}"].to_numpy() for axis in "xyz")
    changing = changing_side(fy, rate)
    columns: dict[str, Floats] = {"bank_by_force": data["bank"].to_numpy()}
    flags: dict[str, Bools] = {"bank_by_force": flat | changing}
    slope, carried_error = carried_bank(motion, tyres)
    carried = (np.where(flat, 0.0, slope * data["turn"].to_numpy()), carried_error)
    # Where speed or yaw rate failed up alone tells it; the first account, which has no error, where that
    # failed too.
    told = carried_error < UNKNOWN
    bank, error = np.where(told, carried[0], columns["bank_by_force"]), carried_error
    unknown, errorless = flat | (~told & changing), flat | ~told
    if "yaw_rate" in data and "speed" in data:
        yaw, raw_speed = data["yaw_rate"].to_numpy(), data["speed"].to_numpy()
        speed = smooth(raw_speed, lowpass_taps(rate, 2.0, 3.0))
        force, lean_std = (fx, fy, fz), motion.box_std[0]
        every, every_error, crest = bank_and_crest(force, rate, yaw, speed, track, carried, lean_std)
        half = len(lowpass_taps(rate, BAND, 2.0 * BAND)) // 2
        bad = widened(suspect["speed"].to_numpy() | suspect["yaw_rate"].to_numpy(), half)
        bank, error = np.where(bad, bank, every), np.where(bad, error, every_error)
        unknown, errorless = np.where(bad, unknown, flat | (error > UNKNOWN)), flat | (bad & ~told)
        columns["vertical_acceleration"], flags["vertical_acceleration"] = crest, flat | bad
    columns["bank"], flags["bank"] = bank, unknown
    if not errorless.all():
        columns["bank_error"], flags["bank_error"] = error, errorless
    return replace(motion, data=_with(data, columns), suspect=_with(suspect, flags))


def _with(frame: pd.DataFrame, columns: dict[str, Floats] | dict[str, Bools]) -> pd.DataFrame:
    kept = {str(name): frame[name].to_numpy() for name in frame if name not in columns}
    return frame_aside(kept | columns, frame.index)


def road_stretches(motion: Motion) -> tuple[Stretch, ...]:
    """Return banked stretches, crests and dips of a run in order of time, as far as the log can tell."""
    data, suspect = motion.data, motion.suspect
    found: list[Stretch] = []
    moving = ~motion.parked.to_numpy()
    shortest = SHORTEST_S * motion.rate
    if "bank" in data:
        bank = data["bank"].to_numpy()
        good = moving & ~suspect["bank"].to_numpy()
        error = data["bank_error"].to_numpy() if "bank_error" in data else None
        least = BANKED if error is None else np.maximum(BANKED, 1.5 * error)
        for low, high in runs_of((bank > least) & good):
            if high - low >= shortest:
                # The middle half: the low-pass reaches from the ends into the level road beside it.
                middle = slice(low + (high - low) // 4, high - (high - low) // 4)
                spread = float(np.mean(error[middle])) if error is not None else float(np.std(bank[middle]))
                found.append(Stretch("banked", low, high, float(np.mean(bank[middle])), spread))
    if "vertical_acceleration" in data:
        rise = data["vertical_acceleration"].to_numpy()
        good = moving & ~suspect["vertical_acceleration"].to_numpy()
        # Crests are short: the place of the extreme is told, not a mean.
        for kind, sign in (("crest", -1.0), ("dip", 1.0)):
            for low, high in runs_of((sign * rise > CREST) & good):
                if high - low >= shortest / 2.0:
                    peak = low + int(np.argmax(sign * rise[low:high]))
                    found.append(Stretch(kind, low, high, float(rise[peak]), LEVEL_PATH))
    return tuple(sorted(found, key=lambda s: (s.start, s.kind)))
