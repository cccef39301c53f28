"""The columns of the roll equation: all filtered alike, so that the equation holds between them unchanged."""

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np

from analyzer.core.filebacked import set_aside
from analyzer.core.signals import Bools, Floats, derivative, filled, lowpass_taps, smooth, touched, widened
from analyzer.core.units import AXLE_CORNERS, AXLES, Axle
from analyzer.processing.results import Motion
from analyzer.vehicle.roll import Weights

BAND: Final = 5.0
"""Low-pass of every column [Hz]: the upper end of the band of ISO 15037-1. Keeps body roll (about 2 Hz),
stops wheel hop (10-15 Hz)."""
FIT_RATE: Final = 25.0
"""Rows per second of the fit [Hz]."""
NOISE_FROM: Final = 20.0
NOISE_BAND: Final = 5.0
"""Noise of the accelerometer is looked for in bands this wide from above wheel hop (10 to 15 Hz) on [Hz]."""
VELOCITY_BAND: Final = 15.0
"""Low-pass of wheel speeds before their sign is taken [Hz]."""
SLOW_BAND: Final = 1.5
"""Low-pass of the instruments of the twist equation [Hz]: a driver's weave is slower (common practice), the
body's own roll (about 2 Hz) is faster."""
YAW: Final = "yaw acceleration"
GYROSCOPIC: Final = "pitch rate times yaw rate"
ASIDE: Final = "square of roll and yaw rate"
INERTIA_RATIO: Final = (0.3, 0.25)
"""(yaw inertia - pitch inertia) / roll inertia of a sprung body, and its standard uncertainty [1]: (Y - Z) /
(Y + Z) with Y and Z the mean squares of the masses' places across and upwards. Bodies of wide spread have
0.5, published cars about 0 (from memory); engineering judgement."""
GROUND: Final = "ground twist"
DRIFTED: Final = "ground twist by side-slip"
BANKED: Final = "ground twist by bank"
PER_BANK: Final = "ground twist per bank"
TURNING: Final = "turning"
ROAD_LOAD: Final = "road load"
SPEED: Final = "speed"
PATH_FORCE: Final = "speed times yaw rate"
_SOURCES: Final = {
    "roll acceleration": ["roll_acceleration"],
    GYROSCOPIC: ["pitch_rate", "yaw_rate"],
    "longitudinal force": ["specific_force_x"],
    "vertical force": ["specific_force_z"],
    "steer angle": ["steer_angle"],
}
DRIVEN: Final = ("longitudinal force", "vertical force", "steer angle")
"""Terms that follow the driving rather than the road."""
ROLLING: Final = ("rate of the mean roll", "acceleration of the mean roll")
"""Derivatives of the moment mean of the pots' roll, which stand for all that is dynamic where only what is
slow is fitted: no inertial channel is in them."""
UNDRIVEN: Final = (YAW, GYROSCOPIC, ASIDE, DRIFTED, PER_BANK, ROAD_LOAD, SPEED, PATH_FORCE)
"""Of what is known, the columns that are no instruments."""
STICTION_SPEED: Final = 0.010
"""Wheel speed over which friction turns round [m/s]: engineering judgement."""


