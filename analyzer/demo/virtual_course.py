"""The invented drift course, and what the driver makes the car do on it."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import k1

from analyzer.demo.virtual_car import GRAVITY, CarTruth, Floats

# Road surface: an isotropic rough surface after ISO 8608, as parallel tracks along the course.


REFERENCE_WAVENUMBER: Final = 0.1
"""n0 of ISO 8608 [cycles/m]."""

CLASS_MEAN: Final = {"A": 16e-6, "B": 64e-6}
"""Gd(n0), geometric mean of the class [m3], ISO 8608:2016 Table C.2."""

BAND: Final = (0.011, 2.83)
"""Wavenumbers the standard speaks of [cycles/m]."""

TRACK_GAP: Final = 0.6
"""Distance between neighbouring tracks [m]."""

TRACKS: Final = 9
STEP: Final = 0.05
"""Sample distance along the course [m]."""

CONTACT_LENGTH: Final = 0.12
"""Tyre contact length that levels out short waves [m]."""


@dataclass(frozen=True)
class Roughness:
    """Heights over distance and track, shape (points, tracks) [m]."""

    height: Floats

    def at(self, distance: Floats, lateral: Floats) -> Floats:
        """Return the height at a `distance` along and a `lateral` place left of the course line [m]."""
        points, tracks = self.height.shape
        along = np.clip(distance / STEP, 0.0, points - 1.001)
        across = np.clip(lateral / TRACK_GAP + 0.5 * (tracks - 1), 0.0, tracks - 1.001)
        i, j = along.astype(np.intp), across.astype(np.intp)
        u, v = along - i, across - j
        z = self.height
        near = (1.0 - u) * z[i, j] + u * z[i + 1, j]
        far = (1.0 - u) * z[i, j + 1] + u * z[i + 1, j + 1]
        return np.asarray((1.0 - v) * near + v * far)


def spectral_density(wavenumber: Floats, mean: float) -> Floats:
    """Return Gd(n) = Gd(n0) (n / n0)^-2 [m3] (ISO 8608)."""
    return np.asarray(mean * (wavenumber / REFERENCE_WAVENUMBER) ** -2.0)


def coherence(wavenumber: Floats, gap: Floats) -> Floats:
    """Return the ratio of cross to direct spectral density of two parallel tracks [1].

    For an isotropic surface with the exponent 2: x K1(x) with x = 2 pi n gap (Robson 1979, from memory;
    the Bessel integral of an isotropic two-dimensional spectrum).
    """
    x = 2.0 * np.pi * wavenumber * gap
    return np.asarray(np.where(x > 1e-9, x * k1(np.maximum(x, 1e-9)), 1.0))


def rough_surface(length: float, mean: float, rng: np.random.Generator, smooth: bool = True) -> Roughness:
    """Return a surface of `length` [m] whose every track has the class's spectrum.

    Random phases on an even grid of wavenumbers; at each one the tracks are mixed so that their
    cross-spectra are those of an isotropic surface: long waves lift both wheels, short ones either.

    Parameters
    ----------
    length : float
        Length of the course [m].
    mean : float
        Gd(n0) [m3].
    rng : Generator
        Source of the phases.
    smooth : bool
        Level out over the tyre's contact length; False gives the bare profile.
    """
    points = int(2 ** np.ceil(np.log2(max(length, 100.0) / STEP + 2.0)))
    waves = np.asarray(np.fft.rfftfreq(points, STEP), dtype=np.float64)
    inside = (waves >= BAND[0]) & (waves <= BAND[1])
    places = np.arange(TRACKS) * TRACK_GAP
    gaps = np.abs(places[:, None] - places[None, :])
    # Tracks of a real road rise together over long waves and each by itself over short ones.
    cross = coherence(waves[inside][:, None, None], gaps[None])
    mixing = np.linalg.cholesky(cross + 1e-9 * np.eye(TRACKS))
    # irfft adds both halves and divides by the number of points; each wave is to have the variance Gd dn.
    size = 0.5 * points * np.sqrt(spectral_density(waves[inside], mean) * waves[1])
    draws = rng.standard_normal((2, int(inside.sum()), TRACKS))
    spectrum = np.zeros((waves.size, TRACKS), dtype=complex)
    spectrum[inside] = np.einsum("kij,kj->ki", mixing, draws[0] + 1j * draws[1]) * size[:, None]
    if smooth:
        spectrum *= np.sinc(waves * CONTACT_LENGTH)[:, None]
    return Roughness(np.fft.irfft(spectrum, n=points, axis=0))


# The invented drift course: straight, entry, alternating transitions, a banked bowl, a last switchback.


DRIVE_COLUMNS: Final = (
    "heading",
    "curvature",
    "curvature_rate",
    "bank",
    "bank_rate",
    "height",
    "height_rate",
    "height_bend",
    "slip",
    "slip_rate",
    "slip_bend",
    "speed",
)
"""Columns of a course table over distance; rate and bend are first and second derivatives by distance."""


@dataclass(frozen=True)
class Stretch:
    """One part of the course.

    Parameters
    ----------
    name : str
        As on the course sheet.
    length : float
        [m].
    radius : float
        Of the path, left turn positive [m]; 0 for a straight.
    speed : float
        Meant speed [m/s].
    slip : float
        How far the car points into the turn of its path [deg], positive into it.
    bank : float
        Cross slope towards the inside [deg].
    """

    name: str
    length: float
    radius: float
    speed: float
    slip: float
    bank: float = 0.0


KETTLE_YARD: Final = (
    Stretch("run-up", 75.0, 0.0, 20.0, 0.0),
    Stretch("entry left", 50.0, 36.0, 17.3, 28.0),
    Stretch("first switch right", 48.0, -31.0, 16.0, 32.0),
    Stretch("second switch left", 44.0, 26.0, 14.4, 34.0),
    Stretch("long right", 62.0, -43.0, 18.2, 26.0),
    Stretch("link straight", 60.0, 0.0, 25.0, 0.0),
    Stretch("bowl left", 170.0, 60.0, 25.4, 20.0, 14.0),
    Stretch("bowl exit", 45.0, 0.0, 19.0, 0.0),
    Stretch("third switch right", 44.0, -29.0, 15.3, 32.0),
    Stretch("hairpin left", 38.0, 21.0, 12.4, 36.0),
    Stretch("last right", 52.0, -52.0, 16.6, 18.0),
    Stretch("finish straight", 60.0, 0.0, 18.0, 0.0),
)
"""Kettle Yard, an invented place."""

SWELLS: Final = ((0.040, 17.0, 0.42), (0.052, 18.0, 0.80))
"""Dips in the bowl: depth [m], length [m], place as a part of the bowl."""

CURVE_EASE: Final = 13.0
SLIP_EASE: Final = 19.0
BANK_EASE: Final = 22.0
SPEED_EASE: Final = 16.0
"""Lengths over which curvature, slip, bank and speed change from stretch to stretch [m]."""

SLIP_LEAD: Final = 3.0
"""The car turns in this far before its path bends [m]."""


@dataclass(frozen=True)
class Manner:
    """How one run is driven.

    Parameters
    ----------
    pace, slip : float
        Factors on speed and slip angle.
    shift : float
        Turn points moved along the course [m].
    waver : float
        Size of the driver's own corrections: part of curvature and speed, tenfold in degrees of slip.
    start, finish : float
        Standing still before and after [s].
    """

    pace: float
    slip: float
    shift: float
    waver: float
    start: float
    finish: float


def course_length(stretches: tuple[Stretch, ...]) -> float:
    """Return the length of a course [m]."""
    return sum(part.length for part in stretches)


def course_table(stretches: tuple[Stretch, ...], manner: Manner, rng: np.random.Generator) -> Floats:
    """Return one run's course over distance, every `STEP` metres, columns `DRIVE_COLUMNS`."""
    distance: Floats = np.arange(int((course_length(stretches) + 60.0) / STEP), dtype=np.float64) * STEP
    ends = np.cumsum([part.length for part in stretches])
    last = len(stretches) - 1

    def steps(values: list[float], ease: float, lead: float = 0.0) -> Floats:
        index = np.minimum(np.searchsorted(ends, distance + manner.shift + lead, side="right"), last)
        return eased(np.array(values)[index], ease)

    # The driver leads the course with the slip and wavers about it; each run has a hand of its own.
    curvature = steps([0.0 if part.radius == 0.0 else 1.0 / part.radius for part in stretches], CURVE_EASE)
    curvature = curvature * (1.0 + manner.waver * wandering(distance, 17.0, rng))
    slips = [np.radians(part.slip) * np.sign(part.radius) * manner.slip for part in stretches]
    slip = steps(slips, SLIP_EASE, SLIP_LEAD)
    fast = np.abs(slip) / np.radians(30.0)
    slip = slip + np.radians(100.0) * manner.waver * fast * wandering(distance, 15.0, rng)
    speed = steps([part.speed * manner.pace for part in stretches], SPEED_EASE)
    speed = speed * (1.0 + manner.waver * wandering(distance, 30.0, rng))
    # The ground does not move with the driver: no shift here.
    index = np.minimum(np.searchsorted(ends, distance, side="right"), last)
    bank = eased(
        np.array([np.radians(part.bank) * np.sign(part.radius) for part in stretches])[index], BANK_EASE
    )
    height = swells(stretches, distance)
    heading = np.concatenate([[0.0], np.cumsum(0.5 * (curvature[1:] + curvature[:-1]) * STEP)])
    return np.stack(
        [
            heading,
            curvature,
            _slope(curvature),
            bank,
            _slope(bank),
            height,
            _slope(height),
            _slope(_slope(height)),
            slip,
            _slope(slip),
            _slope(_slope(slip)),
            speed,
        ],
        axis=1,
    )


