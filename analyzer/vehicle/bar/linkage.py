"""Motion of levers and links over the wheels' full travel, with large angles.

Side view of one side: the lever (length a) turns about the tube's axis at the origin and stands along +x at
static ride height; the link (length l) hangs from its tip at the static angle. The link's lower end is
carried square to the lever by the suspension; a circle about it and the lever's circle meet at the tip.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analyzer.sheets.bar import Link
from analyzer.vehicle.bar.beam import BarModel, Loads, eye_turn
from analyzer.vehicle.bar.section import Array

ASSUMED_LINK: Final = 0.15
"""Link length where the sheet states none [m]: engineering judgement."""

ROD_END_LIMIT: Final = math.radians(12.0)
"""Misalignment of rod ends where the sheet states none [rad]: catalogues give 10-15 deg (from memory)."""

LOWEST_ANGLE: Final = math.radians(35.0)
"""A link closer to its lever's line than this is warned of [rad]; at 0 it goes over centre. Judgement."""

WORTH_TELLING: Final = math.radians(3.0)
"""How far an upright link that no sheet states must stand off square to its lever to be told of [rad]."""

POINTS: Final = 81
"""Points over the wheel travel."""


@dataclass(frozen=True, slots=True)
class Linkage:
    """Lever and link of one side at static ride height.

    Parameters
    ----------
    lever : float
        Link eye from the axis the bar turns about [m].
    angle : float
        Link in side view, to the direction square to the lever [rad]; positive when its far end stands
        nearer to the axis.
    lean : float
        Link out of the plane square to the axis [rad]; positive when its far end stands further outboard.
    tilt : float
        How far a link force in bump turns the upper rod end's bolt up at its outboard end [rad/N]: twist of
        the blade, slope of bolt and tube, give of the mounts.
    """

    lever: float
    angle: float = 0.0
    lean: float = 0.0
    tilt: float = 0.0

    @property
    def effective_lever(self) -> float:
        """Torque about the axis per link force [m]."""
        return self.lever * math.cos(self.angle) * math.cos(self.lean)


def linkage(model: BarModel, loads: Loads | None = None) -> Linkage:
    """Return the linkage of a bar's left side: from where its eye is and which way its link pulls.

    With the `loads` of `solve` also how far it tilts the upper rod end.
    """
    # The tube turns in its mounts, so the lever counts square to the line through them, wherever the eye
    # stands.
    axis = model.left_mount.minus(model.right_mount).unit()
    arm = model.left_eye.minus(model.right_mount)
    outwards = arm.minus(axis.times(arm.dot(axis)))
    lever = outwards.norm()
    outwards = outwards.times(1.0 / lever)
    square = outwards.cross(axis)  # the way the eye moves in bump: up, for a lever that points forward
    # Side view and front view apart: the first changes the lever arm, the second only tilts the rod ends.
    pull = model.left_pull
    # About the lever, so that the bolt's outboard end goes where the eye goes in bump: forwards and backwards
    # pointing levers alike.
    upwards = np.where(pull.dot(square) < 0.0, -1.0, 1.0)
    about = axis.cross(square.times(upwards))
    return Linkage(
        lever=float(lever),
        angle=float(np.arctan2(pull.dot(outwards), np.abs(pull.dot(square)))),
        lean=float(np.arcsin(np.clip(-pull.dot(axis), -1.0, 1.0))),
        tilt=0.0 if loads is None else float(eye_turn(model, loads, about)),
    )


@dataclass(frozen=True, slots=True)
class LinkMotion:
    """One side's linkage at given travels of the link.

    Parameters
    ----------
    lever_angle : ndarray
        Turn of the lever from static, bump positive [rad]; nan where the link cannot follow.
    link_angle : ndarray
        Angle between link and the direction square to the static lever [rad].
    lever : ndarray
        Effective lever: distance of the link's line from the tube's axis [m].
    gain : ndarray
        Turn of the lever per travel [rad/m].
    meeting_angle : ndarray
        Angle between link and lever, 90 degrees when square [rad]; over centre at 0.
    """

    lever_angle: Array
    link_angle: Array
    lever: Array
    gain: Array
    meeting_angle: Array