@dataclass(frozen=True, slots=True)
class RollColumns:
    """Low-passed columns at the fit rate.

    Parameters
    ----------
    time : array
        Log time [s].
    rate : float
        Rows per second [Hz].
    roll : dict
        Suspension roll per axle [rad].
    force : array
        Lateral specific force at the sprung CG, body axes [m/s2].
    terms : dict
        Other columns of the roll equation: ``roll acceleration`` (with what pitching and yawing together ask
        of it, by Euler's equation); ``damper front`` (difference of right and
        left wheel speed), ``damper asymmetry front`` (the same of their magnitudes: bump and rebound
        differ), ``friction front`` (the same of their signs), ... per axle; ``longitudinal force``,
        ``vertical force``; ``steer angle``.
    known : dict
        Columns whose effect is known or belongs to the ground: ``yaw acceleration`` [rad/s2], ``pitch rate
        times yaw rate`` and ``square of roll and yaw rate`` [rad2/s2], ``ground twist`` [rad], ``ground twist
        by side-slip`` [rad] (the same as far as side-slip is known), ``ground twist by bank`` [rad] (the same
        without a roll gyro),
        ``ground twist per bank`` [1] (its change where all banks are steeper), ``road load`` (force square to
        the road [m/s2]), ``speed`` [m/s], ``speed times yaw rate`` [m/s2], ``turning`` (yaw rate times
        wheelbase over speed [rad]: what a gyro that is not level takes for twist, per radian).
    per_turning : array
        Wheelbase over speed: ground twist per roll rate of the ground [s].
    noise : dict
        Variance of white noise left in ``lateral force`` [(m/s2)2] and ``roll acceleration`` [(rad/s2)2].
    lost : dict
        Mean roll of the car that the bar of an axle does not carry inside its free play [rad], where it has
        any.
    lost_of_either : bool
        Whether that is of one axle's bar or the other's, half of it taken off as each one's.
    front_share : float or None
        Share of the front axle's roll in the moment mean, where the log was asked for it [1].
    slow : dict
        ``lateral force`` and those `terms` that are not dynamic, low-passed at `SLOW_BAND`: what the driver
        does, with hardly any of what the road does.
    suspect : array of bool
        True where a row rests on suspect samples of a column every fit needs.
    slow_by : float or None
        Where only what is below `SLOW_BAND` is to be fitted: by how much the force was brought forward to
        meet the roll [s].
    """

    time: Floats
    rate: float
    roll: dict[Axle, Floats]
    force: Floats
    terms: dict[str, Floats]
    suspect: Bools
    slow: dict[str, Floats]
    known: dict[str, Floats]
    per_turning: Floats
    noise: dict[str, float] = field(default_factory=dict)
    lost: dict[Axle, Floats] = field(default_factory=dict)
    lost_of_either: bool = False
    front_share: float | None = None
    slow_by: float | None = None