def swells(stretches: tuple[Stretch, ...], distance: Floats) -> Floats:
    """Return the height of the course line [m]: level but for smooth dips in banked stretches."""
    height = np.zeros_like(distance)
    start = 0.0
    for part in stretches:
        if part.bank:
            for depth, length, place in SWELLS:
                u = np.clip((distance - start - place * part.length) / length + 0.5, 0.0, 1.0)
                height -= depth * np.sin(np.pi * u) ** 4
        start += part.length
    return height


def eased(column: Floats, length: float) -> Floats:
    """Return a stepped column smoothed over `length` metres by a window without corners."""
    points = max(int(length / STEP), 4)
    window = np.hanning(points + 2)[1:-1]
    padded = np.concatenate([np.full(points, column[0]), column, np.full(points, column[-1])])
    return np.asarray(np.convolve(padded, window / window.sum(), mode="same")[points:-points])


def wandering(distance: Floats, length: float, rng: np.random.Generator) -> Floats:
    """Return smooth noise of unit spread with wavelengths of about three times `length` [m]."""
    raw = rng.standard_normal(distance.size)
    smooth = eased(eased(raw, length), length)
    return np.asarray(smooth / np.std(smooth))


def _slope(column: Floats) -> Floats:
    return np.asarray(np.gradient(column, STEP))


