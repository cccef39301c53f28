"""What prediction hands on: what a set-up should show, and every setting of a bar, with their errors."""

from dataclasses import dataclass, field
from typing import Final, Literal

from analyzer.core.estimate import Estimate
from analyzer.core.units import Axle
from analyzer.vehicle.bar.linkage import BarMotion
from analyzer.vehicle.bar.rate import BenchRemark

# What prediction hands on: the figures a set-up should show, with their errors.


@dataclass(frozen=True, slots=True)
class BarPrediction:
    """One bar at one setting.

    Parameters
    ----------
    setting : str
        In words: "hole 2, 1 spacer", "off", "none".
    rate : Estimate
        Force at one link per travel of that link, the other moving as far the other way [N/m].
    compliance : dict
        Part of the bar -> its compliance [m/N]; the parts add up to 1 / rate.
    stress_factor : Estimate
        Lowest yield strength / stress of all places with one wheel in full bump and the other in full droop
        [1], without an error; unknown for a bar that is off and where no strength is known.
    """

    setting: str
    rate: Estimate
    compliance: dict[str, float]
    stress_factor: Estimate


@dataclass(frozen=True, slots=True)
class LoadTransfer:
    """Change of one wheel's load per g of level-road lateral acceleration, by path [N/g]."""

    elastic: Estimate
    geometric: Estimate
    unsprung: Estimate
    total: Estimate


@dataclass(frozen=True, slots=True)
class SetupPrediction:
    """What a set-up should do.

    Parameters
    ----------
    name : str
        Set-up.
    bars : dict
        `BarPrediction` per axle; no entry where no bar is in the sheet.
    roll_stiffness : dict
        ``front``, ``rear``, ``total``: suspension roll stiffness (springs and bar) [N m/deg].
    roll_gradient : dict
        As in `RunEstimates.roll_gradient` [deg/g].
    roll_gradient_body : dict
        As in `RunEstimates.roll_gradient_body` [deg/g].
    load_transfer : dict
        `LoadTransfer` per axle.
    front_share : Estimate
        Front part of the load transfer [1].
    assumed : tuple of str
        Values the sheet did not state and what was taken instead.
    further : dict
        ``inside_load_front``, ``_rear`` (lighter wheel at 1 g [N]); ``lift_off_front``, ``_rear`` (lateral
        acceleration at which it leaves the ground [g]); ``replacement_spring_front``, ``_rear`` (rate at the
        spring that gives the same roll stiffness without the bar [N/mm]).
    """

    name: str
    bars: dict[Axle, BarPrediction]
    roll_stiffness: dict[str, Estimate]
    roll_gradient: dict[str, Estimate]
    roll_gradient_body: dict[str, Estimate]
    load_transfer: dict[Axle, LoadTransfer]
    front_share: Estimate
    assumed: tuple[str, ...] = ()
    further: dict[str, Estimate] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ChangePrediction:
    """What going from one set-up to another should do; errors common to both cancel.

    Parameters
    ----------
    before, after : str
        Set-ups.
    changed : tuple of Axle
        Axles whose bar setting differs.
    stiffness_ratio : dict
        ``front``, ``rear``, ``total``: roll stiffness after / before [1].
    stiffness_change : dict
        Same keys: after - before [N m/deg].
    gradient_ratio : dict
        ``front``, ``rear``: `roll_gradient_body` after / before [1].
    front_over_rear : Estimate
        Roll stiffness of the front axle over that of the rear one, after / before [1].
    """

    before: str
    after: str
    changed: tuple[Axle, ...]
    stiffness_ratio: dict[str, Estimate]
    stiffness_change: dict[str, Estimate]
    front_over_rear: Estimate
    gradient_ratio: dict[str, Estimate] = field(default_factory=dict)


# How far an axle can move, what a bank uses of it, what unequal links do.