def roll_columns(
    motion: Motion, exclude: Bools, weights: Weights, with_roll_acceleration: bool = True
) -> RollColumns | None:
    """Return the columns of the roll equation; None when no axle has its roll or there is no lateral force.

    Parameters
    ----------
    motion : Motion
        On the working base.
    exclude : array of bool
        Working samples the fit must not touch (parked, bump stop in contact).
    weights : Weights
        From the sheet, for the twist of the ground.
    with_roll_acceleration : bool
        Whether to use the gyro.
    """
    # Without an axle's roll or the lateral force there is no equation; all else only makes it better.
    axles = tuple(axle for axle in AXLES if f"roll_{axle}" in motion.data)
    if not axles or "specific_force_y" not in motion.data:
        return None
    index = motion.data.index.to_numpy(dtype=np.float64)
    # One filter for every column: a sum of terms stays a sum behind it.
    rate = motion.rate
    every = max(1, int(rate // FIT_RATE))
    taps = lowpass_taps(rate, BAND, BAND)
    bad = exclude | motion.suspect["specific_force_y"].to_numpy()
    for axle in axles:
        bad = bad | motion.suspect[f"roll_{axle}"].to_numpy()

    def column(values: Floats) -> Floats:
        return set_aside(smooth(values, taps, every))

    terms: dict[str, Floats] = {}
    known: dict[str, Floats] = {}
    if with_roll_acceleration and "roll_acceleration" in motion.data:
        for name, values in _roll_acceleration(motion, ~bad).items():
            (known if name == GYROSCOPIC else terms)[name] = column(values)
            bad = bad | motion.suspect[_SOURCES[name]].any(axis=1).to_numpy()
    # What the dampers and their friction carry, from wheel speeds of both sides.
    for axle in axles:
        terms |= {name: column(values) for name, values in _damper_terms(motion, axle, rate).items()}
    # What is known beforehand or belongs to the ground is no term of the fit, but is taken off or watched.
    per_turning = weights.wheelbase / ground_speed(motion)
    if "yaw_rate" in motion.data:
        yaw_rate = motion.data["yaw_rate"].to_numpy()
        known[YAW] = column(derivative(yaw_rate, rate))
        rolling = motion.data["roll_rate"].to_numpy() if "roll_rate" in motion.data else 0.0
        known[ASIDE] = column(yaw_rate**2 + rolling**2)
        known[TURNING] = column(per_turning * yaw_rate)
        bad = bad | motion.suspect["yaw_rate"].to_numpy()
    else:
        # Lateral force over speed stands for it: good enough for the error of a box that leans.
        known[TURNING] = column(
            per_turning * motion.data["specific_force_y"].to_numpy() / ground_speed(motion)
        )
    ground, unseen = _ground_columns(motion, ~bad, weights, with_roll_acceleration)
    known |= {name: column(values) for name, values in ground.items()}
    bad = bad | unseen
    known |= {name: column(values) for name, values in _speed_columns(motion, ~bad).items()}
    if "road_force_z" in motion.data:
        known[ROAD_LOAD] = column(motion.data["road_force_z"].to_numpy())
    # Helpers last: each costs the samples in which its channel is suspect, so it must be worth them.
    for name, values in _driven_terms(motion, ~bad).items():
        terms[name] = column(values)
        bad = bad | motion.suspect[_SOURCES[name]].any(axis=1).to_numpy()
    bad = widened(bad, _velocity_half(rate))
    force = column(motion.data["specific_force_y"].to_numpy())
    # Slow copies serve as instruments where the road moves columns and residuals together.
    driven: dict[str, Floats] = {n: terms[n] for n in DRIVEN if n in terms}
    driven |= {n: known[n] for n in known if n not in UNDRIVEN}
    driven["lateral force"] = force
    return RollColumns(
        time=index[::every],
        rate=rate / every,
        slow={name: slow_part(values, rate / every) for name, values in driven.items()},
        roll={axle: column(motion.data[f"roll_{axle}"].to_numpy()) for axle in axles},
        force=force,
        terms=terms,
        known=known,
        per_turning=per_turning[::every],
        noise=_noise(motion, rate, taps),
        suspect=touched(bad, len(taps) // 2, every),
    )


def _ground_columns(
    motion: Motion, among: Bools, weights: Weights, with_gyro: bool
) -> tuple[dict[str, Floats], Bools]:
    """Return the ground's twist as far as the log tells it, and the samples where it cannot be used."""
    if "roll_rate" not in motion.data:
        banked = twist_by_bank(motion, weights)
        return dict(zip((BANKED, PER_BANK), banked or (), strict=False)), ~among
    twist = ground_twist(motion, weights) if with_gyro else None
    if twist is None or _mostly(twist.suspect, among):
        return {}, ~among
    found = {GROUND: twist.along}
    if twist.drifted is not None:
        found[DRIFTED] = twist.drifted
    return found, twist.suspect


def _speed_columns(motion: Motion, among: Bools) -> dict[str, Floats]:
    """Return the speed, and the lateral force but for drift and banks from sensors without its noise."""
    if "speed" not in motion.data:
        return {}
    found = {SPEED: ground_speed(motion)}
    if "yaw_rate" in motion.data and not _mostly(motion.suspect["speed"].to_numpy(), among):
        found[PATH_FORCE] = found[SPEED] * motion.data["yaw_rate"].to_numpy()
    return found


def _driven_terms(motion: Motion, among: Bools) -> dict[str, Floats]:
    """Return those of the terms that follow the driving which the log can spare."""
    found: dict[str, Floats] = {}
    for name in DRIVEN:
        (source,) = _SOURCES[name]
        if source in motion.data and not _mostly(motion.suspect[source].to_numpy(), among):
            found[name] = motion.data[source].to_numpy()
            among = among & ~motion.suspect[source].to_numpy()
    return found


def _roll_acceleration(motion: Motion, among: Bools) -> dict[str, Floats]:
    """Return roll acceleration with what pitching and yawing together ask of it, and that part by itself.

    Roll about the body's own axes: I_x p' + (I_z - I_y) q r = sum of moments (Euler's equation; any mechanics
    text). On a bank the product is as steady as the lateral force: 0.4 % of the engine car's roll on 15
    degrees.
    """
    acceleration: Floats = motion.data["roll_acceleration"].to_numpy()
    rates = _SOURCES[GYROSCOPIC]
    if any(n not in motion.data or _mostly(motion.suspect[n].to_numpy(), among) for n in rates):
        return {"roll acceleration": acceleration}
    product: Floats = np.prod([motion.data[n].to_numpy() for n in rates], axis=0)
    return {"roll acceleration": acceleration + INERTIA_RATIO[0] * product, GYROSCOPIC: product}


def _noise(motion: Motion, rate: float, taps: Floats) -> dict[str, float]:
    """Return the variance that white noise of accelerometer and gyro leaves in their columns."""
    # White noise of one variance per Hz comes out as the squares of the answer to a single sample.
    still = np.zeros(len(taps) + 4)
    still[len(still) // 2] = rate / 2.0
    found = {"lateral force": ("specific_force_y", smooth(still, taps))}
    if "roll_rate" in motion.data:
        found["roll acceleration"] = ("roll_rate", derivative(smooth(still, taps), rate))
    return {
        name: _white_noise(motion.data[source].to_numpy(), rate) * float(answer @ answer) * 2.0 / rate
        for name, (source, answer) in found.items()
    }


def _white_noise(force: Floats, rate: float) -> float:
    """Return the variance per Hz of white noise in a force: the quietest of bands above wheel hop.

    Anything that shakes the body is louder in other bands; a log that was filtered shows none.
    """
    edges = np.arange(NOISE_FROM, 0.35 * rate, NOISE_BAND)
    if len(edges) < 2:
        return 0.0
    power = np.abs(np.fft.rfft(force - force.mean())) ** 2 * 2.0 / (rate * len(force))
    lines = np.fft.rfftfreq(len(force), 1.0 / rate)
    places = np.searchsorted(lines, edges)
    # A log of a few rows has no line in any band: its noise is not known and takes nothing off a slope.
    return float(min((power[a:b].mean() for a, b in pairwise(places.tolist()) if b > a), default=0.0))


def slow_part(column: Floats, rate: float) -> Floats:
    """Return what of a `column` at `rate` [Hz] is below `SLOW_BAND`."""
    return set_aside(smooth(column, lowpass_taps(rate, SLOW_BAND, SLOW_BAND)))


def _mostly(flags: Bools, among: Bools) -> bool:
    """Return whether a helper channel is suspect in more than a tenth of the samples it would cost."""
    return not among.any() or float(np.mean(flags[among])) > 0.1


def _velocity_half(rate: float) -> int:
    return len(lowpass_taps(rate, VELOCITY_BAND, VELOCITY_BAND)) // 2 + 2


def _damper_terms(motion: Motion, axle: Axle, rate: float) -> dict[str, Floats]:
    # Smoothed before the sign is taken: noise about standstill would turn friction round at every sample.
    taps = lowpass_taps(rate, VELOCITY_BAND, VELOCITY_BAND)
    left, right = (
        derivative(smooth(motion.data[f"wheel_{corner}"].to_numpy(), taps), rate)
        for corner in AXLE_CORNERS[axle]
    )
    return {
        f"damper {axle}": right - left,
        f"damper asymmetry {axle}": np.abs(right) - np.abs(left),
        f"friction {axle}": np.tanh(right / STICTION_SPEED) - np.tanh(left / STICTION_SPEED),
    }


# The twist of the ground between the axles, from gyro and pots.


SLIP_BAND: Final = 2.0
"""Low-pass of the forces whose direction is that of the path [Hz]: slower ones smear a change of side,
quicker ones take the road for it. At 1, 2, 3 and 5 Hz the twist under 13 drawn drifts is 3.3, 2.9, 3.1 and
3.8 mrad off, root mean square; without side-slip 5.1."""
SLIP_FORCE: Final = 1.0
"""Smallest force across the path that has a direction [m/s2], about the noise of banks and grades: at 0.25,
0.5 and 1 (3 Hz) 3.7, 3.1 and 2.9 mrad."""
SLOWEST: Final = 5.0
"""Below this the twist is worked out as if at this speed [m/s]: a car that creeps does not corner."""
USUAL_SPEED: Final = 15.0
"""Taken when the log has no speed [m/s]; the fit scales the column."""


@dataclass(frozen=True, slots=True)
class GroundTwist:
    """How far the ground under the front axle is rolled against that under the rear one [rad], row by row.

    Parameters
    ----------
    along : array
        By the roll gyro, front less rear: exact for a car that does not drift.
    drifted : array or None
        The same as the side-slip has it; None without pitch, pitch rate or a known side-slip.
    suspect : array of bool
        True where neither is to be used.
    """

    along: Floats
    drifted: Floats | None
    suspect: Bools


def ground_twist(motion: Motion, weights: Weights) -> GroundTwist | None:
    """Return the ground's twist between the axles; None without roll rate or without both axles' pots.

    Notes
    -----
    The plane of the ground under the car turns about the car's own x axis at p_g = z_xy v_x + z_yy v_y (the
    surface's second derivatives times the velocity, differential geometry), and the twist over the wheelbase
    L is L z_xy: to first order L p_g / v, exact for a car that does not drift, and on a bank that a drifting
    car stands across right but for the cosine of its side-slip. What the gyro reads is
    p = p_g + phi' - psi' theta (Euler angles yaw, pitch, roll; any mechanics text), with phi and theta the
    body's own roll and pitch over the ground, tyres included. So the ground's part follows from gyro and pots
    and hardly needs the accelerometer. Where a bank begins or ends it is as large as the roll itself. Pitch
    on the tyres counts: in a drift yaw rate and drive force go along with the lateral force, and left out it
    moved the front gradient of the rigid-body engine by 0.15 % and the rear by 0.2 %.

    A road is straight across its path, whatever its bank does along it. Two of the surface's three second
    derivatives are then there, and with the side-slip b both follow from p_g and
    q_g = -(z_xx v_x + z_xy v_y): z_xy v = p_g cos(b)^3 + q_g sin(b)^3. By the pitch gyro
    q = q_g + theta' + psi' phi. It asks for more and is worth less where side-slip changes quickly, so it
    stands beside the other: it says what a drift leaves open.
    """
    found = _over_ground(motion, weights)
    if found is None:
        return None
    over, pitch, suspect = found
    per_turning = weights.wheelbase / ground_speed(motion)
    # What the gyro reads less how the body rolls over the ground is how the ground itself turns.
    rolling = motion.data["roll_rate"].to_numpy() - derivative(over, motion.rate)
    if pitch is None:
        return GroundTwist(per_turning * rolling, None, suspect)
    yawing = motion.data["yaw_rate"].to_numpy()
    rolling = rolling + yawing * pitch
    drifted: Floats | None = None
    slip = side_slip(motion)
    if slip is not None and "pitch_rate" in motion.data:
        sine, cosine = slip
        nodding = motion.data["pitch_rate"].to_numpy() - derivative(pitch, motion.rate) - yawing * over
        drifted = per_turning * (rolling * cosine**3 + nodding * sine**3)
    return GroundTwist(per_turning * rolling, drifted, suspect)


def _over_ground(motion: Motion, weights: Weights) -> tuple[Floats, Floats | None, Bools] | None:
    """Return roll and pitch of the body over the ground, tyres included [rad], and where the roll is suspect.

    None without roll rate or without both axles' pots; pitch is None where it, or yaw rate, is not known.
    """
    names = [f"roll_{axle}" for axle in AXLES]
    if weights.wheelbase <= 0.0 or any(n not in motion.data for n in ("roll_rate", *names)):
        return None
    force = motion.data["specific_force_y"].to_numpy()
    bad = motion.suspect["roll_rate"].to_numpy().copy()
    over = np.zeros(len(force))
    swing = np.zeros(len(force))  # yaw acceleration
    if "yaw_rate" in motion.data:
        swing = derivative(motion.data["yaw_rate"].to_numpy(), motion.rate)
    for axle, name in zip(AXLES, names, strict=True):
        tyre = weights.give.get(axle, 0.0) * (force + weights.place.get(axle, 0.0) * swing)
        over += (motion.data[name].to_numpy() * weights.over_ground[axle] + tyre) / len(AXLES)
        bad |= motion.suspect[name].to_numpy()
    if "yaw_rate" not in motion.data or "pitch" not in motion.data:
        return over, None, bad
    pitch = motion.data["pitch"].to_numpy()
    if "specific_force_x" in motion.data:
        pitch = pitch + weights.tyre_pitch * motion.data["specific_force_x"].to_numpy()
    return over, pitch, bad


BANK_BAND: Final = 1.0
"""Low-pass of a bank before its change is taken [Hz]: a little above that of the forces that tell it."""
BANK_NOISE: Final = np.radians(1.5)
"""So much of a bank from forces counts as none [rad]: what a box that leans and an accelerometer that is off
by 0.15 m/s2 show on level courses of the rigid-body engine."""
BANK_PACE: Final = 8.0
"""Slower than this a bank is not asked for [m/s]: a car that starts shows one of some degrees, and the twist
goes with the inverse of the speed."""
BANK_JUMP: Final = (np.radians(8.0), 0.2, 0.4)
"""A bank that changes by more than the first [rad] within the second [s] has mistaken the direction of the
turn: it is not known there, nor for the third on either side [s]. A road banks by 12 degrees in a second."""


def twist_by_bank(motion: Motion, weights: Weights) -> tuple[Floats, Floats] | None:
    """Return the ground's twist between the axles as banks make it [rad], and its change per bank [1].

    For a log without a roll rate. None without speed, yaw rate, the three accelerations or both axles' pots.

    Notes
    -----
    A road that is straight across its path and slopes by B across it, left side lower, has the second
    derivatives curvature x B along the path and -B' along and across it (`ground_twist`). Under a car whose
    nose points b to the left of its path the twist over the wheelbase L is

        -L (B' (cos(b)^2 - sin(b)^2) + curvature B sin(b) cos(b))

    with B by the forces on the car (`analyzer.processing.road`) and b by `side_slip`.
    """
    names = ("bank", "turn", "yaw_rate", *(f"roll_{axle}" for axle in AXLES))
    slip = side_slip(motion)
    if slip is None or weights.wheelbase <= 0.0 or any(n not in motion.data for n in names):
        return None
    slope = (motion.data["bank"] * motion.data["turn"]).to_numpy()
    most, within, around = BANK_JUMP
    width = max(1, round(within * motion.rate))
    jumps = np.zeros(len(slope), dtype=np.bool_)
    jumps[width:] = np.abs(slope[width:] - slope[:-width]) > most
    jumps = widened(jumps, round(around * motion.rate))
    unknown = motion.suspect["bank"].to_numpy() | jumps | (ground_speed(motion) < BANK_PACE)
    if unknown.all():
        return None
    # Where a bank is not known, as in a change of side, it goes over from what it was to what it will be.
    slope = filled(slope, unknown)
    shown = np.abs(slope) > BANK_NOISE
    taps = lowpass_taps(motion.rate, BANK_BAND, BANK_BAND)
    slope = smooth(slope - np.where(shown, BANK_NOISE**2 / np.where(shown, slope, 1.0), slope), taps)
    sine, cosine = slip
    per_turning = weights.wheelbase / ground_speed(motion)
    drifting = smooth(motion.data["yaw_rate"].to_numpy(), taps) * sine * cosine
    rolling = derivative(slope, motion.rate) * (cosine**2 - sine**2)
    return -per_turning * (rolling + drifting * np.sin(slope)), -per_turning * drifting * shown


def side_slip(motion: Motion) -> tuple[Floats, Floats] | None:
    """Return sine and cosine of the angle from the path to the car's x axis, left positive [1].

    None without speed, yaw rate or the forces in the plane of the road.

    Notes
    -----
    In that plane gravity acts across the path but for grades, so the force along the path is the change of
    speed, and all else of the force lies across: its direction in the car's axes is that of the path.
    """
    names = ("speed", "yaw_rate", "road_force_x", "road_force_y")
    if any(n not in motion.data for n in names):
        return None
    taps = lowpass_taps(motion.rate, SLIP_BAND, SLIP_BAND)
    along = derivative(smooth(motion.data["speed"].to_numpy(), taps), motion.rate)
    x, y = (smooth(motion.data[name].to_numpy(), taps) for name in names[2:])
    across = np.copysign(np.sqrt(np.maximum(x**2 + y**2 - along**2, 0.0)), y)
    # Products before they are smoothed: where the force swings through zero it has no direction of its own.
    sine = smooth(x * across - y * along, taps)
    cosine = np.maximum(smooth(x * along + y * across, taps), 0.0) + SLIP_FORCE**2
    size = np.hypot(sine, cosine)
    return sine / size, cosine / size


def ground_speed(motion: Motion) -> Floats:
    """Return the speed with which the car goes over the ground [m/s], never under `SLOWEST`."""
    if "speed" not in motion.data:
        return np.full(len(motion.data), USUAL_SPEED)
    speed: Floats = np.maximum(motion.data["speed"].to_numpy(), SLOWEST)
    return speed