DT: Final = 0.00125
"""Time step of the engine [s]."""

CHUNK: Final = 4000
"""Steps whose ground is worked out at once."""

FRONT_SLIP: Final = np.radians(6.0)
"""Slip angle of the steered wheels in a full corner [rad]."""


@dataclass(frozen=True)
class Plan:
    """Meant motion of several runs side by side; arrays are (steps, runs).

    Parameters
    ----------
    tables : ndarray
        Course tables, (runs, points, columns).
    distance, speed, speed_rate : ndarray
        Along the path [m], [m/s], [m/s2].
    place : ndarray
        Of the sprung CG in the horizontal plane, (steps, runs, 2) [m].
    roads : list of Roughness or None
        Surface of each run; None for a smooth one.
    """

    tables: Floats
    distance: Floats
    speed: Floats
    speed_rate: Floats
    place: Floats
    roads: list[Roughness] | None

    @property
    def shape(self) -> tuple[int, int]:
        """Steps and runs."""
        steps, runs = self.distance.shape
        return steps, runs

    def course(self, distance: Floats) -> dict[str, Floats]:
        """Return the course columns at a `distance` whose second axis is the run."""
        points = self.tables.shape[1]
        along = np.clip(distance / STEP, 0.0, points - 1.001)
        i = along.astype(np.intp)
        u = (along - i)[..., None]
        run = np.arange(self.tables.shape[0]).reshape((1, -1) + (1,) * (distance.ndim - 2))
        rows = (1.0 - u) * self.tables[run, i] + u * self.tables[run, i + 1]
        return {name: rows[..., column] for column, name in enumerate(DRIVE_COLUMNS)}