@dataclass(frozen=True, slots=True)
class BarMotion:
    """Linkage and rate over full wheel travel.

    Parameters
    ----------
    wheel : ndarray
        Wheel travel from full droop to full bump [m].
    side : LinkMotion
        One side at these travels.
    opposite : ndarray
        Opposite wheel travel from zero to the smaller of bump and droop [m].
    rate : ndarray
        Rate at the link at these opposite travels: mean force over travel, both sides [N/m].
    twist : float or None
        Relative turn of both levers, one wheel at full bump and the other at full droop [rad]; None when
        a link cannot follow that far.
    tilt : ndarray
        Misalignment of the upper rod end at `wheel` [rad], the other wheel at that end of its travel which
        makes it the greatest; nan where a link cannot follow.
    misalignment : float
        Greatest misalignment of a rod end, upper or lower [rad].
    binds_at : float or None
        Wheel travel nearest to static ride height at which a rod end is past its limit [m], bump positive;
        None where none is.
    warnings : tuple of str
        What binds, goes over centre or comes close to it.
    assumed : tuple of str
        What the sheet does not state.
    """

    wheel: Array
    side: LinkMotion
    opposite: Array
    rate: Array
    twist: float | None
    tilt: Array
    misalignment: float
    binds_at: float | None
    warnings: tuple[str, ...]
    assumed: tuple[str, ...]

    @property
    def lever_range(self) -> tuple[float, float]:
        """Least and greatest turn of the lever [rad], as far as the link follows."""
        return float(np.nanmin(self.side.lever_angle)), float(np.nanmax(self.side.lever_angle))

    @property
    def least_meeting_angle(self) -> float:
        """Least angle between link and lever [rad]; 0 when it goes over centre."""
        if np.isnan(self.side.meeting_angle).any():
            return 0.0
        return float(self.side.meeting_angle.min())

    @property
    def rate_change(self) -> float | None:
        """Rate at the largest opposite travel / rate at static - 1; None when a link cannot follow."""
        last = float(self.rate[-1])
        return None if math.isnan(last) else last / float(self.rate[0]) - 1.0


def link_motion(lever: float, link_length: float, static_angle: float, travel: Array) -> LinkMotion:
    """Return the linkage at link `travel` [m, along the static link, bump positive]; nan where it cannot be.

    Parameters
    ----------
    lever, link_length : float
        a and l [m].
    static_angle : float
        Link to the direction square to the lever at static ride height [rad]; positive when its lower end
        stands nearer to the tube.
    travel : ndarray
        Travels [m].
    """
    # The lower end moves straight along the static link; the lever's eye must stay one link away from it.
    moved = np.asarray(travel, dtype=float) / math.cos(static_angle)
    low_x = lever - link_length * math.sin(static_angle)
    low_z = moved - link_length * math.cos(static_angle)
    distance = np.hypot(low_x, low_z)
    # Law of cosines in the triangle of lever, link and the line from the tube to the link's lower end.
    cosine = (lever**2 + distance**2 - link_length**2) / (2.0 * lever * distance)
    reachable = np.abs(cosine) <= 1.0
    turn = np.arctan2(low_z, low_x) + np.arccos(np.where(reachable, cosine, 0.0))
    tip_x, tip_z = lever * np.cos(turn), lever * np.sin(turn)
    along_x, along_z = (tip_x - low_x) / link_length, (tip_z - low_z) / link_length
    reach = tip_x * along_z - tip_z * along_x
    # Past dead centre the circles meet again on the far side; the linkage itself has jammed before that.
    good = reachable & (reach > 1e-9)
    safe = np.where(good, reach, 1.0)

    def valid(values: Array) -> Array:
        return np.where(good, values, np.nan)

    return LinkMotion(
        lever_angle=valid(turn),
        link_angle=valid(np.arctan2(along_x, along_z)),
        lever=valid(reach),
        gain=valid(along_z / safe / math.cos(static_angle)),
        meeting_angle=valid(np.arcsin(np.clip(safe / lever, -1.0, 1.0))),
    )


def rate_over_travel(
    rate: float, lever: float, link_length: float, static_angle: float, travel: Array
) -> Array:
    """Return the rate at the link at opposite `travel` [N/m]: mean force of both sides over the travel.

    The bar's whole compliance acts as a spring on the levers' relative turn: T = k a_0^2 (turn_L - turn_R)
    / 2 with the effective lever a_0 at static, and virtual work gives each side's force T d(turn)/d(travel).
    """
    travel = np.asarray(travel, dtype=float)
    left = link_motion(lever, link_length, static_angle, travel)
    right = link_motion(lever, link_length, static_angle, -travel)
    stiffness = rate * (lever * math.cos(static_angle)) ** 2
    torque = stiffness * (left.lever_angle - right.lever_angle) / 2.0
    force = torque * (left.gain + right.gain) / 2.0
    still = travel == 0.0
    return np.where(still, rate, force / np.where(still, 1.0, travel))