@dataclass(frozen=True, slots=True)
class WheelRange:
    """How far the wheels of an axle can move from static ride height.

    Parameters
    ----------
    bump, droop : float
        Wheel travel to the end either way, both positive [m].
    assumed : tuple of str
        What the sheet does not state and what was taken.
    """

    bump: float
    droop: float
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TravelUse:
    """What a steady bank uses of one damper's travel.

    Parameters
    ----------
    heave, roll, total : Estimate
        Damper travel from static by the extra weight, by roll, and together [mm], compression positive.
    gap : float or None
        Damper travel to the bump stop [mm]; None when the sheet does not state it.
    margin : Estimate
        Travel left before the stop touches [mm]; negative when it is used up.
    roll_part : float or None
        Part of the compression that a stiffer bar can act on [1]; None when the damper extends.
    """

    heave: Estimate
    roll: Estimate
    total: Estimate
    gap: float | None
    margin: Estimate
    roll_part: float | None


@dataclass(frozen=True, slots=True)
class Preload:
    """Effect of one left link that is longer than the right one.

    Parameters
    ----------
    left_longer : float
        Left link longer by this [m].
    link_force : Estimate
        Push in the left link with the car held in roll [N].
    corner_change : dict
        ``front``, ``rear``: change of the left wheel's load, car free to settle; the right wheel changes as
        much the other way [N].
    """

    left_longer: float
    link_force: Estimate
    corner_change: dict[Axle, Estimate]


# What the ladder of a bar's settings holds.


STATED_LATERAL: Final = 1.0
"""Level-road lateral acceleration the second stress figure holds for [g]."""

EXAMPLE_BANKS: Final = (0.0, 10.0, 20.0)
"""Cross slopes for which the use of travel is shown [deg]."""


@dataclass(frozen=True, slots=True)
class StressRow:
    """Stress at one place of the bar.

    Parameters
    ----------
    place : str
        Where.
    full_travel, stated_lateral : float
        Von Mises stress at one wheel in full bump and the other in full droop; at `STATED_LATERAL` [Pa].
    yield_strength : float or None
        That counts at this place, next to a weld the welded one [Pa]; None when it is not known.
    factor, stated_factor : float or None
        Yield strength over the stress at full travel and at the stated acceleration.
    cycles : float or None
        Swings from one side to the other and back at `STATED_LATERAL` that the design curve allows; None
        above 1e9, where the curve says nothing, where the place yields on the way, and where the metal or
        its strength is not known.
    """

    place: str
    full_travel: float
    stated_lateral: float
    yield_strength: float | None
    factor: float | None
    stated_factor: float | None
    cycles: float | None


@dataclass(frozen=True, slots=True)
class LadderRow:
    """One setting.

    Parameters
    ----------
    hole, spacers : int or None
        The setting, of the left side where the sides differ; None for a bent bar.
    right : tuple of int or None
        Hole and spacers of the right side where it is set otherwise; None when both are alike.
    setting : str
        In words.
    fitted : bool
        Whether it is the one on the car.
    rate : Estimate
        Force at one link per its travel, the other link moving as far the other way [N/m].
    change : Estimate
        Rate against the fitted setting [%].
    compliance : dict
        Part -> compliance [m/N]; they add up to 1 / rate.
    roll_stiffness, roll_gradient : Estimate
        Of this axle: springs and bar [N m/deg]; suspension roll on a level road [deg/g].
    stress_factor : float or None
        Lowest yield strength / stress of all places at full opposite travel.
    stress : tuple of StressRow
        Place by place.
    motion : BarMotion
        Over full travel.
    """

    hole: int | None
    spacers: int | None
    right: tuple[int, int] | None
    setting: str
    fitted: bool
    rate: Estimate
    change: Estimate
    compliance: dict[str, float]
    roll_stiffness: Estimate
    roll_gradient: Estimate
    stress_factor: float | None
    stress: tuple[StressRow, ...]
    motion: BarMotion