def drive(
    tables: Floats, manners: list[Manner], finish: float, roads: list[Roughness] | None
) -> tuple[Plan, Floats]:
    """Return the plan of runs that start and end standing still, and each run's end time [s].

    The driver takes what the speed column asks for a little ahead, with bounded acceleration, and brakes
    to a stop at the distance `finish`.
    """
    coarse = 0.01
    runs = len(manners)
    start = np.array([manner.start for manner in manners])
    distance, speed, pull = np.zeros(runs), np.zeros(runs), np.zeros(runs)
    rows, stopped = [], np.full(runs, np.inf)
    for step in range(int(120.0 / coarse)):
        now = step * coarse
        ahead = np.minimum(((distance + 0.35 * speed) / STEP).astype(np.intp), tables.shape[1] - 1)
        wanted = tables[np.arange(runs), ahead, DRIVE_COLUMNS.index("speed")]
        # No faster than it can still be stopped from before the end.
        wanted = np.minimum(wanted, np.sqrt(2.0 * 4.5 * np.maximum(finish - distance, 0.0)))
        asked = np.clip((wanted - speed) / 0.35, -6.0, 5.0) * (now >= start)
        pull = pull + (asked - pull) * coarse / 0.15
        # Below walking pace at the end the brakes hold the car.
        halted = (now > start + 5.0) & (speed < 0.4)
        stopped = np.where(halted & np.isinf(stopped), now, stopped)
        pull = np.where(np.isfinite(stopped), -speed / 0.15, pull)
        rows.append(pull.copy())
        speed = np.maximum(speed + pull * coarse, 0.0)
        distance = distance + speed * coarse
        if np.all(np.isfinite(stopped)) and now > float(np.max(stopped)) + max(m.finish for m in manners):
            break
    ends = stopped + np.array([manner.finish for manner in manners])
    return plan_from(tables, np.array(rows), coarse, np.zeros(runs), roads), ends


def plan_from(
    tables: Floats, pulls: Floats, spacing: float, speed: Floats, roads: list[Roughness] | None
) -> Plan:
    """Return the plan that follows from accelerations given every `spacing` seconds and a first speed."""
    steps = int((pulls.shape[0] - 1) * spacing / DT)
    when = np.arange(steps) * DT
    knots = np.arange(pulls.shape[0]) * spacing
    rate = np.stack([np.interp(when, knots, column) for column in pulls.T], axis=1)
    fast = np.maximum(speed + _integral(rate), 0.0)
    plan = Plan(tables, _integral(fast), fast, rate, np.zeros((0,)), roads)
    heading = plan.course(plan.distance)["heading"]
    way = fast[..., None] * np.stack([np.cos(heading), np.sin(heading)], axis=-1)
    return Plan(tables, plan.distance, fast, rate, _integral(way), roads)