def bar_motion(
    rate: float, static: Linkage, link: Link | None, motion_ratio: float, bump: float, droop: float
) -> BarMotion:
    """Return the linkage of a bar over full wheel travel.

    A link that leans moves in side view as its projection does: shorter by the cosine of the lean, with
    travels longer by it.

    Parameters
    ----------
    rate : float
        Rate at the link at static [N/m].
    static : Linkage
        Lever and link at static ride height.
    link : Link or None
        Link of the sheet.
    motion_ratio : float
        Link travel / wheel travel.
    bump, droop : float
        Wheel travel to both ends, positive [m].
    """
    assumed: list[str] = []
    length = ASSUMED_LINK
    if link is not None and link.length is not None:
        length = link.length.value
    else:
        assumed.append(f"link.length: not stated, {ASSUMED_LINK * 1000:.0f} mm taken for the motion")
    # Only a formed bar's arm can drop: of a bladed one, square to the lever is what 0 means.
    if (link is None or link.angle is None) and abs(static.angle) > WORTH_TELLING:
        off = abs(math.degrees(static.angle))
        assumed.append(f"link.angle: not stated, upright taken, {off:.0f} deg off square to the lever")
    upright = math.cos(static.lean)
    ratio = motion_ratio / upright
    wheel = np.linspace(-droop, bump, POINTS)
    side = link_motion(static.lever, length * upright, static.angle, ratio * wheel)
    opposite = np.linspace(0.0, min(bump, droop), POINTS)
    # In side view the force is smaller and the travel larger by the cosine; it drops out of the ratio.
    rates = rate_over_travel(rate, static.lever, length * upright, static.angle, ratio * opposite)
    limit = ROD_END_LIMIT
    if link is not None and link.rod_end_limit is not None:
        limit = link.rod_end_limit.value
    tilt = _upper_tilt(rate, static, side)
    needed = np.fmax(tilt, _lower_tilt(link, static, side))
    misalignment = float(np.nanmax(needed))
    if misalignment > 0.0 and (link is None or link.rod_end_limit is None):
        assumed.append(f"link.rod_end_limit: not stated, {math.degrees(limit):.0f} deg taken")
    ends = side.lever_angle[[0, -1]]
    bound = wheel[needed > limit]
    return BarMotion(
        wheel=wheel,
        side=side,
        opposite=opposite,
        rate=rates,
        twist=None if np.isnan(ends).any() else float(ends[1] - ends[0]),
        tilt=tilt,
        misalignment=misalignment,
        binds_at=float(bound[np.argmin(np.abs(bound))]) if bound.size else None,
        warnings=_warnings(wheel, side, needed, limit),
        assumed=tuple(assumed),
    )


def _upper_tilt(rate: float, static: Linkage, side: LinkMotion) -> Array:
    """Return the misalignment of the upper rod end over the wheel's travel [rad].

    Its bolt lies along the tube and turns with the lever, so swing costs it nothing: what counts is the
    link's lean and how far the link force turns the bolt. The force follows from the levers' relative turn;
    of the two ends of the other wheel's travel the worse one counts.
    """
    turns = side.lever_angle
    swing = side.link_angle - turns  # in the plane of the turned lever
    worst = np.zeros_like(turns)
    for other in (turns[0], turns[-1]):
        force = rate * static.effective_lever * (turns - other) / 2.0
        bolt = static.tilt * force
        # Link (sin s cos l, -sin l, cos s cos l) and bolt (0, 1, tilt): what is missing to a right angle.
        lost = -math.sin(static.lean) + np.cos(swing) * math.cos(static.lean) * bolt
        worst = np.fmax(worst, np.abs(np.arcsin(np.clip(lost / np.hypot(1.0, bolt), -1.0, 1.0))))
    return np.where(np.isnan(turns), np.nan, worst)


def _lower_tilt(link: Link | None, static: Linkage, side: LinkMotion) -> Array:
    """Return the misalignment of the lower rod end [rad]: lean, and swing where its bolt takes it."""
    lean = abs(static.lean)
    if link is None or link.lower_bolt == "along tube":
        return np.where(np.isnan(side.link_angle), np.nan, lean)
    swing = np.abs(side.link_angle - static.angle)
    return np.asarray(np.arccos(math.cos(lean) * np.cos(swing)))


def _warnings(wheel: Array, side: LinkMotion, needed: Array, limit: float) -> tuple[str, ...]:
    found = []
    # A link that has gone over centre needs no warning that it comes close to it.
    lost = np.isnan(side.meeting_angle)
    if lost.any():
        first = float(np.min(np.abs(wheel[lost])))
        way = "bump" if lost[-1] else "droop"
        found.append(f"the link goes over centre at {first * 1000:.0f} mm of wheel {way}")
    elif float(side.meeting_angle.min()) < LOWEST_ANGLE:
        least = math.degrees(float(side.meeting_angle.min()))
        found.append(f"link and lever come to {least:.0f} deg of one line; over centre at 0")
    past = needed > limit
    if past.any():
        worst = int(np.nanargmax(needed))
        first = wheel[past][np.argmin(np.abs(wheel[past]))]
        found.append(
            f"a rod end binds: {math.degrees(float(needed[worst])):.0f} deg needed at "
            f"{_travel_in_words(wheel[worst])}, {math.degrees(limit):.0f} deg allowed; past that from "
            f"{_travel_in_words(first)} on, at the worst place of the other wheel"
        )
    return tuple(found)


def _travel_in_words(travel: float) -> str:
    return f"{abs(travel) * 1000:.0f} mm of {'bump' if travel > 0.0 else 'droop'}"
