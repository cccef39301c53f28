"""From the gradient in body axes to the one a level road shows, and to body roll over the ground."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from analyzer.core.signals import Floats
from analyzer.core.units import AXLES, STANDARD_GRAVITY, Axle
from analyzer.sheets.car import CarSheet
from analyzer.vehicle import axle as axles

MOST_SCALED: Final = 3.0
"""Bars change the roll stiffness of a car by less than this factor: engineering judgement."""


@dataclass(frozen=True, slots=True)
class Weights:
    """How the two axles are mixed before the fit; from the sheet, and only a choice of weights.

    Parameters
    ----------
    stiffness : dict
        Suspension roll stiffness per axle [N m/rad].
    over_ground : dict
        Body roll over the ground per suspension roll of the axle, 1 + K / K_tyre [1].
    moment_per_yaw : float
        What yaw acceleration adds to the moment on the springs, since the lateral force at an axle is then
        not that at the CG [N m per rad/s2].
    twist_per_yaw : float
        What yaw acceleration adds to the difference of roll over the ground, front less rear, for the same
        reason [rad per rad/s2].
    give : dict
        Tyre roll per lateral specific force that passes the springs by [rad per m/s2].
    place : dict
        Of the axle before the sprung CG, negative behind it [m]: the lateral force at an axle is that at the
        CG plus yaw acceleration times the place.
    shifted : dict
        Tyre roll per suspension roll and squared lateral over vertical force, from contacts that move under
        the rolled body (`analyzer.processing.roll.disturbances`) [s2/m].
    tyre_give : dict
        Tyre roll per roll moment of an axle [rad per N m]; 0 without a tyre rate.
    tyre_pitch : float
        Pitch over the ground that tyres add per longitudinal specific force [rad per m/s2].
    bar : dict
        The bar's part of `stiffness` [N m/rad].
    moment : float
        Moment on the springs of both axles per lateral specific force [kg m].
    wheelbase : float
        [m]; 0 when the twist of the ground is not to be worked out.
    """

    stiffness: dict[Axle, float]
    over_ground: dict[Axle, float]
    moment_per_yaw: float = 0.0
    twist_per_yaw: float = 0.0
    give: dict[Axle, float] = field(default_factory=dict)
    place: dict[Axle, float] = field(default_factory=dict)
    shifted: dict[Axle, float] = field(default_factory=dict)
    tyre_give: dict[Axle, float] = field(default_factory=dict)
    tyre_pitch: float = 0.0
    bar: dict[Axle, float] = field(default_factory=dict)
    moment: float = 0.0
    wheelbase: float = 0.0

    @property
    def total(self) -> float:
        """Roll stiffness of both axles [N m/rad]."""
        return sum(self.stiffness.values())

    @property
    def front_share(self) -> float:
        """Share of the front axle in the roll stiffness of both [1]."""
        return self.stiffness["front"] / self.total

    @property
    def mean_per_yaw(self) -> float:
        """What yaw acceleration adds to the moment mean [rad per rad/s2]."""
        return self.moment_per_yaw / self.total

    def as_soft_as(self, slope: float) -> Weights:
        """Return the weights with the stiffness of both axles scaled to a `slope` of the moment mean.

        How soft the car is over all is measured: by the sheet's rates alone a bar that is another one would
        move the gradients. A slope that is off by more than `MOST_SCALED` is a unit, and scales no further.
        """
        if slope <= 0.0 or self.moment <= 0.0:
            return self
        factor = self.moment / slope / self.total
        factor = min(max(factor, 1.0 / MOST_SCALED), MOST_SCALED)
        return replace(
            self,
            stiffness={axle: factor * k for axle, k in self.stiffness.items()},
            over_ground={axle: 1.0 + factor * (over - 1.0) for axle, over in self.over_ground.items()},
        )

    def shared_as(self, front_share: float) -> Weights:
        """Return the weights with the stiffness of both axles shared out as a log shows it."""
        parts = {
            "front": front_share / self.front_share,
            "rear": (1.0 - front_share) / (1.0 - self.front_share),
        }
        return replace(
            self,
            stiffness={axle: parts[axle] * k for axle, k in self.stiffness.items()},
            over_ground={axle: 1.0 + parts[axle] * (over - 1.0) for axle, over in self.over_ground.items()},
        )


@dataclass(frozen=True, slots=True)
class AxleRollPath:
    """What stands between suspension roll and body roll on one axle.

    Parameters
    ----------
    suspension : float
        Roll stiffness of springs and bar [N m/rad].
    tyres : float or None
        Roll stiffness of both tyres [N m/rad]; None when the sheet has no tyre rate.
    direct : float
        Moment that reaches the tyres past the springs per lateral acceleration: roll centre and the part
        of the unsprung mass that camber gain keeps off the springs [kg m].
    place : float
        Of the axle before the sprung CG, negative behind it [m].
    moment : float
        Moment that reaches the springs per lateral acceleration [kg m].
    wheelbase : float
        [m].
    bar : float
        The bar's part of `suspension` [N m/rad].
    tyre_pitch : float
        Pitch that this axle's tyres add per longitudinal specific force [rad per m/s2].
    leaning : float
        Sprung mass times height of the sprung CG [kg m] on an axle whose contacts move with wheel travel, 0
        on a solid one.
    """

    suspension: float
    tyres: float | None
    direct: float
    place: float = 0.0
    moment: float = 0.0
    wheelbase: float = 0.0
    bar: float = 0.0
    tyre_pitch: float = 0.0
    leaning: float = 0.0


@dataclass(frozen=True, slots=True)
class LevelRoad:
    """Gradients on a level road [rad / (m/s2) of lateral acceleration in the horizontal].

    Parameters
    ----------
    axle : dict
        Suspension roll.
    body : float
        Body roll over the ground.
    """

    axle: dict[Axle, float]
    body: float


def roll_paths(car: CarSheet, bar_rates: Mapping[Axle, float]) -> dict[Axle, AxleRollPath]:
    """Return the `AxleRollPath` of both axles."""
    masses = axles.mass_properties(car)
    wheelbase = car.mass.wheelbase.value
    # Load that goes from one axle to the other per longitudinal specific force.
    lifted = masses.total * masses.cg_height / wheelbase
    found: dict[Axle, AxleRollPath] = {}
    for axle in AXLES:
        part, sheet = masses.axle(axle), car.axle(axle)
        found[axle] = AxleRollPath(
            suspension=axles.axle_roll_stiffness(sheet, bar_rates.get(axle, 0.0), part.sprung),
            tyres=axles.tyre_roll_stiffness(sheet),
            direct=part.direct_moment,
            place=masses.front_axle_distance if axle == "front" else -masses.rear_axle_distance,
            moment=part.elastic_moment,
            wheelbase=wheelbase,
            bar=float(axles.bar_roll_stiffness(sheet, bar_rates.get(axle, 0.0))),
            tyre_pitch=-lifted / (2.0 * sheet.tyre_rate.value * wheelbase) if sheet.tyre_rate else 0.0,
            leaning=part.sprung * masses.sprung_cg_height if sheet.suspension == "independent" else 0.0,
        )
    return found


def roll_weights(paths: Mapping[Axle, AxleRollPath]) -> Weights:
    """Return the weights of the roll fit.

    With yaw acceleration the lateral force at an axle is that at the CG plus yaw acceleration times the
    axle's place, for a body whose yaw inertia is mass times the product of both distances to the axles (about
    so on cars, common practice): the moments on springs and tyres follow.
    """
    both = tuple(paths.values())
    # Axles share one body: what turns it counts for both, what gives counts for each by itself.
    moment = sum(path.moment for path in both)
    give = {axle: 0.0 if path.tyres is None else path.direct / path.tyres for axle, path in paths.items()}
    return Weights(
        stiffness={axle: path.suspension for axle, path in paths.items()},
        over_ground={
            axle: 1.0 if path.tyres is None else 1.0 + path.suspension / path.tyres
            for axle, path in paths.items()
        },
        moment_per_yaw=sum(path.moment * path.place for path in both),
        twist_per_yaw=give["rear"] * paths["rear"].place - give["front"] * paths["front"].place,
        give=give,
        place={axle: path.place for axle, path in paths.items()},
        shifted={a: 0.0 if p.tyres is None else p.leaning / p.tyres for a, p in paths.items()},
        tyre_pitch=sum(path.tyre_pitch for path in both),
        tyre_give={a: 0.0 if path.tyres is None else 1.0 / path.tyres for a, path in paths.items()},
        bar={axle: path.bar for axle, path in paths.items()},
        moment=moment,
        wheelbase=paths["front"].wheelbase,
    )


def level_road(slopes: Mapping[Axle, float], paths: Mapping[Axle, AxleRollPath]) -> LevelRoad | None:
    """Return the level-road gradients for body-axes `slopes` [rad / (m/s2)].

    The body-fixed force is f = a cos(phi_b) + g sin(phi_b), to first order a + g phi_b. With tyre roll
    tau = (K s f + D a) / K_tyre the body roll seen by an axle is

        phi_b / a = (s (1 + K / K_tyre) + D / K_tyre) / (1 - g s (1 + K / K_tyre))

    (without tyres this is the s / (1 - g s) of Gillespie, Fundamentals of Vehicle Dynamics, ch. 6). A rigid
    chassis has one body roll. With both axles measured that settles it without the rates of springs and bars:
    the tyres of both axles carry the whole moment M f + D a, and phi_b - s f is what each of them gives, so

        phi_b / a = (A + D / K_tyres) / (1 - g A),    A = (M + sum of K_tyre s) / K_tyres

    summed over both axles. What a sheet says of a bar moves no gradient then. Both suspension gradients are
    s (1 + g phi_b / a).

    Returns
    -------
    LevelRoad or None
        None when gravity would turn the car over (1 - g s (1 + K / K_tyre) not positive).
    """
    g = STANDARD_GRAVITY
    body: list[float] = []
    both = [paths[axle] for axle in slopes]
    tyres = [path.tyres for path in both if path.tyres is not None]
    # With both axles measured on known tyres the body's roll follows from these alone: no rate of a spring or
    # bar comes in, so that none of them can move a measured gradient.
    if len(tyres) == len(AXLES) and all(path.moment > 0.0 for path in both):
        whole = sum(tyres)
        given = sum(k * s for k, s in zip(tyres, slopes.values(), strict=True))
        along = (sum(path.moment for path in both) + given) / whole
        if 1.0 - g * along <= 0.0:
            return None
        found = (along + sum(path.direct for path in both) / whole) / (1.0 - g * along)
        return LevelRoad(axle={a: s * (1.0 + g * found) for a, s in slopes.items()}, body=found)
    for axle, slope in slopes.items():
        path = paths[axle]
        # One axle alone, or tyres that nobody knows: what its springs carry tells the load on its tyres.
        give = 0.0 if path.tyres is None else 1.0 / path.tyres
        along = slope * (1.0 + path.suspension * give)
        if 1.0 - g * along <= 0.0:
            return None
        body.append((along + path.direct * give) / (1.0 - g * along))
    mean = float(np.mean(body))
    return LevelRoad(axle={a: s * (1.0 + g * mean) for a, s in slopes.items()}, body=mean)


def level_road_jacobian(
    slopes: Mapping[Axle, float], paths: Mapping[Axle, AxleRollPath]
) -> dict[str, Floats]:
    """Return, per figure (axle names and ``total``), its derivatives by the `slopes`, in their order."""
    result: dict[str, list[float]] = {}
    for axle, slope in slopes.items():
        # By differences: the two axles meet in one body roll, and the closed form is longer than the
        # function.
        step = 1e-4 * abs(slope) + 1e-9
        high = level_road({**slopes, axle: slope + step}, paths)
        low = level_road({**slopes, axle: slope - step}, paths)
        if high is None or low is None:
            return {}
        for name in slopes:
            result.setdefault(name, []).append((high.axle[name] - low.axle[name]) / (2.0 * step))
        result.setdefault("total", []).append((high.body - low.body) / (2.0 * step))
    return {name: np.array(row) for name, row in result.items()}


def tyre_spread(
    slopes: Mapping[Axle, float], paths: Mapping[Axle, AxleRollPath], relative: Mapping[Axle, float]
) -> dict[str, float]:
    """Return the standard uncertainty of each figure from the tyre rates' `relative` tolerances."""
    base = level_road(slopes, paths)
    spread: dict[str, float] = {}
    for axle, share in relative.items():
        path = paths[axle]
        if base is None or path.tyres is None or axle not in slopes:
            continue
        # The tyres of both axles are known apart from each other: each moved alone, the effects added as
        # squares.
        moved = level_road(slopes, {**paths, axle: replace(path, tyres=path.tyres * (1.0 + share))})
        if moved is None:
            continue
        changes = {str(a): moved.axle[a] - base.axle[a] for a in slopes}
        changes["total"] = moved.body - base.body
        for name, change in changes.items():
            spread[name] = float(np.hypot(spread.get(name, 0.0), change))
    return spread