def _integral(rate: Floats) -> Floats:
    steps = 0.5 * (rate[1:] + rate[:-1]) * DT
    return np.concatenate([np.zeros_like(rate[:1]), np.cumsum(steps, axis=0)])


@dataclass(frozen=True)
class Ground:
    """Meant pose and ground for a chunk of steps.

    Parameters
    ----------
    point : ndarray
        Ground point under each wheel, (steps, runs, 4, 3).
    frame : ndarray
        Rows: normal, left and forward at that point, (steps, runs, 4, 3, 3).
    rough_rate : ndarray
        Speed of the rough surface along the normal under each wheel, (steps, runs, 4) [m/s].
    side_speed : ndarray
        Meant speed of each contact to the left, (steps, runs, 4) [m/s].
    slip_damping : ndarray
        Force per unmeant sideways speed, (steps, runs, 4) [N s/m].
    pose : ndarray
        Meant x, y, their speeds, yaw, yaw rate, (steps, runs, 6).
    need : ndarray
        Meant specific force forward and left in the road plane, and yaw acceleration, (steps, runs, 3).
    axes : ndarray
        Forward and left in the road plane at the CG, horizontal parts, (steps, runs, 2, 2).
    steer : ndarray
        Road-wheel angle, left positive, (steps, runs) [rad].
    """

    point: Floats
    frame: Floats
    rough_rate: Floats
    side_speed: Floats
    slip_damping: Floats
    pose: Floats
    need: Floats
    axes: Floats
    steer: Floats


def ground_chunks(plan: Plan, car: CarTruth) -> Iterator[Ground]:
    """Yield the ground for all steps, chunk by chunk."""
    steps = plan.shape[0]
    for begin in range(0, steps, CHUNK):
        yield _ground(plan, car, begin, min(begin + CHUNK, steps))


def _ground(plan: Plan, car: CarTruth, begin: int, end: int) -> Ground:
    # One step more on the left for differences in time.
    first = max(begin - 1, 0)
    s, v, rate = (a[first:end] for a in (plan.distance, plan.speed, plan.speed_rate))
    xy = plan.place[first:end]
    at = plan.course(s)
    yaw = at["heading"] + at["slip"]
    turn = at["curvature"] * v
    # The body yaws with its path and with its slip; the path alone turns the velocity.
    yaw_rate = (at["curvature"] + at["slip_rate"]) * v
    yaw_acc = (at["curvature_rate"] + at["slip_bend"]) * v**2 + (at["curvature"] + at["slip_rate"]) * rate
    course_dir = _unit(at["heading"])
    velocity = v[..., None] * course_dir
    acceleration = rate[..., None] * course_dir + (v * turn)[..., None] * _left(course_dir)
    # Vertical specific force of the path: dips press, crests lift.
    lift = at["height_bend"] * v**2 + at["height_rate"] * rate + GRAVITY

    up, ahead, side = _axes(at["bank"], at["height_rate"], at["heading"], yaw)
    force = np.concatenate([acceleration, lift[..., None]], axis=-1)
    need = np.stack([np.sum(force * ahead, -1), np.sum(force * side, -1), yaw_acc], axis=-1)

    # Each wheel stands on its own piece of banked and rough ground.
    places = car.wheel_places()
    offset = ahead[..., None, :2] * places[:, :1] + side[..., None, :2] * places[:, 1:2]
    offset = offset + up[..., None, :2] * places[:, 2:]
    point, normal, rough = _surface(plan, s, at, course_dir, xy, offset)
    forward, left = _in_plane(normal, yaw)
    rough_rate = np.gradient(rough, DT, axis=0) if rough.shape[0] > 1 else np.zeros_like(rough)
    flow = velocity[..., None, :] + yaw_rate[..., None, None] * _left(offset)
    # Tyres that slip sideways damp; below 4 m/s the damping would grow without bound.
    side_speed = np.sum(flow * left[..., :2], axis=-1)
    damping = car.per_wheel("tyre_slip") / np.maximum(v, 4.0)[..., None]
    steer = _steer(v, at, yaw_rate, places[0, 0], need[..., 1])
    pose = np.concatenate([xy, velocity, yaw[..., None], yaw_rate[..., None]], axis=-1)
    axes = np.stack([ahead[..., :2], side[..., :2]], axis=-2)
    keep = slice(begin - first, None)
    frame = np.stack([normal, left, forward], axis=-2)
    parts = (point, frame, rough_rate * normal[..., 2], side_speed, damping, pose, need, axes, steer)
    return Ground(*(np.ascontiguousarray(part[keep]) for part in parts))