@dataclass(frozen=True, slots=True)
class TriedSetting:
    """One setting of a bar that is being thought about.

    Parameters
    ----------
    row : LadderRow
        Its ``change`` is against the fitted setting of the car as it is.
    roll, margin : Estimate
        Compression of the outer damper by roll at `STATED_LATERAL` on a level road, and what is left then
        before the bump stop touches [mm]; the margin is unknown when the sheet does not state the gap.
    """

    row: LadderRow
    roll: Estimate
    margin: Estimate


@dataclass(frozen=True, slots=True)
class WhatIf:
    """Another part in place of the fitted one.

    Parameters
    ----------
    change : str
        What is different.
    rate, ratio : Estimate
        Rate [N/m] and its change against the fitted bar [%].
    mass : float or None
        Of the round part [kg].
    """

    change: str
    rate: Estimate
    ratio: Estimate
    mass: float | None


@dataclass(frozen=True, slots=True)
class TubeChoice:
    """A tube, or diameter and wall of a bent bar, at the fitted setting.

    Parameters
    ----------
    kind : str
        ``present``, ``shelf`` (in the car sheet) or ``sold`` (a common size).
    diameter : float
        [m].
    wall : float or None
        [m]; None for solid.
    rate : float
        [N/m].
    stress_factor : float or None
        Lowest yield strength / stress of all places at full opposite travel.
    mass : float or None
        [kg].
    """

    kind: Literal["present", "shelf", "sold"]
    diameter: float
    wall: float | None
    rate: float
    stress_factor: float | None
    mass: float | None


@dataclass(frozen=True, slots=True)
class BenchComparison:
    """Bench test beside the computed rate.

    Parameters
    ----------
    hole, spacers : int or None
        Setting that was tested; None for a bent bar.
    measured, computed, ratio : Estimate
        Rates [N/m], and measured / computed [1].
    used : bool
        Whether the ratio is carried over to every setting and variant.
    remarks : tuple of BenchRemark
        What makes a mistake likely.
    """

    hole: int | None
    spacers: int | None
    measured: Estimate
    computed: Estimate
    ratio: Estimate
    used: bool
    remarks: tuple[BenchRemark, ...]


@dataclass(frozen=True, slots=True)
class BankUse:
    """What a steady turn uses of the outer damper's travel with the fitted setting.

    Parameters
    ----------
    bank_deg : float
        Cross slope towards the inside [deg].
    lateral : float
        Horizontal acceleration towards the inside [g].
    use : TravelUse
        Heave, roll and what is left.
    """

    bank_deg: float
    lateral: float
    use: TravelUse


@dataclass(frozen=True, slots=True)
class BarLadder:
    """All of one axle's bar.

    Parameters
    ----------
    axle : Axle
        Which.
    kind : str
        ``bladed`` or ``formed``.
    rows : tuple of LadderRow
        Settings, softest first.
    what_if, comparison : tuple of WhatIf
        Neighbouring parts; solid bar against tube.
    bench : BenchComparison or None
        Where a bench test is in the sheet.
    preload : Preload or None
        Where the links are unequal.
    travel : WheelRange
        Wheel travel the motion holds for.
    use : tuple of BankUse
        Outer damper's travel at the stated lateral acceleration, level and banked.
    further : dict
        ``inside_load`` [N], ``lift_off`` [g], ``replacement_spring`` [N/mm] of this axle, fitted setting.
    assumed : tuple of str
        What the sheet does not state and what was taken.
    """

    axle: Axle
    kind: str
    rows: tuple[LadderRow, ...]
    what_if: tuple[WhatIf, ...]
    comparison: tuple[WhatIf, ...]
    bench: BenchComparison | None
    preload: Preload | None
    travel: WheelRange
    use: tuple[BankUse, ...]
    further: dict[str, Estimate]
    assumed: tuple[str, ...]

    @property
    def fitted(self) -> LadderRow:
        """The row of the fitted setting."""
        return next(row for row in self.rows if row.fitted)