def _surface(
    plan: Plan, s: Floats, at: dict[str, Floats], course_dir: Floats, xy: Floats, offset: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return ground point, normal and rough height under four places around the CG."""
    # A wheel beside the path of the CG stands at another place of a bent course: its own distance and bank.
    along = np.sum(offset * course_dir[..., None, :], axis=-1)
    across = np.sum(offset * _left(course_dir)[..., None, :], axis=-1)
    bend = at["curvature"][..., None]
    lateral = across - 0.5 * bend * along**2
    distance = s[..., None] + along / (1.0 - bend * across)
    here = plan.course(distance)
    slope = np.tan(here["bank"])
    rough = np.zeros_like(distance)
    if plan.roads is not None:
        for run, road in enumerate(plan.roads):
            rough[:, run] = road.at(distance[:, run], lateral[:, run])
    height = here["height"] - lateral * slope + rough
    rise = here["height_rate"] - lateral * here["bank_rate"] * (1.0 + slope**2)
    direction = _unit(here["heading"])
    normal = _normal(rise, slope, direction)
    point = np.concatenate([xy[..., None, :] + offset, height[..., None]], axis=-1)
    return point, normal, rough


def _axes(bank: Floats, rise: Floats, heading: Floats, yaw: Floats) -> tuple[Floats, Floats, Floats]:
    up = _normal(rise, np.tan(bank), _unit(heading))
    ahead, side = _in_plane(up[..., None, :], yaw)
    return up, ahead[..., 0, :], side[..., 0, :]


def _normal(rise: Floats, slope: Floats, direction: Floats) -> Floats:
    """Return the unit normal of a road that rises along a direction and falls by `slope` to its left."""
    gradient = rise[..., None] * direction - slope[..., None] * _left(direction)
    normal = np.concatenate([-gradient, np.ones_like(rise)[..., None]], axis=-1)
    return np.asarray(normal / np.linalg.norm(normal, axis=-1, keepdims=True))


def _in_plane(normal: Floats, yaw: Floats) -> tuple[Floats, Floats]:
    """Return forward and left in the plane of each `normal`, for a car that points along `yaw`."""
    nose = np.concatenate([_unit(yaw), np.zeros_like(yaw)[..., None]], axis=-1)[..., None, :]
    left = np.cross(normal, np.broadcast_to(nose, normal.shape))
    left /= np.linalg.norm(left, axis=-1, keepdims=True)
    return np.cross(left, normal), left


def _steer(v: Floats, at: dict[str, Floats], yaw_rate: Floats, front: float, side: Floats) -> Floats:
    """Return the road-wheel angle: along the front axle's motion, less its slip angle."""
    moving = np.maximum(v, 1.0)
    flow = np.arctan2(-moving * np.sin(at["slip"]) + front * yaw_rate, moving * np.cos(at["slip"]))
    full = np.clip(side / GRAVITY, -1.2, 1.2)
    return np.asarray((flow + FRONT_SLIP * full) * np.clip(v / 3.0, 0.0, 1.0))


def _unit(angle: Floats) -> Floats:
    return np.stack([np.cos(angle), np.sin(angle)], axis=-1)


def _left(vector: Floats) -> Floats:
    return np.stack([-vector[..., 1], vector[..., 0]], axis=-1)
